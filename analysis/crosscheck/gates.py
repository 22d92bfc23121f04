"""Textbook figures from two speeds and the time between them: what a stopwatch at gates gives."""

from __future__ import annotations

from dataclasses import dataclass

from logger.units import STANDARD_GRAVITY_MPS2

__all__ = [
    "GateInterval",
    "kinetic_mean_power_w",
    "mean_force_n",
    "two_interval_road_load",
]


@dataclass(frozen=True, slots=True)
class GateInterval:
    """A timed change of speed: from one gate [m/s] to another in some time [s]."""

    from_mps: float
    to_mps: float
    duration_s: float

    def __post_init__(self) -> None:
        if not self.duration_s > 0.0:
            msg = f"a timed interval lasts longer than 0 s, got {self.duration_s:g} s"
            raise ValueError(msg)
        if not (self.from_mps >= 0.0 and self.to_mps >= 0.0):
            msg = f"gate speeds are not negative, got {self.from_mps:g} and {self.to_mps:g} m/s"
            raise ValueError(msg)

    @property
    def mean_speed_mps(self) -> float:
        """Mean of the two gates [m/s]."""
        return (self.from_mps + self.to_mps) / 2.0

    @property
    def accel_mps2(self) -> float:
        """Mean acceleration, negative when slowing [m/s2]."""
        return (self.to_mps - self.from_mps) / self.duration_s


def kinetic_mean_power_w(
    mass_kg: float, from_mps: float, to_mps: float, duration_s: float
) -> float:
    """Return the mean power that changes the kinetic energy.

    Parameters
    ----------
    mass_kg : float
        Mass as driven, without rotating mass [kg].
    from_mps, to_mps : float
        Speeds at start and end [m/s].
    duration_s : float
        Time between them [s].

    Returns
    -------
    float
        ``m (v_end^2 - v_start^2) / 2 / duration`` [W]: the textbook figure, below the mean wheel
        power by what road load and rotating parts take, and no peak power at all.

    Raises
    ------
    ValueError
        A duration that is not above zero, or a negative speed.

    >>> round(kinetic_mean_power_w(1500.0, 0.0, 27.0, 9.0))
    60750
    """
    gates = GateInterval(from_mps, to_mps, duration_s)
    return mass_kg * (gates.to_mps**2 - gates.from_mps**2) / 2.0 / gates.duration_s


def mean_force_n(
    effective_mass_kg: float,
    gates: GateInterval,
    *,
    mass_kg: float | None = None,
    rise_m: float = 0.0,
    distance_m: float | None = None,
    gravity_mps2: float = STANDARD_GRAVITY_MPS2,
) -> float:
    """Return the mean road load over a timed stretch of coasting.

    Parameters
    ----------
    effective_mass_kg : float
        Mass with rotating mass [kg].
    gates : GateInterval
        Speeds and time.
    mass_kg : float, optional
        Mass without rotating mass [kg]; needed where `rise_m` is not 0.
    rise_m, distance_m : float
        Rise of the road (negative when falling) over the distance driven [m].
    gravity_mps2 : float
        Acceleration of gravity [m/s2].

    Returns
    -------
    float
        ``-m_e dv/dt - m g dh/dx`` [N]: 40 CFR 1037.528, equation 7; on a level road also UN GTR
        No. 15, Annex 4, 4.3.1.4.4. Opposite directions are averaged as forces, never as times.

    Raises
    ------
    ValueError
        A rise without mass, or without a distance above zero.
    """
    grade_n = 0.0
    if rise_m != 0.0:
        if mass_kg is None or distance_m is None or not distance_m > 0.0:
            msg = "a rise needs the mass and a distance above 0 m to become a force"
            raise ValueError(msg)
        grade_n = mass_kg * gravity_mps2 * rise_m / distance_m
    return -effective_mass_kg * gates.accel_mps2 - grade_n


def two_interval_road_load(
    effective_mass_kg: float, fast: GateInterval, slow: GateInterval
) -> tuple[float, float]:
    """Split road load into a constant and a square part by two timed stretches of coasting.

    Parameters
    ----------
    effective_mass_kg : float
        Mass with rotating mass [kg]; without it where a handbook leaves it out.
    fast, slow : GateInterval
        One stretch at high and one at low speed, each narrow against its mean speed.

    Returns
    -------
    (f0_n, f2_n_per_mps2)
        Of ``F0 + F2 v^2`` through the two mean forces at the two mean speeds.

    Raises
    ------
    ValueError
        `fast` is not faster than `slow`.

    Notes
    -----
    The two-speed method of the Bosch Automotive Handbook (from memory) in SI units. It is exact in
    the limit of narrow stretches and blind to a linear part.
    """
    v_fast, v_slow = fast.mean_speed_mps, slow.mean_speed_mps
    if not v_fast > v_slow:
        msg = f"the fast stretch has a mean of {v_fast:g} m/s, the slow one {v_slow:g} m/s"
        raise ValueError(msg)
    fast_n = mean_force_n(effective_mass_kg, fast)
    slow_n = mean_force_n(effective_mass_kg, slow)
    f2 = (fast_n - slow_n) / (v_fast**2 - v_slow**2)
    return slow_n - f2 * v_slow**2, f2
