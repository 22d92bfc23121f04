"""Where the session model's fit starts: first values of all unknowns, and the knots of the slope."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.model.linearise import places_along
from analysis.model.normal_equations import RunState
from analysis.model.observations import COAST, FREE, RunData
from analysis.model.parameters import SPEED_SCALE_MPS, Layout, hat, local_slices
from analysis.model.priors import Prior
from analysis.signals.smoothing import Fused
from logger.arrays import Array

__all__ = ["bump_knots", "first_scale", "first_shared", "first_state", "slope_knots"]

_SLOPE_KNOT_M = 60.0
#: Knots of a bump in the resistance [m/s], how many spans of them coast-downs must cover, and at most.
_BUMP_KNOT_MPS, _LEAST_BUMPS, _MOST_BUMPS = 2.0, 3, 24


def first_scale(fused: Sequence[Fused]) -> float:
    """Return a first guess of the accelerometer's scale error from the lag regressions."""
    gains = [np.linalg.norm(one.mount.lag.weights) for one in fused if one.mount.lag is not None]
    return float(np.clip(1.0 / np.median(gains) - 1.0, -0.07, 0.07)) if gains else 0.0


def slope_knots(runs: Sequence[RunData]) -> Array:
    """Return the knots of the slope profile over all road covered [m]; empty without places."""
    spans = []
    for data in runs:
        edge, _ = places_along(data, data.first_path_mps, data.lag_s)
        if np.isfinite(edge).all():
            spans.append((float(edge.min()), float(edge.max())))
    if not spans:
        return np.zeros(0)
    low, high = min(a for a, _ in spans) - 20.0, max(b for _, b in spans) + 20.0
    count = max(2, round((high - low) / _SLOPE_KNOT_M) + 1)
    return np.linspace(low, min(high, low + 400 * _SLOPE_KNOT_M), min(count, 401))


def bump_knots(runs: Sequence[RunData]) -> Array:
    """Return the speeds [m/s] at which coast-downs may have a resistance of their own; may be empty."""
    covered = [data.first_path_mps[1:][data.drive == COAST] for data in runs]
    speeds = np.concatenate([np.zeros(0), *covered])
    if not speeds.size or np.ptp(speeds) < _LEAST_BUMPS * _BUMP_KNOT_MPS:
        return np.zeros(0)
    low, high = max(float(speeds.min()), 0.0), float(speeds.max())
    return np.linspace(low, high, min(round((high - low) / _BUMP_KNOT_MPS) + 1, _MOST_BUMPS))


def first_shared(runs: Sequence[RunData], layout: Layout, prior: Prior, scale: float) -> Array:
    """Return a start: resistance from the smoothed coast-downs, tractive curves from the pulls."""
    shared = np.zeros(layout.size)
    shared[: prior.mean.size] = prior.mean
    shared[layout.SCALE] = scale
    speeds, slows = [np.zeros(0)], [np.zeros(0)]
    for data in runs:
        accel = np.diff(data.first_path_mps) / np.diff(data.edge_s)
        mid = 0.5 * (data.first_path_mps[1:] + data.first_path_mps[:-1])
        coasting = data.drive == COAST
        speeds.append(mid[coasting])
        slows.append(-accel[coasting])
    v, slow = np.concatenate(speeds), np.concatenate(slows)
    if v.size > 3:
        basis = np.column_stack([np.ones_like(v), (v / SPEED_SCALE_MPS) ** 2])
        ridge = np.diag([1.0, 0.3])
        right = basis.T @ slow + ridge @ np.array([0.12, 0.35])
        r0, r2 = np.linalg.solve(basis.T @ basis + ridge, right)
        shared[0], shared[1], shared[2] = max(r0, 0.02), 0.0, max(r2, 0.02)
    for gear, knots in enumerate(layout.gear_knots_mps):
        left, right = np.eye(knots.size) * 1e-3, np.zeros(knots.size)
        second = np.diff(np.eye(knots.size), n=2, axis=0) if knots.size > 2 else np.zeros((0, 2))
        left = left + 5.0 * second.T @ second if knots.size > 2 else left
        for data in runs:
            here = data.drive == gear
            mid = 0.5 * (data.first_path_mps[1:] + data.first_path_mps[:-1])[here]
            accel = (np.diff(data.first_path_mps) / np.diff(data.edge_s))[here]
            resist = shared[0] + shared[2] * (mid / SPEED_SCALE_MPS) ** 2
            rows = hat(mid, knots)
            left = left + rows.T @ rows
            right = right + rows.T @ (accel + resist)
        shared[layout.gear(gear)] = np.linalg.solve(left, right)
    return shared


def first_state(data: RunData, scale: float) -> RunState:
    """Return a run's own unknowns to start from, along its smoothed path."""
    own = local_slices(data)
    local = np.zeros(max(s.stop for s in own.values()))
    local[own["start_speed"]] = data.first_path_mps[0]
    accel = np.diff(data.first_path_mps) / np.diff(data.edge_s)
    local[own["free"]] = accel[data.drive == FREE]
    if data.has_accel:
        rest = data.force_mps2 - (1.0 + scale) * accel
        local[own["offset"]] = float(np.nanmedian(rest))
    count = data.fix_count if data.fix_count.size else np.ones(data.fix_s.size)
    return RunState(data=data, local=local, path_mps=data.first_path_mps, fix_weight=count)
