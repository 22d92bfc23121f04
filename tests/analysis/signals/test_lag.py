"""Lag of GPS behind the accelerometer: known lags come back, with an sd that is neither small nor big."""

from __future__ import annotations

import numpy as np
import pytest
from make_signals import drive, recording, rotation
from numpy.typing import NDArray

from analysis.signals.lag import LagFit, fit_lag, integral_at
from logger.recording import Recording

Array = NDArray[np.float64]


def _signals(made: Recording) -> tuple[Array, Array, Array, Array]:
    speed = made.channel("speed_mps")
    axes = [made.channel(f"accel_{axis}_mps2") for axis in "xyz"]
    assert speed is not None
    columns = [channel for channel in axes if channel is not None]
    assert len(columns) == 3
    values = np.column_stack([channel.values for channel in columns])
    return speed.t_s, speed.values, columns[0].t_s, values - np.median(values, axis=0)


def _fit(made: Recording) -> LagFit:
    found = fit_lag(*_signals(made))
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("gps_hz", "accel_hz", "noise", "vibration"),
    [
        (1.0, 50.0, 0.06, 0.4),
        (1.0, 100.0, 0.12, 0.8),
        (10.0, 50.0, 0.06, 0.4),
        (1.0, 17.0, 0.06, 0.4),
    ],
)
def test_known_lags_come_back_with_an_honest_sd(
    gps_hz: float, accel_hz: float, noise: float, vibration: float
) -> None:
    """Lags of 0 to 2.5 s, as measured on phones (0.2 to 2.6 s in public recordings), 24 seeds."""
    miss, sd = [], []
    for seed in range(24):
        rng = np.random.default_rng([41, seed])
        lag_s = float(rng.uniform(0.0, 2.5))
        found = _fit(
            recording(
                drive(seed),
                seed=seed,
                turn=rotation(rng),
                sign=float(rng.choice([-1.0, 1.0])),
                lag_s=lag_s,
                gps_hz=gps_hz,
                accel_hz=accel_hz,
                fix_noise_mps=noise,
                vibration_mps2=vibration,
            )
        )
        miss.append(found.lag_s - lag_s)
        sd.append(found.lag_sd_s)
    z = np.array(miss) / np.array(sd)
    assert abs(float(np.mean(miss))) < 0.02
    # chi-square with 24 degrees of freedom: 99.9 % below 51.2; an sd of more than three times the
    # scatter (mean square below 1/9) would throw information away
    assert float(np.sum(z**2)) < 51.2
    assert float(np.mean(z**2)) > 1.0 / 9.0


def test_weights_point_forward_and_undo_the_scale() -> None:
    """d(speed)/dt = weights @ acceleration: for a sensor that reads 4 % too much they are 1/1.04."""
    rng = np.random.default_rng(42)
    turn = rotation(rng)
    found = _fit(recording(drive(3, runs=4), turn=turn, sign=-1.0, gain=1.04))
    forward = -turn[:, 0]
    length = float(np.linalg.norm(found.weights))
    # regression noise: vibration of 0.4 m/s2 integrated over 2 s leaves 0.1 m/s beside some 4 m/s
    # of change in over 100 differences
    assert found.weights @ forward / length == pytest.approx(1.0, abs=0.002)
    assert length == pytest.approx(1.0 / 1.04, rel=0.015)
    assert found.explained > 0.99


def test_unrelated_acceleration_explains_nothing() -> None:
    fix_s, speed, accel_s, axes = _signals(recording(drive(5)))
    noise = np.random.default_rng(43).standard_normal(axes.shape)
    found = fit_lag(fix_s, speed, accel_s, noise)
    assert found is not None
    assert found.explained < 0.3


def test_too_little_to_go_by_gives_no_lag() -> None:
    fix_s, speed, accel_s, axes = _signals(recording(drive(6)))
    assert fit_lag(fix_s[:3], speed[:3], accel_s, axes) is None
    assert fit_lag(fix_s, speed, accel_s[:10], axes[:10]) is None
    assert fit_lag(fix_s, np.full(speed.size, 20.0), accel_s, axes) is None
    after = accel_s[-1] + 100.0
    assert fit_lag(fix_s + after, speed, accel_s, axes) is None


def test_the_integral_is_exact_for_straight_pieces() -> None:
    """The trapezium rule has no error on a ramp: integral of 2 t is t^2."""
    time_s = np.array([0.0, 0.3, 1.0, 1.1, 2.0])
    accel = np.column_stack([2.0 * time_s, np.ones(5)])
    found = integral_at(time_s, time_s, accel)
    np.testing.assert_allclose(found[:, 0], time_s**2, atol=1e-12)
    np.testing.assert_allclose(found[:, 1], time_s, atol=1e-12)
    outside = integral_at(np.array([-5.0, 9.0]), time_s, accel)
    np.testing.assert_allclose(outside, [[0.0, 0.0], [4.0, 2.0]], atol=1e-12)
