"""An oscilloscope's marks as timed runs, and the same run in the phone's recording."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.crosscheck.own_times import NEAR_MPS, RELEASE_SD_S, crossing
from analysis.crosscheck.throttle import ThrottleMarks
from analysis.crosscheck.timed_runs import GateInterval, TimedRun
from analysis.results.power import PullFigures
from analysis.signals.smoothing import SpeedCurve

__all__ = ["Alignment", "DirectInterval", "align_release", "runs_from_marks"]


#: An oscilloscope run is one of the session's where its misfit is this much below any other's.
_UNIQUE = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectInterval:
    """One interval timed twice: by the oscilloscope and by the phone in the same run [s]."""

    kind: str
    from_mps: float
    to_mps: float
    scope_s: float
    phone_s: float | None
    difference_s: float | None
    sd_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """The recording's clock minus the oscilloscope's, by the throttle release of one run."""

    log: int
    run: int
    clock_difference_s: float
    clock_difference_sd_s: float
    intervals: tuple[DirectInterval, ...]


def runs_from_marks(
    marks: ThrottleMarks,
    gates_mps: Sequence[float],
    start_mps: float,
    time_sd_s: float,
    speed_sd_mps: float,
) -> tuple[TimedRun, ...]:
    """Turn throttle marks into timed intervals.

    Parameters
    ----------
    marks : ThrottleMarks
        Full throttle, release at the first gate, a blip at each later one.
    gates_mps : sequence of float
        Falling speeds of the release and of the blips [m/s].
    start_mps : float
        Speed at full throttle [m/s].
    time_sd_s, speed_sd_mps : float
        Of the driver's marks [s] and of each gate's reading [m/s].

    Returns
    -------
    tuple of TimedRun
        The pull and one coast-down interval per blip.

    Raises
    ------
    ValueError
        As many gates as marks are needed, falling; the text says how many there are.
    """
    edges = (marks.release, *marks.blips)
    if len(gates_mps) != len(edges):
        moments = ", ".join(f"{edge.t_s:.2f} s" for edge in edges)
        msg = f"{len(edges)} marks (release and blips at {moments}) for {len(gates_mps)} gates"
        raise ValueError(msg)
    if any(b >= a for a, b in itertools.pairwise(gates_mps)):
        msg = "the gates of a coast-down fall from one to the next"
        raise ValueError(msg)
    if not gates_mps[0] > start_mps:
        msg = "the first gate lies above the speed at which the pull began"
        raise ValueError(msg)
    ends = [(marks.full, start_mps)] + list(zip(edges, gates_mps, strict=True))
    runs = []
    for number, ((a, v1), (b, v2)) in enumerate(itertools.pairwise(ends)):
        sd = float(np.sqrt(a.sd_s**2 + b.sd_s**2 + time_sd_s**2))
        gates = GateInterval(from_mps=v1, to_mps=v2, duration_s=b.t_s - a.t_s)
        runs.append(
            TimedRun(
                kind="coast" if number else "pull",
                gates=gates,
                time_sd_s=sd,
                speed_sd_mps=speed_sd_mps,
            )
        )
    return tuple(runs)


def align_release(
    marks: ThrottleMarks,
    runs: Sequence[TimedRun],
    pulls: Sequence[PullFigures],
    curves: Sequence[SpeedCurve],
    *,
    chosen: int | None = None,
) -> Alignment | None:
    """Find the session's own recording of an oscilloscope run and compare the intervals directly.

    Parameters
    ----------
    marks : ThrottleMarks
        On the oscilloscope's clock.
    runs : sequence of TimedRun
        From `runs_from_marks`.
    pulls, curves
        The session's pulls and speed curves.
    chosen : int or None
        Which of the pulls it is, from 0; None looks for the one that fits.

    Returns
    -------
    Alignment or None
        None where no pull fits, or several do.
    """
    by_log = {curve.log: curve for curve in curves}
    misfits = []
    for number, pull in enumerate(pulls):
        curve = by_log.get(pull.log)
        if curve is None or (chosen is not None and number != chosen):
            continue
        misfits.append((_misfit(marks, runs, pull, curve), number))
    if not misfits:
        return None
    misfits.sort()
    best, number = misfits[0]
    if chosen is None:
        # chi-square of as many values as there are marks, at three sigma of its own spread
        limit = len(runs) + 1.0 + 3.0 * np.sqrt(2.0 * (len(runs) + 1.0))
        if best > limit or (len(misfits) > 1 and misfits[1][0] - best < _UNIQUE):
            return None
    pull = pulls[number]
    shift = pull.end_s - marks.release.t_s
    intervals = tuple(_direct(run, pull, by_log[pull.log]) for run in runs)
    sd = float(np.hypot(RELEASE_SD_S, marks.release.sd_s))
    return Alignment(
        log=pull.log,
        run=number,
        clock_difference_s=shift,
        clock_difference_sd_s=sd,
        intervals=intervals,
    )


def _misfit(
    marks: ThrottleMarks, runs: Sequence[TimedRun], pull: PullFigures, curve: SpeedCurve
) -> float:
    """Return chi-square of the pull's duration and of the phone's speeds at the marks."""
    shift = pull.end_s - marks.release.t_s
    launched = (marks.release.t_s - marks.full.t_s) - pull.duration_s
    total = (launched / float(np.hypot(2.0 * RELEASE_SD_S, runs[0].time_sd_s))) ** 2
    moments = [marks.release.t_s, *(edge.t_s for edge in marks.blips)]
    for moment, run in zip(moments, runs, strict=True):
        at = moment + shift
        speed = float(np.interp(at, curve.time_s, curve.speed_mps, left=np.nan, right=np.nan))
        if not np.isfinite(speed):
            return float("inf")
        slope = float(np.interp(at, curve.time_s, curve.accel_mps2))
        sd = np.sqrt(run.speed_sd_mps**2 + (slope * run.time_sd_s) ** 2 + 0.1**2)
        total += float(((speed - run.gates.to_mps) / sd) ** 2)
    return total


def _direct(run: TimedRun, pull: PullFigures, curve: SpeedCurve) -> DirectInterval:
    """Time one interval on the phone's own curve of the same run."""
    gates = run.gates
    t, v = curve.time_s, curve.speed_mps
    near = 2.0 * run.speed_sd_mps + NEAR_MPS
    if run.kind == "pull":
        inside = (t >= pull.start_s) & (t <= pull.end_s + 1.0)
        start = None if gates.from_mps else pull.start_s
        if start is None:
            start = crossing(t, v, inside, gates.from_mps, 1, near)
        end = crossing(t, v, inside, gates.to_mps, 1, near)
    else:
        inside = t >= pull.end_s - 0.5
        inside &= np.cumsum(inside & (v < 0.5)) == 0  # up to the next standstill
        start = crossing(t, v, inside, gates.from_mps, -1, near)
        end = crossing(t, v, inside, gates.to_mps, -1, near)
    if start is None or end is None:
        return DirectInterval(
            kind=run.kind,
            from_mps=gates.from_mps,
            to_mps=gates.to_mps,
            scope_s=gates.duration_s,
            phone_s=None,
            difference_s=None,
            sd_s=None,
        )
    variance = run.time_sd_s**2 + (0.0 if gates.from_mps else RELEASE_SD_S**2)
    for at, speed in ((start, gates.from_mps), (end, gates.to_mps)):
        if speed == 0.0:
            continue
        close = (t > at - 0.5) & (t < at + 0.5)
        steep = max(abs(float(np.nanmean(curve.accel_mps2[close]))), 0.05)
        own = float(np.nanmean(curve.speed_sd_mps[close]))
        variance += (run.speed_sd_mps**2 + own**2) / steep**2
    phone = end - start
    return DirectInterval(
        kind=run.kind,
        from_mps=gates.from_mps,
        to_mps=gates.to_mps,
        scope_s=gates.duration_s,
        phone_s=phone,
        difference_s=gates.duration_s - phone,
        sd_s=float(np.sqrt(variance)),
    )
