"""Which runs may be used: engine braking, part throttle, traffic and falling roads are refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_fused import fused_of

from analysis.runs.judging.selection import judge_runs, why_nothing
from analysis.runs.run import Phase, Run
from logger.session.session import LogEntry, Session, Site, Vehicle

_CAR = Vehicle(mass_kg=1329.0, mass_sd_kg=10.0, rotating_mass_kg=40.0, rotating_mass_sd_kg=5.0)


def _session(vehicle: Vehicle = _CAR, site: Site | None = None) -> Session:
    return Session(
        path=Path(), name="made", vehicle=vehicle, logs=(LogEntry(files=()),), site=site or Site()
    )


def _coast(from_mps: float, to_mps: float, duration_s: float, start_s: float = 20.0) -> Phase:
    return Phase(
        kind="coast", start_s=start_s, end_s=start_s + duration_s, from_mps=from_mps, to_mps=to_mps
    )


_PULL = Phase(
    kind="pull", start_s=2.0, end_s=14.0, from_mps=0.0, to_mps=28.0, gear_pieces_s=((2.5, 13.5),)
)
_TIME = np.linspace(0.0, 120.0, 1201)
#: Stands 2 s, pulls to 28 m/s by 14 s, then slows by 0.35 m/s2.
_SPEED = np.interp(_TIME, [0.0, 2.0, 14.0, 74.0, 120.0], [0.0, 0.0, 28.0, 7.0, 2.0])


def _judge(*phases: Phase, vehicle: Vehicle = _CAR) -> tuple[Run, list[str]]:
    runs, findings = judge_runs(
        [Run(log=0, number=0, direction=1, phases=phases)],
        [fused_of(_TIME, _SPEED)],
        _session(vehicle),
    )
    return runs[0], [finding.text for finding in findings]


def _used(run: Run, kind: str) -> bool:
    phase = run.phase(kind)  # type: ignore[arg-type]  # one of the kinds
    assert phase is not None
    assert phase.used == (phase.why_not is None)
    return phase.used


def test_a_plain_run_is_used() -> None:
    run, findings = _judge(_PULL, _coast(27.0, 7.0, 57.0))
    assert _used(run, "pull")
    assert _used(run, "coast")
    assert findings == []


@pytest.mark.parametrize(
    ("from_mps", "to_mps", "duration_s"), [(27.0, 7.0, 18.0), (15.0, 7.0, 6.5), (10.0, 4.0, 5.0)]
)
def test_slowing_harder_than_neutral_can_is_engine_or_brake(
    from_mps: float, to_mps: float, duration_s: float
) -> None:
    """Coast-downs in gear lose 2 to 4 times what neutral loses: common practice, no source."""
    run, findings = _judge(_PULL, _coast(from_mps, to_mps, duration_s))
    assert not _used(run, "coast")
    assert len(findings) == 1
    assert "engine braking or the brake" in findings[0]


def test_the_same_slowing_may_be_right_for_a_bicycle() -> None:
    """Air drag of a light rider slows by over 1 m/s2 at 50 km/h: the window follows kind and mass."""
    coast = _coast(14.0, 8.0, 12.0, start_s=54.0)
    bicycle = replace(_CAR, mass_kg=85.0, rotating_mass_kg=2.0, kind="bicycle")
    assert _used(_judge(_PULL, coast, vehicle=bicycle)[0], "coast")
    assert not _used(_judge(_PULL, coast)[0], "coast")


def test_a_short_slowing_without_a_pull_is_traffic() -> None:
    run, findings = _judge(_coast(12.0, 9.0, 9.0))
    assert not _used(run, "coast")
    assert "traffic" in findings[0]


def test_a_long_coast_down_needs_no_pull() -> None:
    run, _ = _judge(_coast(27.0, 7.0, 57.0))
    assert _used(run, "coast")


def test_a_reason_found_earlier_stays() -> None:
    early = replace(_PULL, used=False, why_not="the throttle was not held")
    run, findings = _judge(early, _coast(27.0, 7.0, 57.0))
    assert not _used(run, "pull")
    assert "the throttle was not held" in findings[0]


def _two_pulls(share: float, *, coasts: bool) -> tuple[Run, ...]:
    """A full pull with its coast-down, then one of `share` of its acceleration."""
    full = np.interp(_TIME, [0.0, 2.0, 14.0, 74.0, 120.0], [0.0, 0.0, 28.0, 7.0, 2.0])
    length = 12.0 / share
    gentle = np.interp(_TIME, [0.0, 2.0, 2.0 + length, 120.0], [0.0, 0.0, 28.0, 3.0])
    other = replace(_PULL, end_s=2.0 + length, gear_pieces_s=((2.5, 1.5 + length),))
    after = (_coast(27.0, 8.0, 60.0, start_s=4.0 + length),) if coasts else ()
    runs = (
        Run(log=0, number=0, direction=1, phases=(_PULL, _coast(27.0, 7.0, 57.0))),
        Run(log=1, number=1, direction=1, phases=(other, *after)),
    )
    fused = [fused_of(_TIME, full), fused_of(_TIME, gentle)]
    return judge_runs(runs, fused, _session())[0]


def test_part_throttle_is_no_pull() -> None:
    """Driving back to the start is not full throttle."""
    runs = _two_pulls(0.4, coasts=False)
    assert _used(runs[0], "pull")
    assert not _used(runs[1], "pull")
    pull = runs[1].phase("pull")
    assert pull is not None
    assert pull.why_not is not None
    assert "part throttle" in pull.why_not


def test_a_pull_a_little_weaker_than_the_others_stays() -> None:
    assert _used(_two_pulls(0.95, coasts=False)[1], "pull")


def test_a_slower_pull_that_ends_in_a_coast_down_stays() -> None:
    """A roll-on in a higher gear accelerates less and is meant."""
    assert _used(_two_pulls(0.5, coasts=True)[1], "pull")


def test_every_reason_is_reported_where_nothing_can_be_used() -> None:
    run, _ = _judge(_coast(12.0, 9.0, 9.0))
    blind = replace(fused_of(_TIME, _SPEED), curve=None)
    reasons = why_nothing([run], [fused_of(_TIME, _SPEED), blind])
    assert any("log 2" in reason and "fixes" in reason for reason in reasons)
    assert any("log 1" in reason and "traffic" in reason for reason in reasons)
    assert any("no full-throttle pull" in reason for reason in reasons)
