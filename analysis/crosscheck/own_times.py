"""What each run of a session took between two gates, on its own curve of speed over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.crosscheck.timed_runs import TimedRun
from analysis.runs.run import Phase, Run
from analysis.signals.smoothing import SpeedCurve
from logger.arrays import Array

__all__ = ["NEAR_MPS", "RELEASE_SD_S", "OwnTime", "RunCurve", "crossing", "own_time", "run_curves"]

#: The phone's release and launch are known to this [s].
RELEASE_SD_S = 0.15
#: The phone's curve rounds the top of a run by about this [m/s].
NEAR_MPS = 0.3
#: A pull that begins below this speed begins from rest [m/s].
_REST_MPS = 1.0
#: A gate is passed no more slowly than this [m/s2].
_LEAST_ACCEL_MPS2 = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class RunCurve:
    """One run's speed over time, as speed_time.csv has it, with its pull and coast-down.

    `number` counts from 1, as in the report.
    """

    number: int
    direction: int | None
    pull: Phase | None
    coast: Phase | None
    curve: SpeedCurve


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnTime:
    """The time that one run took between two gates, and its sd [s]."""

    time_s: float
    sd_s: float


def run_curves(runs: Sequence[Run], curves: Sequence[SpeedCurve]) -> tuple[RunCurve, ...]:
    """Return the curve of each run that has a pull or a coast-down."""
    by_log = {curve.log: curve for curve in curves}
    return tuple(
        RunCurve(
            number=run.number + 1,
            direction=run.direction,
            pull=run.phase("pull"),
            coast=run.phase("coast"),
            curve=by_log[run.log],
        )
        for run in runs
        if run.log in by_log and (run.phase("pull") or run.phase("coast"))
    )


def own_time(run: RunCurve, timed: TimedRun) -> OwnTime | None:
    """Return what a run took between the gates of a timed interval; None where it did not pass them."""
    curve, gates = run.curve, timed.gates
    phase = run.pull if timed.kind == "pull" else run.coast
    if phase is None:
        return None
    t, v = curve.time_s, curve.speed_mps
    if timed.kind == "pull":
        inside = (t >= phase.start_s) & (t <= phase.end_s + 1.0)
        way = 1
    else:
        begin_s = phase.start_s if run.pull is None else min(phase.start_s, run.pull.end_s - 0.5)
        inside = (t >= begin_s) & (t <= phase.end_s)
        way = -1
    start: float | None
    if gates.from_mps == 0.0:
        start = phase.start_s if phase.from_mps < _REST_MPS else None
    else:
        start = crossing(t, v, inside, gates.from_mps, way, NEAR_MPS)
    end = crossing(t, v, inside, gates.to_mps, way, NEAR_MPS)
    if start is None or end is None or not end > start:
        return None
    variance = 0.0 if gates.from_mps else RELEASE_SD_S**2
    for at, speed in ((start, gates.from_mps), (end, gates.to_mps)):
        if speed > 0.0:
            # an error of the speed at a gate is one of the time there, over dv/dt
            close = (t > at - 0.5) & (t < at + 0.5)
            steep = max(abs(float(np.nanmean(curve.accel_mps2[close]))), _LEAST_ACCEL_MPS2)
            variance += (float(np.nanmean(curve.speed_sd_mps[close])) / steep) ** 2
    return OwnTime(time_s=end - start, sd_s=float(np.sqrt(variance)))


def crossing(
    t: Array, v: Array, inside: NDArray[np.bool_], speed: float, way: int, near_mps: float
) -> float | None:
    """Return when the speed is first passed rising (1) or, after the top, falling (-1) [s]."""
    # a gate above the run's top speed by no more than its reading's error was passed at the top
    time, path = t[inside], v[inside]
    if path.size < 2 or not np.isfinite(path).all():
        return None
    top = int(np.argmax(path))
    if path[top] <= speed:
        return float(time[top]) if path[top] > speed - near_mps else None
    if way < 0:
        time, path = time[top:], path[top:]
    over = np.flatnonzero(way * (path - speed) >= 0.0)
    if not over.size or over[0] == 0:
        return None
    k = int(over[0])
    part = (speed - path[k - 1]) / (path[k] - path[k - 1])
    return float(time[k - 1] + part * (time[k] - time[k - 1]))
