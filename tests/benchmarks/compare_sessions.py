"""Simulated sessions of one vehicle on several days, some with a changed engine, for comparisons.

Each vehicle gets one road and one stated mass, wrong by one and the same share in all its sessions.
Each session gets its own wind, air, phone, and a deviation of the day as large as the comparison
allows for: 1 % of engine torque, 1.5 % of rolling resistance and of drag, 1 sigma.
"""

from __future__ import annotations

import math
import pickle
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path[:0] = [
    str(Path(__file__).resolve().parents[1] / "support"),
    str(Path(__file__).resolve().parents[2]),
]

from make_sessions import recordings_of
from make_several import vehicle_drawn, vehicle_on, weighed_wrong

from analysis.pipeline import analyse
from analysis.sessions.side import Side, side_of
from analysis.simulate.road import draw_site
from analysis.simulate.session import simulate_session
from analysis.simulate.vehicle import SimVehicle, draw_vehicle
from logger.session.session import read_session

__all__ = ["DAYS", "GAINS", "SimulatedSide", "sides_of"]

#: Sessions of each vehicle without a change, and changes of engine torque of one session each.
DAYS = 3
GAINS = (0.02, 0.04, 0.08)
_PAIRS = 4


@dataclass(frozen=True, slots=True)
class SimulatedSide:
    """One session ready to be compared, with what is true of it.

    Parameters
    ----------
    side : Side
        As the comparison takes it.
    peak_w : float
        True peak wheel power [W], that day's deviation in it.
    load : tuple of 3 floats
        True F0, F1, F2 in the air of the day [N, N/(m/s), N/(m/s)^2].
    mass_share : float
        By which the stated mass is too high (ratio).
    noise : dict
        Noise levels that the fit found.
    """

    side: Side
    peak_w: float
    load: tuple[float, float, float]
    mass_share: float
    noise: dict[str, float]


def sides_of(
    seed: int, cache: Path | None = None, *, changed: bool = True
) -> dict[str, SimulatedSide]:
    """Return the sessions of one vehicle: ``day0``, ``day1``, ..., ``gain2``, ``gain4``, ``gain8``.

    Parameters
    ----------
    seed : int
        Of the vehicle.
    cache : path or None
        Folder to keep them in, since a session takes seconds; from an earlier run if there.
    changed : bool
        Whether with those of a changed engine.
    """
    rng = np.random.default_rng([seed, 41])
    vehicle = draw_vehicle(np.random.default_rng([seed, 1]))
    off = math.hypot(vehicle.mass_sd_kg, vehicle.rotating_mass_sd_kg) / (
        vehicle.mass_kg + vehicle.rotating_mass_kg
    )
    stated = 1.0 + off * float(rng.standard_normal())
    cases = [(f"day{day}", 0.0) for day in range(DAYS)]
    cases += [(f"gain{100 * gain:.0f}", gain) for gain in GAINS] if changed else []
    found: dict[str, SimulatedSide] = {}
    for number, (name, gain) in enumerate(cases):
        file = None if cache is None else cache / f"vehicle{seed:04d}-{name}.pickle"
        if file is not None and file.exists():
            found[name] = pickle.loads(file.read_bytes())  # our own file
            continue
        found[name] = _session(seed, number, name, vehicle, stated, gain)
        if file is not None:
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_bytes(pickle.dumps(found[name]))
    return found


def _session(
    seed: int, number: int, name: str, vehicle: SimVehicle, stated: float, gain: float
) -> SimulatedSide:
    """Simulate and analyse one session; the road is the vehicle's, everything else the day's."""
    rng = np.random.default_rng([seed, 42, number])
    road = draw_site(np.random.default_rng([seed, 2]))
    weather = draw_site(rng)
    site = replace(
        road,
        wind_mps=weather.wind_mps,
        gust_sd_mps=weather.gust_sd_mps,
        gust_tau_s=weather.gust_tau_s,
        temperature_c=weather.temperature_c,
        pressure_hpa=weather.pressure_hpa,
        humidity_percent=weather.humidity_percent,
    )
    today = vehicle_on(vehicle, site.temperature_c, site.pressure_hpa, site.humidity_percent)
    torque = (1.0 + gain) * (1.0 + 0.01 * float(rng.standard_normal()))
    today = replace(
        vehicle_drawn(today, rng),
        engine_torque_nm=tuple(torque * one for one in today.engine_torque_nm),
    )
    with tempfile.TemporaryDirectory(prefix="pullcoast_compare_") as folder:
        place = Path(folder) / name
        truth = simulate_session(
            place,
            seed=1000 * seed + number,
            pairs=_PAIRS,
            vehicle=today,
            site=site,
            exact_mass=True,
        )
        session = weighed_wrong(read_session(place), stated)
        recordings = recordings_of(session)
    outcome = analyse(session, recordings)
    settings = outcome.history[-1].settings
    noise = {
        key.removeprefix("sd_"): float(value)
        for key, value in settings.items()
        if key.startswith("sd_") and isinstance(value, int | float)
    }
    assert truth.peak_wheel_power_w is not None
    return SimulatedSide(
        side_of(name, outcome),
        truth.peak_wheel_power_w,
        (today.f0_n, today.f1_n_per_mps, today.f2_n_per_mps2),
        stated - 1.0,
        noise,
    )
