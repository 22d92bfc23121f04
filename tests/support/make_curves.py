"""Speed curves made of stretches of known acceleration, for tests of what is found in them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.signals.gps import Fixes
from analysis.signals.mount import Mount
from analysis.signals.smoothing import Fused, SpeedCurve

__all__ = ["COASTING", "Stretch", "made_curve"]

#: Acceleration of a stretch in neutral: (0.12 + 0.33 (v / 30)^2) m/s2 against the motion.
COASTING = float("nan")
#: Length [s], and acceleration [m/s2] or a function of speed [m/s] that returns it.
Stretch = tuple[float, float | Callable[[float], float]]


def _coasting(speed_mps: float) -> float:
    return -(0.12 + 0.33 * (speed_mps / 30.0) ** 2)


def made_curve(
    stretches: Sequence[Stretch],
    start_mps: float = 0.0,
    *,
    step_s: float = 0.1,
    noise_mps2: float = 0.02,
    fine: bool = True,
    seed: int = 7,
) -> Fused:
    """Return an exact curve of stretches, with white noise on its acceleration alone.

    Not `fine`: from fixes once a second, without an accelerometer.
    """
    accel: list[float] = []
    speed = [start_mps]
    for length, given in stretches:
        for _ in range(round(length / step_s)):
            if callable(given):
                here = given(speed[-1])
            else:
                here = _coasting(speed[-1]) if np.isnan(given) else given
            accel.append(here)
            speed.append(max(speed[-1] + step_s * here, 0.0))
    accel.append(accel[-1])
    n = len(speed)
    t = np.linspace(0.0, step_s * (n - 1), n)
    noise = noise_mps2 * np.random.default_rng(seed).standard_normal(n)
    some = np.full(n, 0.05)
    v, a = np.array(speed), np.array(accel)
    curve = SpeedCurve(
        log=0,
        time_s=t,
        speed_mps=v,
        speed_sd_mps=some,
        accel_mps2=a + noise,
        accel_sd_mps2=some,
        place_m=np.cumsum(v) * step_s,
    )
    each: NDArray[np.int_] = np.arange(0, n, round(1.0 / step_s))
    empty = np.zeros(0)
    mount = Mount(
        accel_time_s=t,
        forward_mps2=a,
        lateral_mps2=0.0 * t,
        used=True,
        why_not=None,
        lag=None,
        rate_hz=1.0 / step_s,
    )
    if not fine:
        mount = Mount(
            accel_time_s=empty,
            forward_mps2=empty,
            lateral_mps2=empty,
            used=False,
            why_not="none",
            lag=None,
            rate_hz=None,
        )
    return Fused(
        curve=curve,
        fixes=Fixes(t_s=t[each], speed_mps=v[each], clock=0, from_positions=False),
        mount=mount,
        lag_s=0.0,
        lag_sd_s=0.05,
        fix_sd_mps=0.05,
    )
