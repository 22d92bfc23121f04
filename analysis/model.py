"""The session model: one fit of all runs, both directions, both sensors.

A linear Gaussian regression, re-linearised until the speed paths stand still: see
`model_design.py` for the physics of one run and `model_solve.py` for the algebra.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.model_design import (
    COAST,
    FREE,
    SPEED_SCALE_MPS,
    Layout,
    Linearised,
    RunData,
    hat,
    linearise,
    local_slices,
    places_along,
    step_linear,
)
from analysis.model_solve import (
    Normal,
    Prior,
    RunState,
    Spread,
    eliminate,
    fix_weights,
    inverse,
    next_spread,
    shared_prior_matrix,
    shared_solution,
)
from logger.session import Site, Vehicle

__all__ = [
    "SessionFit",
    "budget",
    "conditioned_covariances",
    "fit_session",
    "mean_slope",
    "resistance_n",
    "slope_effect",
]

Array: TypeAlias = NDArray[np.float64]

_SLOPE_KNOT_M = 60.0
_MOST_ROUNDS = 16
_MOST_STEP_MPS = 4.0
#: The fit stands still when no shared unknown moves by more than this share of its own sd, and no
#: noise level by more than this share of itself.
_STEP_SD, _SPREAD_SHARE = 0.08, 0.08


@dataclass(frozen=True, slots=True)
class SessionFit:
    """What the session model found.

    Parameters
    ----------
    layout : Layout
        Order of the shared unknowns.
    shared, covariance : arrays of shape (p,), (p, p)
        Shared unknowns (accelerations per effective mass, wind [m/s], slopes) and their covariance.
    spread : Spread
        Noise levels learnt.
    states, lins, normals : one per run
        Each run's unknowns, prediction and normal equations at the end.
    prior_matrix : array of shape (p, p)
        Precision that the priors add.
    rounds, converged
        How often it was re-linearised and whether it then stood still.
    """

    layout: Layout
    shared: Array
    covariance: Array
    spread: Spread
    states: tuple[RunState, ...]
    lins: tuple[Linearised, ...]
    normals: tuple[Normal, ...]
    prior_matrix: Array
    rounds: int
    converged: bool


def _shared_prior(site: Site, accel: bool) -> Prior:
    """Return the weak prior of the first seven shared unknowns.

    Resistance: means in the middle of published road loads of cars, sd several times their
    spread (EPA test-car list 2022), so that data decide; F1 may be negative.
    """
    mean = np.array([0.10, 0.05, 0.35, site.wind_mps, site.slope, 0.0, 0.3])
    sd = np.array([0.15, 0.20, 2.0, site.wind_sd_mps, site.slope_sd, 0.06, 0.2 if accel else 0.05])
    return Prior(mean, sd, site.slope_sd, site.wind_sd_mps)


class KnownRoadLoad(Protocol):
    """A road load found elsewhere: coefficients [N, N/(m/s), N/(m/s)^2] and covariance."""

    @property
    def f0_n(self) -> float: ...
    @property
    def f1_n_per_mps(self) -> float: ...
    @property
    def f2_n_per_mps2(self) -> float: ...
    @property
    def covariance(self) -> Array: ...


def _known_prior(known: KnownRoadLoad | None, vehicle: Vehicle) -> tuple[Array | None, Array]:
    """Return precision and mean of the three resistance unknowns from a known road load."""
    if known is None:
        return None, np.zeros(3)
    factor = np.array([1.0, SPEED_SCALE_MPS, SPEED_SCALE_MPS**2]) / vehicle.effective_mass_kg
    mean = np.array([known.f0_n, known.f1_n_per_mps, known.f2_n_per_mps2]) * factor
    covariance = known.covariance * np.outer(factor, factor)
    return inverse(covariance + 1e-9 * np.eye(3)), mean


def _slope_knots(runs: Sequence[RunData]) -> Array:
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


def _first_shared(runs: Sequence[RunData], layout: Layout, prior: Prior, scale: float) -> Array:
    """Return a start: resistance from the smoothed coast-downs, tractive curves from the pulls."""
    shared = np.zeros(layout.size)
    shared[:7] = prior.mean
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


def _first_state(data: RunData, scale: float) -> RunState:
    own = local_slices(data)
    local = np.zeros(max(s.stop for s in own.values()))
    local[own["start_speed"]] = data.first_path_mps[0]
    accel = np.diff(data.first_path_mps) / np.diff(data.edge_s)
    local[own["free"]] = accel[data.drive == FREE]
    if data.has_accel:
        rest = data.force_mps2 - (1.0 + scale) * accel
        local[own["offset"]] = float(np.nanmedian(rest))
    count = data.fix_count if data.fix_count.size else np.ones(data.fix_s.size)
    return RunState(data, local, data.first_path_mps, count)


def _first_local(data: RunData) -> Array:
    """Return the prior mean of a run's own unknowns: its starting speed, else 0."""
    own = local_slices(data)
    first = np.zeros(max(s.stop for s in own.values()))
    first[own["start_speed"]] = 0.0 if data.from_rest else data.first_path_mps[0]
    return first


def fit_session(
    runs: Sequence[RunData],
    gear_knots_mps: tuple[Array, ...],
    vehicle: Vehicle,
    site: Site,
    *,
    scale: float = 0.0,
    start: Spread | None = None,
    hold_spread: bool = False,
    known: KnownRoadLoad | None = None,
) -> SessionFit:
    """Fit all runs of a session at once.

    Parameters
    ----------
    runs : sequence of RunData
        At least one.
    gear_knots_mps : tuple of arrays
        Speed knots per gear [m/s]; empty without pulls.
    vehicle : Vehicle
        Mass and rotating mass.
    site : Site
        Priors of wind and slope.
    scale : float
        First guess of the accelerometer's scale error k.
    start : Spread or None
        Noise levels to start from.
    hold_spread : bool
        True keeps them (an oracle's knowledge).
    known : KnownRoadLoad or None
        Road load from elsewhere, as a prior.

    Returns
    -------
    SessionFit
        Estimates with their covariance.
    """
    prior = _shared_prior(site, any(data.has_accel for data in runs))
    known_precision, known_mean = _known_prior(known, vehicle)
    share = vehicle.mass_kg / vehicle.effective_mass_kg
    layout = Layout(gear_knots_mps, _slope_knots(runs), share)
    begin = start or Spread()
    spread = begin
    shared = _first_shared(runs, layout, prior, scale)
    levels = tuple(
        max(float(shared[layout.gear(gear)].mean()), 0.05) for gear in range(len(gear_knots_mps))
    )
    layout = replace(layout, gear_level_mps2=levels)
    states = [_first_state(data, scale) for data in runs]
    firsts = [_first_local(data) for data in runs]
    converged = False
    rounds = 0
    calm, moved_before = 1.0, np.inf
    while True:
        if rounds <= 2:  # then held: its only use is to state gusts in m/s
            gust_drag = max(float(shared[2]), 0.01)
        lins = [linearise(s.data, layout, shared, s.local, s.path_mps, gust_drag) for s in states]
        normals = [
            eliminate(s, lin, layout, spread, first)
            for s, lin, first in zip(states, lins, firsts, strict=True)
        ]
        matrix, pull = shared_prior_matrix(layout, prior, spread)
        if known_precision is not None:
            matrix[:3, :3], pull[:3] = known_precision, known_precision @ known_mean
        step, covariance = shared_solution(normals, matrix, pull - matrix @ shared)
        if converged or rounds >= _MOST_ROUNDS:
            break
        rounds += 1
        old_shared = shared
        step *= _damping(step, lins, normals) * calm
        if rounds > 3:
            # the receiver's memory is the least linear unknown: half steps keep it from swinging
            step[layout.MEMORY] *= 0.5
        shared = old_shared + step
        shared[layout.MEMORY] = float(np.clip(shared[layout.MEMORY], 0.02, 1.5))
        step = shared - old_shared
        moved = float(np.max(np.abs(step) / np.sqrt(np.diag(covariance))))
        new_states, stepped = [], []
        for state, lin, normal in zip(states, lins, normals, strict=True):
            own_step = normal.own_inverse @ (normal.gradient_own - normal.cross.T @ step)
            after = step_linear(lin, np.append(step, own_step))
            path = np.maximum(after.path_mps, 0.0)
            new_states.append(RunState(state.data, state.local + own_step, path, state.fix_weight))
            stepped.append(after)
        states = new_states
        if rounds > 4 and moved > 0.7 * moved_before:
            calm = max(0.5 * calm, 0.125)  # the prediction has corners; halve what hops over one
        moved_before = moved
        if hold_spread or rounds < 2:
            converged = rounds >= 3 and moved < _STEP_SD
            continue
        if rounds >= 3:
            states = [
                RunState(s.data, s.local, s.path_mps, fix_weights(s.data, lin, spread.fix))
                for s, lin in zip(states, stepped, strict=True)
            ]
        new = next_spread(
            states, stepped, normals, layout, spread, begin, prior, shared, covariance
        )
        change = max(
            abs(np.log(getattr(new, name) / getattr(spread, name))) for name in Spread.__slots__
        )
        spread = new
        converged = rounds >= 4 and moved < _STEP_SD and change < _SPREAD_SHARE
    return SessionFit(
        layout,
        shared,
        covariance,
        spread,
        tuple(states),
        tuple(lins),
        tuple(normals),
        matrix,
        rounds,
        converged,
    )


def _damping(step: Array, lins: Sequence[Linearised], normals: Sequence[Normal]) -> float:
    """Return a factor that keeps every speed path from moving by more than a few m/s at once."""
    most = 0.0
    for lin, normal in zip(lins, normals, strict=True):
        own_step = normal.own_inverse @ (normal.gradient_own - normal.cross.T @ step)
        moved = lin.path_rows @ np.append(step, own_step)
        most = max(most, float(np.abs(moved).max()))
    return min(1.0, _MOST_STEP_MPS / max(most, 1e-9))


def resistance_n(fit: SessionFit, effective_mass_kg: float) -> tuple[Array, Array]:
    """Return F0, F1, F2 [N, N/(m/s), N/(m/s)^2] and their covariance without mass uncertainty."""
    factor = effective_mass_kg / np.array([1.0, SPEED_SCALE_MPS, SPEED_SCALE_MPS**2])
    part = fit.layout.RESISTANCE
    return fit.shared[part] * factor, fit.covariance[part, part] * np.outer(factor, factor)


def mean_slope(fit: SessionFit) -> tuple[float, float]:
    """Return the mean slope over the road covered and its sd (ratios)."""
    weights = np.zeros(fit.layout.size)
    weights[fit.layout.SLOPE] = 1.0
    count = fit.layout.slope_knots_m.size
    if count:
        weights[fit.layout.slope] = 1.0 / count
    return float(weights @ fit.shared), float(np.sqrt(weights @ fit.covariance @ weights))


def slope_effect(fit: SessionFit) -> Array:
    """Return how far the shared unknowns are off when the stated mean slope is off by one of its sd.

    Of an estimate ``C (L mean + data)`` the prior's error moves ``C L error``; L is diagonal in the
    mean slope. The square of it is that part of the covariance which the data leave to the prior.

    Returns
    -------
    array of shape (p,)
        In the unknowns' own units.
    """
    at = fit.layout.SLOPE
    return np.asarray(fit.covariance[:, at] * np.sqrt(fit.prior_matrix[at, at]))


#: Which unknowns a cause of uncertainty consists of: shared ones, then a run's own by name.
_CAUSES: dict[str, tuple[str, ...]] = {
    "mount": ("scale", "offset", "offset_wander"),
    "lag": ("lag", "lag_wander"),
    "slope": (),
    "wind": ("wind", "gust"),
}


def conditioned_covariances(fit: SessionFit) -> dict[str, Array]:
    """Return the shared covariance as it falls when causes become known one after the other.

    Keys in order: "all", then after mount, lag, slope and wind are each known as well; what then
    remains is measurement noise. Differences of the variances are the budget and add up.
    """
    layout = fit.layout
    shared_of = {
        "mount": [layout.SCALE],
        "lag": [layout.MEMORY],
        "slope": [layout.SLOPE, *range(layout.slope.start, layout.slope.stop)],
        "wind": [layout.WIND],
    }
    result = {"all": fit.covariance}
    fixed_shared: list[int] = []
    fixed_names: list[str] = []
    for cause, names in _CAUSES.items():
        fixed_shared += shared_of[cause]
        fixed_names += names
        information = fit.prior_matrix.copy()
        known: dict[int, Array] = {}  # a plan repeats one and the same run many times
        for state, normal in zip(fit.states, fit.normals, strict=True):
            if id(normal) not in known:
                own = local_slices(state.data)
                fixed = [i for name in fixed_names for i in range(own[name].start, own[name].stop)]
                known[id(normal)] = normal.left(np.array(fixed, dtype=int))[0]
            information += known[id(normal)]
        information[fixed_shared, fixed_shared] += 1e14
        result[cause] = inverse(information)
    return result


def budget(fit: SessionFit, weights: Array) -> dict[str, float]:
    """Return the sd of `weights @ shared` by cause: noise, wind, slope, lag, mount.

    Parameters
    ----------
    weights : array of shape (p,)
        A linear function of the shared unknowns.
    """
    variances = {
        name: max(float(weights @ covariance @ weights), 0.0)
        for name, covariance in conditioned_covariances(fit).items()
    }
    names = list(variances)
    parts = {
        after: float(np.sqrt(max(variances[before] - variances[after], 0.0)))
        for before, after in itertools.pairwise(names)
    }
    parts["noise"] = float(np.sqrt(variances[names[-1]]))
    return parts
