"""Gear changes that one fix a second cannot show in one pull, found from all pulls together.

Time over speed of a pull is smooth within a gear and jumps where a gear is changed: the clutch is
open for part of a second and the speed stands still. All pulls of a session change at about the
same speeds, so a polynomial per gear with jumps between, and for every pull a shift and a tilt of
its own (launch, slope, wind), is fitted to all of them; changes are added while they pay.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["shared_changes"]

Array: TypeAlias = NDArray[np.float64]

_DEGREE = 3
_GRID_MPS = 0.25
#: Two changes lie at least this far apart [m/s]; fixes this near to one are in it.
_APART_MPS, _INSIDE_MPS = 4.0, 0.5
#: A change lasts this long [s], and must lower the residual variance to this share.
_SHORTEST_S, _LONGEST_S, _PAYS = 0.1, 2.0, 0.72
_MOST_CHANGES = 5
#: Below this speed launch and dead band rule [m/s].
_SLOWEST_MPS = 4.0


def shared_changes(pulls: Sequence[tuple[Array, Array]]) -> list[tuple[float, float]]:
    """Return speed [m/s] and length [s] of the gear changes that pulls have in common.

    Parameters
    ----------
    pulls : sequence of (time_s, speed_mps)
        Speed fixes of each pull, arrays of shape (n,); rising speeds.

    Returns
    -------
    list of (speed, length)
        In order of speed; empty where fewer than two pulls or a dozen fixes leave nothing to compare.
    """
    times, speeds, owner = [], [], []
    for number, (time_s, speed_mps) in enumerate(pulls):
        top = int(np.argmax(speed_mps))
        use = np.flatnonzero(speed_mps[:top] >= _SLOWEST_MPS)
        if use.size < 3:
            continue
        times.append(time_s[use] - time_s[use].mean())
        speeds.append(speed_mps[use])
        owner.append(np.full(use.size, number))
    if len(times) < 2 or sum(t.size for t in times) < 12:
        return []
    t, v, pull = np.concatenate(times), np.concatenate(speeds), np.concatenate(owner)
    below = v < 0.985 * v.max()  # the last fixes may already smooth over the release
    t, v, pull = t[below], v[below], np.unique(pull[below], return_inverse=True)[1]
    changes: list[float] = []
    best, _ = _fit(t, v, pull, changes)
    grid = np.arange(v.min() + 1.5, v.max() - 1.5, _GRID_MPS)
    while len(changes) < _MOST_CHANGES:
        tried = np.full(grid.size, np.inf)
        for i, speed in enumerate(grid):
            if any(abs(speed - known) < _APART_MPS for known in changes):
                continue
            cuts = sorted([*changes, float(speed)])
            left, jumps = _fit(t, v, pull, cuts)
            if _SHORTEST_S < jumps[cuts.index(float(speed))] < _LONGEST_S:
                tried[i] = left
        if not tried.size or not tried.min() < _PAYS * best:
            break
        changes = sorted([*changes, float(grid[int(np.argmin(tried))])])
        best = float(tried.min())
    _, jumps = _fit(t, v, pull, changes)
    return [
        (speed, float(np.clip(jump, _SHORTEST_S, _LONGEST_S)))
        for speed, jump in zip(changes, jumps, strict=True)
    ]


def _powers(speed: Array, centre: float) -> Array:
    return np.asarray(((speed[:, None] - centre) / 10.0) ** np.arange(_DEGREE + 1))


def _fit(
    t: Array, v: Array, pull: NDArray[np.intp], cuts: list[float]
) -> tuple[float, list[float]]:
    """Fit time over speed with jumps at `cuts`; return residual variance [s2] and the jumps [s]."""
    edges = [-np.inf, *cuts, np.inf]
    gear = np.searchsorted(cuts, v, side="right")
    centres = [
        float(v[gear == g].mean()) if (gear == g).any() else 0.0 for g in range(len(edges) - 1)
    ]
    columns = []
    for g, centre in enumerate(centres):
        columns.append(np.where((gear == g)[:, None], _powers(v, centre), 0.0))
    own = pull[:, None] == np.arange(int(pull.max()) + 1)
    columns += [own.astype(np.float64), own * ((v - v.mean()) / 10.0)[:, None]]
    design = np.concatenate(columns, axis=1)
    keep = np.ones(v.size, dtype=bool)
    for cut in cuts:
        keep &= np.abs(v - cut) > _INSIDE_MPS
    rows = design[keep]
    ridge = 1e-3 * np.eye(design.shape[1])
    solution = np.linalg.solve(rows.T @ rows + ridge, rows.T @ t[keep])
    miss = t[keep] - rows @ solution
    freedom = max(int(keep.sum()) - 0.8 * design.shape[1], 1.0)
    width = _DEGREE + 1
    jumps = []
    for g, cut in enumerate(cuts):
        at = np.array([cut])
        after = float(
            (_powers(at, centres[g + 1]) @ solution[(g + 1) * width : (g + 2) * width])[0]
        )
        before = float((_powers(at, centres[g]) @ solution[g * width : (g + 1) * width])[0])
        jumps.append(after - before)
    return float(miss @ miss) / freedom, jumps
