"""How late GPS speed is behind the accelerometer, found from the two signals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.arrays import Array

__all__ = ["SCANNED_LAGS_S", "Axis", "LagFit", "fit_lag", "forward_axis", "integral_at"]


#: Lags looked at [s]: measured phones are 0 to 2.6 s late; a clock may put the GPS a little early.
SCANNED_LAGS_S = (-0.6, 4.0)
_STEP_S = 0.05
#: Speed differences are taken over about this time [s]: long against GPS noise, short against hills.
_SPAN_S = 2.0
_MIN_DIFFERENCES = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class LagFit:
    """Lag of GPS speed and the direction in which acceleration explains its changes.

    Parameters
    ----------
    lag_s, lag_sd_s : float
        GPS speed shows what happened `lag_s` earlier; standard deviation [s].
    weights : array of shape (k,)
        `d(speed)/dt = weights @ acceleration + constant`.
    explained : float
        Share of the variance of speed changes explained, 0 to 1.
    differences : int
        How many changes of speed were looked at.
    """

    lag_s: float
    lag_sd_s: float
    weights: Array
    explained: float
    differences: int = 0

    @property
    def evidence(self) -> float:
        """Twice the log likelihood ratio against no relation: more data and a closer fit count."""
        return -self.differences * float(np.log(max(1.0 - self.explained, 1e-6)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """Forward axis, of length 1, with the sd of its direction [rad] and the share it explains."""

    direction: Array
    sd_rad: float
    explained: float


def _running_integral(accel_time_s: Array, accel: Array) -> Array:
    """Return the integral of each column by the trapezium rule, 0 at the first sample."""
    steps = np.diff(accel_time_s)[:, None]
    total = np.zeros_like(accel)
    np.cumsum(0.5 * (accel[1:] + accel[:-1]) * steps, axis=0, out=total[1:])
    return total


def _read(time_s: Array, accel_time_s: Array, integral: Array) -> Array:
    """Return each column of a running integral at given times."""
    return np.stack([np.interp(time_s, accel_time_s, column) for column in integral.T], axis=1)


def _explain(change: Array, gained: Array, span: Array) -> tuple[float, Array]:
    """Return sum of squares and weights of changes of speed explained by integrated acceleration."""
    # the direction is that in which the acceleration follows the speed, each axis regressed on the
    # speed: gained = follow change + offset span. The other way round would let the axis across the
    # road, which hardly moves, take any weight that noise gives it
    spans = np.column_stack([change, span])
    follow = np.linalg.lstsq(spans, gained, rcond=None)[0][0]
    length = float(np.linalg.norm(follow))
    forward = follow / length if length > 0 else follow
    # change = scale (gained along it) + offset span
    design = np.column_stack([gained @ forward, span])
    solution = np.linalg.lstsq(design, change, rcond=None)[0]
    miss = change - design @ solution
    return float(miss @ miss), forward * solution[0]


def _pairs(
    fix_time_s: Array, fix_speed_mps: Array, accel_time_s: Array, scanned_s: tuple[float, float]
) -> tuple[NDArray[np.int_], NDArray[np.int_], Array, Array] | None:
    """Return fixes some 2 s apart: their indices, changes of speed and times between; None if few."""
    step = float(np.median(np.diff(fix_time_s)))
    ahead = max(1, round(_SPAN_S / max(step, 1e-3)))
    stride = max(1, round(0.9 / max(step, 1e-3)))
    first = np.arange(0, fix_time_s.size - ahead, stride)
    last = first + ahead
    span = fix_time_s[last] - fix_time_s[first]
    inside = (
        (fix_time_s[first] - scanned_s[1] >= accel_time_s[0])
        & (fix_time_s[last] - scanned_s[0] <= accel_time_s[-1])
        & (span < 2.0 * _SPAN_S)
    )
    first, last, span = first[inside], last[inside], span[inside]
    change = fix_speed_mps[last] - fix_speed_mps[first]
    if first.size < _MIN_DIFFERENCES or np.ptp(change) < 1.0:
        return None
    return first, last, change, span


def forward_axis(
    fix_time_s: Array, fix_speed_mps: Array, accel_time_s: Array, accel_mps2: Array, lag_s: float
) -> Axis | None:
    """Find the axis in which the acceleration follows the changes of speed, at a known lag.

    Arguments as in `fit_lag`; None where there are too few changes of speed.
    """
    if fix_time_s.size < 4:
        return None
    pairs = _pairs(fix_time_s, fix_speed_mps, accel_time_s, (lag_s, lag_s))
    if pairs is None:
        return None
    first, last, change, span = pairs
    integral = _running_integral(accel_time_s, accel_mps2)
    gained = _read(fix_time_s[last] - lag_s, accel_time_s, integral)
    gained -= _read(fix_time_s[first] - lag_s, accel_time_s, integral)
    spans = np.column_stack([change, span])
    solution = np.linalg.lstsq(spans, gained, rcond=None)[0]
    length = max(float(np.linalg.norm(solution[0])), 1e-9)
    direction = solution[0] / length
    # what is left across the axis turns it: sd = left over / (length of all changes)
    rest = gained - spans @ solution
    sideways = rest - np.outer(rest @ direction, direction)
    freedom = max(change.size - 2, 1)
    sd = np.sqrt(float((sideways**2).sum()) / freedom * float(np.linalg.inv(spans.T @ spans)[0, 0]))
    square, _ = _explain(change, gained, span)
    total = float(np.sum((change - change.mean()) ** 2))
    # differences that overlap twofold carry half the information
    return Axis(
        direction=direction,
        sd_rad=float(np.sqrt(2.0) * sd / length),
        explained=max(0.0, 1.0 - square / total),
    )


def integral_at(
    time_s: Array,
    accel_time_s: Array,
    accel: Array,
) -> Array:
    """Integrate acceleration by the trapezium rule and read the integral at given times.

    Parameters
    ----------
    time_s : array of shape (n,)
        Where to read [s]; outside the samples the integral is continued level.
    accel_time_s : array of shape (m,)
        Sample times, increasing [s].
    accel : array of shape (m, k)
        Accelerations [m/s2].

    Returns
    -------
    array of shape (n, k)
        Integral from the first sample [m/s].
    """
    return _read(time_s, accel_time_s, _running_integral(accel_time_s, accel))


def fit_lag(
    fix_time_s: Array,
    fix_speed_mps: Array,
    accel_time_s: Array,
    accel_mps2: Array,
    *,
    scanned_s: tuple[float, float] = SCANNED_LAGS_S,
    step_s: float = _STEP_S,
) -> LagFit | None:
    """Find the lag at which the accelerometer explains the changes of GPS speed best.

    For each lag L of a grid the changes of speed over about 2 s are regressed on the change of
    the integrated accelerations L earlier and on the elapsed time (offset, mean grade). The sum
    of squares is a parabola near its minimum: its place is the lag, its curvature the sd, widened
    by the overlap of the differences.

    Parameters
    ----------
    fix_time_s, fix_speed_mps : arrays of shape (n,)
        GPS fixes [s], [m/s].
    accel_time_s : array of shape (m,)
        Times of the acceleration samples [s].
    accel_mps2 : array of shape (m, k)
        Accelerations in any fixed axes [m/s2].
    scanned_s : (low, high)
        Range of lags looked at [s].
    step_s : float
        Step of the grid of lags [s].

    Returns
    -------
    LagFit or None
        None where there are too few changes of speed.
    """
    if fix_time_s.size < 4 or accel_time_s.size < 20:
        return None
    pairs = _pairs(fix_time_s, fix_speed_mps, accel_time_s, scanned_s)
    if pairs is None:
        return None
    first, last, change, span = pairs
    lags = np.arange(scanned_s[0], scanned_s[1] + step_s / 2, step_s)
    integral = _running_integral(accel_time_s, accel_mps2)
    squares = np.empty(lags.size)
    weights = np.empty((lags.size, accel_mps2.shape[1]))
    for i, lag in enumerate(lags):
        start = _read(fix_time_s[first] - lag, accel_time_s, integral)
        end = _read(fix_time_s[last] - lag, accel_time_s, integral)
        squares[i], weights[i] = _explain(change, end - start, span)
    best = int(np.argmin(squares))
    total = float(np.sum((change - change.mean()) ** 2))
    freedom = max(change.size - accel_mps2.shape[1] - 2, 1)
    variance = squares[best] / freedom
    if 0 < best < lags.size - 1:
        bend = squares[best - 1] - 2.0 * squares[best] + squares[best + 1]
        shift = 0.5 * (squares[best - 1] - squares[best + 1]) / bend if bend > 0 else 0.0
        lag = float(lags[best] + step_s * np.clip(shift, -0.5, 0.5))
        # squares = s0 + curvature (L - L0)^2, so var(L) = variance / curvature; differences that
        # overlap twofold carry half the information
        curvature = max(bend / (2.0 * step_s**2), 1e-12)
        lag_sd = float(np.sqrt(2.0 * variance / curvature))
    else:
        lag, lag_sd = float(lags[best]), 1.0
    return LagFit(
        lag_s=lag,
        lag_sd_s=max(lag_sd, 0.01),
        weights=weights[best],
        explained=max(0.0, 1.0 - squares[best] / total),
        differences=change.size,
    )
