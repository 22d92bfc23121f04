"""Gear changes that an accelerometer shows, agreed on by all pulls of a session.

A change is believed where pulls show it at the same speed: one driver and one engine change at about the
same speeds. What looks like one in a single pull comes from `gear_looks`, its edges from `gear_edges`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.special import ndtri

from analysis.runs.gear_edges import end_of_drive, sharpen_deep, sharpen_together
from analysis.runs.gear_looks import (
    ALONE_SD,
    GAPS,
    OPEN_DIP,
    OPEN_SD,
    SIDES,
    SLOWEST_MPS,
    STEP_S,
    Change,
    Seen,
    look_for_changes,
)
from analysis.runs.run import Phase
from analysis.signals.smoothing import Fused
from logger.arrays import Array

__all__ = ["pieces_by_changes"]

#: Drivers change gear at speeds this close together, gearboxes that keep torque at closer ones: [m/s]
#: and share of the speed.
_DRIVER_MPS, _DRIVER_SHARE = 1.0, 0.05
_GEARBOX_MPS, _GEARBOX_SHARE = 0.3, 0.015
#: Of everything else the middle of the pulls must exceed what chance shows at so close speeds: its
#: largest of independent looks, one each this long [s], by so many of its own sd.
_LOOK_S, _CHANCE_SD = 0.05, 3.0
#: Laid over each other by speed, pulls together must show this many sd, and at least this share of the
#: drive in the mean; looked at in steps of speed [m/s].
_TOGETHER_SD, _TOGETHER_SHARE, _TOGETHER_MPS = 6.0, 0.15, 0.2
_LEAST_TOGETHER, _MOST_TOGETHER = 3, 8
#: A step below this speed is the clutch that closes in the launch [m/s].
_CLUTCH_MPS = 8.0
#: From here on one pull alone shows a break of the drive that others need not share: a lift.
_LIFT_SD, _LIFT_DIP = 5.5, 0.5
#: A stretch of drive lasts at least this long [s].
_SHORTEST_S = 0.4
#: From this share on a dip is an open clutch, whose two edges show apart from each other.
_DEEP = 0.4


def pieces_by_changes(
    fused: Sequence[Fused], pulls: Mapping[int, Phase], log_of: Mapping[int, int]
) -> tuple[dict[int, tuple[tuple[float, float], ...]], list[float]]:
    """Return the stretches of uninterrupted drive [s] of each pull by run number, and the speeds.

    The speeds [m/s] are those at which the pulls agree that the gear was changed.
    """
    seen = {number: look_for_changes(fused[log_of[number]], pull) for number, pull in pulls.items()}
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
    seen: Mapping[int, Seen],
    agreed: Sequence[float],
    signals: Mapping[int, tuple[Array, Array]],
) -> dict[int, list[tuple[float, float]]]:
    """Return the breaks of the drive [s] in each pull, by run number: changes agreed on, and lifts."""
    breaks: dict[int, list[tuple[float, float]]] = {number: [] for number in seen}
    for speed in agreed:
        changes = {number: _change_at(pull, speed) for number, pull in seen.items()}
        here = {number: change for number, change in changes.items() if change is not None}
        shown = [change.dip_share for change in here.values() if change.clear_sd > 0.0]
        if not shown or float(np.median(shown)) <= _DEEP:
            found = sharpen_together(
                [signals[number] for number in here],
                [(change.start_s, change.end_s) for change in here.values()],
            )
            for number, edges in zip(here, found, strict=True):
                breaks[number].append(edges)
            continue
        for number, change in here.items():
            # an open clutch shows in each pull: where it does not, the gear was changed elsewhere
            opened = change if change.dip_share > _DEEP else _opened_near(seen[number], speed)
            if opened is not None:
                breaks[number].append(_deep(seen[number], opened, signals[number]))
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


def _deep(pull: Seen, change: Change, signal: tuple[Array, Array]) -> tuple[float, float]:
    between = (float(pull.time_s[0]), float(pull.time_s[-1]))
    return sharpen_deep(signal, (change.start_s, change.end_s), between)


def _opened_near(pull: Seen, speed_mps: float) -> Change | None:
    """Return the clearest open clutch of one pull in twice the driver's usual reach, or None."""
    near = (c for c in pull.changes if abs(c.speed_mps - speed_mps) <= 2.0 * _reach(speed_mps))
    return next((c for c in near if c.dip_share > _DEEP), None)


def _change_at(pull: Seen, speed_mps: float) -> Change | None:
    """Return the change of one pull that is nearest to an agreed speed; None if it is not passed."""
    if not pull.speed_mps[0] < speed_mps < pull.speed_mps[-1]:
        return None
    change = pull.near(speed_mps, _reach(speed_mps))
    if change is not None:
        return change
    at = float(pull.time_s[int(np.argmax(pull.speed_mps >= speed_mps))])
    return Change(
        start_s=at - 0.15, end_s=at + 0.15, speed_mps=speed_mps, clear_sd=0.0, dip_share=0.0
    )


def _agreed_speeds(pulls: Sequence[Seen]) -> list[float]:
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


def _with_faint(pulls: Sequence[Seen], agreed: list[float]) -> list[float]:
    """Add the speeds of changes that no pull shows for itself, but all of them laid over each other."""
    if len(pulls) < _LEAST_TOGETHER:
        return sorted(agreed)
    grid = np.arange(SLOWEST_MPS, max(float(p.speed_mps[-1]) for p in pulls), _TOGETHER_MPS)
    known = list(agreed)
    for _ in range(_MOST_TOGETHER):
        best, where = 1.0, None
        for which in range(len(SIDES) * len(GAPS)):
            score = _together(pulls, known, which, grid)
            if score.size and score.max() > best:
                best, where = float(score.max()), float(grid[int(np.argmax(score))])
        if where is None or any(abs(where - other) < _reach(other) for other in known):
            break
        known.append(where)
    return sorted(known)


def _together(pulls: Sequence[Seen], known: Sequence[float], which: int, grid: Array) -> Array:
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


def _through(pulls: Sequence[Seen], speed_mps: float) -> list[Seen]:
    return [pull for pull in pulls if pull.speed_mps[0] < speed_mps < pull.speed_mps[-1]]


def _opened(pulls: Sequence[Seen], speed_mps: float) -> float:
    """Return how clearly half of the pulls show an open clutch near a speed, over what is asked."""
    found = [
        change.clear_sd if change is not None and change.dip_share > OPEN_DIP else 0.0
        for pull in _through(pulls, speed_mps)
        for change in [pull.near(speed_mps, _reach(speed_mps))]
    ]
    if not found:
        return 0.0
    show = int(np.ceil(0.5 * len(found)))
    asked = OPEN_SD + (ALONE_SD if show == 1 else 0.0)
    return float(np.sort(found)[-show]) / asked


def _gearbox(pulls: Sequence[Seen], speed_mps: float) -> float:
    """Return how clearly the middle of the pulls shows a dip or a step at a speed, over what is asked."""
    reach = _GEARBOX_MPS + _GEARBOX_SHARE * speed_mps
    through = _through(pulls, speed_mps)
    if not through:
        return 0.0
    found, looks = [], []
    for pull in through:
        change = pull.near(speed_mps, reach)
        found.append(min(change.clear_sd, 10.0) if change is not None else 0.0)
        passing_s = float((np.abs(pull.speed_mps - speed_mps) <= reach).sum()) * STEP_S
        looks.append(1.0 + passing_s / _LOOK_S)
    # the largest of n normal values is about that of rank n of n (Blom's plotting position; from memory)
    count = np.maximum(looks, 2.0)
    chance = ndtri((count - 0.375) / (count + 0.25)).mean()
    asked = (
        float(chance) + 0.5 * _CHANCE_SD / np.sqrt(len(found)) + (1.0 if len(found) < 3 else 0.0)
    )
    agree = sum(clear > 0.6 * asked for clear in found)
    return float(np.median(found)) / asked if agree >= max(0.5 * len(found), 1.0) else 0.0
