"""Phone signals of a made-up drive: speed fixes and three axes of acceleration, every fault by choice.

Written from the physics of the sensors alone; nothing here is shared with the estimator or the
simulator.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.recording import Channel, Clock, Recording

__all__ = ["Drive", "drive", "recording", "rotation"]

Array = NDArray[np.float64]
_STEP_S = 0.01


@dataclass(frozen=True, slots=True)
class Drive:
    """True motion every 0.01 s from 0: times [s], speed [m/s], forward acceleration [m/s2]."""

    time_s: Array
    speed_mps: Array
    accel_mps2: Array


def drive(seed: int = 0, runs: int = 2) -> Drive:
    """Stand, pull in two gears, coast and brake, several times over."""
    rng = np.random.default_rng([31, seed])
    parts: list[tuple[float, float]] = []
    for _ in range(runs):
        parts += [
            (5.0, 0.0), (4.0, rng.uniform(2.5, 3.5)), (0.7, -0.3), (6.0, rng.uniform(1.8, 2.3)),
            (25.0, rng.uniform(-0.5, -0.35)),
        ]  # fmt: skip
        gained = sum(length * a for length, a in parts[-4:])
        parts.append((gained / 2.0, -2.0))  # to a standstill
    accel = np.concatenate([np.full(round(length / _STEP_S), a) for length, a in parts])
    # torque and brakes build up over some 0.2 s
    kernel = np.hanning(23) / np.hanning(23).sum()
    accel = np.asarray(np.convolve(accel, kernel, mode="same"), dtype=np.float64)
    speed = np.concatenate([[0.0], np.cumsum(0.5 * (accel[1:] + accel[:-1])) * _STEP_S])
    return Drive(
        np.arange(accel.size, dtype=np.float64) * _STEP_S,
        np.asarray(np.maximum(speed, 0.0), dtype=np.float64),
        accel,
    )


def rotation(rng: np.random.Generator) -> Array:
    """Return a random rotation matrix: vehicle axes (forward, left, up) to device axes."""
    q, r = np.linalg.qr(rng.standard_normal((3, 3)))
    q = q * np.sign(np.diag(r))
    return np.asarray(q * np.sign(np.linalg.det(q)))


def recording(
    motion: Drive,
    *,
    seed: int = 0,
    turn: Array | None = None,
    sign: float = 1.0,
    gravity_mps2: float = 9.81,
    bias_mps2: tuple[float, float, float] = (0.1, -0.15, 0.05),
    gain: float = 1.0,
    lag_s: float = 0.6,
    accel_hz: float = 50.0,
    gps_hz: float = 1.0,
    fix_noise_mps: float = 0.06,
    vibration_mps2: float = 0.4,
    clocks: tuple[float, float] | None = None,
) -> Recording:
    """Record a drive.

    `turn` takes vehicle axes to device axes; `sign` -1 is a device that gives -g along up at rest;
    `gain` scales what is not gravity; `clocks` are the zero of each file's clock on the other's,
    where the two share none: (0, x) puts the accelerometer's stamps x seconds early.
    """
    rng = np.random.default_rng([32, seed])
    turn = np.eye(3) if turn is None else turn
    end = float(motion.time_s[-1])
    stamp = np.arange(rng.uniform(0.0, 1.0 / gps_hz), end, 1.0 / gps_hz)
    seen = np.interp(stamp - lag_s, motion.time_s, motion.speed_mps)
    speed = np.maximum(seen + fix_noise_mps * rng.standard_normal(stamp.size), 0.0)
    speed[seen < 0.05] = 0.0
    t = np.arange(0.0, end, 1.0 / accel_hz)
    moving = np.interp(t, motion.time_s, motion.speed_mps) > 0.3
    shake = np.where(moving, vibration_mps2, 0.05)[:, None] * rng.standard_normal((t.size, 3))
    forward = gain * np.interp(t, motion.time_s, motion.accel_mps2)
    body = np.column_stack([forward, np.zeros(t.size), np.full(t.size, gravity_mps2)]) + shake
    device = sign * body @ turn.T + np.array(bias_mps2)
    shift = 0.0 if clocks is None else clocks[1]
    index = 0 if clocks is None else 1
    channels = [Channel(name="speed_mps", t_s=stamp, values=speed)]
    for axis in range(3):
        name = f"accel_{'xyz'[axis]}_mps2"
        channels.append(Channel(name=name, t_s=t - shift, values=device[:, axis], clock=index))
    all_clocks = tuple(
        Clock(kind="elapsed", epoch_s=None, described=f"made {i}") for i in range(index + 1)
    )
    return Recording(channels=tuple(channels), clocks=all_clocks)
