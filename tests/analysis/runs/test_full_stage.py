"""Part throttle before full throttle: only the full stage counts, and the part before it is named.

The drives are arithmetic: acceleration is force over mass less a road load, integrated here.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.runs.judging.full_stage import keep_full_stages
from analysis.runs.judging.power_steps import step_findings
from analysis.runs.phases import find_runs
from analysis.runs.run import Run
from analysis.signals.gps import Fixes
from analysis.signals.mount import refused
from analysis.signals.smoothing import Fused, SpeedCurve

Array = NDArray[np.float64]
_MASS_KG = 1500.0


def driven(throttle: Callable[[float, float], float], watts: float = 90e3, log: int = 0) -> Fused:
    """Return a launch with constant power above 40 km/h, the throttle by time since launch and speed."""
    step_s = 0.1
    t = np.arange(0.0, 60.0, step_s)
    v, a = np.zeros(t.size), np.zeros(t.size)
    for i in range(1, t.size):
        since = t[i] - 5.0
        a[i] = -0.1 - 0.0004 * v[i - 1] ** 2 if v[i - 1] > 0.0 else 0.0
        if 0.0 <= since < 16.0:
            a[i] += throttle(since, v[i - 1]) * watts / max(v[i - 1], 11.0) / _MASS_KG
        v[i] = max(v[i - 1] + step_s * a[i], 0.0)
    curve = SpeedCurve(
        log=log,
        time_s=t,
        speed_mps=v,
        speed_sd_mps=np.full(t.size, 0.05),
        accel_mps2=a,
        accel_sd_mps2=np.full(t.size, 0.05),
        place_m=np.cumsum(v) * step_s,
    )
    fixes = Fixes(t_s=t, speed_mps=v, clock=0, from_positions=False)
    return Fused(
        curve=curve,
        fixes=fixes,
        mount=refused("none", None),
        lag_s=0.0,
        lag_sd_s=0.0,
        fix_sd_mps=0.05,
    )


def runs_of(*fused: Fused) -> list[Run]:
    found = [find_runs(one, log)[0] for log, one in enumerate(fused)]
    return [
        Run(log=log, number=log, direction=1, phases=one.phases) for log, one in enumerate(found)
    ]


def full(since: float, speed: float) -> float:
    return 1.0


@pytest.mark.parametrize("seconds", [2.0, 3.0, 5.0])
@pytest.mark.parametrize("others", [0, 2])
def test_two_seconds_of_part_throttle_are_cut_off_and_named(seconds: float, others: int) -> None:
    fused = [driven(lambda since, _: 0.4 if since < seconds else 1.0)]
    fused += [driven(full, log=1 + number) for number in range(others)]
    runs, findings = keep_full_stages(runs_of(*fused), fused)
    pull = runs[0].phase("pull")
    assert pull is not None
    assert pull.gear_pieces_s[0][0] == pytest.approx(5.0 + seconds, abs=0.7)
    assert pull.start_s == pull.gear_pieces_s[0][0]
    if seconds > 2.0:
        # shorter ones the search for the drive's begin has cut off already
        assert [(one.kind, one.run) for one in findings] == [("part_throttle_first", 1)]
        assert "part throttle" in findings[0].text
    assert [run.phase("pull") for run in runs[1:]] == [
        run.phase("pull") for run in runs_of(*fused)[1:]
    ]


@pytest.mark.parametrize(
    "throttle",
    [
        full,
        # boost that builds up: no level before it
        lambda since, speed: 1.0 - 0.6 * float(np.exp(-since / 1.5)),
        # torque that rises with speed
        lambda since, speed: min(1.0, 0.55 + 0.02 * speed),
    ],
)
@pytest.mark.parametrize("count", [1, 3])
def test_what_the_engine_does_itself_is_left_as_it_is(
    throttle: Callable[[float, float], float], count: int
) -> None:
    fused = [driven(throttle, log=log) for log in range(count)]
    runs, findings = keep_full_stages(runs_of(*fused), fused)
    assert findings == ()
    assert runs == runs_of(*fused)


def test_a_step_that_every_pull_shows_at_one_speed_is_the_engines() -> None:
    fused = [driven(lambda _, speed: 0.6 if speed < 8.0 else 1.0, log=log) for log in range(3)]
    runs, findings = keep_full_stages(runs_of(*fused), fused)
    assert findings == ()
    assert runs == runs_of(*fused)


def test_a_power_that_steps_is_named_with_the_run_from_which_on() -> None:
    fused = [driven(full, watts, log) for log, watts in enumerate((90e3, 91e3, 75e3, 76e3))]
    (finding,) = step_findings(runs_of(*fused), fused)
    assert (finding.kind, finding.run, finding.log) == ("power_steps", 3, 2)
    assert "--leave-out 3,4" in finding.text
    drifting = [driven(full, watts, log) for log, watts in enumerate((90e3, 87e3, 84e3, 81e3))]
    assert step_findings(runs_of(*drifting), drifting) == ()
