"""Signals between a true motion and a sensor: smoothing, the sprung body, ride vibration."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["first_order", "on_springs", "rotation", "vibration"]

Floats = NDArray[np.float64]

# Ride vibration by band, rms [m/s2] forward / lateral / vertical, of a phone-class sensor at
# 104 Hz in a car; the lowest band is body pitch from road roughness only, without the driving.
_BAND_EDGES_HZ = (0.2, 1.0, 3.0, 8.0, 15.0, 25.0, 40.0, 52.0)
_BAND_RMS = (
    (0.05, 0.19, 0.12, 0.28, 0.19, 0.25, 0.39),
    (0.05, 0.11, 0.16, 0.22, 0.18, 0.11, 0.12),
    (0.05, 0.21, 0.15, 0.37, 0.23, 0.20, 0.21),
)
_PITCH_HZ, _PITCH_DAMPING = 1.7, 0.35  # the body on its springs


def rotation(quaternion: Floats) -> tuple[tuple[float, float, float], ...]:
    """Return the rotation matrix of a quaternion of any length (Euler-Rodrigues)."""
    w, x, y, z = (quaternion / np.linalg.norm(quaternion)).tolist()
    return (
        (1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)),
        (2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)),
        (2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)),
    )


def first_order(values: Floats, step_s: float, tau_s: float) -> Floats:
    """Smooth by a first-order lag of unit gain, starting in equilibrium."""
    if tau_s < step_s / 2:
        return values
    keep = float(np.exp(-step_s / tau_s))
    # exact for input that runs straight between grid points
    weight_now = 1.0 - tau_s / step_s * (1.0 - keep)
    weight_before = 1.0 - keep - weight_now
    listed: list[float] = values.tolist()
    state = before = listed[0]
    out = []
    for value in listed:
        state = keep * state + weight_before * before + weight_now * value
        before = value
        out.append(state)
    return np.array(out, dtype=np.float64)


def on_springs(accel: Floats, step_s: float) -> Floats:
    """Return acceleration as the sprung body follows it: second order, unit gain."""
    size = 1 << int(np.ceil(np.log2(accel.size + 1000)))  # room for the ringing to die
    omega = 2.0 * np.pi * np.fft.rfftfreq(size, step_s)
    natural = 2.0 * np.pi * _PITCH_HZ
    response = natural**2 / (natural**2 - omega**2 + 2j * _PITCH_DAMPING * natural * omega)
    out: Floats = np.fft.irfft(np.fft.rfft(accel, size) * response, size)[: accel.size]
    return out


def vibration(rng: np.random.Generator, count: int, rate_hz: float, axis: int) -> Floats:
    """Return vibration sampled at a rate, forward-axis total 1; faster parts fold down."""
    edges = np.array(_BAND_EDGES_HZ)
    density = np.array(_BAND_RMS[axis]) ** 2 / np.diff(edges)
    density /= float(np.sum(np.array(_BAND_RMS[0]) ** 2))
    frequency = np.fft.rfftfreq(count, 1.0 / rate_hz)
    power = np.zeros(frequency.size)
    folds = int(np.ceil(edges[-1] / rate_hz))
    for fold in range(folds + 1):
        for image in {fold * rate_hz, -fold * rate_hz}:
            there = np.abs(frequency + image)
            band = np.searchsorted(edges, there, side="right") - 1
            inside = (band >= 0) & (band < density.size)
            power += np.where(inside, density[np.clip(band, 0, density.size - 1)], 0.0)
    spectrum = np.fft.rfft(rng.standard_normal(count)) * np.sqrt(power * rate_hz / 2.0)
    out: Floats = np.fft.irfft(spectrum, count)
    return out
