"""Which pieces of which pulls were driven in the same gear."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.runs.gear_changes import pieces_by_changes
from analysis.runs.run import Phase, Run
from analysis.signals.smoothing import Fused
from logger.arrays import Array

__all__ = ["agree_on_changes", "gear_knots", "match_gears", "shared_changes"]

#: Two pieces are one gear when their accelerations agree this well where their speeds overlap.
_SAME_SHARE, _SAME_MPS2 = 0.30, 0.3
_KNOT_MPS = 1.0
#: Pulls of one session change gear at speeds this close together [m/s].
_CHANGE_MPS = 1.8
#: Fewer pulls than this have nothing to agree on.
_LEAST_PULLS = 3
#: A change found from all pulls together is cut this much longer than it lasts [s].
_AROUND_S = 0.6
_DEGREE = 3
_GRID_MPS = 0.25
#: Two changes lie at least this far apart [m/s]; fixes this near to one are in it.
_APART_MPS, _INSIDE_MPS = 4.0, 0.5
#: A change lasts this long [s], and must lower the residual variance to this share.
_SHORTEST_S, _LONGEST_S, _PAYS = 0.1, 2.0, 0.72
_MOST_CHANGES = 5
#: Below this speed launch and dead band rule [m/s].
_SLOWEST_MPS = 4.0


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


def _near(values: Array, centre: float, reach: float) -> NDArray[np.intp]:
    return np.flatnonzero(np.abs(values - centre) <= reach)


def agree_on_changes(fused: Sequence[Fused], runs: Sequence[Run]) -> tuple[Run, ...]:
    """Let all pulls of a session agree on the speeds at which gears were changed.

    One driver and one engine change gear at about the same speeds. A change that fewer than half
    of the pulls through its speed show is noise and is closed; one that at least half show is cut
    in the others too, at their weakest acceleration near that speed.

    Parameters
    ----------
    fused : sequence of Fused, one per log
    runs : sequence of Run

    Returns
    -------
    tuple of Run
        With `gear_pieces_s` settled.
    """
    pulls: dict[int, Phase] = {}
    for run in runs:
        pull = run.phase("pull")
        if pull is not None and pull.used and fused[run.log].curve is not None:
            pulls[run.number] = pull
    log_of = {run.number: run.log for run in runs}
    felt = {number: pull for number, pull in pulls.items() if fused[log_of[number]].mount.used}
    if felt and (len(felt) == len(pulls) or len(felt) >= _LEAST_PULLS):
        return _with_pieces(runs, _pieces_as_felt(fused, pulls, felt, log_of))
    if len(pulls) < _LEAST_PULLS:
        return tuple(runs)
    changes: list[tuple[float, int, float, float]] = []
    spans: dict[int, tuple[float, float]] = {}
    for number, pull in pulls.items():
        one = fused[log_of[number]]
        spans[number] = (
            _speed_at(one, pull.gear_pieces_s[0][0]),
            _speed_at(one, pull.gear_pieces_s[-1][1]),
        )
        for (_, end_s), (start_s, _) in zip(
            pull.gear_pieces_s[:-1], pull.gear_pieces_s[1:], strict=True
        ):
            speed = _speed_at(one, 0.5 * (end_s + start_s))
            changes.append((speed, number, end_s, start_s))
    fine = {number for number in pulls if fused[log_of[number]].fine}
    if len(fine) >= _LEAST_PULLS:
        seen = [change for change in changes if change[1] in fine]
        agreed = _agreed_speeds(seen, {number: spans[number] for number in fine})
    else:
        found = shared_changes([_pull_fixes(fused[log_of[n]], p) for n, p in pulls.items()])
        agreed = [(speed, length + _AROUND_S) for speed, length in found]
    by_number = {
        number: _recut(fused[log_of[number]], pull, spans[number], agreed, keep=number in fine)
        for number, pull in pulls.items()
    }
    return _with_pieces(runs, by_number)


def _pieces_as_felt(
    fused: Sequence[Fused],
    pulls: Mapping[int, Phase],
    felt: Mapping[int, Phase],
    log_of: Mapping[int, int],
) -> dict[int, tuple[tuple[float, float], ...]]:
    """Return pieces by run number: accelerometers show the changes, other pulls are cut there too."""
    pieces, speeds = pieces_by_changes(fused, felt, log_of)
    agreed = [(speed, _AROUND_S) for speed in speeds]
    for number, pull in pulls.items():
        if number not in felt:
            one = fused[log_of[number]]
            ends = pull.gear_pieces_s[0][0], pull.gear_pieces_s[-1][1]
            span = _speed_at(one, ends[0]), _speed_at(one, ends[1])
            pieces[number] = _recut(one, pull, span, agreed, keep=False)
    return pieces


def _with_pieces(
    runs: Sequence[Run], pieces: Mapping[int, tuple[tuple[float, float], ...]]
) -> tuple[Run, ...]:
    """Return the runs with new stretches of drive in their pulls, by run number."""
    return tuple(
        replace(
            run,
            phases=tuple(
                replace(phase, gear_pieces_s=pieces[run.number])
                if phase.kind == "pull" and run.number in pieces
                else phase
                for phase in run.phases
            ),
        )
        for run in runs
    )


def _speed_at(fused: Fused, time_s: float) -> float:
    curve = fused.curve
    assert curve is not None  # pieces are only found on curves
    return float(np.interp(time_s, curve.time_s, curve.speed_mps))


def _agreed_speeds(
    changes: Sequence[tuple[float, int, float, float]], spans: dict[int, tuple[float, float]]
) -> list[tuple[float, float]]:
    """Return (speed, usual length [s]) of every gear change that at least half the pulls show."""
    left = sorted(changes)
    agreed: list[tuple[float, float]] = []
    while left:
        speeds = np.array([change[0] for change in left])
        counts = [len({left[j][1] for j in _near(speeds, speed, _CHANGE_MPS)}) for speed in speeds]
        best = int(np.argmax(counts))
        group = [left[j] for j in _near(speeds, float(speeds[best]), _CHANGE_MPS)]
        centre = float(np.median([change[0] for change in group]))
        through = sum(low < centre < high for low, high in spans.values())
        if len({change[1] for change in group}) >= max(0.5 * through, 1.0):
            length = float(np.median([start_s - end_s for _, _, end_s, start_s in group]))
            agreed.append((centre, length))
        left = [change for change in left if abs(change[0] - speeds[best]) > _CHANGE_MPS]
    return sorted(agreed)


def _pull_fixes(fused: Fused, pull: Phase) -> tuple[Array, Array]:
    moment = fused.fixes.t_s - fused.lag_s
    inside = (moment >= pull.start_s) & (moment <= pull.end_s + 1.0)
    return moment[inside], fused.fixes.speed_mps[inside]


def _recut(
    fused: Fused,
    pull: Phase,
    span: tuple[float, float],
    agreed: Sequence[tuple[float, float]],
    *,
    keep: bool,
) -> tuple[tuple[float, float], ...]:
    pieces = pull.gear_pieces_s
    gaps = [(a[1], b[0]) for a, b in itertools.pairwise(pieces)]
    kept: list[tuple[float, float]] = []
    curve = fused.curve
    assert curve is not None  # pieces are only found on curves
    for speed, length in agreed:
        if not span[0] < speed < span[1]:
            continue
        own = [gap for gap in gaps if abs(_speed_at(fused, 0.5 * sum(gap)) - speed) <= _CHANGE_MPS]
        if own and keep:
            kept.append(own[0])
            continue
        inside = (curve.time_s > pieces[0][0]) & (curve.time_s < pieces[-1][1])
        if inside.any():
            # the speed stands still in the change: its middle is where the curve passes that speed
            passed = np.flatnonzero(inside & (curve.speed_mps >= speed))
            at = passed[0] if passed.size else np.flatnonzero(inside)[-1]
            middle = float(curve.time_s[at])
            kept.append((middle - 0.5 * length, middle + 0.5 * length))
    edges = [pieces[0][0], *[e for gap in sorted(kept) for e in gap], pieces[-1][1]]
    cut = [(edges[i], edges[i + 1]) for i in range(0, len(edges), 2)]
    return tuple((a, b) for a, b in cut if b - a >= 0.5) or pieces


def match_gears(fused: Sequence[Fused], runs: Sequence[Run]) -> dict[int, tuple[int, ...]]:
    """Give every piece of every used pull a gear index, the same where the drive is the same.

    Longest pieces come first. A piece joins the known gear whose speeds it shares most unless its
    acceleration there is clearly another; one that fits none opens a new gear. Gears count from 0
    in order of their speeds.

    Parameters
    ----------
    fused : sequence of Fused, one per log
    runs : sequence of Run

    Returns
    -------
    dict of run number -> tuple of gear indices
    """
    pieces: list[tuple[int, Array, Array]] = []
    for run in runs:
        pull = run.phase("pull")
        if pull is None or not pull.used:
            continue
        for start_s, end_s in pull.gear_pieces_s:
            pieces.append((run.number, *_piece(fused[run.log], start_s, end_s)))
    by_length = sorted(range(len(pieces)), key=lambda i: -float(np.ptp(pieces[i][1])))
    groups: list[list[int]] = []
    for i in by_length:
        best, most = None, 0.0
        for group in groups:
            if any(pieces[j][0] == pieces[i][0] for j in group):
                continue  # one pull does not use a gear twice
            shared = float(np.median([_shared_span(pieces[i][1], pieces[j][1]) for j in group]))
            if shared > max(most, 0.3) and _alike(pieces, i, group):
                best, most = group, shared
        if best is None:
            groups.append([i])
        else:
            best.append(i)
    groups.sort(key=lambda group: float(np.median([pieces[i][1].mean() for i in group])))
    gear_of = {i: gear for gear, group in enumerate(groups) for i in group}
    result: dict[int, list[int]] = {}
    for i, (number, _, _) in enumerate(pieces):
        result.setdefault(number, []).append(gear_of[i])
    return {number: tuple(gears) for number, gears in result.items()}


def _shared_span(speed_a: Array, speed_b: Array) -> float:
    """Return how much of the shorter speed range lies in the other one, 0 to 1."""
    common = min(speed_a.max(), speed_b.max()) - max(speed_a.min(), speed_b.min())
    shorter = min(np.ptp(speed_a), np.ptp(speed_b))
    return max(0.0, float(common) / max(float(shorter), 0.1))


def _alike(pieces: Sequence[tuple[int, Array, Array]], i: int, group: Sequence[int]) -> bool:
    found = [
        likeness
        for j in group
        if (likeness := _likeness(*pieces[i][1:], *pieces[j][1:])) is not None
    ]
    return not found or float(np.median(found)) < _SAME_SHARE


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
