"""Carry a road load over to reference air, and read its F2 as a drag coefficient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.physics.air import AirState, moist_air_density_kg_m3
from analysis.physics.plausible import ROAD_LOAD_WINDOWS
from analysis.results.road_load import ReferenceRoadLoad, RoadLoad
from logger.session.session import Vehicle
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = [
    "REFERENCE_PRESSURE_KPA",
    "REFERENCE_TEMPERATURE_C",
    "ROLLING_PER_K",
    "ROLLING_PER_K_SD",
    "TEMPERATURE_SD_K",
    "ResistanceFigures",
    "drag_coefficient",
    "reference_coefficients",
    "reference_density_kg_m3",
    "reference_road_load",
    "resistance_figures",
]

#: Reference air: UN GTR No. 15, 3.2.11 (293 K, 100 kPa, dry, no wind).
REFERENCE_TEMPERATURE_C = 20.0
REFERENCE_PRESSURE_KPA = 100.0
#: Rolling resistance falls by this share per kelvin about 20 C [1/K]; UN GTR No. 15, Annex 4, 4.5.2.
ROLLING_PER_K = 8.6e-3
#: 40 CFR 1037.528 takes 0.6 % per kelvin for truck tyres: the two differ by this, so tyres do [1/K].
ROLLING_PER_K_SD = 2.6e-3
#: A stated air temperature is good to this [K]; common practice, no source.
TEMPERATURE_SD_K = 1.0


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


def reference_density_kg_m3() -> float:
    """Return the density of the reference air [kg/m3]: dry, 20 C, 100 kPa."""
    return moist_air_density_kg_m3(REFERENCE_TEMPERATURE_C, REFERENCE_PRESSURE_KPA * 10.0, 0.0)


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
    warmer_k = air.temperature_c - REFERENCE_TEMPERATURE_C
    density_ratio = reference_density_kg_m3() / air.density_kg_m3
    f0, f1, f2 = reference_coefficients(
        road_load.f0_n,
        road_load.f1_n_per_mps,
        road_load.f2_n_per_mps2,
        warmer_k=warmer_k,
        density_ratio=density_ratio,
    )
    rolling = 1.0 + ROLLING_PER_K * warmer_k
    scale = np.array([rolling, rolling, density_ratio])
    covariance = road_load.covariance * np.outer(scale, scale)
    # what the carrying over adds: the tyres' own temperature coefficient, thermometer, barometer
    tyres = np.array([road_load.f0_n, road_load.f1_n_per_mps, 0.0])
    rolling_variance = (ROLLING_PER_K_SD * warmer_k) ** 2 + (ROLLING_PER_K * TEMPERATURE_SD_K) ** 2
    covariance = covariance + rolling_variance * np.outer(tyres, tyres)
    covariance[2, 2] += (f2 * air.density_sd_kg_m3 / air.density_kg_m3) ** 2
    return ReferenceRoadLoad(
        temperature_c=REFERENCE_TEMPERATURE_C,
        pressure_kpa=REFERENCE_PRESSURE_KPA,
        f0_n=f0,
        f1_n_per_mps=f1,
        f2_n_per_mps2=f2,
        covariance=covariance,
    )


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


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistanceFigures:
    """What the coefficients would mean, were F0 tyres alone and F2 air alone; both share in F1.

    Parameters
    ----------
    drag_area_m2, drag_area_sd_m2 : float
        ``2 F2 / rho`` [m2].
    drag_coefficient, drag_coefficient_sd : float or None
        The same over the frontal area; None without one.
    rolling_coefficient, rolling_coefficient_sd : float
        ``F0 / (m g)``.
    rolling_usual, f2_usual : (low, high)
        What vehicles of the kind have; F2 [N/(m/s)^2].
    usual_source : str
        Where that is from.
    """

    drag_area_m2: float
    drag_area_sd_m2: float
    drag_coefficient: float | None
    drag_coefficient_sd: float | None
    rolling_coefficient: float
    rolling_coefficient_sd: float
    rolling_usual: tuple[float, float]
    f2_usual: tuple[float, float]
    usual_source: str


def resistance_figures(
    road_load: RoadLoad, air: AirState, vehicle: Vehicle
) -> ResistanceFigures | None:
    """Read F2 as a drag area and F0 as a rolling coefficient; None where they cannot be told apart."""
    if not road_load.separable:
        return None
    f0_sd, _, f2_sd = (float(sd) for sd in np.sqrt(road_load.covariance.diagonal()))
    area = drag_coefficient(road_load.f2_n_per_mps2, air.density_kg_m3, 1.0)
    area_sd = float(
        np.hypot(2.0 * f2_sd / air.density_kg_m3, area * air.density_sd_kg_m3 / air.density_kg_m3)
    )
    frontal = vehicle.frontal_area_m2
    weight_n = vehicle.mass_kg * STANDARD_GRAVITY_MPS2
    window = ROAD_LOAD_WINDOWS[vehicle.kind]
    return ResistanceFigures(
        drag_area_m2=area,
        drag_area_sd_m2=area_sd,
        drag_coefficient=None if frontal is None else area / frontal,
        drag_coefficient_sd=None if frontal is None else area_sd / frontal,
        rolling_coefficient=road_load.f0_n / weight_n,
        rolling_coefficient_sd=f0_sd / weight_n,
        rolling_usual=window.rolling_share,
        f2_usual=window.f2_n_per_mps2,
        usual_source=window.source,
    )
