"""The curve of speed fixes alone, where there is no accelerometer.

State at each fix: speed v and b, with dv/dt = -b and db/dt white noise, so that -b is the acceleration.
How fast it wanders is chosen by the likelihood of the fixes.
"""

from __future__ import annotations

import numpy as np

from analysis.signals.curve import Smoothed, SpeedCurve, curve_between, cut_curve, joined_curve
from analysis.signals.gps import Fixes
from analysis.signals.kalman import Motion, Noise, run_filter, run_smoother, variances_of
from analysis.signals.levels import BROKEN_S, some_fixes
from logger.arrays import Array

__all__ = ["curve_of_fixes", "smooth_fixes"]

#: Wander of the acceleration [m/s2 per sqrt(s)] that is tried.
_JERK_GRID = np.array([1e-3, 3e-3, 1e-2, 3e-2, 0.1, 0.2, 0.4, 0.8, 1.6, 3.0])
_LEAST_FIX_SD_MPS = 0.02
#: So many fixes are smoothed at once; neighbouring pieces share so many.
_MOST_FIXES, _OVERLAP = 20_000, 300
#: Fewer fixes make no piece.
_FEWEST = 4
#: Variance of what is not known at all, in units of the variance of a fix.
_ANY = 1e6


def _motion_of_fixes(step_s: Array) -> Motion:
    """Return the motion of speed and offset without accelerometer: dv/dt = -b, db/dt white noise."""
    whole = step_s <= BROKEN_S
    held = np.where(whole, step_s, 0.0)
    transition, walks = np.zeros((step_s.size, 1, 2, 2)), np.zeros((step_s.size, 2, 2, 2))
    # v' = v - b dt, b' = b; over a long hole both are forgotten
    transition[:, 0, 0, 0] = transition[:, 0, 1, 1] = whole
    transition[:, 0, 0, 1] = -held
    # white noise on db/dt, integrated once into b and twice into v
    walks[:, 0, 0, 0] = held**3 / 3.0
    walks[:, 0, 0, 1] = walks[:, 0, 1, 0] = -(held**2) / 2.0
    walks[:, 0, 1, 1] = held
    # anything after a hole, in units of the variance of a fix
    walks[:, 1] = np.where(whole, 0.0, _ANY)[:, None, None] * np.eye(2)
    return Motion(transition=transition, gain=np.zeros((step_s.size, 1, 2)), walks=walks)


def smooth_fixes(fix_time_s: Array, fix_speed_mps: Array) -> Smoothed:
    """Smooth speed fixes forwards and backwards in time, steps of any length.

    Parameters
    ----------
    fix_time_s, fix_speed_mps : arrays of shape (n,)
        At least two fixes [s], [m/s], times increasing.

    Returns
    -------
    Smoothed
        States at the fixes. The wander of the acceleration is chosen by maximum likelihood, so that
        a steady pull is smoothed hard and a varied drive hardly; everything is in units of the
        variance of the fixes, whose likeliest value follows from each wander.
    """
    variance, noise = _likeliest_wander(*some_fixes(fix_time_s, fix_speed_mps, _MOST_FIXES))
    return _smooth_with(fix_time_s, fix_speed_mps, variance, noise)


def _likeliest_wander(fix_time_s: Array, fix_speed_mps: Array) -> tuple[float, Noise]:
    """Return the variance of the fixes and the noise of the likeliest wander."""
    step_s = np.diff(fix_time_s)
    motion = _motion_of_fixes(step_s)
    ratio = (_JERK_GRID / 0.1) ** 2
    noise = Noise(
        fix_var=np.ones(ratio.size),
        densities=np.column_stack([ratio, np.ones(ratio.size)]),
        start_cov=np.tile(np.diag([1.0, _ANY]), (ratio.size, 1, 1)),
    )
    found = run_filter(motion, fix_speed_mps, noise)
    joined = step_s <= BROKEN_S
    squares = (found.innovation**2 / found.innovation_var)[joined].sum(axis=0)
    freedom = max(int(joined.sum()) - 1, 1)
    # the likeliest variance of the fixes for each wander, and the cost at it
    variance = np.maximum(squares / freedom, _LEAST_FIX_SD_MPS**2)
    cost = freedom * np.log(variance) + squares / variance
    cost += np.log(found.innovation_var)[joined].sum(axis=0)
    best = int(np.argmin(cost))
    return float(variance[best]), noise.only(best)


def _smooth_with(
    fix_time_s: Array, fix_speed_mps: Array, variance: float, noise: Noise
) -> Smoothed:
    """Smooth fixes of known variance, the noise of their motion in units of it."""
    motion = _motion_of_fixes(np.diff(fix_time_s))
    found = run_filter(motion, fix_speed_mps, noise, keep=True)
    state, covariance = run_smoother(motion, found)
    variances = variances_of(covariance) * variance
    return Smoothed(
        speed_mps=state[:, 0, 0],
        offset_mps2=state[:, 0, 1],
        speed_var=variances[:, 0],
        offset_var=variances[:, 1],
        fix_sd_mps=float(np.sqrt(variance)),
        vibration=0.0,
        wander=float(np.sqrt(noise.densities[0, 0] * variance)),
    )


def curve_of_fixes(fixes: Fixes, log: int) -> tuple[SpeedCurve, float]:
    """Return the curve of fixes alone, made in pieces where there are very many, and their noise."""
    t_s, speed_mps = fixes.t_s, fixes.speed_mps
    variance, noise = _likeliest_wander(*some_fixes(t_s, speed_mps, _MOST_FIXES))
    curves = []
    for start in range(0, t_s.size, _MOST_FIXES):
        # a few fixes of the neighbours decide what happens at the ends
        use = slice(max(start - _OVERLAP, 0), min(start + _MOST_FIXES + _OVERLAP, t_s.size))
        if use.stop - use.start < _FEWEST:
            continue
        smooth = _smooth_with(t_s[use], speed_mps[use], variance, noise)
        curve = curve_between(log, t_s[use], smooth)
        end = t_s[min(start + _MOST_FIXES, t_s.size - 1)]
        curves.append(cut_curve(curve, float(t_s[start]), float(end)))
    return joined_curve(curves), float(np.sqrt(variance))
