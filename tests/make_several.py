"""Sessions of one simulated vehicle on several days, for tests of putting sessions together."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import psychrolib
from make_days import DENSITY_KG_M3
from numpy.typing import NDArray

from analysis.pipeline import Analysis, analyse
from analysis.simulate import simulate_session
from analysis.simulate_road import draw_site
from analysis.simulate_vehicle import SimVehicle, draw_vehicle
from logger.reading import read_log
from logger.session import read_session

__all__ = ["days_of_one_vehicle", "vehicle_on"]


def vehicle_on(
    vehicle: SimVehicle,
    temperature_c: float,
    pressure_hpa: float,
    humidity_percent: float,
    per_k: float = 0.0086,
) -> SimVehicle:
    """Return the vehicle, whose road load is in reference air, as it is on a day.

    Densities are psychrolib's; the tyres' coefficient is that of UN GTR No. 15 unless given.
    """
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio = psychrolib.GetHumRatioFromRelHum(
        temperature_c, humidity_percent / 100, 100 * pressure_hpa
    )
    density = psychrolib.GetMoistAirDensity(temperature_c, ratio, 100 * pressure_hpa)
    rolling = 1.0 + per_k * (temperature_c - 20.0)
    return replace(
        vehicle,
        f0_n=vehicle.f0_n / rolling,
        f1_n_per_mps=vehicle.f1_n_per_mps / rolling,
        f2_n_per_mps2=vehicle.f2_n_per_mps2 * density / DENSITY_KG_M3,
    )


def days_of_one_vehicle(
    folder: Path, *, seed: int, days: int = 3, pairs: int = 1, coast_only: bool = True
) -> tuple[list[Analysis], NDArray[np.float64]]:
    """Simulate and analyse one vehicle on several days; return also its true F0, F1, F2.

    Road, wind, phone and air are drawn for each day; so are a deviation of rolling resistance and
    of drag by 1.5 %, and what the tyres' coefficient is for this vehicle. The mass is stated wrongly
    by one and the same share on all days.
    """
    rng = np.random.default_rng([seed, 77])
    vehicle = draw_vehicle(np.random.default_rng([seed, 1]))
    off = math.hypot(vehicle.mass_sd_kg, vehicle.rotating_mass_sd_kg) / (
        vehicle.mass_kg + vehicle.rotating_mass_kg
    )
    stated = 1.0 + off * float(rng.standard_normal())
    per_k = 0.0086 + 0.0026 * float(rng.standard_normal())
    analyses = []
    for day in range(days):
        site = replace(
            draw_site(np.random.default_rng([seed, 2, day])),
            temperature_c=round(float(rng.uniform(2.0, 32.0)), 1),
            pressure_hpa=round(float(rng.uniform(960.0, 1030.0)), 1),
        )
        today = vehicle_on(
            vehicle, site.temperature_c, site.pressure_hpa, site.humidity_percent, per_k
        )
        rolling, drag = 1.0 + 0.015 * rng.standard_normal(2)
        today = replace(
            today,
            f0_n=today.f0_n * rolling,
            f1_n_per_mps=today.f1_n_per_mps * rolling,
            f2_n_per_mps2=today.f2_n_per_mps2 * drag,
        )
        place = folder / f"day{day + 1}"
        simulate_session(
            place,
            seed=1000 * seed + day,
            pairs=pairs,
            vehicle=today,
            site=site,
            coast_only=coast_only,
            exact_mass=True,
        )
        session = read_session(place)
        wrong = replace(
            session.vehicle,
            mass_kg=session.vehicle.mass_kg * stated,
            rotating_mass_kg=session.vehicle.rotating_mass_kg * stated,
        )
        session = replace(session, vehicle=wrong)
        recordings = tuple(read_log(list(log.files), columns=log.columns) for log in session.logs)
        analyses.append(analyse(session, recordings))
    true = np.array([vehicle.f0_n, vehicle.f1_n_per_mps, vehicle.f2_n_per_mps2])
    return analyses, true
