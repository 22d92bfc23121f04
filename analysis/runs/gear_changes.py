"""Gear changes that an accelerometer shows, found in each pull and agreed on by all of them.

A change is a dip of the acceleration (clutch open, torque cut), or a step down without a dip: an
automatic keeps torque through it, and two clutches leave no gap, but the higher gear pushes less. Both
are sought over many lengths, measured in units of the pull's own vibration, and believed where pulls
show them at the same speed: one driver and one engine change at about the same speeds.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import percentile_filter
from scipy.special import ndtri

from analysis.runs.gear_edges import end_of_drive, sharpen_deep, sharpen_together
from analysis.runs.run import Array, Phase
from analysis.signals.lag import integral_at
from analysis.signals.smoothing import Fused

__all__ = ["pieces_by_changes"]

#: The acceleration is looked at in means of this length [s].
_STEP_S = 0.05
#: Steps that the drive may be broken for, and steps of drive looked at on both sides.
_GAPS = (2, 4, 6, 9, 13, 18, 26)
_SIDES = (12, 6)
#: A step without a dip takes no longer than this many steps.
_LONGEST_STEP = 9
#: What a change takes from the acceleration at least: share of it in a dip, in a step, and [m/s2].
_LEAST_DIP, _LEAST_STEP, _LEAST_MPS2 = 0.20, 0.18, 0.15
#: Across a change the acceleration keeps at least this share: no two gears are farther apart.
_LEAST_KEPT = 0.3
#: Below this speed launch and grip rule [m/s].
_SLOWEST_MPS = 2.5
#: Drivers change gear at speeds this close together, gearboxes that keep torque at closer ones: [m/s]
#: and share of the speed.
_DRIVER_MPS, _DRIVER_SHARE = 1.0, 0.05
_GEARBOX_MPS, _GEARBOX_SHARE = 0.3, 0.015
#: An open clutch takes this share of the acceleration and stands out by so many sd; where only one pull
#: shows what it must show, by so many more.
_OPEN_DIP, _OPEN_SD, _ALONE_SD = 0.5, 4.5, 1.5
#: Of everything else the middle of the pulls must exceed what chance shows at so close speeds: its
#: largest of independent looks, one each this long [s], by so many of its own sd.
_LOOK_S, _CHANCE_SD = 0.05, 3.0
#: A step needs more than a dip, for a drive's own corners look a little like steps.
_STEP_MORE = 1.5
#: Laid over each other by speed, pulls together must show this many sd, and at least this share of the
#: drive in the mean; looked at in steps of speed [m/s].
_TOGETHER_SD, _TOGETHER_SHARE, _TOGETHER_MPS = 6.0, 0.15, 0.2
_LEAST_TOGETHER, _MOST_TOGETHER = 3, 8
#: A step below this speed is the clutch that closes in the launch [m/s].
_CLUTCH_MPS = 8.0
#: Vibration is measured over so long [s] by this share of its sizes, below which changes hardly count.
_LOCAL_S, _LOW_SHARE = 5.0, 0.35
#: Over a pull it is between so many times as loud as usual.
_LOUDER = (0.7, 3.0)
#: Halves of both sides differ by at least this share of a step.
_HALVES_SHARE = 0.3
#: A dip beside a step is taken for the change from this share of the step's clearness on.
_DIP_FIRST = 0.6
#: What stands out by less is no candidate.
_FAINT_SD = 2.0
#: No mean is known better than this [m/s2].
_QUIETEST_MPS2 = 0.02
#: From here on one pull alone shows a break of the drive that others need not share: a lift.
_LIFT_SD, _LIFT_DIP = 7.0, 0.5
#: A dip lasts no longer than this many steps.
_LONGEST_DIP = 44
#: What phases leave out on both sides of a gap [s].
_COARSE_S = 0.15
#: A stretch of drive lasts at least this long [s].
_SHORTEST_S = 0.4
#: From this share on a dip is an open clutch, whose two edges show apart from each other.
_DEEP = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class _Change:
    """One candidate in one pull: when [s], at which speed [m/s], how clear, how long, how deep."""

    start_s: float
    end_s: float
    speed_mps: float
    clear_sd: float
    dip_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """Every place of one length of gap and of sides: dip and step in sd and as shares of the drive.

    `first`: step of the grid at which the gap begins. `pulls`: both sides are drive. `dips`, `steps`:
    deep enough for a gear change.
    """

    side: int
    gap: int
    first: NDArray[np.intp]
    pulls: NDArray[np.bool_]
    dip_sd: Array
    dip_share: Array
    dips: NDArray[np.bool_]
    step_sd: Array
    steps: NDArray[np.bool_]

    def clear_sd(self) -> Array:
        """Return how clearly a dip or a step that is deep enough shows, in sd."""
        dip = np.where(self.dips, self.dip_sd, 0.0)
        return np.asarray(np.maximum(dip, np.where(self.steps, self.step_sd / _STEP_MORE, 0.0)))

    def touch(self, start: int, end: int) -> NDArray[np.bool_]:
        """Return whether gap or sides reach into the steps between `start` and `end`."""
        return (self.first + self.gap + self.side > start) & (self.first - self.side < end)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """One pull: the times and speeds of its drive, and its candidates in order of clearness."""

    time_s: Array
    speed_mps: Array
    changes: tuple[_Change, ...]
    looks: tuple[_Look, ...]

    def near(self, speed_mps: float, reach_mps: float) -> _Change | None:
        """Return the clearest candidate about a speed, or None."""
        return next((c for c in self.changes if abs(c.speed_mps - speed_mps) <= reach_mps), None)


def pieces_by_changes(
    fused: Sequence[Fused], pulls: Mapping[int, Phase], log_of: Mapping[int, int]
) -> tuple[dict[int, tuple[tuple[float, float], ...]], list[float]]:
    """Return the stretches of uninterrupted drive [s] of each pull by run number, and the speeds.

    The speeds [m/s] are those at which the pulls agree that the gear was changed.
    """
    seen = {number: _look(fused[log_of[number]], pull) for number, pull in pulls.items()}
    agreed = _agreed_speeds(list(seen.values()))
    signals = {}
    for number in pulls:
        mount = fused[log_of[number]].mount
        signals[number] = (mount.accel_time_s, mount.forward_mps2)
    breaks = _sharpened(seen, agreed, signals)
    slipping_s = {
        number: float(
            pull.time_s[np.argmax(pull.speed_mps >= min(_CLUTCH_MPS, pull.speed_mps[-1]))]
        )
        for number, pull in seen.items()
    }
    result = {}
    for number, pull in pulls.items():
        edges, end_s = [pull.gear_pieces_s[0][0]], pull.gear_pieces_s[-1][1]
        for begin, stop in sorted(breaks[number]):
            launch = pull.from_mps < 1.0 and len(edges) == 1 and stop < slipping_s[number]
            if begin - edges[-1] >= _SHORTEST_S and not launch:
                edges += [begin, stop]
            else:  # hardly any drive before it, or a slipping clutch: the piece begins after it
                edges[-1] = max(edges[-1], stop)
        edges.append(end_of_drive(*signals[number], edges[-1], end_s))
        cut = [(edges[i], edges[i + 1]) for i in range(0, len(edges), 2)]
        result[number] = tuple((a, b) for a, b in cut if b - a >= _SHORTEST_S) or pull.gear_pieces_s
    return result, agreed


def _sharpened(
    seen: Mapping[int, _Seen],
    agreed: Sequence[float],
    signals: Mapping[int, tuple[Array, Array]],
) -> dict[int, list[tuple[float, float]]]:
    """Return the breaks of the drive [s] in each pull, by run number: changes agreed on, and lifts."""
    breaks: dict[int, list[tuple[float, float]]] = {number: [] for number in seen}
    for speed in agreed:
        changes = {number: _change_at(pull, speed) for number, pull in seen.items()}
        here = {number: change for number, change in changes.items() if change is not None}
        if float(np.median([change.dip_share for change in here.values()])) <= _DEEP:
            found = sharpen_together(
                [signals[number] for number in here],
                [(change.start_s, change.end_s) for change in here.values()],
            )
            for number, edges in zip(here, found, strict=True):
                breaks[number].append(edges)
            continue
        for number, change in here.items():
            breaks[number].append(_deep(seen[number], change, signals[number]))
    for number, pull in seen.items():
        known = list(breaks[number])
        breaks[number] += [
            _deep(pull, change, signals[number])
            for change in pull.changes
            if change.clear_sd > _LIFT_SD
            and change.dip_share > _LIFT_DIP
            and not any(a < change.end_s and b > change.start_s for a, b in known)
        ]
    return breaks


def _deep(pull: _Seen, change: _Change, signal: tuple[Array, Array]) -> tuple[float, float]:
    between = (float(pull.time_s[0]), float(pull.time_s[-1]))
    return sharpen_deep(signal, (change.start_s, change.end_s), between)


def _change_at(pull: _Seen, speed_mps: float) -> _Change | None:
    """Return the change of one pull that is nearest to an agreed speed; None if it is not passed."""
    if not pull.speed_mps[0] < speed_mps < pull.speed_mps[-1]:
        return None
    change = pull.near(speed_mps, _reach(speed_mps))
    if change is not None:
        return change
    at = float(pull.time_s[int(np.argmax(pull.speed_mps >= speed_mps))])
    return _Change(
        start_s=at - 0.15, end_s=at + 0.15, speed_mps=speed_mps, clear_sd=0.0, dip_share=0.0
    )


def _noise_sd(total: Array, steps: int) -> Array:
    """Return the sd of means over so many steps at each edge; louder where the vehicle is faster.

    From second differences of neighbouring means, which drive itself hardly has.
    """
    found = [_second_sizes(total, count) for count in (steps, _GAPS[1])]
    if found[0].size == 0:
        return np.full(total.size, np.nan)
    usual, quick = (np.quantile(sizes, _LOW_SHARE) for sizes in found)
    local = percentile_filter(found[1], 100 * _LOW_SHARE, round(_LOCAL_S / _STEP_S), mode="nearest")
    before = (total.size - local.size) // 2
    local = np.pad(local, (before, total.size - local.size - before), mode="edge")
    # the quantile of a normal distribution's sizes in its sd, and the sd of a second difference
    unit = ndtri(0.5 + 0.5 * _LOW_SHARE) * np.sqrt(6.0)
    louder = np.clip(local / max(float(quick), 1e-9), *_LOUDER)
    return np.asarray(np.maximum(usual / unit * louder, _QUIETEST_MPS2))


def _second_sizes(total: Array, steps: int) -> Array:
    means = (total[steps:] - total[:-steps]) / steps
    return np.abs(means[: -2 * steps] - 2.0 * means[steps:-steps] + means[2 * steps :])


def _look(fused: Fused, pull: Phase) -> _Seen:
    """Return what shows as a dip or a step down in a pull."""
    curve = fused.curve
    assert curve is not None  # pulls are only found on curves
    edge_s = np.arange(pull.gear_pieces_s[0][0], pull.gear_pieces_s[-1][1] + 1e-9, _STEP_S)
    speed = np.interp(edge_s, curve.time_s, curve.speed_mps)
    integral = integral_at(edge_s, fused.mount.accel_time_s, fused.mount.forward_mps2[:, None])[
        :, 0
    ]
    total = (integral - integral[0]) / _STEP_S
    # the sensor's offset: what its mean has beyond the gain of speed
    offset = (total[-1] - (speed[-1] - speed[0]) / _STEP_S) / max(edge_s.size - 1, 1)
    total = total - offset * np.arange(edge_s.size)
    looks: list[_Look] = []
    for side in _SIDES:
        side_sd = _noise_sd(total, side)
        for gap in _GAPS:
            first = np.arange(side, edge_s.size - gap - side)
            if first.size and np.isfinite(side_sd[0]):
                here = side_sd[first + gap // 2]
                looks.append(_contrast(total, speed, first, gap, side, here))
    changes = list(_clearest_first(looks, total, edge_s, speed))
    changes += [gap for gap in _gaps(pull, edge_s, speed) if not _touches(gap, changes)]
    changes.sort(key=lambda change: -change.clear_sd)
    return _Seen(time_s=edge_s, speed_mps=speed, changes=tuple(changes), looks=tuple(looks))


def _gaps(pull: Phase, edge_s: Array, speed: Array) -> list[_Change]:
    """Return the gaps between the pieces that the coarse search of phases left: open clutches."""
    gaps = []
    for (_, start_s), (end_s, _) in itertools.pairwise(pull.gear_pieces_s):
        start_s, end_s = start_s + _COARSE_S, max(end_s - _COARSE_S, start_s + 2 * _COARSE_S)
        at = float(np.interp(0.5 * (start_s + end_s), edge_s, speed))
        gaps.append(
            _Change(start_s=start_s, end_s=end_s, speed_mps=at, clear_sd=_OPEN_SD, dip_share=1.0)
        )
    return gaps


def _touches(change: _Change, others: Sequence[_Change]) -> bool:
    """Return whether a change overlaps one of others that is as clear."""
    return any(
        other.clear_sd >= change.clear_sd
        and change.start_s < other.end_s
        and change.end_s > other.start_s
        for other in others
    )


def _clearest_first(
    looks: Sequence[_Look], total: Array, edge_s: Array, speed: Array
) -> Iterator[_Change]:
    """Yield candidates, the clearest first; what looks at one already found is passed over."""
    clears = [look.clear_sd() for look in looks]
    while clears:
        tops = [float(clear.max(initial=0.0)) for clear in clears]
        which = int(np.argmax(tops))
        if tops[which] < _FAINT_SD:
            return
        look, at = looks[which], int(np.argmax(clears[which]))
        if not look.dips[at]:
            look, at = _dip_beside(looks, clears, look, at, tops[which])
        start, end = int(look.first[at]), int(look.first[at]) + look.gap
        dips = bool(look.dips[at])
        if dips:
            start, end = _whole_dip(total, start, end, look.side)
        yield _Change(
            start_s=float(edge_s[start]),
            end_s=float(edge_s[end]),
            speed_mps=float(speed[(start + end) // 2]),
            clear_sd=tops[which],
            dip_share=float(look.dip_share[at]) if dips else 0.0,
        )
        for other, clear in zip(looks, clears, strict=True):
            clear[other.touch(start - 4, end + 4)] = 0.0


def _dip_beside(
    looks: Sequence[_Look], clears: Sequence[Array], step: _Look, at: int, clear_sd: float
) -> tuple[_Look, int]:
    """Return the dip that is part of a step, if one shows nearly as well: its edges are sharper."""
    start, end = int(step.first[at]), int(step.first[at]) + step.gap
    best, least = (step, at), _DIP_FIRST * clear_sd
    for look, clear in zip(looks, clears, strict=True):
        near = look.dips & (look.first + look.gap > start - 2) & (look.first < end + 4)
        shown = np.where(near, clear, 0.0)
        if shown.size and shown.max() > least:
            best, least = (look, int(np.argmax(shown))), float(shown.max())
    return best


def _whole_dip(total: Array, start: int, end: int, side: int) -> tuple[int, int]:
    """Return the steps between which the acceleration stays below half-way to both sides' levels."""
    inside = (total[end] - total[start]) / (end - start)
    before = 0.5 * (inside + (total[start] - total[start - side]) / side)
    after = 0.5 * (inside + (total[end + side] - total[end]) / side)
    low, high = start, end
    while low > side and total[low] - total[low - 2] < 2.0 * before and end - low < _LONGEST_DIP:
        low -= 1
    most = total.size - side - 1
    while high < most and total[high + 2] - total[high] < 2.0 * after and high - low < _LONGEST_DIP:
        high += 1
    return low, high


def _contrast(
    total: Array, speed: Array, first: NDArray[np.intp], gap: int, side: int, side_sd: Array
) -> _Look:
    """Return by how many sd the drive dips or steps down over each gap, and by what share of it."""
    length, half = side * _STEP_S, side // 2
    last = first + gap
    before = (total[first] - total[first - side]) / side
    after = (total[last + side] - total[last]) / side
    # slope of each side, from its two halves, held by what engines do: the force falls by 0.4 +- 0.6
    # of itself over the speed
    v = np.maximum(speed[first + gap // 2], 3.0)
    usual = np.maximum(0.5 * (before + after), 0.2) ** 2 / v
    measured_var = 16.0 * side_sd**2 / length**2
    prior_var = (0.6 * usual) ** 2 + 0.05**2
    keep = prior_var / (prior_var + measured_var)

    def slope(start: NDArray[np.intp]) -> Array:
        middle, end = total[start + half], total[start + 2 * half]
        measured = (end - 2.0 * middle + total[start]) / half / (half * _STEP_S)
        return np.asarray(-0.4 * usual + keep * (measured + 0.4 * usual))

    slope_b, slope_a = slope(first - side), slope(last)
    level_b, level_a = before + 0.5 * length * slope_b, after - 0.5 * length * slope_a
    slope_var = keep * measured_var
    # a dip: the mean inside below both sides
    inside = (total[last] - total[first]) / gap
    least = np.minimum(level_b, level_a)
    dip = least - inside
    inside_var = side_sd**2 * side / gap
    dip_sd = np.sqrt(inside_var + side_sd**2 + 0.25 * length**2 * slope_var)
    # a step: lower after it than before by more than the steeper side's own fall
    step = level_b - level_a - gap * _STEP_S * np.maximum(-np.minimum(slope_b, slope_a), 0.0)
    # ... in both halves of both sides: beside a dip one half alone is low
    halves = [(total[i + half] - total[i]) / half for i in (first - side, first - half)]
    later = [(total[i + half] - total[i]) / half for i in (last, last + half)]
    lasts = np.minimum(*halves) - np.maximum(*later) > _HALVES_SHARE * step
    step_sd = np.sqrt(2.0 * side_sd**2 + 0.5 * length**2 * slope_var)
    pulls = (level_b > 0.3) & (level_a > np.maximum(_LEAST_KEPT * level_b, 0.15))
    pulls &= speed[first + gap // 2] > _SLOWEST_MPS
    return _Look(
        side=side,
        gap=gap,
        first=first,
        pulls=pulls,
        dip_sd=dip / dip_sd,
        dip_share=dip / np.maximum(least, 0.1),
        dips=pulls & (dip > np.maximum(_LEAST_DIP * least, _LEAST_MPS2)),
        step_sd=step / step_sd,
        steps=pulls
        & lasts
        & (step > np.maximum(_LEAST_STEP * level_b, _LEAST_MPS2))
        & (gap <= _LONGEST_STEP),
    )


def _agreed_speeds(pulls: Sequence[_Seen]) -> list[float]:
    """Return the speeds [m/s] at which pulls together show a change, in order."""
    left = sorted({change.speed_mps for pull in pulls for change in pull.changes})
    agreed: list[float] = []
    while left:
        scores = [max(_opened(pulls, speed), _gearbox(pulls, speed)) for speed in left]
        best = int(np.argmax(scores))
        if scores[best] < 1.0:
            break
        reach = _reach(left[best])
        near = [change for pull in pulls if (change := pull.near(left[best], reach)) is not None]
        centre = float(np.median([change.speed_mps for change in near]))
        if all(abs(centre - other) > reach for other in agreed):
            agreed.append(centre)
        taken = {change.speed_mps for change in near}
        left = [v for v in left if v not in taken and abs(v - centre) > reach]
    return _with_faint(pulls, agreed)


def _with_faint(pulls: Sequence[_Seen], agreed: list[float]) -> list[float]:
    """Add the speeds of changes that no pull shows for itself, but all of them laid over each other."""
    if len(pulls) < _LEAST_TOGETHER:
        return sorted(agreed)
    grid = np.arange(_SLOWEST_MPS, max(float(p.speed_mps[-1]) for p in pulls), _TOGETHER_MPS)
    known = list(agreed)
    for _ in range(_MOST_TOGETHER):
        best, where = 1.0, None
        for which in range(len(_SIDES) * len(_GAPS)):
            score = _together(pulls, known, which, grid)
            if score.size and score.max() > best:
                best, where = float(score.max()), float(grid[int(np.argmax(score))])
        if where is None or any(abs(where - other) < _reach(other) for other in known):
            break
        known.append(where)
    return sorted(known)


def _together(pulls: Sequence[_Seen], known: Sequence[float], which: int, grid: Array) -> Array:
    """Return how clearly the mean over pulls dips at each speed, over what is asked.

    Dips alone: the corner of an electric drive looks like a step in the mean of many pulls.
    """
    layers = []
    for pull in pulls:
        if which >= len(pull.looks):
            continue
        look = pull.looks[which]
        free = look.pulls.copy()
        for speed in known:
            change = _change_at(pull, speed)
            if change is not None:
                start, end = np.searchsorted(pull.time_s, [change.start_s, change.end_s])
                free &= ~look.touch(int(start) - 4, int(end) + 4)
        at = np.maximum.accumulate(pull.speed_mps[look.first + look.gap // 2])
        values = np.array([look.dip_sd, look.dip_share, free])
        layers.append([np.interp(grid, at, row, left=np.nan, right=np.nan) for row in values])
    if not layers:
        return np.zeros(0)
    table = np.array(layers)
    used = table[:, 2] > 0.99
    count = used.sum(axis=0)
    dip_sd, dip_share = (
        np.where(used, table[:, row], 0.0).sum(axis=0) / np.maximum(count, 1) for row in range(2)
    )
    score = np.minimum(dip_sd * np.sqrt(count) / _TOGETHER_SD, dip_share / _TOGETHER_SHARE)
    enough = count >= max(_LEAST_TOGETHER, 0.5 * len(pulls))
    return np.where(enough, score, 0.0)


def _reach(speed_mps: float) -> float:
    return max(_DRIVER_MPS, _DRIVER_SHARE * speed_mps)


def _through(pulls: Sequence[_Seen], speed_mps: float) -> list[_Seen]:
    return [pull for pull in pulls if pull.speed_mps[0] < speed_mps < pull.speed_mps[-1]]


def _opened(pulls: Sequence[_Seen], speed_mps: float) -> float:
    """Return how clearly half of the pulls show an open clutch near a speed, over what is asked."""
    found = [
        change.clear_sd if change is not None and change.dip_share > _OPEN_DIP else 0.0
        for pull in _through(pulls, speed_mps)
        for change in [pull.near(speed_mps, _reach(speed_mps))]
    ]
    if not found:
        return 0.0
    show = int(np.ceil(0.5 * len(found)))
    asked = _OPEN_SD + (_ALONE_SD if show == 1 else 0.0)
    return float(np.sort(found)[-show]) / asked


def _gearbox(pulls: Sequence[_Seen], speed_mps: float) -> float:
    """Return how clearly the middle of the pulls shows a dip or a step at a speed, over what is asked."""
    reach = _GEARBOX_MPS + _GEARBOX_SHARE * speed_mps
    through = _through(pulls, speed_mps)
    if not through:
        return 0.0
    found, looks = [], []
    for pull in through:
        change = pull.near(speed_mps, reach)
        found.append(min(change.clear_sd, 10.0) if change is not None else 0.0)
        passing_s = float((np.abs(pull.speed_mps - speed_mps) <= reach).sum()) * _STEP_S
        looks.append(1.0 + passing_s / _LOOK_S)
    chance = np.sqrt(2.0 * np.log(np.maximum(looks, 2.0))).mean()
    asked = (
        float(chance) + 0.5 * _CHANCE_SD / np.sqrt(len(found)) + (1.0 if len(found) < 3 else 0.0)
    )
    agree = sum(clear > 0.6 * asked for clear in found)
    return float(np.median(found)) / asked if agree >= max(0.5 * len(found), 1.0) else 0.0
