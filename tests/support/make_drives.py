"""A simulated vehicle plain enough for sums by hand, and its drive on a road of one slope."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.simulate.drive import Trip, TrueCar
from analysis.simulate.path import Path as TruePath
from analysis.simulate.road import SimSite
from analysis.simulate.vehicle import SimVehicle

__all__ = ["calm_site", "drive", "plain_vehicle"]


def plain_vehicle(**changes: object) -> SimVehicle:
    """A made-up car with one gear and constant engine torque, so that sums can be done by hand."""
    vehicle = SimVehicle(
        name="plain",
        drive="electric",
        mass_kg=1500.0,
        mass_sd_kg=4.5,
        rotating_mass_kg=50.0,
        rotating_mass_sd_kg=7.5,
        f0_n=160.0,
        f1_n_per_mps=2.0,
        f2_n_per_mps2=0.36,
        engine_speed_radps=(0.0, 2000.0),
        engine_torque_nm=(200.0, 200.0),
        overall_ratios=(9.0,),
        wheel_radius_m=0.3,
        engine_inertia_kg_m2=0.0,
        efficiency=0.9,
        launch_radps=0.0,
        shift_radps=1200.0,
        shift_gap_s=0.3,
        ramp_s=0.2,
        traction_limit_n=1e9,
        release_mps=37.0,
    )
    return replace(vehicle, **changes)  # type: ignore[arg-type]  # names are checked by replace


def calm_site(slope: float = 0.0) -> SimSite:
    """Return a road of one slope in still air."""
    return SimSite(
        latitude_deg=56.0,
        longitude_deg=3.5,
        elevation_m=20.0,
        bearing_deg=40.0,
        slope=slope,
        ripple_slopes=(),
        ripple_lengths_m=(),
        ripple_phases_rad=(),
        wind_mps=0.0,
        wind_run_sd_mps=0.0,
        gust_sd_mps=0.0,
        gust_tau_s=5.0,
    )


def drive(
    vehicle: SimVehicle, *, slope: float = 0.0, wind_mps: float = 0.0, direction: int = 1
) -> tuple[Trip, TruePath]:
    """One run on a road of one slope in steady wind, masses as stated."""
    car = TrueCar(
        vehicle=vehicle,
        mass_kg=vehicle.mass_kg,
        rotating_mass_kg=vehicle.rotating_mass_kg,
        gravity_mps2=9.81,
    )
    trip = Trip(car, calm_site(slope), np.random.default_rng(5), 0.0, direction)
    trip.rest(3.0)
    trip.run(coast_end_mps=5.0, wind_mps=wind_mps)
    trip.rest(3.0)
    return trip, trip.path()
