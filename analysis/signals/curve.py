"""Speed over time between the fixes: the curve of smoothed speeds and offsets at them.

Between two fixes the speed is pinned at both ends with its acceleration. What is unknown there is a
bridge: with white noise of density q on dv/dt its variance is q s1 s2 / s, with white noise of
density q on d2v/dt2 and the acceleration pinned as well q (s1 s2 / s)^3 / 3, where s1, s2 are the
times to both ends and s = s1 + s2 (conditional variances of a Wiener process and of its integral;
textbooks, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.signals.gps import HOLE_S
from analysis.signals.lag import integral_at
from analysis.signals.levels import BROKEN_S
from logger.arrays import Array

__all__ = [
    "ACCEL_HOLE_S",
    "Smoothed",
    "SpeedCurve",
    "curve_between",
    "curve_with_accel",
    "cut_curve",
    "joined_curve",
]

_GRID_WITH_ACCEL_S = 0.1
_GRID_GPS_ONLY_S = 0.2
#: With an accelerometer a GPS hole up to this long is bridged [s].
_BRIDGED_S = 12.0
#: The accelerometer may have holes up to this long [s].
ACCEL_HOLE_S = 1.0
#: Half the time over which acceleration is averaged [s].
_HALF_MEAN_S = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedCurve:
    """Speed over time of one recording, with standard deviations; nan inside holes.

    Parameters
    ----------
    log : int
        Index of the recording in the session.
    time_s : array of shape (n,)
        Seconds from the recording's first sample, GPS lag taken out [s].
    speed_mps, speed_sd_mps : arrays of shape (n,)
        Smoothed speed and its standard deviation [m/s].
    accel_mps2, accel_sd_mps2 : arrays of shape (n,)
        Its derivative and the standard deviation of it [m/s2].
    place_m : array of shape (n,)
        Distance driven since the start [m] (along-road place once the road is known); over a hole of
        more than a minute it does not grow.
    """

    log: int
    time_s: Array
    speed_mps: Array
    speed_sd_mps: Array
    accel_mps2: Array
    accel_sd_mps2: Array
    place_m: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Smoothed:
    """Smoothed states at the fixes, with their variances, and the noise levels behind them.

    Parameters
    ----------
    speed_mps, offset_mps2 : arrays of shape (n,)
        Speed [m/s]; offset of the accelerometer, or minus the acceleration without one [m/s2].
    speed_var, offset_var : arrays of shape (n,)
        Their variances.
    fix_sd_mps : float
        White noise of the fixes [m/s].
    vibration, wander : float
        Of dv/dt [m/s per sqrt(s)] and of the offset [m/s2 per sqrt(s)].
    scale : float
        Speed gained per integral of the forward acceleration.
    """

    speed_mps: Array
    offset_mps2: Array
    speed_var: Array
    offset_var: Array
    fix_sd_mps: float
    vibration: float
    wander: float
    scale: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Between:
    """Times of a curve between fixes: which fix is before, times to both, their sum and share."""

    time_s: Array
    at: NDArray[np.int_]
    before_s: Array
    after_s: Array
    span_s: Array

    @property
    def share(self) -> Array:
        """Return the share of the step that has passed, 0 to 1."""
        return np.asarray(self.before_s / self.span_s)

    @property
    def bridge_s(self) -> Array:
        """Return s1 s2 / s [s]."""
        return np.asarray(self.before_s * self.after_s / self.span_s)


def _between(node_s: Array, step_s: float) -> _Between:
    """Lay a grid over the fixes; a hole of more than a minute gets a time after it and one before.

    Where most steps between fixes are too long to be bridged, every such step is a hole.
    """
    step = np.diff(node_s)
    holes = np.flatnonzero(step > (BROKEN_S if np.median(step) <= _BRIDGED_S else _BRIDGED_S))
    starts = node_s[np.concatenate([[0], holes + 1])]
    ends = node_s[np.concatenate([holes, [node_s.size - 1]])]
    parts: list[Array] = []
    for start, end in zip(starts, ends, strict=True):
        edges = np.array([start - step_s, end, end + step_s])
        parts += [edges, np.arange(start, end, step_s)]
    # less the first and the last, which lie outside all fixes
    time_s = np.unique(np.concatenate(parts))[1:-1]
    at = np.clip(np.searchsorted(node_s, time_s, side="left") - 1, 0, node_s.size - 2)
    return _Between(
        time_s=time_s,
        at=at,
        before_s=time_s - node_s[at],
        after_s=node_s[at + 1] - time_s,
        span_s=node_s[at + 1] - node_s[at],
    )


def _finished(
    log: int, grid: _Between, whole: NDArray[np.bool_], columns: tuple[Array, Array, Array, Array]
) -> SpeedCurve:
    """Return the curve with place, and nan inside holes."""
    speed = columns[0]
    step = np.diff(grid.time_s)
    driven = np.where(step > BROKEN_S / 2.0, 0.0, 0.5 * (speed[1:] + speed[:-1]) * step)
    hidden = [np.where(whole, column, np.nan) for column in columns]
    return SpeedCurve(
        log=log,
        time_s=grid.time_s,
        speed_mps=hidden[0],
        speed_sd_mps=hidden[1],
        accel_mps2=hidden[2],
        accel_sd_mps2=hidden[3],
        place_m=np.concatenate([[0.0], np.cumsum(driven)]),
    )


def curve_between(log: int, node_s: Array, smooth: Smoothed) -> SpeedCurve:
    """Return the curve of fixes alone.

    Parameters
    ----------
    log : int
        Index of the recording.
    node_s : array of shape (n,)
        Times of the fixes [s].
    smooth : Smoothed
        States at them.
    """
    grid = _between(node_s, _GRID_GPS_ONLY_S)
    at, part, span = grid.at, grid.share, grid.span_s
    v0, v1 = smooth.speed_mps[at], smooth.speed_mps[at + 1]
    b0, b1 = smooth.offset_mps2[at], smooth.offset_mps2[at + 1]
    # cubic through both speeds with both accelerations -b0, -b1
    h10, h11 = part * (1 - part) ** 2, part**2 * (part - 1)
    blend = part**2 * (3 - 2 * part)
    speed = v0 + blend * (v1 - v0) - span * (h10 * b0 + h11 * b1)
    accel = -(b0 + part * (b1 - b0))
    # at the fixes, and the bridge between them: q (s1 s2 / s)^3 / 3 and q s1 s2 / s (1 - 3 s1 s2 / s^2)
    density, bridge = smooth.wander**2, grid.bridge_s
    variance = np.interp(grid.time_s, node_s, smooth.speed_var) + density * bridge**3 / 3.0
    accel_var = np.interp(grid.time_s, node_s, smooth.offset_var)
    accel_var += density * bridge * (1.0 - 3.0 * bridge / span)
    whole = (span <= HOLE_S) | np.isin(grid.time_s, node_s)
    columns = (speed, np.sqrt(variance), accel, np.sqrt(accel_var))
    return _finished(log, grid, whole, columns)


def curve_with_accel(
    log: int,
    node_s: Array,
    smooth: Smoothed,
    accel_time_s: Array,
    forward_mps2: Array,
    *,
    calm_mps2: Array,
) -> SpeedCurve:
    """Return the curve of fixes with the accelerometer between them.

    Arguments as in `curve_between`; times [s] and forward specific force [m/s2] of shape (m,), the
    second time without the nodding of the body: speed follows from that, acceleration from the first.
    """
    grid = _between(node_s, _GRID_WITH_ACCEL_S)
    at, part, span, time_s = grid.at, grid.share, grid.span_s, grid.time_s
    v0, v1 = smooth.speed_mps[at], smooth.speed_mps[at + 1]
    b0, b1 = smooth.offset_mps2[at], smooth.offset_mps2[at + 1]
    force = smooth.scale * np.column_stack([calm_mps2, forward_mps2])
    integral = integral_at(time_s, accel_time_s, force)[:, 0]
    at_fixes = integral_at(node_s, accel_time_s, force)[:, 0]
    # v0 + integral of f less that of the offset, which runs straight from b0 to b1
    drift = b0 * grid.before_s + 0.5 * (b1 - b0) * part**2 * span
    raw = v0 + integral - at_fixes[at] - drift
    # what it misses the next fix by is spread evenly over the step
    missed = v1 - (v0 + at_fixes[at + 1] - at_fixes[at] - 0.5 * (b0 + b1) * span)
    # a receiver gives no sign of speed, and a standing vehicle does not roll back by its noise
    speed = np.maximum(raw + part * missed, 0.0)
    around = np.concatenate([time_s - _HALF_MEAN_S, time_s + _HALF_MEAN_S])
    ends = integral_at(around, accel_time_s, force)[:, 1]
    mean_force = (ends[time_s.size :] - ends[: time_s.size]) / (2 * _HALF_MEAN_S)
    accel = mean_force - (b0 + part * (b1 - b0)) + missed / span
    noise = float(np.median(np.abs(np.diff(mean_force[::3])))) if time_s.size > 9 else 0.3
    accel_sd = np.sqrt(np.interp(time_s, node_s, smooth.offset_var) + noise**2)
    # at the fixes, and the bridges of vibration and of the offset between them
    variance = np.interp(time_s, node_s, smooth.speed_var)
    variance += smooth.vibration**2 * grid.bridge_s + smooth.wander**2 * grid.bridge_s**3 / 3.0
    after = np.searchsorted(accel_time_s, time_s) - 1
    gap = np.diff(accel_time_s)[np.clip(after, 0, accel_time_s.size - 2)]
    whole = (span <= _BRIDGED_S) & (gap <= ACCEL_HOLE_S)
    return _finished(log, grid, whole, (speed, np.sqrt(variance), accel, accel_sd))


def _table(curve: SpeedCurve) -> Array:
    """Return the columns of a curve, shape (6, n)."""
    columns = (curve.speed_mps, curve.speed_sd_mps, curve.accel_mps2, curve.accel_sd_mps2)
    return np.stack([curve.time_s, *columns, curve.place_m])


def _curve(log: int, table: Array) -> SpeedCurve:
    """Return the curve with these columns."""
    return SpeedCurve(
        log=log,
        time_s=table[0],
        speed_mps=table[1],
        speed_sd_mps=table[2],
        accel_mps2=table[3],
        accel_sd_mps2=table[4],
        place_m=table[5],
    )


def cut_curve(curve: SpeedCurve, start_s: float, end_s: float) -> SpeedCurve:
    """Return a curve from one time up to another, the second included [s]."""
    first, last = np.searchsorted(curve.time_s, [start_s, end_s], side="left")
    return _curve(curve.log, _table(curve)[:, int(first) : int(last) + 1])


def joined_curve(curves: Sequence[SpeedCurve]) -> SpeedCurve:
    """Return pieces of a curve as one; each begins about where the one before ends."""
    if len(curves) == 1:
        return curves[0]
    tables = [_table(curves[0])]
    for curve in curves[1:]:
        table, (end_s, speed, *_, end_m) = _table(curve), tables[-1][:, -1]
        # places go on from where the piece before ended
        table[5] += end_m - table[5, 0] + np.nan_to_num(speed) * (table[0, 0] - end_s)
        tables.append(table[:, table[0] > end_s])
    return _curve(curves[0].log, np.concatenate(tables, axis=1))
