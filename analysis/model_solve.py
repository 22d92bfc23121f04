"""Solve the session model: priors, elimination run by run, noise levels from the data.

The unknowns of one run touch the other runs only through the shared ones, so they are eliminated
run by run (Schur complement): time grows linearly with runs, and leaving a run out is a
subtraction. Variances follow from the data by the fixed-point rule of the evidence
approximation, `sd^2 = u'Qu / (n - tr(QC)/sd^2)` (MacKay, Neural Computation 4 (1992) 415; from
memory), held by a weak prior on each.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.model_design import (
    COAST,
    GUST_S,
    LAG_S,
    OFFSET_S,
    SLOW_NOISE_S,
    Layout,
    Linearised,
    RunData,
    knots_over,
    local_slices,
)

__all__ = [
    "Normal",
    "Prior",
    "RunState",
    "Spread",
    "eliminate",
    "fix_weights",
    "inverse",
    "next_spread",
    "run_covariance",
    "shared_prior_matrix",
    "shared_solution",
    "spread_table",
]

Array: TypeAlias = NDArray[np.float64]

#: Waves of the slope profile about its mean [m], all lengths of a band alike per octave. Waves longer
#: than a test road differ little from its mean slope, which has a prior of its own; they get a share
#: of the variance that keeps intervals honest on roads that do roll (measured with simulated roads
#: of 0.2 % sd in waves of 600 to 5000 m).
SLOPE_WAVES_M = (120.0, 1500.0)
LONG_WAVES_M = (1500.0, 8000.0)
_LONG_SHARE = 0.12
#: Bin length to which the accelerometer's noise levels refer [s].
FORCE_BIN_S = 0.2
#: Measurements farther off than this many sd are left out of the fit.
_OUTLIER_SD = 4.5
_FIXED = 1e14
#: How fast a vehicle may creep while it is taken to stand [m/s].
_REST_MPS = 0.1
_POWER_KEPT, _POWER_KEPT_SD = 0.9, 0.15


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations of everything random in the model, learnt from the data.

    fix [m/s]: white GPS noise. force_drive, force_coast [m/s2]: vibration left in a 0.2 s bin.
    slow_noise [m/s]: slow GPS noise. gust, wind [m/s]: gusts, run-to-run wind. offset_wander
    [m/s2]: slow accelerometer offset. lag_wander, lag [s]. pull (ratio): pull-to-pull drive.
    slope (ratio): slope profile about its mean. bend: second derivative of tractive acceleration
    over speed, dimensionless. scale (ratio): run-to-run accelerometer scale.
    """

    fix: float = 0.08
    force_drive: float = 0.15
    force_coast: float = 0.12
    slow_noise: float = 0.03
    gust: float = 0.4
    wind: float = 0.4
    offset_wander: float = 0.03
    lag_wander: float = 0.05
    lag: float = 0.25
    pull: float = 0.01
    slope: float = 0.003
    bend: float = 2.0
    scale: float = 0.003


#: How many observations the starting value of each spread counts for, and its range.
_HOLD: dict[str, tuple[float, float, float]] = {
    "fix": (10.0, 0.01, 2.0),
    "force_drive": (20.0, 0.005, 3.0),
    "force_coast": (20.0, 0.005, 3.0),
    "slow_noise": (40.0, 0.003, 0.5),
    "gust": (40.0, 0.02, 2.0),
    "wind": (4.0, 0.02, 2.0),
    "offset_wander": (30.0, 0.003, 0.5),
    "lag_wander": (10.0, 0.005, 0.6),
    "pull": (4.0, 0.001, 0.1),
    "slope": (10.0, 0.0003, 0.03),
    "bend": (8.0, 1.0, 20.0),
}


@dataclass(frozen=True, slots=True)
class Prior:
    """Mean and sd of the shared unknowns with a prior of their own, in the layout's first seven.

    Slope profile and tractive curves are held by `Spread.slope` and `Spread.bend`.
    """

    mean: Array
    sd: Array
    most_slope: float
    most_wind_mps: float


@dataclass(frozen=True, slots=True)
class RunState:
    """One run between two rounds: its own unknowns, its path, and the weight of each fix."""

    data: RunData
    local: Array
    path_mps: Array
    fix_weight: Array


@dataclass(frozen=True, slots=True)
class Normal:
    """Normal equations of one run, its own prior included, and what elimination leaves.

    Parameters
    ----------
    shared, cross, own : arrays of shape (p, p), (p, q), (q, q)
        Information matrix blocks.
    own_inverse : array of shape (q, q)
        Inverse of `own`.
    gradient_shared, gradient_own : arrays of shape (p,), (q,)
        Right-hand sides.
    """

    shared: Array
    cross: Array
    own: Array
    own_inverse: Array
    gradient_shared: Array
    gradient_own: Array

    def left(self, fixed: NDArray[np.int_] | None = None) -> tuple[Array, Array]:
        """Return information and right-hand side of the shared unknowns after elimination."""
        own_inverse = self.own_inverse
        if fixed is not None and fixed.size:
            own = self.own.copy()
            own[fixed, fixed] += _FIXED
            own_inverse = inverse(own)
        gain = self.cross @ own_inverse
        return self.shared - gain @ self.cross.T, self.gradient_shared - gain @ self.gradient_own


_PRECISION: dict[tuple[int, float], Array] = {}


def inverse(matrix: Array) -> Array:
    """Return the inverse of a square matrix."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def _unit_precision(count: int, spacing_over_time: float) -> Array:
    """Return the inverse correlation matrix of `count` knots of an exponential process."""
    key = (count, round(spacing_over_time, 6))
    if key not in _PRECISION:
        lag = np.abs(np.subtract.outer(np.arange(count), np.arange(count))) * spacing_over_time
        _PRECISION[key] = inverse(np.exp(-lag) + 1e-9 * np.eye(count))
    return _PRECISION[key]


_PROCESSES = {
    "lag_wander": LAG_S,
    "offset_wander": OFFSET_S,
    "gust": GUST_S,
    "slow_noise": SLOW_NOISE_S,
}


def _process_precision(data: RunData, name: str, count: int) -> Array:
    spacing, time_s = _PROCESSES[name]
    length = float(data.edge_s[-1] - data.edge_s[0])
    real = length / max(knots_over(0.0, length, spacing).size - 1, 1)
    return _unit_precision(count, real / time_s)


def _local_prior(data: RunData, spread: Spread, own: dict[str, slice]) -> Array:
    size = max(s.stop for s in own.values())
    matrix = np.zeros((size, size))
    single = {
        "start_speed": _REST_MPS if data.from_rest else 3.0,
        "lag": spread.lag,
        "offset": 0.8,
        "wind": spread.wind,
        "pull": spread.pull,
        "scale": spread.scale,
        "free": 3.0,
    }
    for name, sd in single.items():
        for i in range(own[name].start, own[name].stop):
            matrix[i, i] = 1.0 / sd**2
    for name in _PROCESSES:
        count = own[name].stop - own[name].start
        if count:
            precision = _process_precision(data, name, count)
            matrix[own[name], own[name]] = precision / getattr(spread, name) ** 2
    return matrix


def _force_sd(data: RunData, bins: NDArray[np.int_], spread: Spread) -> Array:
    dt = np.diff(data.edge_s)[bins]
    level = np.where(data.drive[bins] == COAST, spread.force_coast, spread.force_drive)
    return np.asarray(level * np.sqrt(FORCE_BIN_S / dt))


def eliminate(
    state: RunState, lin: Linearised, layout: Layout, spread: Spread, first: Array
) -> Normal:
    """Form one run's normal equations.

    Parameters
    ----------
    state : RunState
        Unknowns and weights.
    lin : Linearised
        Misses and Jacobian there.
    layout, spread
        Shared layout and noise levels.
    first : array
        Prior mean of the run's own unknowns.

    Returns
    -------
    Normal
        Ready to add up over runs.
    """
    p = layout.size
    own = local_slices(state.data)
    weight = np.sqrt(state.fix_weight) / spread.fix
    rows = [lin.fix_rows * weight[:, None]]
    miss = [lin.fix_miss * weight]
    if lin.force_bins.size:
        each = 1.0 / _force_sd(state.data, lin.force_bins, spread)
        rows.append(lin.force_rows * each[:, None])
        miss.append(lin.force_miss * each)
    stacked, missed = np.concatenate(rows), np.concatenate(miss)
    information = stacked.T @ stacked
    gradient = stacked.T @ missed
    prior = _local_prior(state.data, spread, own)
    own_block = information[p:, p:] + prior
    return Normal(
        information[:p, :p],
        information[:p, p:],
        own_block,
        inverse(own_block),
        gradient[:p],
        gradient[p:] - prior @ (state.local - first),
    )


def _slope_precision(layout: Layout) -> Array:
    x = layout.slope_knots_m
    away = np.subtract.outer(x, x)
    likeness = _waves(away, *SLOPE_WAVES_M) + _LONG_SHARE * _waves(away, *LONG_WAVES_M)
    return inverse(likeness + 1e-4 * np.eye(x.size))


def _waves(away_m: Array, shortest_m: float, longest_m: float) -> Array:
    """Return the correlation of waves of random phase, all lengths alike per octave."""
    lengths = np.geomspace(shortest_m, longest_m, 40)
    return np.asarray(np.cos(2.0 * np.pi * away_m[..., None] / lengths).mean(axis=-1))


def _bend_precision(knots: Array, level_mps2: float) -> Array:
    """Return the precision of a smoothing curve per unit of dimensionless bend.

    The integral of the squared second derivative over speed, stated in units of
    (level / speed^1.5)^2: with them gears of any ratio have the same bend, since they show the
    same engine stretched.
    """
    if knots.size < 3:
        return np.zeros((knots.size, knots.size))
    h = float(knots[1] - knots[0])
    second = np.diff(np.eye(knots.size), n=2, axis=0)
    unit = level_mps2 / float(knots.mean()) ** 1.5
    return np.asarray(second.T @ second / h**3 / unit**2)


def _slope_over_gear(knots: Array, level_mps2: float) -> tuple[Array, Array]:
    """Return precision and mean of a gear's curve from what engines do over a gear.

    Between constant force and constant power the tractive force falls by 0 to 1 times T/v per
    unit of speed; the weak prior is -0.4 with sd 0.6 of it, for the mean slope over the gear.
    """
    middle = float(knots.mean())
    unit = level_mps2 / middle
    across = np.zeros(knots.size)
    across[-1], across[0] = 1.0, -1.0
    across /= float(knots[-1] - knots[0])
    mean = level_mps2 - 0.4 * unit * (knots - middle)
    return np.outer(across, across) / (0.6 * unit) ** 2, mean


def shared_prior_matrix(layout: Layout, prior: Prior, spread: Spread) -> tuple[Array, Array]:
    """Return precision of the shared unknowns before any data, and precision times mean.

    Shapes (p, p) and (p,).
    """
    matrix = np.zeros((layout.size, layout.size))
    pull = np.zeros(layout.size)
    pull[: prior.mean.size] = prior.mean / prior.sd**2
    np.fill_diagonal(matrix[:7, :7], 1.0 / prior.sd**2)
    if layout.slope_knots_m.size:
        matrix[layout.slope, layout.slope] = _slope_precision(layout) / spread.slope**2
    for gear, knots in enumerate(layout.gear_knots_mps):
        level = layout.gear_level_mps2[gear]
        across, line = _slope_over_gear(knots, level)
        block = _bend_precision(knots, level) / spread.bend**2 + across
        part = layout.gear(gear)
        matrix[part, part] = block + 1e-4 / level**2 * np.eye(knots.size)
        pull[part] = across @ line + 1e-4 / level**2 * line
    for gear in range(len(layout.gear_knots_mps) - 1):
        # across a gear change the wheel power keeps to about 0.9 of itself: less engine speed
        # against less engine inertia; common practice, no source
        row = np.zeros(layout.size)
        row[layout.gear(gear + 1).start] = 1.0
        row[layout.gear(gear).stop - 1] = -_POWER_KEPT
        sd = _POWER_KEPT_SD * layout.gear_level_mps2[gear + 1]
        matrix += np.outer(row, row) / sd**2
    return matrix, pull


def shared_solution(
    normals: Iterable[Normal], matrix: Array, pull_back: Array
) -> tuple[Array, Array]:
    """Add up the runs and the prior; return the step of the shared unknowns and their covariance.

    Parameters
    ----------
    normals : iterable of Normal
        One per run.
    matrix : array of shape (p, p)
        Prior precision.
    pull_back : array of shape (p,)
        `matrix @ (mean - present)`, the prior's gradient.
    """
    information, right = matrix.copy(), pull_back.copy()
    for normal in normals:
        more, side = normal.left()
        information += more
        right += side
    covariance = inverse(information)
    covariance = 0.5 * (covariance + covariance.T)
    return covariance @ right, covariance


def run_covariance(normal: Normal, shared_cov: Array) -> Array:
    """Return the joint covariance of the shared unknowns and one run's own, shape (p + q,) * 2."""
    gain = normal.own_inverse @ normal.cross.T
    cross = -gain @ shared_cov
    return np.block([[shared_cov, cross.T], [cross, normal.own_inverse - cross @ gain.T]])


def next_spread(
    states: Sequence[RunState],
    lins: Sequence[Linearised],
    normals: Sequence[Normal],
    layout: Layout,
    spread: Spread,
    start: Spread,
    prior: Prior,
    shared: Array,
    shared_cov: Array,
) -> Spread:
    """Re-estimate the noise levels and variances of all random parts.

    Parameters
    ----------
    states, lins, normals : one per run
        The round's unknowns, predictions and normal equations.
    layout, spread, start, prior
        Layout, present spread, starting spread (the weak prior), and the caps.
    shared, shared_cov : arrays
        Shared unknowns and their covariance.

    Returns
    -------
    Spread
        Next values, each inside its stated range.
    """
    squares = dict.fromkeys(_HOLD, 0.0)
    count = dict.fromkeys(_HOLD, 0.0)
    for state, lin, normal in zip(states, lins, normals, strict=True):
        cov = run_covariance(normal, shared_cov)
        own = local_slices(state.data)
        fitted = np.einsum("ij,ij->i", lin.fix_rows @ cov, lin.fix_rows)
        squares["fix"] += float(state.fix_weight @ lin.fix_miss**2)
        share = np.minimum(state.fix_weight * fitted / spread.fix**2, 0.98)
        count["fix"] += float(((1.0 - share) * (state.fix_weight > 0)).sum())
        if lin.force_bins.size:
            sd = _force_sd(state.data, lin.force_bins, spread)
            fitted = np.einsum("ij,ij->i", lin.force_rows @ cov, lin.force_rows)
            left = 1.0 - np.minimum(fitted / sd**2, 0.98)
            scaled = (lin.force_miss / sd) ** 2
            coasting = state.data.drive[lin.force_bins] == COAST
            for name, mask in (("force_coast", coasting), ("force_drive", ~coasting)):
                squares[name] += float(scaled[mask].sum()) * getattr(spread, name) ** 2
                count[name] += float(left[mask].sum())
        p = layout.size
        for name in (*_PROCESSES, "wind", "pull"):
            part = own[name]
            n = part.stop - part.start
            if not n:
                continue
            q = np.eye(n) if n == 1 else _process_precision(state.data, name, n)
            u = state.local[part]
            block = cov[p + part.start : p + part.stop, p + part.start : p + part.stop]
            squares[name] += float(u @ q @ u)
            count[name] += n - float(np.sum(q * block)) / getattr(spread, name) ** 2
    if layout.slope_knots_m.size:
        q, u = _slope_precision(layout), shared[layout.slope]
        squares["slope"] = float(u @ q @ u)
        block = shared_cov[layout.slope, layout.slope]
        count["slope"] = u.size - float(np.sum(q * block)) / spread.slope**2
    for gear, knots in enumerate(layout.gear_knots_mps):
        part = layout.gear(gear)
        q, u = _bend_precision(knots, layout.gear_level_mps2[gear]), shared[part]
        squares["bend"] += float(u @ q @ u)
        count["bend"] += (
            max(u.size - 2, 0) - float(np.sum(q * shared_cov[part, part])) / spread.bend**2
        )
    caps = {"slope": prior.most_slope, "wind": prior.most_wind_mps, "gust": prior.most_wind_mps}
    new: dict[str, float] = {}
    for name, (hold, low, high) in _HOLD.items():
        base = min(getattr(start, name), caps.get(name, np.inf))
        variance = (squares[name] + hold * base**2) / (max(count[name], 0.0) + hold)
        high = min(high, max(caps.get(name, high), 1e-6))
        new[name] = float(np.clip(np.sqrt(variance), min(low, high), high))
    return replace(spread, **new)


def fix_weights(data: RunData, lin: Linearised, fix_sd: float) -> Array:
    """Return the weight of each fix, shape (q,): 0 for those far off, else how many it stands for."""
    count = data.fix_count if data.fix_count.size else np.ones(lin.fix_miss.size)
    return np.where(np.abs(lin.fix_miss) > _OUTLIER_SD * fix_sd, 0.0, count)


def spread_table(spread: Spread) -> dict[str, float]:
    """Return the noise levels by name, for the history."""
    return {field.name: float(getattr(spread, field.name)) for field in fields(spread)}
