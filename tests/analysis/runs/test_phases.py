"""What the vehicle was doing: phases of simulated sessions against their truth, and of made-up curves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_curves import COASTING, made_curve
from make_sessions import simulated

from analysis.runs.phases import find_runs
from analysis.runs.run import Phase, PhaseKind, Run
from analysis.signals.smoothing import fuse
from analysis.simulate.phone import PhoneKind
from analysis.simulate.truth import RunTruth


def _phase(run: Run, kind: PhaseKind) -> Phase:
    phase = run.phase(kind)
    assert phase is not None, kind
    return phase


def _found(seed: int, phone: PhoneKind) -> list[tuple[Run, RunTruth]]:
    """Each true run with the run found in its recording."""
    made = simulated(seed, phone=phone)
    pairs = []
    for truth in made.truth.runs:
        runs = find_runs(fuse(made.recordings[truth.log], truth.log)[0], truth.log)
        near = [run for run in runs if run.phase("pull") is not None]
        assert len(near) == 1, f"{len(near)} pulls in a recording of one run"
        pairs.append((near[0], truth))
    return pairs


@pytest.mark.parametrize("seed", [1, 2, 5])
@pytest.mark.parametrize("phone", ["clean", "rough"])
def test_edges_of_pull_and_coast_lie_within_stated_margins(seed: int, phone: PhoneKind) -> None:
    """With an accelerometer: what is used lies inside what is true, at most some tenths outside of it
    for a pull's outer ends, and not more than the stated margin is given away."""
    for run, truth in _found(seed, phone):
        pull, coast = _phase(run, "pull"), _phase(run, "coast")
        assert -0.5 <= pull.start_s - truth.launch_s <= 0.3
        # the throttle is let go over some 0.3 s; the steepest fall lies inside
        assert -0.1 <= pull.end_s - truth.release_s <= 0.6
        # the coast-down counts from 0.9 s after the release, truth has neutral at some time after it
        assert 0.3 <= coast.start_s - truth.neutral_s <= 1.3
        # never on the brake: a brake of 2 m/s2 for 0.2 s would be 3 % of a coast-down's force
        assert coast.end_s <= truth.brake_s
        if phone == "clean":
            assert coast.end_s >= truth.brake_s - 1.5


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_brake_and_standstill_are_found_after_the_coast_down(seed: int) -> None:
    for run, truth in _found(seed, "clean"):
        coast, brake = _phase(run, "coast"), run.phase("brake")
        if brake is None:
            continue  # rolled on: braked by less than 1 m/s
        assert brake.start_s == coast.end_s
        assert brake.end_s == pytest.approx(truth.stop_s, abs=1.0)
        assert _phase(run, "stand").end_s == pytest.approx(truth.launch_s, abs=0.5)


@pytest.mark.parametrize("seed", [1, 2, 5])
@pytest.mark.parametrize("phone", ["clean", "rough"])
def test_pieces_of_drive_lie_between_gear_changes(seed: int, phone: PhoneKind) -> None:
    """As many pieces as gears; none reaches into a change or past the release.

    Half a bin of 0.2 s is let pass: clutch and throttle take 0.3 s to act.
    """
    for run, truth in _found(seed, phone):
        pieces = _phase(run, "pull").gear_pieces_s
        assert len(pieces) == len(truth.gears)
        for (start_s, end_s), gear in zip(pieces, truth.gears, strict=True):
            assert gear.end_s - 1.0 <= end_s <= gear.end_s + 0.1
            if gear is not truth.gears[0]:
                assert gear.start_s - 0.1 <= start_s <= gear.start_s + 0.5
        assert pieces[0][0] >= truth.launch_s - 0.1


def test_with_gps_alone_margins_are_wider_but_on_the_safe_side() -> None:
    """No accelerometer: lag unknown (stamps late by it), edges to about a second."""
    made = simulated(2, phone="gps-only")
    for run, truth in _found(2, "gps-only"):
        lag_s = made.truth.logs[truth.log].gps_lag_s
        pull, coast = _phase(run, "pull"), _phase(run, "coast")
        assert pull.end_s - lag_s == pytest.approx(truth.release_s, abs=0.6)
        assert coast.start_s - lag_s >= truth.neutral_s + 0.5
        assert coast.end_s - lag_s <= truth.brake_s


# ---- made-up curves ---------------------------------------------------------------------------


def _kinds(run: Run) -> list[str]:
    return [phase.kind for phase in run.phases]


def test_one_plain_run() -> None:
    runs = find_runs(
        made_curve([(5.0, 0.0), (9.0, 2.5), (40.0, COASTING), (6.0, -2.5), (4.0, 0.0)])
    )
    assert [_kinds(run) for run in runs] == [["stand", "pull", "coast", "brake", "stand"]]
    pull, coast = _phase(runs[0], "pull"), _phase(runs[0], "coast")
    assert pull.end_s == pytest.approx(14.0, abs=0.3)
    assert pull.to_mps == pytest.approx(22.5, abs=0.7)
    assert coast.end_s == pytest.approx(54.0, abs=1.0)
    assert coast.end_s <= 54.0


def test_a_touch_of_the_brake_ends_the_coast_down() -> None:
    """0.6 m/s2 for 2 s in the middle: what follows it belongs to no neutral coast-down from before."""
    runs = find_runs(
        made_curve([(3.0, 0.0), (9.0, 2.5), (20.0, COASTING), (2.0, -0.9), (20.0, COASTING)])
    )
    coast = _phase(runs[0], "coast")
    assert coast.end_s <= 32.0
    assert coast.end_s >= 30.0


def test_driving_on_ends_the_coast_down() -> None:
    runs = find_runs(
        made_curve([(3.0, 0.0), (9.0, 2.5), (20.0, COASTING), (8.0, 0.5), (20.0, COASTING)])
    )
    assert _phase(runs[0], "coast").end_s <= 32.2


def test_a_long_fast_drop_is_no_coast_down() -> None:
    """Nothing in neutral slows by 2 m/s2 at 20 m/s."""
    runs = find_runs(made_curve([(3.0, 0.0), (9.0, 2.5), (9.0, -2.0), (5.0, 0.0)]))
    assert all(run.phase("coast") is None for run in runs)


def test_a_gear_change_is_not_the_end_of_a_pull() -> None:
    runs = find_runs(
        made_curve([(3.0, 0.0), (4.0, 3.0), (0.7, -0.3), (6.0, 2.0), (30.0, COASTING), (5.0, -2.0)])
    )
    pulls = [run.phase("pull") for run in runs]
    assert len(pulls) == 1
    pieces = _phase(runs[0], "pull").gear_pieces_s
    assert len(pieces) == 2
    assert pieces[0][1] <= 7.05
    assert pieces[1][0] >= 7.65


def test_a_long_pause_makes_two_pulls() -> None:
    runs = find_runs(
        made_curve([(3.0, 0.0), (5.0, 2.5), (6.0, COASTING), (6.0, 2.0), (30.0, COASTING)])
    )
    assert sum(run.phase("pull") is not None for run in runs) == 2


def test_a_lone_coast_down_needs_no_pull() -> None:
    runs = find_runs(made_curve([(60.0, COASTING), (8.0, -2.0), (4.0, 0.0)], start_mps=30.0))
    assert [_kinds(run) for run in runs] == [["coast", "brake", "stand"]]
    assert _phase(runs[0], "coast").start_s <= 0.5


def test_standing_still_is_no_run() -> None:
    assert find_runs(made_curve([(60.0, 0.0)])) == ()


def test_cruising_is_no_run() -> None:
    assert find_runs(made_curve([(60.0, 0.0)], start_mps=20.0)) == ()


def test_no_curve_gives_no_runs() -> None:
    assert find_runs(replace(made_curve([(5.0, 0.0)]), curve=None)) == ()


def test_nothing_reaches_over_a_hole() -> None:
    fused = made_curve([(3.0, 0.0), (9.0, 2.5), (60.0, COASTING)])
    curve = fused.curve
    assert curve is not None
    hole = (curve.time_s > 30.0) & (curve.time_s < 36.0)
    holed = replace(
        curve,
        speed_mps=np.where(hole, np.nan, curve.speed_mps),
        accel_mps2=np.where(hole, np.nan, curve.accel_mps2),
    )
    runs = find_runs(replace(fused, curve=holed))
    assert len(runs) == 2
    for run in runs:
        for phase in run.phases:
            assert phase.end_s <= 30.1 or phase.start_s >= 35.9


def test_a_run_starts_with_its_first_phase_and_ends_with_its_last() -> None:
    run = Run(
        log=0,
        number=3,
        direction=None,
        phases=(
            Phase(kind="pull", start_s=2.0, end_s=9.0, from_mps=0.0, to_mps=20.0),
            Phase(kind="coast", start_s=10.0, end_s=60.0, from_mps=20.0, to_mps=5.0),
        ),
    )
    assert (run.start_s, run.end_s) == (2.0, 60.0)
    assert run.phase("brake") is None
