"""A recording's curve from made speeds alone."""

from __future__ import annotations

import numpy as np

from analysis.signals.gps import Fixes
from analysis.signals.mount import Mount
from analysis.signals.smoothing import Fused, SpeedCurve
from logger.arrays import Array

__all__ = ["fused_of"]


def fused_of(time_s: Array, speed_mps: Array) -> Fused:
    """Return the curve of exact speeds, without an accelerometer."""
    some = np.full(time_s.size, 0.05)
    accel = np.asarray(np.gradient(speed_mps, time_s), dtype=np.float64)
    curve = SpeedCurve(
        log=0,
        time_s=time_s,
        speed_mps=speed_mps,
        speed_sd_mps=some,
        accel_mps2=accel,
        accel_sd_mps2=some,
        place_m=np.cumsum(speed_mps),
    )
    nothing = np.zeros(0)
    mount = Mount(
        accel_time_s=nothing,
        forward_mps2=nothing,
        lateral_mps2=nothing,
        used=False,
        why_not=None,
        lag=None,
        rate_hz=None,
    )
    return Fused(
        curve=curve,
        fixes=Fixes(t_s=time_s, speed_mps=speed_mps, clock=0, from_positions=False),
        mount=mount,
        lag_s=0.0,
        lag_sd_s=0.05,
        fix_sd_mps=0.05,
    )
