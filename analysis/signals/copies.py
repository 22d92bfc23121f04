"""Whether two recordings hold one drive: a copy of it, or a second phone in the same vehicle.

A copy has the same fixes, so that at the right shift of time they differ by no more than rounding
does, whatever the unit, the decimals or what was cut off. Two drives never do: receiver, wind and
driver see to that. A second phone has fixes of its own; it is known by its clock alone: both clocks
have a date, they overlap, and speeds and places agree all the while.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from analysis.signals.gps import EARTH_RADIUS_M, speed_fixes
from logger.arrays import Array
from logger.recording import Channel, Recording
from logger.units import KNOT_MPS

__all__ = ["Copy", "Trace", "find_copies", "same_drive", "trace_of"]

#: Steps of 1 s that speeds are laid on to find the shift; longer recordings give their longest stretch.
_LONGEST = 200_000
#: Between fixes further apart than this nothing is known [s].
_HOLE_S = 10.0
#: The shift is looked for where two recordings share this part of the shorter one's motion.
_SHARED = 0.4
#: Two drives of one kind may differ by less than this share of their energy, at the best shift.
_ALIKE = 0.003
#: So many recordings, and so many steps of them, are correlated at once.
_AT_ONCE, _CELLS = 500, 1_000_000
#: So many samples that differ from the one before make chance impossible, and this share must agree.
_LEAST, _AGREE = 30, 0.98
#: Rounding coarser than this shows nothing [m/s], [deg]: two drives may come as near to each other.
_COARSE = {"speed_mps": 0.25, "latitude_deg": 2e-5, "longitude_deg": 2e-5}
#: What is compared, and the units that it may be rounded in, as parts of its own.
_UNITS = {
    "speed_mps": (1.0, 1.0 / 3.6, 0.44704, KNOT_MPS),
    "latitude_deg": (1.0, 1.0 / 60.0),
    "longitude_deg": (1.0, 1.0 / 60.0),
}
_DECIMALS = 9
#: Values that the step of rounding is looked for in.
_PROBED = 500
#: A clock that shows an earlier date was not set, and begins anew with each start: 2010, common practice.
_SET_S = 1_262_304_000.0
#: A second phone: clocks apart by at most this [s], moving together for so long [s] ...
_CLOCKS_S, _CLOCK_STEP_S, _TOGETHER_S = 5.0, 0.25, 60.0
#: ... with speeds and places that agree so well: half of all, and nine in ten [m/s]; half [m].
_HALF_MPS, _NINE_MPS, _PLACE_M = 0.4, 1.5, 40.0
#: Slower than this is standing; speeds that vary by less show nothing [m/s].
_MOVING_MPS, _VARIED_MPS = 1.5, 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """What recordings are compared by.

    Parameters
    ----------
    recording : Recording
        Its channels as they were read.
    zero_s : float or None
        UTC seconds since 1970 of its time 0; None where its clock has no date.
    start_s : float
        Time of the first of the speeds on the grid [s].
    speed_mps, known : arrays of shape (n,)
        Speeds a second apart [m/s], 0 in holes, and 1.0 where there is one.
    """

    recording: Recording
    zero_s: float | None
    start_s: float
    speed_mps: Array
    known: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """One drive in two recordings: `other` has it between two times [s], `shift_s` after the first."""

    shift_s: float
    start_s: float
    end_s: float
    second_phone: bool

    @property
    def why(self) -> str:
        """How it is known."""
        if self.second_phone:
            return "at the same time with the same speeds, as a second phone in the vehicle does"
        return "fix by fix the same but for rounding, as a copy does"


def trace_of(recording: Recording) -> Trace:
    """Return what a recording is compared by."""
    fixes, _ = speed_fixes(recording)
    if (
        fixes.from_positions and (fixes.rate_hz or 0.0) > 1.5
    ):  # rounded places need a second between
        every = round(fixes.rate_hz or 1.0)
        fixes, _ = speed_fixes(replace(recording, channels=_thinned(recording, every)))
    t_s, speed = fixes.t_s, fixes.speed_mps
    epoch_s = recording.clocks[fixes.clock].epoch_s if recording.clocks else None
    if epoch_s is not None and epoch_s < _SET_S:
        epoch_s = None
    if t_s.size and t_s[-1] - t_s[0] > _LONGEST:
        ends = np.flatnonzero(np.diff(t_s) > 60.0) + 1
        longest = max(np.split(np.arange(t_s.size), ends), key=len)
        t_s, speed = t_s[longest], speed[longest]
    if t_s.size < 2:
        none = np.zeros(0)
        return Trace(recording=recording, zero_s=epoch_s, start_s=0.0, speed_mps=none, known=none)
    grid, grid_mps, known = _even(t_s, speed, 1.0)
    return Trace(
        recording=recording,
        zero_s=epoch_s,
        start_s=float(grid[0]),
        speed_mps=grid_mps[:_LONGEST],
        known=known[:_LONGEST],
    )


def _thinned(recording: Recording, every: int) -> tuple[Channel, ...]:
    """Return every n-th place."""
    places = [recording.channel(name) for name in ("latitude_deg", "longitude_deg")]
    return tuple(
        Channel(name=one.name, t_s=one.t_s[::every], values=one.values[::every], clock=one.clock)
        for one in places
        if one is not None
    )


def _even(t_s: Array, values: Array, step_s: float) -> tuple[Array, Array, Array]:
    """Return times a step apart, values there, and where they are known; 0 inside holes."""
    grid = np.arange(t_s[0], t_s[-1], step_s)
    after = np.clip(np.searchsorted(t_s, grid), 1, t_s.size - 1)
    known = (t_s[after] - t_s[after - 1] <= _HOLE_S).astype(np.float64)
    return grid, np.interp(grid, t_s, values) * known, known


def same_drive(first: Trace, other: Trace) -> Copy | None:
    """Return how two recordings hold one drive; None also where there is too little motion to say."""
    return _same_drives(first, [other])[0]


def find_copies(traces: Sequence[Trace]) -> Iterator[tuple[int, int, Copy]]:
    """Return each pair of recordings that hold one drive: the one to keep, the other, and how.

    Kept is the one with an accelerometer, with a speed of its own, with more fixes, or the earlier.
    """
    worth = [_worth(trace.recording) for trace in traces]
    order = sorted(range(len(traces)), key=lambda number: (*(-w for w in worth[number]), number))
    for place, kept in enumerate(order):
        others = order[place + 1 :]
        found = _same_drives(traces[kept], [traces[other] for other in others])
        for other, copy in zip(others, found, strict=True):
            if copy is not None:
                yield kept, other, copy


def _same_drives(first: Trace, others: Sequence[Trace]) -> list[Copy | None]:
    """Return how a recording and each of others hold one drive."""
    found = []
    for other, lag in zip(others, _best_lags(first, others), strict=True):
        copy = None if lag is None else _copied(first.recording, other.recording, lag)
        if copy is None and first.zero_s is not None and other.zero_s is not None:
            copy = _together(first, other, first.zero_s - other.zero_s)
        found.append(copy)
    return found


def _worth(recording: Recording) -> tuple[int, int]:
    """Return how much there is to a recording: sensors, then fixes."""
    speed = recording.channel("speed_mps") or recording.channel("latitude_deg")
    sensors = sum(recording.channel(name) is not None for name in ("accel_x_mps2", "speed_mps"))
    return sensors, 0 if speed is None else speed.t_s.size


def _best_lags(first: Trace, others: Sequence[Trace]) -> list[float | None]:
    """Return by how much each other's times exceed the first's where speeds are most alike [s].

    Over the steps that both have, misfit = sum (a - b)^2 / sum (a^2 + b^2); all lags, and as many
    others as fit into some megabytes, at once by correlation. None where nothing is alike.
    """
    lags: list[float | None] = []
    start = 0
    while start < len(others):
        size = first.known.size + max(
            max(one.known.size for one in others[start : start + _AT_ONCE]), 1
        )
        part = others[start : start + max(1, min(_AT_ONCE, _CELLS // size))]
        lags += _lags_of_part(first, part, next_fast_len(size, real=True))
        start += len(part)
    return lags


def _lags_of_part(first: Trace, others: Sequence[Trace], size: int) -> list[float | None]:
    """Return the lags of `_best_lags`, with arrays of `size` steps."""
    b, known = np.zeros((2, len(others), size))
    for row, one in enumerate(others):
        b[row, : one.known.size], known[row, : one.known.size] = one.speed_mps, one.known
    a = first.speed_mps
    of_a = rfft(np.stack([a, a**2, first.known]), size)[:, None, :]
    # sum a b, sum a^2 where b is known, sum b^2 where a is known
    sums = irfft(of_a * np.conj(rfft(np.stack([b, known, b**2]), size)), size)
    least = _SHARED * np.minimum(np.sum(a**2), np.sum(b**2, axis=1))
    shared = np.minimum(sums[1], sums[2]) >= np.maximum(least, 1.0)[:, None]
    misfit = np.where(shared, 1.0 - 2.0 * sums[0] / np.maximum(sums[1] + sums[2], 1.0), np.inf)
    best = np.argmin(misfit, axis=1)
    return [
        # a lies `at` steps behind b
        other.start_s - first.start_s - float(at if at < a.size else at - size)
        if misfit[row, at] <= _ALIKE
        else None
        for row, (other, at) in enumerate(zip(others, best.tolist(), strict=True))
    ]


def _copied(first: Recording, other: Recording, lag_s: float) -> Copy | None:
    """Return the copy at about this lag, if all that both measured agrees within rounding."""
    shows = False
    span: tuple[float, float] | None = None
    for name, units in _UNITS.items():
        a, b = first.channel(name), other.channel(name)
        if a is None or b is None:
            continue
        if span is None:
            lag_s = _exact_lag(a, b, lag_s)
        at_a, at_b = _matched(a.t_s, b.t_s - lag_s)
        if at_a.size < max(_LEAST, _AGREE * _fewer_inside(a.t_s, b.t_s - lag_s)):
            return None
        one, two = a.values[at_a], b.values[at_b]
        if np.quantile(np.abs(one - two), _AGREE) > 10.0 * _COARSE[name]:
            return None
        changes = np.concatenate([[False], (np.diff(one) != 0.0) | (np.diff(two) != 0.0)])
        step, other_step = _step(one[changes], units), _step(two[changes], units)
        near = 0.5 * (step + other_step) if step != other_step else 0.01 * step
        # decimals that were cut off instead of rounded leave half a step on average
        middle = float(np.median(one - two))
        cut_off = 0.3 < abs(middle) / max(step, other_step, 1e-12) < 0.7
        miss = one - two - (middle if cut_off else 0.0)
        if np.mean(np.abs(miss) > 1.01 * near + 1e-9) > 1.0 - _AGREE:
            return None
        shows |= near <= _COARSE[name] and int(changes.sum()) >= _LEAST
        span = span or (float(b.t_s[at_b[0]]), float(b.t_s[at_b[-1]]))
    if span is None or not shows:
        return None
    return Copy(shift_s=lag_s, start_s=span[0], end_s=span[1], second_phone=False)


def _exact_lag(a: Channel, b: Channel, lag_s: float) -> float:
    """Return the lag within 1.5 s at which samples meet samples and their values are most alike."""
    if a.t_s.size < b.t_s.size:  # what the one with fewer samples has, the other has as well
        return -_exact_lag(b, a, -lag_s)
    steepest_s = b.t_s[int(np.argmax(np.abs(np.diff(b.values)))) if b.t_s.size > 1 else 0]
    found, least = lag_s, np.inf
    for lag in steepest_s - a.t_s[np.abs(a.t_s - (steepest_s - lag_s)) <= 1.5]:
        at_a, at_b = _matched(a.t_s, b.t_s - lag)
        miss = float(np.mean((a.values[at_a] - b.values[at_b]) ** 2)) if at_a.size else np.inf
        if miss < least:
            found, least = float(np.median(b.t_s[at_b] - a.t_s[at_a])), miss
    return found


def _fewer_inside(a_s: Array, b_s: Array) -> int:
    """Return how many samples the one with fewer of them has in the time that both cover."""
    start, end = max(a_s[0], b_s[0]), min(a_s[-1], b_s[-1])
    return min(int(np.sum((t_s >= start) & (t_s <= end))) for t_s in (a_s, b_s))


def _matched(a_s: Array, b_s: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the samples of one that lie nearest to one of the other's, both ways."""
    if min(a_s.size, b_s.size) < 2:
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
    to_a, to_b = _nearest(a_s, b_s), _nearest(b_s, a_s)
    at_b = np.flatnonzero(to_b[to_a] == np.arange(b_s.size))
    at_a = to_a[at_b]
    step_s = max(float(np.median(np.diff(a_s))), float(np.median(np.diff(b_s))))
    close = np.abs(a_s[at_a] - b_s[at_b]) <= 0.45 * step_s
    return at_a[close], at_b[close]


def _nearest(times_s: Array, wanted_s: Array) -> NDArray[np.intp]:
    """Return the index of the nearest time for each one wanted."""
    after = np.clip(np.searchsorted(times_s, wanted_s), 1, times_s.size - 1)
    earlier = wanted_s - times_s[after - 1] < times_s[after] - wanted_s
    return np.asarray(after - earlier, dtype=np.intp)


def _step(values: Array, units: Sequence[float]) -> float:
    """Return the coarsest step that all values but a few are multiples of; 0 where there is none."""
    steps = np.sort([unit * 10.0**-n for unit in units for n in range(_DECIMALS)])[::-1]
    parts = values[:: values.size // _PROBED + 1] / steps[:, None]
    whole = np.mean(np.abs(parts - np.round(parts)) < 2e-3, axis=1) > 0.99
    return float(steps[np.argmax(whole)]) if values.size and whole.any() else 0.0


def _together(first: Trace, other: Trace, apart_s: float) -> Copy | None:
    """Return the overlap in which two phones moved as one vehicle moves, or None.

    `apart_s` is what the other's times exceed the first's by, as their dates have it.
    """
    found, least = 0.0, np.inf
    for late_s in np.arange(-_CLOCKS_S, _CLOCKS_S + 0.1, _CLOCK_STEP_S):
        mine, beside = _side_by_side(first, other, apart_s + float(late_s))
        if mine.size < _TOGETHER_S or float(np.ptp(mine)) < _VARIED_MPS:
            continue
        half, nine = np.quantile(np.abs(mine - beside), [0.5, 0.9])
        if half <= min(_HALF_MPS, least) and nine <= _NINE_MPS:
            found, least = apart_s + float(late_s), float(half)
    if not np.isfinite(least) or not _near_each_other(first.recording, other.recording, found):
        return None
    start_s = max(first.start_s + found, other.start_s)
    end_s = min(first.start_s + found + first.known.size, other.start_s + other.known.size)
    return Copy(shift_s=found, start_s=start_s, end_s=end_s, second_phone=True)


def _side_by_side(first: Trace, other: Trace, lag_s: float) -> tuple[Array, Array]:
    """Return both speeds at the moments at which both are known and one moves [m/s]."""
    at = first.start_s + np.arange(first.known.size) + lag_s - other.start_s
    steps = np.arange(other.known.size)
    inside = (at >= 0.0) & (at <= steps.size - 1.0) & (first.known > 0.0)
    if not inside.any():
        return np.zeros(0), np.zeros(0)
    inside[inside] = np.interp(at[inside], steps, other.known) == 1.0
    mine, beside = first.speed_mps[inside], np.interp(at[inside], steps, other.speed_mps)
    moving = np.maximum(mine, beside) > _MOVING_MPS
    return mine[moving], beside[moving]


def _near_each_other(first: Recording, other: Recording, lag_s: float) -> bool:
    """Return whether two phones were in one place all the while; True where one does not know its own."""
    every = [
        one.channel(name) for name in ("latitude_deg", "longitude_deg") for one in (first, other)
    ]
    if any(channel is None or channel.t_s.size < 2 for channel in every):
        return True
    a_lat, b_lat, a_lon, b_lon = (channel for channel in every if channel is not None)
    inside = (a_lat.t_s + lag_s >= b_lat.t_s[0]) & (a_lat.t_s + lag_s <= b_lat.t_s[-1])
    t_s = a_lat.t_s[inside]
    if not t_s.size:
        return False
    north = a_lat.values[inside] - np.interp(t_s + lag_s, b_lat.t_s, b_lat.values)
    east = np.interp(t_s, a_lon.t_s, a_lon.values)
    east -= np.interp(t_s + lag_s, b_lon.t_s, b_lon.values)
    east = ((east + 180.0) % 360.0 - 180.0) * np.cos(np.radians(a_lat.values[inside]))
    apart_m = EARTH_RADIUS_M * np.radians(np.hypot(north, east))
    return float(np.median(apart_m)) <= _PLACE_M
