"""Noise levels, lag and scale of one recording, by the likelihood of its speed fixes.

State at each fix: speed v, offset b of the accelerometer, and its scale k, with

    dv/dt = (1 + k) f - b + white noise (vibration),   db/dt = white noise (the road's slope, squat),

f the specific force along the vehicle. Without an accelerometer f is 0 and -b is the acceleration
itself. The filter's innovations give the likelihood of the fixes for any noise levels and any lag:
how fast the slope of this road wanders, and how noisy this mount is, is learnt from the recording.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.signals.kalman import Filtered, Motion, Noise, run_filter
from analysis.signals.lag import SCANNED_LAGS_S, integral_at
from logger.arrays import Array

__all__ = [
    "BROKEN_S",
    "Learnt",
    "Levels",
    "learn_levels",
    "left_out_misses",
    "motion_of",
    "noise_of",
    "seen_integral",
    "some_fixes",
]

#: Over a longer hole in the fixes speed and offset begin anew [s].
BROKEN_S = 60.0
#: What is known of speed and offset then, and of the scale at all: sd [m/s], [m/s2], ratio. Slopes
#: are up to 5 % and more (0.5 m/s2); squat and sensor put some 4 % into the scale (measured gains of
#: phones in cars: 0.99 to 1.12).
_ANY_SPEED_MPS, _OFFSET_SD, _SCALE_SD = 100.0, 0.5, 0.05
#: Usual levels and by which factor they vary: noise of a fix [m/s], vibration [m/s per sqrt(s)],
#: wander of the offset [m/s2 per sqrt(s)]. Receivers: 0.05 to 0.14 m/s; shaking of 0.4 to 0.9 m/s2 at
#: 10 to 100 Hz; slopes of 0.2 to 0.6 m/s2 that change over 10 to 30 s (measured on public recordings).
_USUAL, _FACTOR = np.array([0.08, 0.04, 0.08]), np.array([2.5, 2.0, 2.5])
#: Errors of receivers are alike over some seconds, and no noise is quite as the model has it: however
#: many fixes there are, they say no more of the levels than so many.
_ALIKE = 300.0
#: First grid of levels, as multiples of the usual ones, and the factors of two finer ones.
_FIRST = ((0.35, 0.7, 1.4, 2.8, 5.6, 11.0), (0.35, 1.0, 2.5, 6.0), (0.35, 0.8, 1.8))
_FINER = (1.7, 1.3)
#: Lags are tried in steps of this [s].
_LAG_STEP_S = 0.1
#: Time constants of receivers' smoothing that are tried [s]; a kernel is so many of them long.
_BLURS_S, _KERNEL = (0.0, 0.15, 0.3, 0.45, 0.6, 0.8), 6.0
#: Fixes closer than this [s] are means over half seconds, which hide what smoothing there is.
_FAST_S = 0.7
#: Levels are learnt from at most so many fixes, taken as stretches of so many.
_LEARNT_FROM, _STRETCH = 900, 300
#: Both fixes of a step slower than this: the receiver may hold a standing zero [m/s].
_STANDING_MPS = 0.5
#: A fix that misses its prediction by more sd than this is false (a zero held after the launch, a
#: spike): it moves nothing, and counts as a miss of this size.
GATE_SD = 5.0
#: A lag changes over some time: scores are summed over stretches of this length [s].
_LAG_BLOCK_S = 20.0
#: Scores are taken over so many steps of the lag: wider than the corners that false fixes make.
_SCORE_STEPS = 3
#: Lags of phones wander by up to this [s]; within a recording by this share (a phone 2.05 s late was
#: 1.65 to 2.6 s late by stretch). Between two clocks the lag itself stays unknown [s].
_MOST_WANDER_S, _LAG_WANDERS, _USUAL_LAG_S = 0.4, 0.12, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Noise of fixes [m/s], vibration [m/s per sqrt(s)], wander of the offset [m/s2 per sqrt(s)].

    `blur_s` is the time constant of the receiver's own smoothing [s], a part of its lag.
    """

    fix_sd_mps: float
    vibration: float
    wander: float
    blur_s: float = 0.0


def seen_integral(time_s: Array, accel_time_s: Array, forward_mps2: Array, blur_s: float) -> Array:
    """Return the integral of the forward acceleration as a receiver that smooths shows it [m/s].

    Parameters
    ----------
    time_s : array of shape (n,)
        Moments [s]; the delay that comes with the smoothing is taken out.
    accel_time_s, forward_mps2 : arrays of shape (m,)
        Forward specific force [m/s2] and its times [s].
    blur_s : float
        Time constant [s].

    Returns
    -------
    array of shape (n,)
        ``ds/dt = (v - s) / blur`` gives ``s = v - blur g``, with g the acceleration smoothed by the
        same exponential; read `blur_s` later.
    """
    if blur_s <= 0.0:
        return integral_at(time_s, accel_time_s, forward_mps2[:, None])[:, 0]
    step = float(np.median(np.diff(accel_time_s)))
    weight = np.exp(-step / blur_s * np.arange(int(_KERNEL * blur_s / step) + 1))
    smoothed = np.convolve(forward_mps2, weight / weight.sum())[: forward_mps2.size]
    whole = integral_at(time_s + blur_s, accel_time_s, forward_mps2[:, None])[:, 0]
    return np.asarray(whole - blur_s * np.interp(time_s + blur_s, accel_time_s, smoothed))


@dataclass(frozen=True, slots=True, kw_only=True)
class Learnt:
    """Levels at their likeliest, and the lag of the fixes behind the accelerometer with its sd [s]."""

    levels: Levels
    lag_s: float
    lag_sd_s: float


def motion_of(
    fix_time_s: Array, force_integral_mps: Array, blind: NDArray[np.bool_] | None = None
) -> Motion:
    """Return the motion of speed, offset and scale between fixes.

    Parameters
    ----------
    fix_time_s : array of shape (n,)
        Times of the fixes [s].
    force_integral_mps : array of shape (n, k)
        Integral of the forward acceleration up to each fix [m/s], for each of k lags.
    blind : array of bool of shape (n - 1,) or None
        Steps over which the accelerometer has a hole.

    Returns
    -------
    Motion
        Of n - 1 steps; its white noises are vibration, wander of the offset, and what begins anew
        over a hole, whose density is 1.
    """
    step = np.diff(fix_time_s)
    whole = step <= BROKEN_S if blind is None else (step <= BROKEN_S) & ~blind
    held = np.where(whole, step, 0.0)
    gain = np.where(whole[:, None], np.diff(force_integral_mps, axis=0), 0.0)
    transition = np.zeros((*gain.shape, 3, 3))
    # v' = v - b dt + (1 + k) gain; b' = b; after a hole both are forgotten
    transition[..., 0, 0] = transition[..., 1, 1] = whole[:, None]
    transition[..., 0, 1] = -held[:, None]
    transition[..., 0, 2] = gain
    # k' = k
    transition[..., 2, 2] = 1.0
    added = np.zeros((*gain.shape, 3))
    added[..., 0] = gain
    walks = np.zeros((step.size, 3, 3, 3))
    # vibration: white noise on dv/dt
    walks[:, 0, 0, 0] = held
    # wander: white noise on db/dt, integrated once into b and twice into v
    walks[:, 1, 0, 0] = held**3 / 3.0
    walks[:, 1, 0, 1] = walks[:, 1, 1, 0] = -(held**2) / 2.0
    walks[:, 1, 1, 1] = held
    walks[:, 2, 0, 0] = np.where(whole, 0.0, _ANY_SPEED_MPS**2)
    walks[:, 2, 1, 1] = np.where(whole, 0.0, _OFFSET_SD**2)
    return Motion(transition=transition, gain=added, walks=walks)


def noise_of(levels: Array) -> Noise:
    """Return the filter's noise for levels of shape (k, 3), columns as in `Levels`."""
    fix_var, ones = levels[:, 0] ** 2, np.ones(len(levels))
    start = np.zeros((len(levels), 3, 3))
    start[:, 0, 0], start[:, 1, 1], start[:, 2, 2] = fix_var, _OFFSET_SD**2, _SCALE_SD**2
    densities = np.column_stack([levels[:, 1] ** 2, levels[:, 2] ** 2, ones])
    return Noise(fix_var=fix_var, densities=densities, start_cov=start)


def _terms(found: Filtered, counted: NDArray[np.bool_]) -> Array:
    """Return the log likelihood of each counted fix, for each setting."""
    s = found.innovation_var[counted]
    square = np.minimum(found.innovation[counted] ** 2 / s, GATE_SD**2)
    return np.asarray(-0.5 * (square + np.log(s)))


def _counted(fix_time_s: Array, fix_speed_mps: Array) -> NDArray[np.bool_]:
    """Return which steps count: moving, and not over a hole."""
    moving = np.maximum(fix_speed_mps[1:], fix_speed_mps[:-1]) >= _STANDING_MPS
    return np.asarray(moving & (np.diff(fix_time_s) <= BROKEN_S))


def some_fixes(fix_time_s: Array, fix_speed_mps: Array, most: int) -> tuple[Array, Array]:
    """Return at most so many fixes, in stretches of 300 spread over the record."""
    size = fix_time_s.size
    if size <= most:
        return fix_time_s, fix_speed_mps
    starts = np.linspace(0, size - _STRETCH, most // _STRETCH).astype(int)
    index = (starts[:, None] + np.arange(_STRETCH)).ravel()
    return fix_time_s[index], fix_speed_mps[index]


class _Likelihood:
    """Log likelihood of the fixes for levels and lags, with what is usual of the levels."""

    def __init__(
        self, fix_time_s: Array, fix_speed_mps: Array, accel_time_s: Array, forward_mps2: Array
    ) -> None:
        self.time_s, self.speed_mps = some_fixes(fix_time_s, fix_speed_mps, _LEARNT_FROM)
        self.counted = _counted(self.time_s, self.speed_mps)
        self.accel_time_s, self.forward_mps2 = accel_time_s, forward_mps2
        self.blur_s = 0.0
        self.fast = float(np.median(np.diff(fix_time_s))) < _FAST_S

    def gains(self, lags_s: Array, blur_s: float) -> Array:
        """Return the integral that each fix sees at each lag [m/s], shape (n, k)."""
        moments = self.time_s[:, None] - lags_s
        seen = seen_integral(moments.ravel(), self.accel_time_s, self.forward_mps2, blur_s)
        return seen.reshape(moments.shape)

    def terms(self, lags_s: Array, levels: Array, blurs_s: tuple[float, ...] = ()) -> Array:
        """Return the log likelihood of each fix, shape (n, k), for k lags with k levels or one.

        With several smoothing times the lags are tried for each of them in turn.
        """
        columns = [self.gains(lags_s, blur_s) for blur_s in blurs_s or (self.blur_s,)]
        motion = motion_of(self.time_s, np.concatenate(columns, axis=1))
        rows = np.broadcast_to(levels, (max(len(levels), motion.gain.shape[1]), 3))
        return _terms(
            run_filter(motion, self.speed_mps, noise_of(rows), gate_sd=GATE_SD), self.counted
        )

    def __call__(self, lags_s: Array, levels: Array) -> Array:
        """Return the sum over fixes and what is usual, shape (k,)."""
        unusual = np.log(levels / _USUAL) / np.log(_FACTOR)
        weight = 1.0 / (1.0 + self.time_s.size / _ALIKE)
        total = weight * self.terms(lags_s, levels).sum(axis=0)
        return np.asarray(total - 0.5 * (unusual**2).sum(axis=1))


def learn_levels(
    fix_time_s: Array,
    fix_speed_mps: Array,
    accel_time_s: Array,
    forward_mps2: Array,
    *,
    scanned_s: tuple[float, float] = SCANNED_LAGS_S,
) -> Learnt:
    """Learn noise levels and lag from the fixes themselves.

    Parameters
    ----------
    fix_time_s, fix_speed_mps : arrays of shape (n,)
        Fixes as stamped [s], [m/s].
    accel_time_s, forward_mps2 : arrays of shape (m,)
        Forward specific force [m/s2] and its times [s].
    scanned_s : (low, high)
        Range of lags [s].

    Returns
    -------
    Learnt
        The likeliest levels; mean and sd of the lag's likelihood over the range. The sd is no
        smaller than what the scores of stretches of 20 s scatter by, and holds what the wander of a
        receiver's lag leaves where few stretches show it.
    """
    cost = _Likelihood(fix_time_s, fix_speed_mps, accel_time_s, forward_mps2)
    lags = np.arange(scanned_s[0], scanned_s[1] + _LAG_STEP_S / 2, _LAG_STEP_S)
    lag = float(lags[::2][int(np.argmax(cost(lags[::2], _USUAL[None])))])
    levels = _likeliest(cost, lag, _USUAL, _FIRST)
    blurs_s = (0.0,) if cost.fast else _BLURS_S
    near = lag + _LAG_STEP_S * np.arange(-3.0, 4.0)
    best = int(np.argmax(cost.terms(near, levels[None], blurs_s).sum(axis=0)))
    cost.blur_s, lag = blurs_s[best // near.size], float(near[best % near.size])
    for factor in _FINER:
        levels = _likeliest(cost, lag, levels, ((1.0 / factor, 1.0, factor),) * 3)
    terms = cost.terms(lags, levels[None])
    total = terms.sum(axis=0)
    weight = np.exp(total - total.max())
    weight /= weight.sum()
    lag = float(lags @ weight)
    spread = float(np.sqrt(((lags - lag) ** 2) @ weight))
    if spread < 2.0 * _LAG_STEP_S:
        lag, spread = _peak(lags, total)
    fix_sd, vibration, wander = (float(x) for x in levels)
    own_s = abs(lag) if scanned_s[0] <= 0.0 <= scanned_s[1] else _USUAL_LAG_S
    here = int(
        np.clip(round((lag - lags[0]) / _LAG_STEP_S), _SCORE_STEPS, lags.size - 1 - _SCORE_STEPS)
    )
    around = terms[:, [here - _SCORE_STEPS, here, here + _SCORE_STEPS]]
    moments = cost.time_s[1:][cost.counted]
    scatter, left = _scatter_of_lag(moments, around, _LAG_WANDERS * own_s)
    return Learnt(
        levels=Levels(fix_sd_mps=fix_sd, vibration=vibration, wander=wander, blur_s=cost.blur_s),
        lag_s=lag,
        lag_sd_s=float(np.hypot(max(spread, scatter, 0.01), left)),
    )


def _likeliest(
    cost: _Likelihood, lag_s: float, levels: Array, factors: Sequence[Sequence[float]]
) -> Array:
    """Return the likeliest of some levels times every combination of factors."""
    tried = levels * np.array(list(itertools.product(*factors)))
    return np.asarray(tried[int(np.argmax(cost(np.array([lag_s]), tried)))])


def _peak(lags_s: Array, total: Array) -> tuple[float, float]:
    """Return place and sd of a narrow peak of a log likelihood from the parabola at its top."""
    top = int(np.clip(np.argmax(total), 1, lags_s.size - 2))
    before, at, after = total[top - 1 : top + 2]
    bend = before - 2.0 * at + after
    if bend >= 0.0:
        return float(lags_s[top]), 1.0
    # log L = c - (L - L0)^2 / (2 sd^2)
    shift = float(np.clip(0.5 * (before - after) / bend, -1.0, 1.0))
    return float(lags_s[top]) + shift * _LAG_STEP_S, _LAG_STEP_S / float(np.sqrt(-bend))


def _scatter_of_lag(time_s: Array, terms: Array, wander_s: float) -> tuple[float, float]:
    """Return the sd of the lag from the scatter of stretches, and what its wander leaves of it.

    `terms`: log likelihood of each fix a step before the lag, at it and a step after. Each stretch has a score g (first derivative of its log likelihood) and a curvature h: the first
    is ``sqrt(sum g^2) / sum h``, the second ``wander sqrt(sum h^2) / sum h``, which is all of the
    wander where one stretch holds all that is known.
    """
    step_s = _SCORE_STEPS * _LAG_STEP_S
    block = (time_s // _LAG_BLOCK_S).astype(np.int64)
    _, owner = np.unique(block, return_inverse=True)
    score = np.bincount(owner, (terms[:, 2] - terms[:, 0]) / (2.0 * step_s))
    bend = np.bincount(owner, 2.0 * terms[:, 1] - terms[:, 2] - terms[:, 0]) / step_s**2
    total = float(bend.sum())
    if total <= 0.0:
        return 0.0, wander_s
    known = np.maximum(bend, 0.0)
    left = wander_s * float(np.sqrt((known**2).sum()) / known.sum())
    if score.size < 3:
        return 0.0, left
    scatter = float(np.sqrt(((score - score.mean()) ** 2).sum())) / total
    return min(scatter, _MOST_WANDER_S), left


def left_out_misses(residual_mps: Array, smoothed_var: Array, fix_sd_mps: float) -> Array:
    """Return by how much each fix is missed when it is predicted from all others [m/s].

    Parameters
    ----------
    residual_mps : array of shape (n,)
        Fixes less the smoothed speeds, which know them [m/s].
    smoothed_var : array of shape (n,)
        Variances of the smoothed speeds [m2/s2].
    fix_sd_mps : float
        Noise of the fixes [m/s].

    Returns
    -------
    array of shape (n,)
        Absolute misses; those beyond five medians count as five. A fix moves its own smoothed speed
        by its share h = var / fix_sd^2 (as in every linear smoother), so that without it the miss is
        residual / (1 - h).
    """
    share = np.minimum(smoothed_var / fix_sd_mps**2, 1.0 - 1e-6)
    miss = np.abs(residual_mps) / (1.0 - share)
    return np.asarray(np.minimum(miss, GATE_SD * float(np.median(miss))))
