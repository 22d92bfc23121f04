"""The simulated phone against closed forms: what sensors feel, their lag, noise and faults.

A simulator that is wrong in the same way as the estimator would hide the error, so nothing here
comes from the estimator.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_drives import calm_site, drive, plain_vehicle

from analysis.simulate.drive import Trip, TrueCar
from analysis.simulate.path import GRID_S
from analysis.simulate.phone import draw_phone, record_gps, record_motion
from analysis.simulate.road import gust_series
from analysis.simulate.signals import first_order, vibration


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
    car = TrueCar(vehicle=vehicle, mass_kg=1500.0, rotating_mass_kg=50.0, gravity_mps2=9.81)
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
