"""What the best of observers would make of a session of a world: a floor under every error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from motion import GRID_S, Path, RunTimes
from numpy.typing import NDArray
from true_values import Truth

__all__ = ["OracleEstimate", "oracle"]

Floats = NDArray[np.float64]

# what session.toml leaves open: defaults of the session's format, one standard deviation
_WIND_SD_MPS, _SLOPE_SD = 3.0, 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class OracleEstimate:
    """Road load over the truth at some speeds, peak power over the truth: both less one."""

    load_error: tuple[float, ...]
    peak_error: float


def oracle(truth: Truth, speeds_mps: Floats, rng: np.random.Generator) -> OracleEstimate:
    """Fit the true path from noisy speeds by weighted least squares.

    It knows the true path: places, phases, the shape of the drive's force, gusts, waves of the
    slope, how the tyres warm. It is handed the true speed at the true times of the session's
    fixes, with only the receiver's noise on it: no lag, no filter, no repeats. It does not know
    F0, F1, F2, how strong the drive is, the mean slope and the mean wind (their priors are those of
    the session), each run's first speed, and the masses but for what is stated. It has no use for
    the accelerometer.

    Integrated, the equation of motion is linear in what it does not know:

        v(t) = v_0 + (k int T - F0 int w - F1 int w v - F2 int u V - c_w int 2 F2 d |u| - c_s d m g t)
               / m_e

    Parameters
    ----------
    truth : Truth
        The session.
    speeds_mps : array of shape (n,)
        Where road loads are compared.
    rng : numpy.random.Generator
        Noise of its speeds.

    Returns
    -------
    OracleEstimate
    """
    body, receiver = truth.body, truth.setup.receiver
    noise = np.sqrt(receiver.white_mps**2 + receiver.slow_mps**2 + receiver.step_mps**2 / 12.0)
    blocks, values = [], []
    stretches = [
        (run, truth.paths[log], truth.fixes[log].taken_s)
        for run, log in zip(truth.runs, truth.log_of, strict=True)
    ]
    for run, path, taken in stretches:
        for start, end in _driven(path, run):
            times = np.unique(taken[(taken >= start) & (taken < end)])
            if times.size > 2:
                rows, waves = _integrals(truth, path, start, end, times)
                blocks.append(rows)
                values.append(np.interp(times, path.time_s, path.speed_mps) - waves)
    known = np.vstack(blocks)
    starts = np.zeros((known.shape[0], len(blocks)))
    row = 0
    for number, block in enumerate(blocks):
        starts[row : row + block.shape[0], number] = 1.0
        row += block.shape[0]
    design = np.hstack([known, starts]) / noise
    seen = np.concatenate(values)
    seen = (seen + noise * rng.standard_normal(seen.size)) / noise
    # slope and wind are counted from the truth, and drawn to what session.toml says: by default 0
    road, wind = truth.setup.road, float(np.mean([np.mean(p.wind_mps) for p in truth.paths]))
    slope_sd = road.stated_grade_sd or _SLOPE_SD
    priors = np.zeros((2, design.shape[1]))
    priors[0, 4], priors[1, 5] = 1.0 / _WIND_SD_MPS, 1.0 / slope_sd
    stated_slope = 0.0 if road.stated_grade is None else road.stated_grade
    pulled = np.array([(0.0 - wind) / _WIND_SD_MPS, (stated_slope - road.grade) / slope_sd])
    scale = np.sqrt(np.sum(design**2, axis=0))
    both = np.vstack([design, priors]) / scale
    found = np.linalg.lstsq(both, np.concatenate([seen, pulled]), rcond=None)[0] / scale
    stated = truth.setup.vehicle
    mass_ratio = (stated.mass_kg + stated.rotating_mass_kg) / body.effective_mass_kg
    tyres = truth.f0_n / body.f0_n  # how warm they were in the coast-downs
    load = tyres * (found[1] + found[2] * speeds_mps) + found[3] * speeds_mps**2
    errors = mass_ratio * load / truth.force_n(speeds_mps) - 1.0
    return OracleEstimate(
        load_error=tuple(errors.tolist()), peak_error=float(mass_ratio * found[0] - 1.0)
    )


def _driven(path: Path, run: RunTimes) -> list[tuple[float, float]]:
    """Return the stretches of a run between launch and brakes in which forces decide."""
    first, last = round(run.launch_s / GRID_S) + 1, round(run.brake_s / GRID_S) - 1
    free = np.isfinite(path.force_n[first:last]).astype(np.int8)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], free, [0]])))
    return [
        (GRID_S * (first + low), GRID_S * (first + high - 1))
        for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    ]


def _integrals(
    truth: Truth, path: Path, start_s: float, end_s: float, at_s: Floats
) -> tuple[Floats, Floats]:
    """Return columns k, F0, F1, F2, wind, slope, shape (n, 6), and what the known slope did."""
    body = truth.body
    part = slice(round(start_s / GRID_S), round(end_s / GRID_S) + 1)
    v, d, warm = path.speed_mps[part], path.direction[part], path.warm[part]
    u = v + d * path.wind_mps[part]
    still = body.f2_n_per_mps2 * u * np.abs(u)
    weight = body.mass_kg * body.gravity_mps2 * d
    # resistance of the true path, less what F0 and F1 make of it, over F2: the flow
    rolling = warm * (body.f0_n + body.f1_n_per_mps * v)
    flow = (
        path.resistance_n(body)[part] - rolling - weight * path.slope[part]
    ) / body.f2_n_per_mps2
    rates = np.column_stack(
        [
            path.force_n[part],
            -warm,
            -warm * v,
            -flow,
            -2.0 * d * np.sign(u) * np.sqrt(np.abs(still) * body.f2_n_per_mps2),
            -weight,
        ]
    )
    steps = 0.5 * (rates[1:] + rates[:-1]) * GRID_S / body.effective_mass_kg
    sums = np.vstack([np.zeros(rates.shape[1]), np.cumsum(steps, axis=0)])
    waves = -weight * path.slope[part] / body.effective_mass_kg
    drop = np.append(0.0, np.cumsum(0.5 * (waves[1:] + waves[:-1]) * GRID_S))
    grid = path.time_s[part]
    columns = [np.interp(at_s, grid, sums[:, column]) for column in range(sums.shape[1])]
    return np.column_stack(columns), np.interp(at_s, grid, drop)
