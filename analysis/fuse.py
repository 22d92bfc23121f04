"""Fuse one recording into a speed-time curve: GPS speed and aligned acceleration, smoothed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SpeedCurve"]


@dataclass(frozen=True, slots=True)
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
        Distance driven since the start [m] (along-road place once the road is known).
    """

    log: int
    time_s: NDArray[np.float64]
    speed_mps: NDArray[np.float64]
    speed_sd_mps: NDArray[np.float64]
    accel_mps2: NDArray[np.float64]
    accel_sd_mps2: NDArray[np.float64]
    place_m: NDArray[np.float64]
