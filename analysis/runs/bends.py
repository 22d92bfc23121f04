"""Leave out what was driven in bends: tyres that hold a vehicle in a bend slow it as well.

A tyre that carries the side force ``m a_side`` slips sideways by the angle ``a_side / (g C)`` with a
cornering stiffness C of about 10 per radian of its load, so the bend adds the drag
``m a_side^2 / (g C)`` (T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 6, from memory):
0.01 m/s2 at 1 m/s2 to the side, a tenth of what slows a car on the level at 50 km/h.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.runs.run import Phase, Run
from analysis.signals.gps import flat_positions_m
from analysis.signals.smoothing import Fused
from logger.arrays import Array
from logger.findings import Finding
from logger.recording import Recording

__all__ = ["leave_out_bends", "sideways"]


#: Above this mean acceleration to the side a stretch is a bend [m/s2], and the mean's time [s].
_BEND_MPS2, _MEAN_S = 1.0, 2.0
#: ... and above so many times the noise of what it is taken from.
_OUT_OF_NOISE = 5.0
#: A quarter of normal noise is smaller than this many standard deviations.
_NORMAL_QUARTER = 0.3186
#: Half the base over which a course is taken from positions or headings [s].
_HALF_BASE_S = 3.0
#: Slower than this, positions show no course; the drag of so slow a bend is left in [m/s].
_LEAST_MPS = 5.0
#: A longer step between the times of a curve begins another stretch [s].
_BROKEN_S = 5.0
#: What is left out on each side of a bend [s].
_MARGIN_S = 1.0
#: Shortest stretches that are kept of a coast-down and of a pull [s].
_COAST_S, _PULL_FINE_S, _PULL_S = 10.0, 0.5, 1.0


def sideways(recording: Recording, fused: Fused) -> tuple[Array, Array] | None:
    """Return the acceleration to the side over time, from positions, headings or accelerometer.

    Parameters
    ----------
    recording : Recording
        For positions or headings.
    fused : Fused
        Its curve, lag and mount.

    Returns
    -------
    time_s, side_mps2 : arrays of shape (n,), or None
        Times [s] and acceleration across the course [m/s2], 0 below 5 m/s; None without any of the three.
    """
    curve = fused.curve
    if curve is None:
        return None
    time_s = _half_seconds(curve.time_s)
    good = np.isfinite(curve.speed_mps)
    speed = np.interp(time_s, curve.time_s[good], curve.speed_mps[good])
    side = _from_positions(recording, time_s + fused.lag_s)
    if side is None:
        side = _from_headings(recording, time_s + fused.lag_s, speed)
    if side is None:
        side = _from_accelerometer(fused, time_s)
    if side is None:
        return None
    count = max(1, round(_MEAN_S / 0.5))
    mean = np.convolve(side, np.full(count, 1.0 / count), mode="same")
    return time_s, np.where(speed < _LEAST_MPS, 0.0, mean)


def _half_seconds(curve_s: Array) -> Array:
    """Return a grid of half seconds over each unbroken stretch of a curve's times."""
    pieces = np.split(curve_s, np.flatnonzero(np.diff(curve_s) > _BROKEN_S) + 1)
    return np.concatenate(
        [np.arange(piece[0], max(piece[-1], piece[0] + 0.1), 0.5) for piece in pieces]
    )


def _from_positions(recording: Recording, stamp_s: Array) -> Array | None:
    """Return the second difference of the positions across the course."""
    t_s, place_m = flat_positions_m(recording)
    if t_s.size < 8 or float(np.median(np.diff(t_s))) > _HALF_BASE_S:
        return None
    steps = (-_HALF_BASE_S, 0.0, _HALF_BASE_S)
    before, here, after = (
        np.column_stack([np.interp(stamp_s + step, t_s, place_m[:, axis]) for axis in (0, 1)])
        for step in steps
    )
    along = after - before
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1.0)
    second = (after - 2.0 * here + before) / _HALF_BASE_S**2
    return np.asarray((along[:, 0] * second[:, 1] - along[:, 1] * second[:, 0]) / length)


def _from_headings(recording: Recording, stamp_s: Array, speed_mps: Array) -> Array | None:
    """Return speed times the rate of turn of the receiver's headings."""
    heading = recording.channel("heading_deg")
    if heading is None or heading.t_s.size < 8:
        return None
    if float(np.median(np.diff(heading.t_s))) > _HALF_BASE_S:
        return None
    course = np.unwrap(np.radians(heading.values))
    half = 0.5 * _HALF_BASE_S
    turn = np.interp(stamp_s + half, heading.t_s, course) - np.interp(
        stamp_s - half, heading.t_s, course
    )
    return np.asarray(speed_mps * turn / _HALF_BASE_S)


def _from_accelerometer(fused: Fused, time_s: Array) -> Array | None:
    """Return the mount's sideways reading about its median, which is tilt and the road's crossfall."""
    mount = fused.mount
    if not mount.used or mount.gravity_removed or mount.lateral_mps2.size < 8:
        return None
    sums = np.concatenate([[0.0], np.cumsum(mount.lateral_mps2)])
    low = np.searchsorted(mount.accel_time_s, time_s - 0.25)
    high = np.searchsorted(mount.accel_time_s, time_s + 0.25)
    some = high > low
    side = np.where(some, (sums[high] - sums[low]) / np.maximum(high - low, 1), 0.0)
    return np.where(some, side - float(np.median(side[some])) if some.any() else 0.0, 0.0)


def leave_out_bends(
    runs: Sequence[Run], recordings: Sequence[Recording], fused: Sequence[Fused]
) -> tuple[tuple[Run, ...], tuple[Finding, ...]]:
    """Cut bends out of pulls and coast-downs.

    Of a coast-down the longest straight stretch stays; of a pull every straight stretch of drive.

    Parameters
    ----------
    runs : sequence of Run
        As found.
    recordings, fused : sequences, one per log
        The recordings and their curves.

    Returns
    -------
    runs : tuple of Run
        Straight stretches only; what was cut off a coast-down is a phase "other" with its reason.
    findings : tuple of Finding
        One per phase that was cut.
    """
    bends: dict[int, list[tuple[float, float]]] = {}
    for log, (recording, one) in enumerate(zip(recordings, fused, strict=True)):
        found = sideways(recording, one)
        bends[log] = [] if found is None else _bends(*found, [r for r in runs if r.log == log])
    kept: list[Run] = []
    findings: list[Finding] = []
    for run in runs:
        phases: list[Phase] = []
        for phase in run.phases:
            cuts = [
                (max(a, phase.start_s), min(b, phase.end_s))
                for a, b in bends[run.log]
                if phase.used and a < phase.end_s and b > phase.start_s
            ]
            if not cuts or phase.kind not in ("pull", "coast"):
                phases.append(phase)
                continue
            cut = _straight_pull if phase.kind == "pull" else _straight_coast
            parts, text = cut(phase, cuts, fused[run.log])
            phases += parts
            if text:
                findings.append(
                    Finding(
                        kind="bend_left_out",
                        severity="note",
                        text=text,
                        log=run.log,
                        time_s=cuts[0][0],
                    )
                )
        kept.append(replace(run, phases=tuple(phases)))
    return tuple(kept), tuple(findings)


def _bends(time_s: Array, side_mps2: Array, runs: Sequence[Run]) -> list[tuple[float, float]]:
    """Return the stretches of clear acceleration to the side inside the runs, with margins [s]."""
    inside = np.zeros(time_s.size, dtype=bool)
    for run in runs:
        inside |= (time_s >= run.start_s) & (time_s <= run.end_s)
    inside &= side_mps2 != 0.0
    if not inside.any():
        return []
    # the quietest quarter shows the noise also where most of a road bends
    noise = float(np.quantile(np.abs(side_mps2[inside]), 0.25)) / _NORMAL_QUARTER
    over = inside & (np.abs(side_mps2) > max(_BEND_MPS2, _OUT_OF_NOISE * noise))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], over, [False]]).astype(np.int8)))
    stretches: list[tuple[float, float]] = []
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        start, end = time_s[first] - _MARGIN_S, time_s[after - 1] + _MARGIN_S
        if stretches and start <= stretches[-1][1]:
            stretches[-1] = (stretches[-1][0], float(end))
        else:
            stretches.append((float(start), float(end)))
    return stretches


def _straights(
    start_s: float, end_s: float, cuts: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Return what is left of a stretch between the cuts."""
    edges = [start_s, *[edge for cut in cuts for edge in cut], end_s]
    return [(edges[i], edges[i + 1]) for i in range(0, len(edges), 2) if edges[i + 1] > edges[i]]


def _straight_coast(
    phase: Phase, cuts: Sequence[tuple[float, float]], fused: Fused
) -> tuple[list[Phase], str]:
    """Return the parts of a coast-down, of which the longest straight one is used, and a note."""
    left = max(
        _straights(phase.start_s, phase.end_s, cuts), key=lambda s: s[1] - s[0], default=(0.0, 0.0)
    )
    why = "a bend, in which the tyres slow the vehicle more"
    if left[1] - left[0] < _COAST_S:
        none = f"{why}; no straight stretch of {_COAST_S:.0f} s is left"
        return [replace(phase, used=False, why_not=none)], ""
    parts = [
        _part(phase, phase.start_s, left[0], fused, why),
        _part(phase, *left, fused, None),
        _part(phase, left[1], phase.end_s, fused, why),
    ]
    return [part for part in parts if part.end_s > part.start_s], (
        f"Of the slowing at {phase.start_s:.0f} to {phase.end_s:.0f} s the stretch {left[0]:.0f} to "
        f"{left[1]:.0f} s is used; the rest holds {why}."
    )


def _part(phase: Phase, start_s: float, end_s: float, fused: Fused, why: str | None) -> Phase:
    """Return a part of a coast-down, as "other" with its reason where there is one."""
    speeds = (phase.from_mps, phase.to_mps)
    curve = fused.curve
    if curve is not None:
        good = np.isfinite(curve.speed_mps)
        first, last = np.interp([start_s, end_s], curve.time_s[good], curve.speed_mps[good])
        speeds = (max(float(first), 0.0), max(float(last), 0.0))
    if why is None:
        return replace(phase, start_s=start_s, end_s=end_s, from_mps=speeds[0], to_mps=speeds[1])
    return Phase(
        kind="other", start_s=start_s, end_s=end_s, from_mps=speeds[0], to_mps=speeds[1],
        used=False, why_not=why,
    )  # fmt: skip


def _straight_pull(
    phase: Phase, cuts: Sequence[tuple[float, float]], fused: Fused
) -> tuple[list[Phase], str]:
    """Return the pull with its straight stretches of drive, and a note."""
    shortest = _PULL_FINE_S if fused.fine else _PULL_S
    pieces = []
    for start_s, end_s in phase.gear_pieces_s:
        inside = [(max(a, start_s), min(b, end_s)) for a, b in cuts if a < end_s and b > start_s]
        pieces += [s for s in _straights(start_s, end_s, inside) if s[1] - s[0] >= shortest]
    if tuple(pieces) == phase.gear_pieces_s:
        return [phase], ""
    if not pieces:
        why = "all of its full drive is in a bend, in which the tyres slow the vehicle more"
        return [replace(phase, used=False, why_not=why)], ""
    text = (
        f"Of the pull at {phase.start_s:.0f} to {phase.end_s:.0f} s the bend around {cuts[0][0]:.0f} "
        "s is left out."
    )
    return [replace(phase, gear_pieces_s=tuple(pieces))], text
