"""The simulator against closed forms, scipy and published numbers that it does not contain.

A simulator that is wrong in the same way as the estimator would hide the error, so nothing here
comes from the estimator: forces, times and distances are worked out again in the test.
"""

from __future__ import annotations

import csv
import gzip
import json
import tomllib
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import simpson, solve_ivp

from analysis.simulate import simulate_session
from analysis.simulate_drive import Trip, TrueCar
from analysis.simulate_path import GRID_S
from analysis.simulate_path import Path as TruePath
from analysis.simulate_phone import draw_phone, record_gps, record_motion
from analysis.simulate_road import calm_site, draw_site, gravity_mps2, gust_series
from analysis.simulate_signals import first_order, vibration
from analysis.simulate_truth import Truth
from analysis.simulate_vehicle import SimVehicle, draw_vehicle, plateau_torque, suction_torque

Floats = NDArray[np.float64]


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


def drive(
    vehicle: SimVehicle, *, slope: float = 0.0, wind_mps: float = 0.0, direction: int = 1
) -> tuple[Trip, TruePath]:
    """One run on a road of one slope in steady wind, masses as stated."""
    car = TrueCar(vehicle, vehicle.mass_kg, vehicle.rotating_mass_kg, 9.81)
    trip = Trip(car, calm_site(slope), np.random.default_rng(5), 0.0, direction)
    trip.rest(3.0)
    trip.run(coast_end_mps=5.0, wind_mps=wind_mps)
    trip.rest(3.0)
    return trip, trip.path()


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
    car = TrueCar(vehicle, 1234.0, 40.0, 9.81)
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
    car = TrueCar(vehicle, vehicle.mass_kg, vehicle.rotating_mass_kg, 9.81)
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


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_accelerometer_feels_gravity_slope_and_thrust(sign: float) -> None:
    """At rest facing a rise of 5 % forward reads +g s; in the pull it reads dv/dt + g s."""
    quiet = replace(
        draw_phone(np.random.default_rng(2), "clean", 1.0),
        sign=sign, bias_mps2=(0.0, 0.0, 0.0), gain=1.0, squat=0.0,
        vibration_mps2=0.0, idle_mps2=0.0,
    )  # fmt: skip
    trip, path = drive(plain_vehicle(), slope=0.05)
    log = record_motion(path, 9.81, quiet, np.random.default_rng(4))
    vehicle_axes = sign * log.accel_mps2 @ np.array(quiet.mount)
    run = trip.runs[0]
    rest = log.time_s < run.launch_s - 0.1
    # the slow drift of the bias has an sd of 0.015 m/s2
    np.testing.assert_allclose(vehicle_axes[rest].mean(0), [0.4905, 0.0, 9.81], atol=0.05)
    piece = run.gears[0]
    pull = (log.time_s > piece.start_s + 1.0) & (log.time_s < piece.end_s - 1.0)
    expected = np.interp(log.time_s[pull], path.time_s, path.accel_mps2) + 0.4905
    np.testing.assert_allclose(vehicle_axes[pull, 0], expected, atol=0.05)


def test_squat_exaggerates_acceleration() -> None:
    phone = replace(
        draw_phone(np.random.default_rng(2), "clean", 1.0),
        bias_mps2=(0.0, 0.0, 0.0), gain=1.0, squat=0.04, vibration_mps2=0.0, idle_mps2=0.0,
    )  # fmt: skip
    trip, path = drive(plain_vehicle())
    log = record_motion(path, 9.81, phone, np.random.default_rng(4))
    forward = (phone.sign * log.accel_mps2 @ np.array(phone.mount))[:, 0]
    piece = trip.runs[0].gears[0]
    pull = (log.time_s > piece.start_s + 2.0) & (log.time_s < piece.end_s - 0.5)
    true = np.interp(log.time_s[pull], path.time_s, path.accel_mps2)
    # bias drift of 0.015 m/s2 against 3 m/s2
    assert float(np.mean(forward[pull]) / np.mean(true)) == pytest.approx(1.04, abs=0.012)


def test_turning_round_is_felt_sideways_and_does_not_jump() -> None:
    """A full circle in two U-turns: lateral acceleration stays below v^2/r with its easing."""
    vehicle = plain_vehicle()
    car = TrueCar(vehicle, 1500.0, 50.0, 9.81)
    trip = Trip(car, calm_site(), np.random.default_rng(5), 0.0, 1)
    for _ in range(2):
        trip.drive(3.0, 1.0)
        trip.turn(5.5)
        trip.drive(0.0, 1.0)
    path = trip.path()
    lateral = path.speed_mps * np.gradient(path.yaw_rad, GRID_S)
    # cubic easing peaks at 1.5 times the mean rate, the turn lasts 1.25 half circles
    assert np.max(np.abs(lateral)) == pytest.approx(1.5 / 1.25 * 9.0 / 5.5, rel=0.01)
    assert path.yaw_rad[-1] == pytest.approx(2.0 * np.pi, abs=1e-9)
    assert np.max(np.abs(np.diff(path.place_m))) < 0.031


def test_receiver_smoothing_is_a_first_order_lag() -> None:
    """A ramp comes out late by the time constant; a step reaches 1 - 1/e after one."""
    ramp = 2.0 * GRID_S * np.arange(2000, dtype=np.float64)
    late = first_order(ramp, GRID_S, 0.5)
    assert ramp[-1] - late[-1] == pytest.approx(2.0 * 0.5, abs=1e-9)
    step = np.append(np.zeros(100), np.ones(400))
    # the step is a ramp over one grid step of 0.01 s, so it counts from its middle: 0.495 s
    assert first_order(step, GRID_S, 0.5)[149] == pytest.approx(1.0 - np.exp(-0.99), abs=1e-5)


def test_gps_lag_and_noise_are_those_of_the_truth() -> None:
    """At the stated lag the residual is the stated noise; 0.3 s beside it is far larger."""
    phone = replace(
        draw_phone(np.random.default_rng(12), "clean", 10.0),
        gps_white_mps=0.06, gps_slow_mps=0.03, gps_slow_tau_s=8.0,
        gps_smoothing_s=0.0, lag_range_s=(0.7, 0.7), lag_wander_s=0.0,
    )  # fmt: skip
    trip, path = drive(plain_vehicle())
    log = record_gps(path, calm_site(), phone, np.random.default_rng(3))
    run = trip.runs[0]
    moving = (log.time_s > run.launch_s + 2.0) & (log.time_s < run.brake_s)

    def spread(lag_s: float) -> float:
        true = np.interp(log.time_s - lag_s, path.time_s, path.speed_mps)
        return float(np.sqrt(np.mean((log.speed_mps - true)[moving] ** 2)))

    # some 1300 fixes, of which the slow part is worth about 20: 10 %
    assert spread(0.7) == pytest.approx(np.hypot(0.06, 0.03), rel=0.10)
    assert spread(1.0) > 3.0 * spread(0.7)
    assert spread(0.4) > 3.0 * spread(0.7)
    # neighbours 0.1 s apart differ by white noise almost alone
    noise = (log.speed_mps - np.interp(log.time_s - 0.7, path.time_s, path.speed_mps))[moving]
    assert float(np.std(np.diff(noise)) / np.sqrt(2.0)) == pytest.approx(0.06, rel=0.08)


def test_slow_noise_has_its_sd_and_correlation_time() -> None:
    series = gust_series(np.random.default_rng(1), 100_000, 0.1, 0.5, 4.0)
    # 10 000 s are 1250 independent values: 2 % in sd
    assert float(np.std(series)) == pytest.approx(0.5, rel=0.06)
    lagged = float(np.corrcoef(series[:-40], series[40:])[0, 1])
    assert lagged == pytest.approx(np.exp(-1.0), abs=0.05)


@pytest.mark.parametrize("rate_hz", [104.0, 60.0, 17.0])
def test_vibration_keeps_its_strength_at_any_rate(rate_hz: float) -> None:
    """Slow logs fold the fast vibration down: they are no quieter than fast ones."""
    rng = np.random.default_rng(6)
    forward = vibration(rng, 20_000, rate_hz, 0)
    assert float(np.std(forward)) == pytest.approx(1.0, rel=0.03)
    lateral = vibration(rng, 20_000, rate_hz, 1)
    assert float(np.std(lateral)) == pytest.approx(0.65, rel=0.05)


def test_vibration_spectrum_has_its_bands() -> None:
    """15-25 Hz holds (0.19/0.63)^2 of the forward power, by the band table of the 104 Hz sensor."""
    series = vibration(np.random.default_rng(6), 50_000, 104.0, 0)
    power = np.abs(np.fft.rfft(series)) ** 2
    frequency = np.fft.rfftfreq(series.size, 1.0 / 104.0)
    inside = (frequency >= 15.0) & (frequency < 25.0)
    total = sum(rms**2 for rms in (0.05, 0.19, 0.12, 0.28, 0.19, 0.25, 0.39))
    assert float(power[inside].sum() / power.sum()) == pytest.approx(0.19**2 / total, rel=0.05)


def test_positions_lie_on_the_ellipsoid() -> None:
    """One degree at 60 N: 111 412 m of latitude, 55 800 m of longitude (WGS 84, from memory)."""
    path = drive(plain_vehicle())[1]
    phone = draw_phone(np.random.default_rng(1), "clean", 1.0)
    length = float(path.place_m[-1] - path.place_m[0])
    for bearing, degree_m in ((0.0, 111_412.0), (90.0, 55_800.0)):
        site = replace(calm_site(), latitude_deg=60.0, bearing_deg=bearing)
        log = record_gps(path, site, phone, np.random.default_rng(3))
        degrees = log.latitude_deg if bearing == 0.0 else log.longitude_deg
        # correlated position noise of 2.5 m at both ends
        assert (degrees[-1] - degrees[0]) * degree_m == pytest.approx(length, abs=10.0)


def test_rough_phone_has_its_faults() -> None:
    """Repeats, exact zeros, doublets and holes at about their rates, over some 2000 fixes."""
    path = drive(plain_vehicle())[1]
    repeats = doublets = holes = zeros = fixes = standing = 0
    for seed in range(14):
        phone = replace(draw_phone(np.random.default_rng(seed), "rough", 1.0), repeat_share=0.2)
        log = record_gps(path, calm_site(), phone, np.random.default_rng(100 + seed))
        steps = np.diff(log.time_s)
        moving = log.speed_mps[1:] > 1.0
        fixes += moving.sum()
        repeats += ((np.diff(log.speed_mps) == 0.0) & moving & (steps > 0.5)).sum()
        doublets += (steps < 0.01).sum()
        holes += (steps > 2.5).sum()
        rest = log.time_s < 3.0
        standing += rest.sum()
        zeros += (log.speed_mps[rest] == 0.0).sum()
        # drawn from 0.1-2.6 s, wandering by 0.2 s
        assert 0.0 < log.lag_s < 3.1
        assert np.all(steps > 0.0)
    assert 0.15 < repeats / fixes < 0.25
    assert 0.01 < doublets / fixes < 0.035
    assert 0.001 < holes / fixes < 0.012
    assert zeros == standing


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


# -- whole sessions ------------------------------------------------------------------------------


def rows_of(path: Path) -> list[dict[str, str]]:
    text = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    return list(csv.DictReader(text.decode().splitlines()))


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("first", "second"):
        simulate_session(tmp_path / name, seed=7, pairs=3, phone="rough", layout="mixed")
    assert bytes_of(tmp_path / "first") == bytes_of(tmp_path / "second")
    simulate_session(tmp_path / "other", seed=8, pairs=3, phone="rough", layout="mixed")
    one, other = bytes_of(tmp_path / "first"), bytes_of(tmp_path / "other")
    assert one["run01.csv"] != other["run01.csv"]


@pytest.mark.parametrize("layout", ["own", "gpx+motion", "one_long", "mixed"])
def test_layouts_hold_what_the_session_says(tmp_path: Path, layout: str) -> None:
    truth = simulate_session(tmp_path, seed=5, pairs=3, layout=layout)  # type: ignore[arg-type]
    session = tomllib.loads((tmp_path / "session.toml").read_text())
    listed = [tuple(log.get("files", [log.get("file")])) for log in session["log"]]
    assert listed == [log.files for log in truth.logs]
    on_disk = {path.name for path in tmp_path.iterdir()} - {"session.toml", "truth.json"}
    assert on_disk == {name for names in listed for name in names}
    assert [run.direction for run in truth.runs] == [1, -1] * 3
    assert session["vehicle"]["mass_kg"] == truth.stated_mass_kg != truth.mass_kg
    for log in truth.logs:
        assert all(a.end_s == b.start_s for a, b in pairwise(log.phases))


def test_own_table_times_are_on_the_truth_s_clock(tmp_path: Path) -> None:
    """Speeds in the file, taken back by the lag, follow the true path on the recording's clock."""
    truth = simulate_session(tmp_path, seed=5, pairs=1)
    for log, path in zip(truth.logs, truth.paths, strict=True):
        rows = rows_of(tmp_path / log.files[0])
        assert float(rows[0]["time_s"]) == 0.0
        times = [float(row["time_s"]) for row in rows]
        assert times == sorted(times)
        fixes = np.array(
            [[float(row["time_s"]), float(row["speed_mps"])] for row in rows if row["speed_mps"]]
        )
        true = np.interp(
            fixes[:, 0] - log.gps_lag_s, path.time_s - log.path_offset_s, path.speed_mps
        )
        coast = next(phase for phase in log.phases if phase.kind == "coast")
        inside = (fixes[:, 0] > coast.start_s + 3.0) & (fixes[:, 0] < coast.end_s)
        noise = float(np.hypot(log.gps_white_mps, log.gps_slow_mps))
        assert float(np.std((fixes[:, 1] - true)[inside])) == pytest.approx(noise, rel=0.35)


def test_gpx_with_motion_table_share_no_clock_when_elapsed(tmp_path: Path) -> None:
    """The truth's offset puts the motion table back on the GPX track's clock: launch is felt."""
    seen = set()
    for seed in range(6):
        folder = tmp_path / str(seed)
        truth = simulate_session(folder, seed=seed, pairs=1, layout="gpx+motion")
        log, path = truth.logs[0], truth.paths[0]
        table = rows_of(folder / log.files[1])
        stamp = next(iter(table[0]))
        seen.add(stamp)
        times = np.array([float(row[stamp]) for row in table])
        accel = 9.80665 * np.array(
            [[float(row[f"acc {axis} [g]"]) for axis in "xyz"] for row in table]
        )
        first = ET.fromstring((folder / log.files[0]).read_text()).find(".//{*}time")
        assert first is not None
        assert first.text is not None
        if stamp == "timestamp_ms":
            zero = datetime.fromisoformat(first.text).timestamp()
            times = times / 1000.0 - zero
        else:
            times = times + log.motion_offset_s
        forward = (log.accel_sign * accel @ np.array(log.mount))[:, 0]
        moving = (times > truth.runs[0].launch_s) & (times < truth.runs[0].release_s)
        shifts = np.arange(-10, 11) * 0.1
        likeness = [
            np.corrcoef(
                forward[moving],
                np.interp(times[moving] + s, path.time_s - log.path_offset_s, path.accel_mps2),
            )[0, 1]
            for s in shifts
        ]
        # launch and gear changes are sharp to 0.1 s
        assert abs(shifts[int(np.argmax(likeness))]) < 0.15
    assert seen == {"timestamp_ms", "elapsed (s)"}


def test_both_versions_of_gpx_carry_the_speed(tmp_path: Path) -> None:
    """Runs alternate between GPX 1.0 (element) and 1.1 (extension); every point has a speed."""
    truth = simulate_session(tmp_path, seed=3, pairs=1, layout="gpx+motion", phone="gps-only")
    versions = []
    for log in truth.logs:
        root = ET.fromstring((tmp_path / log.files[0]).read_text())
        versions.append(root.get("version"))
        points = root.findall(".//{*}trkpt")
        assert len(points) > 60
        speeds = [float(point.findtext(".//{*}speed") or "nan") for point in points]
        # a car that is simulated to 28-37 m/s
        assert 27.0 < max(speeds) < 38.0
    assert versions == ["1.0", "1.1"]


def test_wheel_power_truth_is_what_an_ideal_observer_sees(tmp_path: Path) -> None:
    """Mean over pulls of (m_e a + road load in the wind + slope) v against the truth's curve."""
    truth = simulate_session(tmp_path, seed=9, pairs=4, phone="gps-only")
    curve = truth.wheel_power[-1]
    errors = []
    for run in truth.runs:
        path, log = truth.paths[run.log], truth.logs[run.log]
        piece = run.gears[-1]
        middle = round((0.5 * (piece.start_s + piece.end_s) + log.path_offset_s) / GRID_S)
        v, air = (
            path.speed_mps[middle],
            path.speed_mps[middle] + (run.direction * path.wind_mps[middle]),
        )
        force = (
            truth.effective_mass_kg * path.accel_mps2[middle]
            + truth.f0_n
            + truth.f1_n_per_mps * v
            + truth.f2_n_per_mps2 * air * abs(air)
            + truth.mass_kg * truth.gravity_mps2 * path.slope[middle]
        )
        expected = float(np.interp(v, curve.speed_mps, curve.power_w)) * run.torque_factor
        errors.append(force * v / expected - 1.0)
    # what is left: the engine's inertia sees the acceleration that wind and slope change
    assert np.max(np.abs(errors)) < 0.004
    peak = max(max(gear.power_w) for gear in truth.wheel_power)
    assert truth.peak_wheel_power_w == peak
    factors = [run.torque_factor for run in truth.runs]
    assert 0.002 < float(np.std(factors)) < 0.02


def test_one_way_session_turns_round_between_runs(tmp_path: Path) -> None:
    truth = simulate_session(tmp_path, seed=4, pairs=2, one_way=True, layout="one_long")
    assert [run.direction for run in truth.runs] == [1, 1, 1, 1]
    path = truth.paths[0]
    for run in truth.runs:
        launch = round((run.launch_s + truth.logs[0].path_offset_s) / GRID_S)
        # starts scatter by 8 m, and an ordinary driver stops within 15 m of them
        assert abs(path.place_m[launch]) < 50.0


def test_gps_only_and_coast_only(tmp_path: Path) -> None:
    truth = simulate_session(tmp_path, seed=4, pairs=1, phone="gps-only", coast_only=True)
    assert "accel_x_mps2" not in rows_of(tmp_path / "run01.csv")[0]
    assert truth.peak_wheel_power_w is None
    assert truth.wheel_power == ()
    assert {phase.kind for phase in truth.logs[0].phases} == {"stand", "other", "coast", "brake"}


def test_truth_file_says_the_same_as_the_object(tmp_path: Path) -> None:
    truth = simulate_session(tmp_path, seed=2, pairs=1)
    saved = json.loads((tmp_path / "truth.json").read_text())
    assert saved["F2_N_per_mps2"] == pytest.approx(truth.f2_n_per_mps2, rel=1e-8)
    assert saved["peak_wheel_power_W"] == pytest.approx(truth.peak_wheel_power_w, rel=1e-8)
    assert saved["wheel_power"][0]["power_W"][0] == pytest.approx(
        truth.wheel_power[0].power_w[0], rel=1e-8
    )
    assert len(saved["runs"]) == 2
    assert saved["runs"][0]["gears"][0]["gear"] == 1
    assert "paths" not in saved


def test_given_vehicle_site_and_masses_are_used(tmp_path: Path) -> None:
    truth = simulate_session(
        tmp_path, seed=1, pairs=1, vehicle=plain_vehicle(), site=calm_site(0.002), exact_mass=True
    )
    assert isinstance(truth, Truth)
    assert (truth.mass_kg, truth.rotating_mass_kg) == (1500.0, 50.0)
    assert truth.wind_mps == 0.0
    assert truth.slope == pytest.approx(0.002)


@pytest.mark.parametrize(("name", "value"), [("pairs", 0), ("gps_hz", 0.0), ("gps_hz", 80.0)])
def test_impossible_arguments_are_named(tmp_path: Path, name: str, value: float) -> None:
    with pytest.raises(ValueError, match=f"{name} is {value}"):
        simulate_session(tmp_path, seed=1, **{name: value})  # type: ignore[arg-type]
