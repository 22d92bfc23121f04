"""Doubts of position fixes: speed zero while the position moves, false spikes, exact repeats."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from logger.findings import Finding, counted
from logger.formats.speed_units import distances_m
from logger.quality.fixes import MOVING_MPS
from logger.rows import Rows, Samples
from logger.units import find_unit

__all__ = ["mark_repeats", "mark_spikes", "mark_zeros", "resolution"]

#: A phone repeats a speed once or twice, not longer.
_LONGEST_REPEAT = 4
#: No receiver has a new speed more often [1/s] (25 a second at most; common practice, no source): a
#: faster one is a wheel's, whose coarse reading repeats where it has nothing new to tell.
_FASTEST_RECEIVER_HZ = 27.0
#: A vehicle that covers this has another position, however coarse its digits [m].
_STALE_M = 3.0
#: With so many distinct values some differ by the resolution.
_MANY = 40
#: So many values show every step that occurs often.
_ENOUGH = 100_000
#: A change per fix that noise (0.05 to 0.14 m/s, measured) does not hide [m/s].
_CLEAR_MPS = 0.6
#: Road vehicles brake at up to 11 m/s2 and gain less than 8 [m/s2].
_SPIKE_MPS2 = (5.0, 8.0)


def mark_zeros(
    rows: Rows, samples: dict[str, Samples], findings: list[Finding]
) -> dict[str, Samples]:
    """Doubt speeds of exactly zero while the position moves on; leave out an all-zero speed."""
    speed = samples.get("speed_mps")
    latitude, longitude = samples.get("latitude_deg"), samples.get("longitude_deg")
    if speed is None or latitude is None or longitude is None or not (speed.values == 0).any():
        return samples
    shared = np.intersect1d(speed.row_numbers, latitude.row_numbers)
    shared = np.intersect1d(shared, longitude.row_numbers)
    if shared.size < 3:
        return samples
    at = np.searchsorted(speed.row_numbers, shared)
    t, v = speed.t_s[at], speed.values[at]
    lat = latitude.values[np.searchsorted(latitude.row_numbers, shared)]
    lon = longitude.values[np.searchsorted(longitude.row_numbers, shared)]
    steps_m = distances_m(lat, lon)
    ground = steps_m / np.diff(t)
    odd = (v[1:] == 0) & (v[:-1] == 0) & (ground > 2.0)
    wrong = np.zeros(v.size, dtype=bool)
    moved = 0.0
    for start, end in _runs(odd):
        net = float(distances_m(lat[[start, end]], lon[[start, end]])[0])
        if end - start >= 2 and net > 15.0:
            wrong[start : end + 1] = True
            moved = max(moved, net / float(t[end] - t[start]))
    if not wrong.any():
        return samples
    out = dict(samples)
    index = shared[wrong]
    where = f"Speed is 0 on lines {rows.line_list(index)} while the position moves {moved:.0f} m each second"
    if not (speed.values > 0).any():
        del out["speed_mps"]
        out.pop("speed_accuracy_mps", None)
        text = where + ". All speeds are 0: the speed is left out, the positions remain."
        kind = "speed_always_zero"
    else:
        mask = np.zeros(speed.t_s.size, dtype=bool)
        mask[at[wrong]] = True
        out["speed_mps"] = speed.doubted(mask)
        text = where + ": it means 'no data' there and is not used."
        kind = "zero_speed_while_moving"
    findings.append(
        rows.finding(
            kind,
            "warning",
            text,
            index,
            time_s=float(t[int(np.flatnonzero(wrong)[0])]),
            count=int(wrong.sum()),
        )
    )
    return out


def _runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return (first, one past last) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def resolution(values: NDArray[np.float64], factor: float = 1.0) -> float:
    """Return the smallest step between distinct values; 0 where there are fewer than two.

    Parameters
    ----------
    values : array of shape (n,)
        In SI.
    factor : float
        SI per unit of the file. Few values show no small step by chance; of those the decimals
        that the file writes show more.
    """
    if values.size > _ENOUGH:
        values = values[:: -(-values.size // _ENOUGH)]
    distinct = np.unique(np.round(values, 6))
    steps = np.diff(distinct)
    steps = steps[steps > 1e-5]
    if not steps.size:
        return 0.0
    least = float(steps.min())
    if distinct.size >= _MANY:
        return least
    written = values / factor
    for decimals in range(7):
        if np.allclose(written, np.round(written, decimals), rtol=0, atol=1e-7):
            return min(least, factor * 10.0**-decimals)
    return 0.0


def _step_of(speed: Samples) -> float:
    unit = find_unit(speed.unit, "speed")
    return resolution(speed.values, unit.factor if unit is not None else 1.0)


def mark_spikes(
    rows: Rows, samples: dict[str, Samples], findings: list[Finding]
) -> dict[str, Samples]:
    """Doubt a single speed that leaves and rejoins the others faster than a vehicle can."""
    speed = samples.get("speed_mps")
    if speed is None or speed.t_s.size < 4:
        return samples
    t, v = speed.t_s, speed.values
    index = _spikes(t, v, lambda: _step_of(speed))
    if speed.suspect is not None:  # beside a sample already doubted there is nothing to compare
        doubted = speed.suspect
        index = index[~(doubted[index - 1] | doubted[index] | doubted[index + 1])]
    index = _middle_ones(t, v, index)
    index = np.union1d(index, _false_ends(t, v, speed.suspect, lambda: _step_of(speed)))
    if not index.size:
        return samples
    mask = np.zeros(v.size, dtype=bool)
    mask[index] = True
    at = speed.row_numbers[index]
    k = int(index[0])
    beside = ", ".join(f"{value:.1f}" for value in v[max(k - 1, 0) : k + 2])
    findings.append(
        rows.finding(
            "false_spike",
            "warning",
            f"{counted(int(index.size), 'single speed')} away and back faster than a vehicle can, as "
            f"{beside} m/s (line {rows.line_list(at)}); not used.",
            at,
            time_s=float(t[k]),
            count=int(index.size),
        )
    )
    return {**samples, "speed_mps": speed.doubted(mask)}


def _spikes(
    t_s: NDArray[np.float64], v: NDArray[np.float64], step_of: Callable[[], float]
) -> NDArray[np.intp]:
    """Return where a single speed stands apart from both neighbours, which agree."""
    low, high = _SPIKE_MPS2
    gain = np.diff(v)
    gain /= np.diff(t_s)
    steep = np.abs(gain) > low
    if not steep.any():
        return np.zeros(0, dtype=np.intp)
    at = np.flatnonzero(steep[1:] & steep[:-1] & ((gain[1:] > 0) != (gain[:-1] > 0))) + 1
    if not at.size:
        return at
    before, after = t_s[at] - t_s[at - 1], t_s[at + 1] - t_s[at]
    size = _from_line(t_s, v, at)
    mean = np.abs(v[at + 1] - v[at - 1]) / (before + after)
    odd = (size > max(1.0, 3.0 * step_of())) & (mean < low)
    odd &= np.maximum(np.abs(gain[at - 1]), np.abs(gain[at])) > high
    odd &= np.maximum(before, after) < 3.0 * float(np.median(np.diff(t_s)))
    return at[odd]


def _false_ends(
    t_s: NDArray[np.float64],
    v: NDArray[np.float64],
    suspect: NDArray[np.bool_] | None,
    step_of: Callable[[], float],
) -> NDArray[np.intp]:
    """Return the first or last sample where it alone is out of a vehicle's reach of the others."""
    low, high = _SPIKE_MPS2
    out = []
    for end, beside, third in ((0, 1, 2), (-1, -2, -3)):
        gap, rest = t_s[beside] - t_s[end], t_s[third] - t_s[beside]
        gain, calm = (v[beside] - v[end]) / gap, (v[third] - v[beside]) / rest
        doubted = suspect is not None and suspect[[end, beside, third]].any()
        far = abs(v[beside] - v[end]) > max(1.0, 3.0 * step_of()) if abs(gain) > high else False
        if far and abs(calm) < low and abs(gap) < 3.0 * abs(rest) and not doubted:
            out.append(end % v.size)
    return np.array(out, dtype=np.intp)


def _from_line(
    t_s: NDArray[np.float64], v: NDArray[np.float64], at: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Return how far speeds lie from the straight line between their neighbours [m/s]."""
    weight = (t_s[at] - t_s[at - 1]) / (t_s[at + 1] - t_s[at - 1])
    return np.asarray(np.abs(v[at] - v[at - 1] - (v[at + 1] - v[at - 1]) * weight))


def _middle_ones(
    t_s: NDArray[np.float64], v: NDArray[np.float64], at: NDArray[np.intp]
) -> NDArray[np.intp]:
    """Of three zigzag samples keep the middle one: only that is false."""
    if at.size < 2:
        return at
    size = _from_line(t_s, v, at)
    beside = np.diff(at) == 1
    larger = np.zeros(at.size)
    larger[:-1] = np.where(beside, size[1:], 0.0)
    larger[1:] = np.maximum(larger[1:], np.where(beside, size[:-1], 0.0))
    return at[larger <= size]


def mark_repeats(
    rows: Rows, samples: dict[str, Samples], findings: list[Finding]
) -> dict[str, Samples]:
    """Doubt speeds that repeat the fix before exactly although the vehicle's speed changes."""
    speed = samples.get("speed_mps")
    if speed is None or speed.t_s.size < 4:
        return samples
    t, v = speed.t_s, speed.values
    if float(np.median(np.diff(t))) * _FASTEST_RECEIVER_HZ < 1.0:
        return samples
    step = _step_of(speed)
    moving = v[1:] > MOVING_MPS
    equal = np.zeros(v.size, dtype=bool)
    equal[1:] = (v[1:] == v[:-1]) & moving
    if not equal.any():
        return samples
    short = equal & ~_in_long_runs(equal)  # else a steady speed, or a fix that went stale
    usable = moving & (short[1:] | ~equal[1:])
    odd = short if _too_many(v, usable, short, step) else _against_trend(t, v, step, short)
    odd = odd | (equal & _stale(speed, samples))
    if not odd.any():
        return samples
    index = np.flatnonzero(odd)
    at = speed.row_numbers[index]
    findings.append(
        rows.finding(
            "repeated_fix",
            "warning",
            f"Repeated exactly while moving: {index.size} of {int(moving.sum())} speeds (line "
            f"{rows.line_list(at)}). The receiver had no new one; they are not used.",
            at,
            time_s=float(t[index[0]]),
            count=int(index.size),
        )
    )
    return {**samples, "speed_mps": speed.doubted(odd)}


def _stale(speed: Samples, samples: dict[str, Samples]) -> NDArray[np.bool_]:
    """Return where a speed repeats with the very same position although it covers metres."""
    stale = np.zeros(speed.t_s.size, dtype=bool)
    for name in ("latitude_deg", "longitude_deg"):
        place = samples.get(name)
        if place is None or place.t_s.size != speed.t_s.size:
            return stale
        if not np.array_equal(place.row_numbers, speed.row_numbers):
            return stale
    latitude, longitude = samples["latitude_deg"].values, samples["longitude_deg"].values
    stale[1:] = (np.diff(latitude) == 0) & (np.diff(longitude) == 0)
    stale[1:] &= speed.values[1:] * np.diff(speed.t_s) > _STALE_M
    return stale


def _in_long_runs(equal: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which samples are in a run of more than `_LONGEST_REPEAT` equal ones."""
    edges = np.flatnonzero(np.diff(equal.view(np.int8), prepend=np.int8(0), append=np.int8(0)))
    starts, ends = edges[::2], edges[1::2]
    long = ends - starts > _LONGEST_REPEAT
    change = np.zeros(equal.size + 1, dtype=np.int8)
    change[starts[long]] = 1
    change[ends[long]] = -1
    return np.asarray(np.cumsum(change[:-1], dtype=np.int8), dtype=np.bool_)


def _too_many(
    v: NDArray[np.float64], usable: NDArray[np.bool_], short: NDArray[np.bool_], step: float
) -> bool:
    """Return whether changes of exactly 0 are far more frequent than those of one or two steps.

    A coarse reading of a nearly constant speed stands still about as often as it moves by one
    step. A log in which most readings repeat is a constant speed, or no log of changes at all.
    """
    none, count = int(short.sum()), int(usable.sum())
    if not 3 < none <= 0.4 * count:
        return False
    size = np.diff(v)
    np.abs(size, out=size)
    near = int(np.count_nonzero(usable & (size > 0) & (size < 2.5 * step))) / 4.0
    return none > 3.0 * near + 3.0


def _against_trend(
    t_s: NDArray[np.float64],
    speed_mps: NDArray[np.float64],
    step: float,
    doubtful: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Return which standstills of the reading break a steady change that the next step makes up.

    A coarse reading repeats by chance at nearly constant speed; here the steps before and after
    go the same way, by at least three times the resolution, and the one after is too large.
    """
    odd = np.zeros(speed_mps.size, dtype=bool)
    at = np.flatnonzero(doubtful[2:-1]) + 2
    if not at.size:
        return odd
    v = speed_mps
    before, after = v[at - 1] - v[at - 2], v[at + 1] - v[at]
    usual = (v[at + 1] - v[at - 2]) / 3.0
    same_way = (before * usual > 0) & (after * usual > 0)
    large = np.abs(usual) >= max(3.0 * step, _CLEAR_MPS)
    made_up = (np.abs(after) >= 1.4 * np.abs(usual)) & (np.abs(before) >= 0.5 * np.abs(usual))
    at = at[same_way & large & made_up]
    if at.size:
        dt = np.diff(t_s)
        longest = np.maximum(np.maximum(dt[at - 2], dt[at - 1]), dt[at])
        odd[at[longest < 1.6 * float(np.median(dt))]] = True
    return odd
