"""Several days with one vehicle on one road, before and after a change, to rehearse a comparison."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path

import numpy as np

from analysis.simulate.files import day_start
from analysis.simulate.phone import PhoneKind
from analysis.simulate.road import SimSite, draw_site
from analysis.simulate.session import simulate_session
from analysis.simulate.truth import Truth
from analysis.simulate.vehicle import SimVehicle, draw_vehicle

__all__ = ["simulate_days"]

_DAYS_BETWEEN = 7
#: Of the air that a drawn vehicle's F2 is of: 15 C, 1013 hPa, 60 %.
_USUAL_DENSITY_KG_PER_M3 = 1.220
_WEATHER = (
    "wind_mps",
    "wind_run_sd_mps",
    "gust_sd_mps",
    "gust_tau_s",
    "temperature_c",
    "pressure_hpa",
    "humidity_percent",
)


def simulate_days(
    folders: Sequence[Path],
    *,
    seed: int,
    vehicle_seed: int | None = None,
    gain: float = 0.0,
    pairs: int = 4,
    phone: PhoneKind = "clean",
    gps_hz: float = 1.0,
    one_way: bool = False,
) -> list[Truth]:
    """Simulate sessions, a week apart with the same vehicle on the same road where that is wanted.

    Parameters
    ----------
    folders : sequence of Path
        One a day; made if missing. The first day is before the change, the second after, and so on.
    seed : int
        Weather, driving and noise of all days.
    vehicle_seed : int, optional
        Vehicle with its true masses, and road. Without it each folder gets another of each, the
        first what `simulate_session` makes of `seed`.
    gain : float
        What the change adds to the engine's torque, as a share of it.
    pairs, phone, gps_hz, one_way
        As of `simulate_session`.

    Returns
    -------
    list of Truth
        Of each day. The drag part F2 follows the density of each day's air; the engine does not.

    Raises
    ------
    ValueError
        As `simulate_session`.
    """
    simulate = partial(simulate_session, pairs=pairs, phone=phone, gps_hz=gps_hz, one_way=one_way)
    if vehicle_seed is None:
        return [simulate(folder, seed=seed + number) for number, folder in enumerate(folders)]
    vehicle = draw_vehicle(np.random.default_rng([vehicle_seed, 1]))
    road = draw_site(np.random.default_rng([vehicle_seed, 2]))
    truths = []
    for number, folder in enumerate(folders):
        weather = draw_site(np.random.default_rng([seed, 2, number]))
        site = replace(road, **{key: getattr(weather, key) for key in _WEATHER})
        truths.append(
            simulate(
                folder,
                seed=int(np.random.default_rng([seed, 7, number]).integers(2**31)),
                vehicle=_of_day(
                    vehicle, site, gain if number % 2 else 0.0, changed=number % 2 == 1
                ),
                site=site,
                mass_seed=vehicle_seed,
                start=day_start(seed) + timedelta(days=_DAYS_BETWEEN * number),
            )
        )
    return truths


def _of_day(vehicle: SimVehicle, site: SimSite, gain: float, *, changed: bool) -> SimVehicle:
    """Return the vehicle in the day's air and state."""
    thickness = _density_kg_per_m3(site) / _USUAL_DENSITY_KG_PER_M3
    return replace(
        vehicle,
        state="changed" if changed else vehicle.state,
        f2_n_per_mps2=vehicle.f2_n_per_mps2 * thickness,
        engine_torque_nm=tuple((1.0 + gain) * torque for torque in vehicle.engine_torque_nm),
    )


def _density_kg_per_m3(site: SimSite) -> float:
    """Return the density of moist air [kg/m3]: two ideal gases, vapour pressure after Magnus."""
    kelvin = site.temperature_c + 273.15
    saturated_hpa = 6.112 * np.exp(17.62 * site.temperature_c / (243.12 + site.temperature_c))
    vapour_hpa = float(site.humidity_percent / 100.0 * saturated_hpa)
    dry_hpa = site.pressure_hpa - vapour_hpa
    return 100.0 * (dry_hpa / 287.05 + vapour_hpa / 461.5) / kelvin
