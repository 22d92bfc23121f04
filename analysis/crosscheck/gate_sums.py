"""A timed pull's arithmetic: the customary steps, and the mean power that is right."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.crosscheck.gate_model import GateModel
from analysis.crosscheck.segments import SegmentSum
from analysis.crosscheck.timed_runs import TimedRun

__all__ = ["arithmetic_steps", "pull_mean_power_w", "pull_profile", "weighted_segments_w"]

Array = NDArray[np.float64]


def arithmetic_steps(
    sums: SegmentSum,
    pull: TimedRun,
    coasts: Sequence[TimedRun],
    mass_kg: float,
    power_unit: tuple[str, float],
    speed_unit: tuple[str, float],
) -> tuple[str, ...]:
    """Return the customary arithmetic line by line, in the units that people read."""
    lines = []
    for run, power_w in zip((pull, *coasts), (sums.kinetic_mean_w, *sums.segments_w), strict=True):
        high, low = run.gates.to_mps, run.gates.from_mps
        name = "kinetic mean of the pull"
        if run.kind == "coast":
            high, low, name = low, high, "mean given up in the coast-down"
        shown = [v / speed_unit[1] for v in (run.gates.from_mps, run.gates.to_mps)]
        lines.append(
            f"{shown[0]:.4g} to {shown[1]:.4g} {speed_unit[0]}, {name}: {mass_kg:.0f} kg x "
            f"({high:.2f}^2 - {low:.2f}^2) / 2 / {run.gates.duration_s:.2f} s = "
            f"{power_w / power_unit[1]:.1f} {power_unit[0]}"
        )
    return tuple(lines)


def pull_profile(pull: TimedRun, model: GateModel | None) -> tuple[Array, Array]:
    """Return times [s] and speeds [m/s] of a timed pull: the session's shape, or constant power."""
    gates = pull.gates
    if model is not None and model.gear_speed_mps:
        speed, time, _ = model.pull_path(gates.to_mps)
        if speed[-1] >= gates.to_mps:
            inside = (speed > gates.from_mps) & (speed < gates.to_mps)
            v = np.concatenate([[gates.from_mps], speed[inside], [gates.to_mps]])
            t = np.interp(v, speed, time)
            return (t - t[0]) * gates.duration_s / (t[-1] - t[0]), v
    t = np.linspace(0.0, 1.0, 200)
    square = gates.from_mps**2 + t * (gates.to_mps**2 - gates.from_mps**2)
    return t * gates.duration_s, np.sqrt(square)


def pull_mean_power_w(
    pull: TimedRun, model: GateModel, mass_kg: float, mass_share: float
) -> tuple[float, float]:
    """Return the mean wheel power of a timed pull and its sd [W].

    Gain of kinetic energy with the rotating mass, plus the road load along the speeds that the
    session's pulls run through, over the timed duration. `mass_share`: relative sd of the mass.
    """
    gates = pull.gates
    t, v = pull_profile(pull, model)
    gained = 0.5 * (gates.to_mps**2 - gates.from_mps**2)
    resist = np.column_stack([v, v**2, v**3])
    lost = np.array([np.trapezoid(column, t) for column in resist.T])
    mean = mass_kg * (gained + float(lost @ model.resist)) / gates.duration_s
    parts = (
        mass_share * mean,
        mass_kg
        * float(np.sqrt(max(lost @ model.resist_covariance @ lost, 0.0)))
        / gates.duration_s,
        mass_kg * gained / gates.duration_s * pull.time_sd_s / gates.duration_s,
        mass_kg * gates.to_mps * pull.speed_sd_mps / gates.duration_s,
        mass_kg * gates.from_mps * pull.speed_sd_mps / gates.duration_s,
    )
    return mean, float(np.sqrt(sum(part**2 for part in parts)))


def weighted_segments_w(
    sums: SegmentSum, pull: TimedRun, coasts: Sequence[TimedRun], model: GateModel | None
) -> float:
    """Return the segments' powers weighted by the share of the pull spent at their speeds [W]."""
    t, v = pull_profile(pull, model)
    total = 0.0
    for run, power_w in zip(coasts, sums.segments_w, strict=True):
        low, high = np.interp([run.gates.to_mps, run.gates.from_mps], v, t)
        total += power_w * float(high - low) / pull.gates.duration_s
    return total
