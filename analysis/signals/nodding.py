"""Acceleration of the vehicle without the nodding of its body."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, uniform_filter1d

from logger.arrays import Array

__all__ = ["calm_forward"]

#: Bodies nod and surge at 1 to 4 Hz, and gravity leaks into the accelerometer as they do; a vehicle's
#: speed hardly changes so fast but at launches, gear changes and brakes. Elsewhere the acceleration is
#: smoothed with a Gaussian of this sd [s]; as abrupt counts what stands out of it by so many sd and by
#: so much [m/s2], half of what a gear change at full throttle takes, with its
#: surroundings [s]. On a motorway ramp with wheel speed this took 8 % off the error.
_NOD_S, _ABRUPT_SD, _ABRUPT_MPS2, _ABRUPT_S = 0.2, 6.0, 1.5, 0.5
#: Half of normal noise is smaller than this many standard deviations.
_NORMAL_MEDIAN = 0.6745


def calm_forward(accel_time_s: Array, forward_mps2: Array) -> Array:
    """Return the forward acceleration without the nodding of the body, where nothing abrupt is in it."""
    rate_hz = 1.0 / float(np.median(np.diff(accel_time_s)))
    slow = gaussian_filter1d(forward_mps2, _NOD_S * rate_hz)
    quick = gaussian_filter1d(forward_mps2, 0.25 * _NOD_S * rate_hz) - slow
    usual = float(np.median(np.abs(quick))) / _NORMAL_MEDIAN
    width = 2 * round(_ABRUPT_S * rate_hz) + 1
    abrupt = maximum_filter1d(np.abs(quick), width) > max(_ABRUPT_SD * usual, _ABRUPT_MPS2)
    kept = uniform_filter1d(abrupt.astype(np.float64), width)
    return np.asarray(slow + kept * (forward_mps2 - slow))
