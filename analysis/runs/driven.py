"""Places by the distance driven, within one recording without positions.

From one run to the next the distance driven tells the place, and where the vehicle turned around the
place counts back. Whether it did is known from headings, or shown by the road itself: what slows the
vehicle as a slope on the way out drives it on the way back.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from analysis.runs.run import Run
from analysis.signals.smoothing import SpeedCurve
from logger.arrays import Array

__all__ = ["driven_places", "turns_around"]

#: Decelerations are compared over stretches of this length [m], at least so many of them, and are
#: opposite where their correlation is below this.
_STRETCH_M, _LEAST_STRETCHES, _OPPOSITE = 25.0, 16, -0.75
#: What is left out at both ends of a slowing [s].
_MARGIN_S = 1.0


def driven_places(
    curve: SpeedCurve, runs: Sequence[Run], directions: Sequence[int]
) -> tuple[tuple[Array, Array], ...] | None:
    """Return times [s] and places [m] of each run, counted from the start of the first.

    Parameters
    ----------
    curve : SpeedCurve
        Of the one recording.
    runs : sequence of Run
        In order of time.
    directions : sequence of int
        +1 or -1 for each.

    Returns
    -------
    tuple of (time_s, place_m), or None
        On the clock of the curve; None where a hole in the curve hides how far was driven.
    """
    inside = (curve.time_s >= runs[0].start_s) & (curve.time_s <= runs[-1].end_s)
    if not np.isfinite(curve.speed_mps[inside]).all() or int(inside.sum()) < 2:
        return None
    time_s, driven_m = curve.time_s[inside], curve.place_m[inside]
    way = np.full(time_s.size, float(directions[0]))
    for (before, after), direction in zip(pairwise(runs), directions[1:], strict=True):
        # the vehicle turns where it is slowest between two runs
        gap = np.flatnonzero((time_s >= before.end_s) & (time_s <= after.start_s))
        first = int(np.searchsorted(time_s, after.start_s)) if not gap.size else gap[0]
        if gap.size:
            first = int(gap[np.argmin(curve.speed_mps[inside][gap])])
        way[first:] = direction
    place_m = np.concatenate([[0.0], np.cumsum(way[1:] * np.diff(driven_m))])
    found = []
    for run in runs:
        use = (time_s >= run.start_s) & (time_s <= run.end_s)
        found.append((time_s[use], place_m[use]))
    return tuple(found)


def turns_around(curve: SpeedCurve, runs: Sequence[Run]) -> bool:
    """Return whether the road shows that each run goes back along the way of the one before.

    Parameters
    ----------
    curve : SpeedCurve
        Of the one recording.
    runs : sequence of Run
        In order of time.

    Returns
    -------
    bool
        True where the decelerations of neighbouring coast-downs, less what speed explains, are
        opposite at the same place: ``a = -r(v) - d g s(x)``.
    """
    places = driven_places(curve, runs, [1 - 2 * (number % 2) for number in range(len(runs))])
    if places is None:
        return False
    pieces = []
    for run, (time_s, place_m) in zip(runs, places, strict=True):
        coast = run.phase("coast")
        if coast is None:
            continue
        use = (time_s > coast.start_s + _MARGIN_S) & (time_s < coast.end_s - _MARGIN_S)
        at = np.searchsorted(curve.time_s, time_s[use])
        pieces.append((place_m[use], curve.speed_mps[at], curve.accel_mps2[at]))
    if len(pieces) < 2:
        return False
    speed = np.concatenate([piece[1] for piece in pieces])
    accel = np.concatenate([piece[2] for piece in pieces])
    rows = np.column_stack([np.ones_like(speed), speed, speed**2])
    resist = np.linalg.lstsq(rows, accel, rcond=None)[0]
    left = [
        _means(place, a - np.column_stack([np.ones_like(v), v, v**2]) @ resist)
        for place, v, a in pieces
    ]
    both = [
        (one[stretch], other[stretch])
        for one, other in pairwise(left)
        for stretch in one.keys() & other.keys()
    ]
    if len(both) < _LEAST_STRETCHES:
        return False
    out, back = np.array(both).T
    norm = float(np.sqrt((out @ out) * (back @ back)))
    return norm > 0.0 and float(out @ back) / norm < _OPPOSITE


def _means(place_m: Array, values: Array) -> dict[int, float]:
    """Return the mean of values over each stretch of road, by its number."""
    number = np.floor(place_m / _STRETCH_M).astype(np.int64)
    stretches, owner = np.unique(number, return_inverse=True)
    means = np.bincount(owner, values) / np.bincount(owner)
    return dict(zip(stretches.tolist(), means.tolist(), strict=True))
