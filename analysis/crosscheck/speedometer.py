"""Which part of a disagreement is the speedometer, which the reaction, and which gate is wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.crosscheck.gate_fit import gate_covariance_s2
from analysis.crosscheck.gate_model import GateModel
from analysis.crosscheck.timed_runs import TimedRun
from logger.arrays import Array

__all__ = ["WRONG_SIGMA", "SpeedometerFit", "fit_speedometer", "gate_slopes"]


#: Speedometers and the gates read off them: none of these is wrong by much more [ratio, s].
_SCALE_SD, _REACTION_SD_S = 0.05, 0.2
#: Beyond this many sigma an interval is wrong by itself.
WRONG_SIGMA = 3.5


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedometerFit:
    """Speedometer scale and reaction with covariance, residual z of each run, and who is odd."""

    scale: float
    reaction_s: float
    covariance: Array
    z: Array
    odd: tuple[bool, ...]


def gate_slopes(runs: Sequence[TimedRun], model: GateModel) -> Array:
    """Return the change of each time with each gate [s per m/s], over one sd to either side."""
    rows = []
    for run in runs:
        row = []
        for end in (0, 1):
            step = max(run.speed_sd_mps, 0.01)
            speeds = [run.gates.from_mps, run.gates.to_mps]
            times, moved = [], []
            for side in (step, -step):
                other = list(speeds)
                other[end] = max(other[end] + side, 0.0)
                times.append(model.time_s(run.kind, other[0], other[1]))
                moved.append(other[end])
            width = moved[0] - moved[1]
            slope = (times[0] - times[1]) / width
            if not np.isfinite(slope):  # the one side is beyond what the model reaches
                here = model.time_s(run.kind, *speeds)
                ends = [t for t in zip(times, moved, strict=True) if np.isfinite(t[0])]
                slope = (ends[0][0] - here) / (ends[0][1] - speeds[end]) if ends else 0.0
            row.append(float(slope))
        rows.append(row)
    return np.array(rows)


def fit_speedometer(runs: Sequence[TimedRun], model: GateModel) -> SpeedometerFit:
    """Estimate scale and reaction from all intervals but those that disagree with the rest."""
    timed = np.array([run.gates.duration_s for run in runs])
    prior = np.diag([1.0 / _SCALE_SD**2, 1.0 / _REACTION_SD_S**2])
    noise = gate_covariance_s2(runs, gate_slopes(runs, model)) + model.covariance_s2(runs)

    def times(scale: float) -> Array:
        """Return the predicted times at true speeds: gates over the scale."""
        return np.array(
            [model.time_s(r.kind, r.gates.from_mps / scale, r.gates.to_mps / scale) for r in runs]
        )

    def solve(kept: NDArray[np.bool_]) -> tuple[Array, Array, Array]:
        """Return log scale and reaction, their covariance, and z of every run, from the kept ones."""
        x = np.array([0.0, 0.0])
        inverse = np.linalg.inv(noise[np.ix_(kept, kept)])
        for _ in range(6):
            now = times(float(np.exp(x[0])))
            slope = (times(float(np.exp(x[0] + 0.005))) - times(float(np.exp(x[0] - 0.005)))) / 0.01
            # timed = t(gates / scale) + reaction, linear in log scale and reaction
            rows = np.column_stack([slope, np.ones(len(runs))])
            rows = np.where(np.isfinite(rows), rows, 0.0)
            rest = np.where(np.isfinite(now), timed - now - x[1], 0.0)
            # (J' N^-1 J + P) step = J' N^-1 rest - P x
            matrix = rows[kept].T @ inverse @ rows[kept] + prior
            right = rows[kept].T @ inverse @ rest[kept] - prior @ x
            step = np.linalg.solve(matrix, right)
            x = x + np.clip(step, -0.1, 0.1)
            if float(np.abs(step).max()) < 1e-5:
                break
        covariance = np.linalg.inv(matrix)
        # variance of each residual: N + J C J'
        spread = np.sqrt(np.diag(noise) + np.einsum("ij,jk,ik->i", rows, covariance, rows))
        rest = timed - times(float(np.exp(x[0]))) - x[1]
        return x, covariance, np.where(np.isfinite(rest), rest / spread, 0.0)

    good = np.ones(len(runs), dtype=bool)
    while good.sum() > 2 and (~good).sum() < len(runs) // 3:
        left_out = np.zeros(len(runs))
        for at in np.flatnonzero(good):
            without = good.copy()
            without[at] = False
            _, _, z = solve(without)
            # what remains must fit without it, or nothing is shown about this one
            left_out[at] = abs(z[at]) / max(1.0, float(np.sqrt(np.mean(z[without] ** 2))))
        worst = int(np.argmax(left_out))
        if left_out[worst] < WRONG_SIGMA:
            break
        good[worst] = False
    x, covariance, z = solve(good)
    scale = float(np.exp(x[0]))
    return SpeedometerFit(
        scale=scale,
        reaction_s=float(x[1]),
        covariance=covariance * np.outer([scale, 1.0], [scale, 1.0]),
        z=z,
        odd=tuple(bool(v) for v in ~good),
    )
