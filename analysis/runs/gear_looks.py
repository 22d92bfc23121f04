"""What looks like a gear change in one pull: dips and steps of the acceleration, in units of vibration.

Dips (clutch open, torque cut) and steps down (an automatic, two clutches) are sought over many lengths; each
is measured against what the pull's own vibration does over the same time, at the same speed.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import percentile_filter
from scipy.special import ndtri

from analysis.runs.run import Phase
from analysis.signals.lag import integral_at
from analysis.signals.smoothing import Fused
from logger.arrays import Array

__all__ = [
    "ALONE_SD",
    "GAPS",
    "OPEN_DIP",
    "OPEN_SD",
    "SIDES",
    "SLOWEST_MPS",
    "STEP_S",
    "Change",
    "Look",
    "Seen",
    "look_for_changes",
]

#: The acceleration is looked at in means of this length [s].
STEP_S = 0.05
#: Steps that the drive may be broken for, and steps of drive looked at on both sides.
GAPS = (2, 4, 6, 9, 13, 18, 26)
SIDES = (12, 6)
#: A step without a dip takes no longer than this many steps.
_LONGEST_STEP = 9
#: What a change takes from the acceleration at least: share of it in a dip, in a step, and [m/s2].
_LEAST_DIP, _LEAST_STEP, _LEAST_MPS2 = 0.20, 0.18, 0.15
#: Across a change the acceleration keeps at least this share: no two gears are farther apart.
_LEAST_KEPT = 0.3
#: Below this speed launch and grip rule [m/s].
SLOWEST_MPS = 2.5
#: An open clutch takes this share of the acceleration and stands out by so many sd; where only one pull
#: shows what it must show, by so many more.
OPEN_DIP, OPEN_SD, ALONE_SD = 0.5, 4.5, 1.5
#: A step needs more than a dip, for a drive's own corners look a little like steps.
_STEP_MORE = 1.5
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
#: A dip lasts no longer than this many steps.
_LONGEST_DIP = 44
#: What phases leave out on both sides of a gap [s].
_COARSE_S = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One candidate in one pull: when [s], at which speed [m/s], how clear, how long, how deep."""

    start_s: float
    end_s: float
    speed_mps: float
    clear_sd: float
    dip_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
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
class Seen:
    """One pull: the times and speeds of its drive, and its candidates in order of clearness."""

    time_s: Array
    speed_mps: Array
    changes: tuple[Change, ...]
    looks: tuple[Look, ...]

    def near(self, speed_mps: float, reach_mps: float) -> Change | None:
        """Return the clearest candidate about a speed, or None."""
        return next((c for c in self.changes if abs(c.speed_mps - speed_mps) <= reach_mps), None)


def look_for_changes(fused: Fused, pull: Phase) -> Seen:
    """Return what shows as a dip or a step down in a pull."""
    curve = fused.curve
    assert curve is not None  # pulls are only found on curves
    edge_s = np.arange(pull.gear_pieces_s[0][0], pull.gear_pieces_s[-1][1] + 1e-9, STEP_S)
    speed = np.interp(edge_s, curve.time_s, curve.speed_mps)
    integral = integral_at(edge_s, fused.mount.accel_time_s, fused.mount.forward_mps2[:, None])[
        :, 0
    ]
    total = (integral - integral[0]) / STEP_S
    # the sensor's offset: what its mean has beyond the gain of speed
    offset = (total[-1] - (speed[-1] - speed[0]) / STEP_S) / max(edge_s.size - 1, 1)
    total = total - offset * np.arange(edge_s.size)
    looks: list[Look] = []
    for side in SIDES:
        side_sd = _noise_sd(total, side)
        for gap in GAPS:
            first = np.arange(side, edge_s.size - gap - side)
            if first.size and np.isfinite(side_sd[0]):
                here = side_sd[first + gap // 2]
                looks.append(_contrast(total, speed, first, gap, side, here))
    changes = list(_clearest_first(looks, total, edge_s, speed))
    changes += [gap for gap in _gaps(pull, edge_s, speed) if not _touches(gap, changes)]
    changes.sort(key=lambda change: -change.clear_sd)
    return Seen(time_s=edge_s, speed_mps=speed, changes=tuple(changes), looks=tuple(looks))


def _noise_sd(total: Array, steps: int) -> Array:
    """Return the sd of means over so many steps at each edge; louder where the vehicle is faster.

    From second differences of neighbouring means, which drive itself hardly has.
    """
    found = [_second_sizes(total, count) for count in (steps, GAPS[1])]
    if found[0].size == 0:
        return np.full(total.size, np.nan)
    usual, quick = (np.quantile(sizes, _LOW_SHARE) for sizes in found)
    local = percentile_filter(found[1], 100 * _LOW_SHARE, round(_LOCAL_S / STEP_S), mode="nearest")
    before = (total.size - local.size) // 2
    local = np.pad(local, (before, total.size - local.size - before), mode="edge")
    # the quantile of a normal distribution's sizes in its sd, and the sd of a second difference
    unit = ndtri(0.5 + 0.5 * _LOW_SHARE) * np.sqrt(6.0)
    louder = np.clip(local / max(float(quick), 1e-9), *_LOUDER)
    return np.asarray(np.maximum(usual / unit * louder, _QUIETEST_MPS2))


def _second_sizes(total: Array, steps: int) -> Array:
    means = (total[steps:] - total[:-steps]) / steps
    return np.abs(means[: -2 * steps] - 2.0 * means[steps:-steps] + means[2 * steps :])


def _gaps(pull: Phase, edge_s: Array, speed: Array) -> list[Change]:
    """Return the gaps between the pieces that the coarse search of phases left: open clutches."""
    gaps = []
    for (_, start_s), (end_s, _) in itertools.pairwise(pull.gear_pieces_s):
        start_s, end_s = start_s + _COARSE_S, max(end_s - _COARSE_S, start_s + 2 * _COARSE_S)
        at = float(np.interp(0.5 * (start_s + end_s), edge_s, speed))
        gaps.append(
            Change(start_s=start_s, end_s=end_s, speed_mps=at, clear_sd=OPEN_SD, dip_share=1.0)
        )
    return gaps


def _touches(change: Change, others: Sequence[Change]) -> bool:
    """Return whether a change overlaps one of others that is as clear."""
    return any(
        other.clear_sd >= change.clear_sd
        and change.start_s < other.end_s
        and change.end_s > other.start_s
        for other in others
    )


def _clearest_first(
    looks: Sequence[Look], total: Array, edge_s: Array, speed: Array
) -> Iterator[Change]:
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
        yield Change(
            start_s=float(edge_s[start]),
            end_s=float(edge_s[end]),
            speed_mps=float(speed[(start + end) // 2]),
            clear_sd=tops[which],
            dip_share=float(look.dip_share[at]) if dips else 0.0,
        )
        for other, clear in zip(looks, clears, strict=True):
            clear[other.touch(start - 4, end + 4)] = 0.0


def _dip_beside(
    looks: Sequence[Look], clears: Sequence[Array], step: Look, at: int, clear_sd: float
) -> tuple[Look, int]:
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
) -> Look:
    """Return by how many sd the drive dips or steps down over each gap, and by what share of it."""
    length, half = side * STEP_S, side // 2
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
        measured = (end - 2.0 * middle + total[start]) / half / (half * STEP_S)
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
    step = level_b - level_a - gap * STEP_S * np.maximum(-np.minimum(slope_b, slope_a), 0.0)
    # ... in both halves of both sides: beside a dip one half alone is low
    halves = [(total[i + half] - total[i]) / half for i in (first - side, first - half)]
    later = [(total[i + half] - total[i]) / half for i in (last, last + half)]
    lasts = np.minimum(*halves) - np.maximum(*later) > _HALVES_SHARE * step
    step_sd = np.sqrt(2.0 * side_sd**2 + 0.5 * length**2 * slope_var)
    pulls = (level_b > 0.3) & (level_a > np.maximum(_LEAST_KEPT * level_b, 0.15))
    pulls &= speed[first + gap // 2] > SLOWEST_MPS
    return Look(
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
