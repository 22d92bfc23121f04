"""What is true of one recording: the vehicle's resistance, when what happened, the path itself.

    m_e dv/dt = T - warm (F0 + F1 v) - F2 (1 + k sin(beta)^2) u V - m g d s

with ``u = v + h`` (headwind h), cross-wind c, ``V = sqrt(u^2 + c^2)`` and ``sin(beta) = c / V``, at
most 0.24; without cross-wind this is the road load of the definitions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["GRID_S", "SIDE_LIMIT", "Body", "Covered", "Path", "RunTimes", "Warmth"]

Floats = NDArray[np.float64]

#: Spacing of the true path [s]; every stretch lasts a whole multiple of it.
GRID_S = 0.01
#: Largest sin(beta)^2 up to which drag grows with it: 14 degrees, from memory of wind tunnels.
SIDE_LIMIT = 0.06


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """What resists: true masses [kg] and the road load F0 [N], F1 [N s/m], F2 [N s2/m2].

    `yaw_drag` is the k of the growth of drag with the angle of the flow. Gravity is that of 56
    degrees of latitude, where the worlds lie (40 CFR 1065.630: 9.7803 (1 + 0.00528 sin^2)).
    """

    mass_kg: float
    rotating_mass_kg: float
    f0_n: float
    f1_n_per_mps: float
    f2_n_per_mps2: float
    yaw_drag: float = 0.0
    gravity_mps2: float = 9.8159

    @property
    def effective_mass_kg(self) -> float:
        """Mass plus what turns with the wheels."""
        return self.mass_kg + self.rotating_mass_kg


@dataclass(frozen=True, slots=True, kw_only=True)
class Warmth:
    """Rolling resistance (F0 and F1) over the session, as a factor.

    ``(1 + cold exp(-t / tau_s)) run``, t since the session began; `run` is this run's own.
    """

    cold: float = 0.0
    tau_s: float = 900.0
    start_s: float = 0.0
    run: float = 1.0

    def at(self, time_s: float | Floats) -> float | Floats:
        """Return the factor at times of the recording."""
        return (1.0 + self.cold * np.exp(-(self.start_s + time_s) / self.tau_s)) * self.run


@dataclass(frozen=True, slots=True, kw_only=True)
class Covered:
    """Full throttle in one gear without interruption [s, m/s]."""

    gear: int
    start_s: float
    end_s: float
    from_mps: float
    to_mps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunTimes:
    """When what happened in one run, on the path's clock [s]."""

    direction: int
    torque: float
    warm_run: float
    launch_s: float
    release_s: float
    coast_s: float
    brake_s: float
    stop_s: float
    pieces: tuple[Covered, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """The true motion of a recording on a grid of `GRID_S`; arrays of shape (n,).

    `direction` is +1 or -1, `force_n` the force at the driven wheels where a drive or free rolling
    decides the motion and nan where the motion is prescribed (ordinary driving, brakes),
    `warm` the factor of rolling resistance, `slope` along "up", winds as in `WindNodes`.
    """

    time_s: Floats
    speed_mps: Floats
    accel_mps2: Floats
    place_m: Floats
    aside_m: Floats
    yaw_rad: Floats
    direction: Floats
    force_n: Floats
    engine_hz: Floats
    warm: Floats
    slope: Floats
    wind_mps: Floats
    cross_mps: Floats

    def resistance_n(self, body: Body) -> Floats:
        """Return what resists along the whole path, road load in its wind and slope [N]."""
        u = self.speed_mps + self.direction * self.wind_mps
        rolling = self.warm * (body.f0_n + body.f1_n_per_mps * self.speed_mps)
        fast = np.hypot(u, self.cross_mps)
        side = np.minimum((self.cross_mps / np.maximum(fast, 1e-9)) ** 2, SIDE_LIMIT)
        flow = u * fast * (1.0 + body.yaw_drag * side)
        weight = body.mass_kg * body.gravity_mps2 * self.direction * self.slope
        return rolling + body.f2_n_per_mps2 * flow + weight
