"""The vehicle in figures: rolling radius, turning masses, engine speed, published road loads."""

from __future__ import annotations

import math

from logger.session.session import Vehicle
from logger.session.tyres import rolling_radius_m

__all__ = [
    "coefficients_from_epa",
    "default_road_load_n",
    "effective_mass_kg",
    "engine_speed_rpm",
    "equivalent_mass_kg",
    "heavy_effective_mass_kg",
    "in_gear_mass_factor",
    "rolling_radius_m",
]

#: Equivalent mass of each tyre on the road with its wheel [kg]; 40 CFR 1037.528.
_HEAVY_TYRE_KG = 56.7

_LBF_N = 4.4482216152605
_MPH_MPS = 0.44704


def equivalent_mass_kg(inertia_kg_m2: float, radius_m: float, ratio: float = 1.0) -> float:
    """Return the mass that resists acceleration as much as something turning does.

    Parameters
    ----------
    inertia_kg_m2 : float
        Moment of inertia [kg m2].
    radius_m : float
        Rolling radius of the wheels [m].
    ratio : float
        Its turns per wheel turn; 1 for a wheel, the overall ratio for an engine.

    Returns
    -------
    float
        ``I (ratio / r)^2`` [kg].

    >>> round(equivalent_mass_kg(0.2, 0.30, ratio=13.0))
    376
    """
    return inertia_kg_m2 * (ratio / radius_m) ** 2


def engine_speed_rpm(speed_mps: float, overall_ratio: float, radius_m: float) -> float:
    """Return the engine speed without slip.

    Parameters
    ----------
    speed_mps : float
        Vehicle speed [m/s].
    overall_ratio : float
        Engine turns per wheel turn.
    radius_m : float
        Rolling radius [m].

    Returns
    -------
    float
        ``60 v ratio / (2 pi r)`` [1/min].

    >>> round(engine_speed_rpm(27.0, 3.5, 0.3067))
    2942
    """
    return 60.0 * speed_mps * overall_ratio / (2.0 * math.pi * radius_m)


def effective_mass_kg(vehicle: Vehicle) -> tuple[float, float]:
    """Return mass plus rotating mass, and its standard deviation.

    Parameters
    ----------
    vehicle : Vehicle
        As stated.

    Returns
    -------
    (mass_kg, sd_kg)
        The two uncertainties add in squares. A rotating mass that is a default share of the mass
        errs with it, so that their sum errs by ``1 + share`` times the error of the mass.
    """
    follows = "rotating_mass" not in vehicle.stated and vehicle.mass_kg > 0.0
    share = vehicle.rotating_mass_kg / vehicle.mass_kg if follows else 0.0
    sd_kg = math.hypot(vehicle.mass_sd_kg * (1.0 + share), vehicle.rotating_mass_sd_kg)
    return vehicle.effective_mass_kg, sd_kg


def heavy_effective_mass_kg(mass_kg: float, tyres: int) -> float:
    """Return the effective mass of a heavy vehicle [kg]: 56.7 kg for each tyre on the road.

    40 CFR 1037.528. The mass [kg] is as driven, twin tyres count as two.

    >>> round(heavy_effective_mass_kg(16108.0, 18), 1)
    17128.6
    """
    return mass_kg + _HEAVY_TYRE_KG * tyres


def in_gear_mass_factor(overall_ratio: float) -> float:
    """Return effective over standing mass with a gear engaged, as a textbook estimates it.

    Parameters
    ----------
    overall_ratio : float
        Engine turns per wheel turn.

    Returns
    -------
    float
        ``1.04 + 0.0025 ratio^2``: 4 % for the wheels, the rest for what turns with the engine.
        Gillespie, Fundamentals of Vehicle Dynamics, after Taborek (from memory).

    >>> round(in_gear_mass_factor(4.0), 3)
    1.08
    """
    return 1.04 + 0.0025 * overall_ratio**2


def default_road_load_n(mass_kg: float, width_m: float, height_m: float, speed_mps: float) -> float:
    """Return the road load that a regulation assumes where none was measured [N].

    Parameters
    ----------
    mass_kg : float
        Test mass [kg].
    width_m, height_m : float
        Of the vehicle [m].
    speed_mps : float
        Speed [m/s].

    Returns
    -------
    float
        ``0.140 m (1 + 2e-5 V^2) + 0.0170 w h V^2`` with V in km/h: UN GTR No. 15, Annex 4, 5.2. It is
        meant to be above what cars need.

    >>> round(default_road_load_n(1500.0, 1.80, 1.45, 100.0 / 3.6), 2)
    695.7
    """
    square = (3.6 * speed_mps) ** 2
    return 0.140 * mass_kg * (1.0 + 2e-5 * square) + 0.0170 * width_m * height_m * square


def coefficients_from_epa(
    a_lbf: float, b_lbf_per_mph: float, c_lbf_per_mph2: float
) -> tuple[float, float, float]:
    """Return published target coefficients in SI units.

    Parameters
    ----------
    a_lbf, b_lbf_per_mph, c_lbf_per_mph2 : float
        As in the US EPA test car lists [lbf, lbf/mph, lbf/mph^2].

    Returns
    -------
    (f0, f1, f2)
        [N, N/(m/s), N/(m/s)^2]; 1 lbf = 4.4482216152605 N, 1 mph = 0.44704 m/s, both exact.

    >>> [round(f, 4) for f in coefficients_from_epa(31.795, 0.23925, 0.017549)]
    [141.4312, 2.3806, 0.3906]
    """
    return (
        a_lbf * _LBF_N,
        b_lbf_per_mph * _LBF_N / _MPH_MPS,
        c_lbf_per_mph2 * _LBF_N / _MPH_MPS**2,
    )
