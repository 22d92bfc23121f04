"""The session model: one fit of all runs, both directions, both sensors.

A linear Gaussian regression, re-linearised until the speed paths stand still: see
`model_design.py` for the physics of one run, `model_prior.py` for what is held likely beforehand,
`model_solve.py` for the algebra and `model_learn.py` for the noise levels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.model.initial import first_shared, first_state, slope_knots
from analysis.model.linearise import Linearised, linearise, step_linear
from analysis.model.noise import fix_weights, next_spread
from analysis.model.normal_equations import Normal, RunState, eliminate, shared_solution
from analysis.model.observations import RunData
from analysis.model.parameters import SPEED_SCALE_MPS, Layout, Spread
from analysis.model.priors import (
    KnownRoadLoad,
    known_prior,
    local_prior_mean,
    shared_prior,
    shared_prior_matrix,
)
from analysis.runs.run import Array
from logger.session.session import Site, Vehicle

__all__ = ["SessionFit", "fit_session", "mean_slope", "resistance_n", "slope_effect"]

_MOST_ROUNDS = 16
_MOST_STEP_MPS = 4.0
#: The fit stands still when no shared unknown moves by more than this share of its own sd, and no
#: noise level by more than this share of itself.
_STEP_SD, _SPREAD_SHARE = 0.08, 0.08


@dataclass(frozen=True, slots=True, kw_only=True)
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
    prior = shared_prior(site, any(data.has_accel for data in runs))
    known_precision, known_mean = known_prior(known, vehicle)
    share = vehicle.mass_kg / vehicle.effective_mass_kg
    layout = Layout(
        gear_knots_mps=gear_knots_mps, slope_knots_m=slope_knots(runs), gravity_share=share
    )
    begin = start or Spread()
    spread = begin
    shared = first_shared(runs, layout, prior, scale)
    levels = tuple(
        max(float(shared[layout.gear(gear)].mean()), 0.05) for gear in range(len(gear_knots_mps))
    )
    layout = replace(layout, gear_level_mps2=levels)
    states = [first_state(data, scale) for data in runs]
    firsts = [local_prior_mean(data) for data in runs]
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
            new_states.append(
                RunState(
                    data=state.data,
                    local=state.local + own_step,
                    path_mps=path,
                    fix_weight=state.fix_weight,
                )
            )
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
                RunState(
                    data=s.data,
                    local=s.local,
                    path_mps=s.path_mps,
                    fix_weight=fix_weights(s.data, lin, spread.fix),
                )
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
        layout=layout,
        shared=shared,
        covariance=covariance,
        spread=spread,
        states=tuple(states),
        lins=tuple(lins),
        normals=tuple(normals),
        prior_matrix=matrix,
        rounds=rounds,
        converged=converged,
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
