"""Sessions of one simulated vehicle on several days, for tests of putting sessions together."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import psychrolib
from make_days import DENSITY_KG_M3
from make_sessions import recordings_of
from numpy.typing import NDArray

from analysis.cli.main import main
from analysis.pipeline import Analysis, analyse
from analysis.simulate.road import draw_site
from analysis.simulate.session import simulate_session
from analysis.simulate.vehicle import SimVehicle, draw_vehicle
from logger.session.session import Session, read_session

__all__ = ["days_of_one_vehicle", "sample_days", "vehicle_drawn", "vehicle_on", "weighed_wrong"]


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


def vehicle_drawn(vehicle: SimVehicle, rng: np.random.Generator) -> SimVehicle:
    """Return the vehicle with a day's own deviation of rolling resistance and of drag, 1.5 % each."""
    rolling, drag = 1.0 + 0.015 * rng.standard_normal(2)
    return replace(
        vehicle,
        f0_n=vehicle.f0_n * rolling,
        f1_n_per_mps=vehicle.f1_n_per_mps * rolling,
        f2_n_per_mps2=vehicle.f2_n_per_mps2 * drag,
    )


def weighed_wrong(session: Session, share: float) -> Session:
    """Return the session as if both masses had been stated `share` times what they are."""
    vehicle = session.vehicle
    wrong = replace(
        vehicle,
        mass_kg=vehicle.mass_kg * share,
        rotating_mass_kg=vehicle.rotating_mass_kg * share,
    )
    return replace(session, vehicle=wrong)


def sample_days(folder: Path) -> Path:
    """Write two small sessions, monday and friday, into a folder, and return it."""
    for seed, name in enumerate(("monday", "friday"), start=1):
        assert main(["sample", str(folder / name), "--pairs", "1", "--seed", str(seed)]) == 0
    return folder


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
        today = vehicle_drawn(today, rng)
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
        session = weighed_wrong(read_session(place), stated)
        recordings = recordings_of(session)
        analyses.append(analyse(session, recordings))
    true = np.array([vehicle.f0_n, vehicle.f1_n_per_mps, vehicle.f2_n_per_mps2])
    return analyses, true
