"""The simulated road and drive against closed forms, scipy and published numbers not in them.

A simulator that is wrong in the same way as the estimator would hide the error, so nothing here
comes from the estimator: forces, times and distances are worked out again in the test.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from make_drives import drive, plain_vehicle
from numpy.typing import NDArray
from scipy.integrate import simpson, solve_ivp

from analysis.simulate.drive import Trip, TrueCar
from analysis.simulate.path import GRID_S
from analysis.simulate.path import Path as TruePath
from analysis.simulate.road import draw_site, gravity_mps2
from analysis.simulate.vehicle import draw_vehicle, plateau_torque, suction_torque

Floats = NDArray[np.float64]


def crossing_s(path: TruePath, speed_mps: float, after_s: float) -> float:
    """When a coasting vehicle falls through a speed [s]."""
    part = path.time_s >= after_s
    return float(np.interp(-speed_mps, -path.speed_mps[part], path.time_s[part]))


def closed_form_s(mass: float, f: tuple[float, float, float], high: float, low: float) -> float:
    """Coast-down time of m dv/dt = -(F0 + F1 v + F2 v2): the textbook integral of dv / F(v)."""
    f0, f1, f2 = f
    if f2 == 0.0:
        return mass / f1 * float(np.log((f0 + f1 * high) / (f0 + f1 * low)))
    root = complex(4.0 * f0 * f2 - f1**2) ** 0.5
    # a complex root turns the arctangent into the logarithm of the other case by itself
    angles = [np.arctan((2.0 * f2 * v + f1) / root) for v in (high, low)]
    return float((2.0 * mass / root * (angles[0] - angles[1])).real)


@pytest.mark.parametrize(
    ("coefficients", "high_kmh", "low_kmh"),
    [
        ((160.0, 2.0, 0.36), 130.0, 20.0),  # D > 0
        ((160.0, 20.0, 0.36), 130.0, 20.0),  # D < 0
        ((160.0, -1.5, 0.42), 130.0, 20.0),  # negative F1, as in a fifth of published road loads
        ((160.0, 5.0, 0.0), 100.0, 50.0),
    ],
)
def test_calm_coast_down_takes_the_time_of_the_closed_form(
    coefficients: tuple[float, float, float], high_kmh: float, low_kmh: float
) -> None:
    f0, f1, f2 = coefficients
    trip, path = drive(plain_vehicle(f0_n=f0, f1_n_per_mps=f1, f2_n_per_mps2=f2))
    neutral_s = trip.runs[0].neutral_s
    times = [crossing_s(path, kmh / 3.6, neutral_s) for kmh in (high_kmh, low_kmh)]
    expected = closed_form_s(1550.0, coefficients, high_kmh / 3.6, low_kmh / 3.6)
    # straight lines between grid points 10 ms apart: good to some microseconds
    assert times[1] - times[0] == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    ("mass_kg", "a_n", "c_n_per_kmh2", "printed_s"),
    [(130, 2.57, 0.0233, 3.60), (200, 8.69, 0.0252, 4.85), (300, 17.43, 0.0279, 6.18)],
)
def test_published_motorcycle_coast_down_times(
    mass_kg: float, a_n: float, c_n_per_kmh2: float, printed_s: float
) -> None:
    """Source: 40 CFR 86.529-98, table of road load force and target 70-60 km/h time."""
    vehicle = plain_vehicle(
        mass_kg=float(mass_kg), rotating_mass_kg=0.0, f0_n=a_n, f1_n_per_mps=0.0,
        f2_n_per_mps2=c_n_per_kmh2 * 3.6**2, engine_torque_nm=(20.0, 20.0), release_mps=22.0,
    )  # fmt: skip
    trip, path = drive(vehicle)
    times = [crossing_s(path, kmh / 3.6, trip.runs[0].neutral_s) for kmh in (70.0, 60.0)]
    # C carries three digits (0.2 %) and the time two decimals
    assert times[1] - times[0] == pytest.approx(printed_s, rel=0.002, abs=0.005)


def test_gusty_hilly_coast_down_agrees_with_scipy() -> None:
    """The integrator with wind, slope and ripples against scipy's eighth-order one."""
    rng = np.random.default_rng(8)
    vehicle, site = draw_vehicle(rng), draw_site(rng)
    car = TrueCar(vehicle=vehicle, mass_kg=1234.0, rotating_mass_kg=40.0, gravity_mps2=9.81)
    trip = Trip(car, site, rng, 2500.0, -1)
    trip.rest(2.0)
    trip.run(coast_end_mps=6.0, wind_mps=2.0)
    path, run = trip.path(), trip.runs[0]
    begin, end = round(run.neutral_s / GRID_S), round(run.brake_s / GRID_S) - 1

    def rates(t: float, state: Floats) -> list[float]:
        v, x = state
        air = v - float(np.interp(t, path.time_s, path.wind_mps))
        slope = -float(site.slope_at(np.array([x]))[0])
        force = (
            vehicle.f0_n
            + vehicle.f1_n_per_mps * v
            + vehicle.f2_n_per_mps2 * air * abs(air)
            + 1234.0 * 9.81 * slope
        )
        return [-force / 1274.0, -v]

    solution = solve_ivp(
        rates,
        (path.time_s[begin], path.time_s[end]),
        [path.speed_mps[begin], path.place_m[begin]],
        method="DOP853",
        rtol=1e-9,
        max_step=0.1,
    )
    # the simulator joins slopes 2 m apart by straight lines: some 1e-4 of the slope ripple
    assert solution.y[0, -1] == pytest.approx(path.speed_mps[end], abs=2e-3)
    assert solution.y[1, -1] == pytest.approx(path.place_m[end], abs=0.1)


def test_energy_of_a_whole_run_balances() -> None:
    """Kinetic and potential energy lost in the coast-down equal the work of the road load."""
    rng = np.random.default_rng(3)
    vehicle, site = draw_vehicle(rng), draw_site(rng)
    car = TrueCar(
        vehicle=vehicle,
        mass_kg=vehicle.mass_kg,
        rotating_mass_kg=vehicle.rotating_mass_kg,
        gravity_mps2=9.81,
    )
    trip = Trip(car, site, rng, 0.0, 1)
    trip.rest(2.0)
    trip.run(coast_end_mps=6.0, wind_mps=-1.5)
    path, run = trip.path(), trip.runs[0]
    part = slice(round(run.neutral_s / GRID_S), round(run.brake_s / GRID_S))
    v, air = path.speed_mps[part], path.speed_mps[part] + path.wind_mps[part]
    force = vehicle.f0_n + vehicle.f1_n_per_mps * v + vehicle.f2_n_per_mps2 * air * np.abs(air)
    work = simpson(force * v, dx=GRID_S)
    kinetic = 0.5 * car.effective_mass_kg * (v[0] ** 2 - v[-1] ** 2)
    heights = site.height_at(path.place_m[part])
    potential = car.mass_kg * 9.81 * (heights[0] - heights[-1])
    # slopes joined by straight lines over 2 m, wind by straight lines over 0.1 s
    assert kinetic + potential == pytest.approx(work, rel=1e-4)


def test_height_is_the_integral_of_slope() -> None:
    site = draw_site(np.random.default_rng(1))
    places = np.linspace(-500.0, 3000.0, 35001)
    climbed = simpson(site.slope_at(places), x=places)
    heights = site.height_at(places)
    assert heights[-1] - heights[0] == pytest.approx(climbed, abs=1e-4)


def test_gravity_at_45_degrees_is_the_published_value() -> None:
    """Source: 40 CFR 1065.630, example for 45 degrees."""
    assert gravity_mps2(45.0) == pytest.approx(9.8061992026, abs=1e-10)


def test_engine_inertia_takes_its_share_at_constant_torque() -> None:
    """By hand: wheel force 200*9/0.3*0.9 = 5400 N, engine's mass 0.9*0.2*30^2 = 162 kg."""
    vehicle = plain_vehicle(engine_inertia_kg_m2=0.2, f0_n=0.0, f1_n_per_mps=0.0, f2_n_per_mps2=0.0)
    accel = 5400.0 / (1550.0 + 162.0)
    force = vehicle.tractive_force_n(1, np.array([10.0, 20.0]), 1550.0)
    np.testing.assert_allclose(force, 1550.0 * accel, rtol=1e-12)
    trip, path = drive(vehicle)
    piece = trip.runs[0].gears[0]
    middle = round(0.5 * (piece.start_s + piece.end_s) / GRID_S)
    factor = trip.runs[0].torque_factor
    assert path.accel_mps2[middle] == pytest.approx(factor * accel, rel=1e-9)


def test_pull_obeys_newton_at_every_moment() -> None:
    """m_e dv/dt + R - tractive force vanishes in gear; with the clutch open the force is 0."""
    vehicle = draw_vehicle(np.random.default_rng(0))
    assert len(vehicle.overall_ratios) == 3
    trip, path = drive(vehicle)
    run = trip.runs[0]
    mass = vehicle.mass_kg + vehicle.rotating_mass_kg
    road_load = (
        vehicle.f0_n
        + vehicle.f1_n_per_mps * path.speed_mps
        + vehicle.f2_n_per_mps2 * path.speed_mps**2
    )
    pushed = mass * path.accel_mps2 + road_load
    for piece in run.gears:
        # every other grid point is an integration step; those between are interpolated
        part = slice(round(piece.start_s / GRID_S), round(piece.end_s / GRID_S) - 1, 2)
        v, a = path.speed_mps[part], path.accel_mps2[part]
        per_metre = vehicle.overall_ratios[piece.gear - 1] / vehicle.wheel_radius_m
        torque = run.torque_factor * np.interp(
            v * per_metre, vehicle.engine_speed_radps, vehicle.engine_torque_nm
        )
        spun = torque - vehicle.engine_inertia_kg_m2 * per_metre * a
        expected = np.minimum(vehicle.efficiency * per_metre * spun, vehicle.traction_limit_n)
        # the driving force comes from a table every 0.02 m/s
        np.testing.assert_allclose(pushed[part], expected, rtol=2e-5)
    for before, after in pairwise(run.gears):
        middle = round((before.end_s + 0.1 + after.start_s - vehicle.ramp_s) / 2.0 / GRID_S)
        assert abs(pushed[middle]) < 1e-6 * mass


def test_signs_of_wind_and_slope() -> None:
    """Wind against "up" and a road that rises along "up" both shorten the coast-down going up."""

    def coast_s(**how: float) -> float:
        direction = int(how.pop("direction", 1))
        trip, _ = drive(plain_vehicle(), direction=direction, **how)
        return trip.runs[0].brake_s - trip.runs[0].neutral_s

    calm = coast_s()
    assert coast_s(wind_mps=3.0) < calm < coast_s(wind_mps=3.0, direction=-1)
    assert coast_s(slope=0.004) < calm < coast_s(slope=0.004, direction=-1)


def test_drawn_vehicles_are_plausible() -> None:
    """Road loads inside the 1st-99th percentiles of the EPA test-car list of 2022."""
    drives = set()
    for seed in range(60):
        vehicle = draw_vehicle(np.random.default_rng(seed))
        drives.add(vehicle.drive)
        assert 900.0 <= vehicle.mass_kg <= 2200.0
        at_50_mph = vehicle.f0_n + vehicle.f1_n_per_mps * 22.35 + vehicle.f2_n_per_mps2 * 22.35**2
        assert 250.0 < at_50_mph < 817.0
        assert 0.0047 < (vehicle.f0_n / vehicle.mass_kg / 9.81) < 0.0175
        assert -5.4 < vehicle.f1_n_per_mps < 9.7
        assert min(vehicle.engine_torque_nm) > 0.0
    assert len(drives) == 4


def test_torque_curves_reach_the_power_asked_for() -> None:
    speed, torque = suction_torque(100e3, 6000.0, 4200.0, 0.4)
    at_6000 = np.interp(6000.0 * 2.0 * np.pi / 60.0, speed, torque)
    assert at_6000 * 6000.0 * 2.0 * np.pi / 60.0 == pytest.approx(100e3, rel=1e-4)
    speed, torque = plateau_torque(120e3, 1800.0, 4600.0, 0.1, 6200.0)
    assert np.max(np.array(speed) * np.array(torque)) == pytest.approx(120e3, rel=1e-9)
