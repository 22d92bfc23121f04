"""Carry a road load over to reference air, and read its F2 as a drag coefficient."""

from __future__ import annotations

from analysis.air import AirState, moist_air_density_kg_m3
from analysis.roadload import ReferenceRoadLoad, RoadLoad

__all__ = [
    "REFERENCE_PRESSURE_KPA",
    "REFERENCE_TEMPERATURE_C",
    "ROLLING_PER_K",
    "drag_coefficient",
    "reference_coefficients",
    "reference_road_load",
]

#: Reference air: UN GTR No. 15, 3.2.11 (293 K, 100 kPa, dry, no wind).
REFERENCE_TEMPERATURE_C = 20.0
REFERENCE_PRESSURE_KPA = 100.0
#: Rolling resistance falls by this share per kelvin about 20 C [1/K]; UN GTR No. 15, Annex 4, 4.5.2.
ROLLING_PER_K = 8.6e-3


def reference_coefficients(
    f0: float,
    f1: float,
    f2: float,
    *,
    warmer_k: float,
    density_ratio: float,
    wind_mps: float = 0.0,
    mass_ratio: float = 1.0,
) -> tuple[float, float, float]:
    """Return road-load coefficients at reference conditions.

    Parameters
    ----------
    f0, f1, f2 : float
        As measured [N, N/(m/s), N/(m/s)^2].
    warmer_k : float
        Air temperature of the test less the reference temperature [K].
    density_ratio : float
        Reference density over the density of the test.
    wind_mps : float
        Wind along the road whose ``F2 w^2`` is still inside F0 [m/s]; 0 where F0 is still air's.
    mass_ratio : float
        Mass to be simulated over mass as driven.

    Returns
    -------
    (f0, f1, f2)
        At the reference [N, N/(m/s), N/(m/s)^2].

    Notes
    -----
    ``F* = ((f0 - w1 - K1) + f1 v)(1 + K0 (T - T0)) + K2 f2 v^2`` with ``w1 = f2 w^2``,
    ``K1 = f0 (1 - m* / m)`` and K2 the ratio of densities: UN GTR No. 15, Annex 4, 4.5.

    >>> reference_coefficients(130.0, 0.5, 0.42, warmer_k=0.0, density_ratio=1.0)
    (130.0, 0.5, 0.42)
    """
    rolling = 1.0 + ROLLING_PER_K * warmer_k
    still_air = f0 * mass_ratio - f2 * wind_mps**2
    return still_air * rolling, f1 * rolling, f2 * density_ratio


def reference_road_load(road_load: RoadLoad, air: AirState) -> ReferenceRoadLoad | None:
    """Carry a session's road load over to 20 C and 100 kPa.

    Parameters
    ----------
    road_load : RoadLoad
        As tested; its F0 is still air's already.
    air : AirState
        The air of the session.

    Returns
    -------
    ReferenceRoadLoad or None
        None where the temperature is not stated or the pressure is not known, and where the speeds
        were too narrow to tell the coefficients apart.
    """
    if air.temperature_c is None or air.pressure_hpa is None or not road_load.separable:
        return None
    reference_density = moist_air_density_kg_m3(
        REFERENCE_TEMPERATURE_C, REFERENCE_PRESSURE_KPA * 10.0, 0.0
    )
    f0, f1, f2 = reference_coefficients(
        road_load.f0_n,
        road_load.f1_n_per_mps,
        road_load.f2_n_per_mps2,
        warmer_k=air.temperature_c - REFERENCE_TEMPERATURE_C,
        density_ratio=reference_density / air.density_kg_m3,
    )
    return ReferenceRoadLoad(REFERENCE_TEMPERATURE_C, REFERENCE_PRESSURE_KPA, f0, f1, f2)


def drag_coefficient(f2_n_per_mps2: float, density_kg_m3: float, frontal_area_m2: float) -> float:
    """Return what F2 would be as a drag coefficient, were it air drag alone.

    Parameters
    ----------
    f2_n_per_mps2 : float
        Square part of the road load [N/(m/s)^2]; tyres and bearings may share in it.
    density_kg_m3 : float
        Air density of the session [kg/m3].
    frontal_area_m2 : float
        Frontal area [m2].

    Returns
    -------
    float
        ``2 F2 / (rho A)``.

    >>> round(drag_coefficient(0.42, 1.2, 2.2), 3)
    0.318
    """
    return 2.0 * f2_n_per_mps2 / (density_kg_m3 * frontal_area_m2)
