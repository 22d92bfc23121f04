"""The sample logs: a beekeeper's van before and after it got a roof rack, all simulated.

``python tests/support/make_sample_logs.py`` writes them; the same bytes every time with the same libraries.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis.simulate.phone import draw_phone
from analysis.simulate.road import SimSite, draw_site
from analysis.simulate.session import simulate_session
from analysis.simulate.truth import Truth
from analysis.simulate.vehicle import SimVehicle, plateau_torque

__all__ = ["make_sample_logs"]

_SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"

_ROAD_SEED, _PHONE_SEED = 41, 43
_BARE_SEED, _RACK_SEED = 2105, 2106
_END_RPM = 4300.0
_DRY_AIR = 287.058  # gas constant of dry air [J/(kg K)]
_ROLLING_PER_K = 8.6e-3  # rolling resistance falls by 0.86 %/K about 20 C (UN GTR 15)


def make_sample_logs(folder: Path) -> tuple[Truth, Truth]:
    """Write both sample sessions.

    Parameters
    ----------
    folder : path
        Gets the sub-folders ``van_bare`` and ``van_with_rack``.

    Returns
    -------
    tuple of Truth
        Of the bare van and of the van with the rack.
    """
    road = draw_site(np.random.default_rng(_ROAD_SEED))
    bare_day = replace(
        road, wind_mps=1.3, temperature_c=12.0, pressure_hpa=1008.0, humidity_percent=70.0
    )
    rack_day = replace(
        road, wind_mps=-0.8, temperature_c=18.5, pressure_hpa=1001.0, humidity_percent=55.0
    )
    bare = _van("beekeeper's van", bare_day, mass_kg=1912.0, rolling_n=196.0, drag_area_m2=1.16)
    rack = _van("beekeeper's van", rack_day, mass_kg=1958.0, rolling_n=201.0, drag_area_m2=1.37)
    truths = (
        _session(folder / "van_bare", _BARE_SEED, bare, bare_day),
        _session(folder / "van_with_rack", _RACK_SEED, rack, rack_day),
    )
    # one vehicle before and after a change: the same name, another state
    file = folder / "van_with_rack" / "session.toml"
    text = file.read_text(encoding="utf-8")
    changed = text.replace('state = "stock"', 'state = "roof rack with hive boxes"')
    file.write_text(changed, encoding="utf-8")
    return truths


def _session(folder: Path, seed: int, van: SimVehicle, day: SimSite) -> Truth:
    """Four pairs with one phone, put into its mount anew."""
    phone = draw_phone(np.random.default_rng([_PHONE_SEED, seed]), "clean", 1.0)
    return simulate_session(
        folder,
        seed=seed,
        pairs=4,
        layout="mixed",
        vehicle=van,
        site=day,
        sim_phone=replace(phone, accel_hz=50.0),
    )


def _van(
    name: str, day: SimSite, *, mass_kg: float, rolling_n: float, drag_area_m2: float
) -> SimVehicle:
    """Return the van in the air of a day; rolling resistance [N] is given at 20 C."""
    kelvin = day.temperature_c + 273.15
    density = day.pressure_hpa * 100.0 / (_DRY_AIR * kelvin)
    warmth = 1.0 + _ROLLING_PER_K * (day.temperature_c - 20.0)
    speeds, torques = plateau_torque(96e3, 1700.0, 3300.0, 0.12, _END_RPM)
    end_radps = _END_RPM * 2.0 * np.pi / 60.0
    radius_m = 0.327
    return SimVehicle(
        name=name,
        kind="van",
        drive="diesel",
        mass_kg=mass_kg,
        mass_sd_kg=6.0,
        rotating_mass_kg=round(0.03 * mass_kg, 1),
        rotating_mass_sd_kg=round(0.005 * mass_kg, 1),
        f0_n=rolling_n / warmth,
        f1_n_per_mps=1.4 / warmth,
        f2_n_per_mps2=0.5 * density * drag_area_m2,
        engine_speed_radps=speeds,
        engine_torque_nm=torques,
        overall_ratios=tuple(end_radps * radius_m / (11.0 * step) for step in (1.0, 1.85, 2.75)),
        wheel_radius_m=radius_m,
        engine_inertia_kg_m2=0.24,
        efficiency=0.90,
        launch_radps=0.40 * end_radps,
        shift_radps=0.95 * end_radps,
        shift_gap_s=0.55,
        ramp_s=0.35,
        traction_limit_n=7800.0,
        release_mps=29.5,
        tyre="205/65 R16",
    )


if __name__ == "__main__":
    make_sample_logs(_SAMPLES)
