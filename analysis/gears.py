"""Which pieces of which pulls were driven in the same gear."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.fuse import Fused
from analysis.phases import Run

__all__ = ["gear_knots", "match_gears"]

Array: TypeAlias = NDArray[np.float64]

#: Two pieces are one gear when their accelerations agree this well where their speeds overlap.
_SAME_SHARE, _SAME_MPS2 = 0.12, 0.12
_KNOT_MPS = 1.0


def _piece(fused: Fused, start_s: float, end_s: float) -> tuple[Array, Array]:
    curve = fused.curve
    assert curve is not None  # pieces are only found on curves
    inside = (curve.time_s >= start_s) & (curve.time_s <= end_s) & np.isfinite(curve.speed_mps)
    return curve.speed_mps[inside], curve.accel_mps2[inside]


def _likeness(speed_a: Array, accel_a: Array, speed_b: Array, accel_b: Array) -> float | None:
    """Return the relative difference of acceleration over common speeds; None without any."""
    low = max(speed_a.min(), speed_b.min())
    high = min(speed_a.max(), speed_b.max())
    if high - low < 0.8:
        return None
    means = []
    for speed, accel in ((speed_a, accel_a), (speed_b, accel_b)):
        inside = (speed >= low) & (speed <= high)
        means.append(float(accel[inside].mean()) if inside.any() else np.nan)
    mean = 0.5 * abs(means[0] + means[1])
    return abs(means[0] - means[1]) / max(mean + _SAME_MPS2 / _SAME_SHARE, 1e-3)


def match_gears(fused: Sequence[Fused], runs: Sequence[Run]) -> dict[int, tuple[int, ...]]:
    """Give every piece of every used pull a gear index, the same where the drive is the same.

    Pieces are compared where their speeds overlap; a piece that overlaps no known gear opens a new
    one. Gears count from 0 in order of their lowest speed.

    Parameters
    ----------
    fused : sequence of Fused, one per log
    runs : sequence of Run

    Returns
    -------
    dict of run number -> tuple of gear indices
    """
    pieces: list[tuple[int, int, Array, Array]] = []
    for run in runs:
        pull = run.phase("pull")
        if pull is None or not pull.used:
            continue
        for order, (start_s, end_s) in enumerate(pull.gear_pieces_s):
            speed, accel = _piece(fused[run.log], start_s, end_s)
            pieces.append((run.number, order, speed, accel))
    # long pieces first: they decide what the gears are
    by_length = sorted(range(len(pieces)), key=lambda i: -float(np.ptp(pieces[i][2])))
    groups: list[list[int]] = []
    for i in by_length:
        best, nearest = None, _SAME_SHARE
        for group in groups:
            if any(pieces[j][0] == pieces[i][0] for j in group):
                continue  # one pull does not use a gear twice
            found = [
                likeness
                for j in group
                if (likeness := _likeness(*pieces[i][2:], *pieces[j][2:])) is not None
            ]
            if found and float(np.median(found)) < nearest:
                best, nearest = group, float(np.median(found))
        if best is None:
            groups.append([i])
        else:
            best.append(i)
    groups.sort(key=lambda group: float(np.median([pieces[i][2].min() for i in group])))
    gear_of = {i: gear for gear, group in enumerate(groups) for i in group}
    result: dict[int, list[int]] = {}
    for i, (number, _, _, _) in enumerate(pieces):
        result.setdefault(number, []).append(gear_of[i])
    return {number: tuple(gears) for number, gears in result.items()}


def gear_knots(
    fused: Sequence[Fused], runs: Sequence[Run], gears: dict[int, tuple[int, ...]]
) -> tuple[Array, ...]:
    """Return speed knots per gear [m/s], about 1 m/s apart over the speeds its pieces cover."""
    ranges: dict[int, tuple[float, float]] = {}
    for run in runs:
        pull = run.phase("pull")
        if pull is None or run.number not in gears:
            continue
        for gear, (start_s, end_s) in zip(gears[run.number], pull.gear_pieces_s, strict=True):
            speed, _ = _piece(fused[run.log], start_s, end_s)
            low, high = ranges.get(gear, (np.inf, -np.inf))
            ranges[gear] = min(low, float(speed.min())), max(high, float(speed.max()))
    knots = []
    for gear in range(len(ranges)):
        low, high = ranges[gear]
        count = max(2, round((high - low + 0.4) / _KNOT_MPS) + 1)
        knots.append(np.linspace(low - 0.2, high + 0.2, count))
    return tuple(knots)
