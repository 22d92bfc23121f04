"""The session model: one fit of all runs, both directions, both sensors.

A linear Gaussian regression, linearised anew until the speed paths stand still: see `linearise` for
the physics of one run, `priors` for what is held likely beforehand, `normal_equations` for the algebra
and `noise` for the noise levels. `README.md` in this folder derives all of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.model.initial import bump_knots, first_shared, first_state, slope_knots
from analysis.model.linearise import Linearised, linearise, step_linear
from analysis.model.noise import fix_weights, next_spread
from analysis.model.normal_equations import Normal, RunState, eliminate, shared_solution
from analysis.model.observations import RunData, nowhere_both_ways, placed_by_distance
from analysis.model.parameters import SPEED_SCALE_MPS, Layout, Spread
from analysis.model.priors import (
    KnownRoadLoad,
    Prior,
    SlopeInformation,
    add_road,
    known_prior,
    local_prior_mean,
    shared_prior,
    shared_prior_matrix,
)
from logger.arrays import Array
from logger.session.session import Site, Vehicle

__all__ = ["SessionFit", "bump_rms", "fit_session", "mean_slope", "resistance_n", "slope_effect"]

_MOST_ROUNDS = 16
#: The drag by which gusts are stated in m/s is held after this many rounds; from then on the receiver's
#: memory moves by half steps, and after one more what hops to and fro is calmed.
_GUST_ROUNDS, _CALM_ROUNDS = 3, 4
#: The receiver's memory stays inside this range [s].
_MEMORY_S = (0.02, 1.5)
_MOST_STEP_MPS = 4.0
#: The fit stands still when no shared unknown moves by more than this share of its own sd, and no
#: noise level by more than this share of itself.
_STEP_SD, _SPREAD_SHARE = 0.08, 0.08
#: Noise levels that differ by less than this factor are the same: they settle to some percent.
_QUIET = 1.03


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
    prior : Prior
        Of the shared unknowns with one of their own.
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
    prior: Prior


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
    road: SlopeInformation | None = None,
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
    road : SlopeInformation or None
        What earlier sessions found of the slope at just the knots of this one.

    Returns
    -------
    SessionFit
        Estimates with their covariance.
    """
    placed = placed_by_distance(runs)
    first = start or Spread()
    problem, point = _begin(placed, gear_knots_mps, vehicle, site, scale, first, known)
    fit = _fitted(replace(problem, road=road), point, hold_spread=hold_spread)
    if hold_spread or not nowhere_both_ways(placed):
        return fit
    # both ways of a road without places, speeds alone: hills that they do not ask for are none
    flat = [replace(data, flat=True) for data in placed]
    begin = _begin(flat, gear_knots_mps, vehicle, site, scale, first, known)
    level = _fitted(*begin, hold_spread=False)
    return level if _as_quiet(level.spread, fit.spread) else fit


def _as_quiet(level: Spread, hilly: Spread) -> bool:
    """Return whether a fit without hills leaves no more noise of any kind than one with them."""
    names = ("fix", "slow_noise", "gust", "wind")
    return all(getattr(level, name) <= _QUIET * getattr(hilly, name) for name in names)


def _fitted(problem: _Problem, point: _Point, *, hold_spread: bool) -> SessionFit:
    """Go through all rounds and solve at the end."""
    point = _round(problem, point, learn=False, drop=False)
    if not hold_spread:
        # noise levels come from all fixes first, or a poor start would drop the good ones
        point = _round(problem, point, learn=True, drop=False)
    point, converged = _settle(problem, point, learn=not hold_spread)
    solved = _solve(problem, point)
    return SessionFit(
        layout=problem.layout,
        shared=point.shared,
        covariance=solved.covariance,
        spread=point.spread,
        states=point.states,
        lins=solved.lins,
        normals=solved.normals,
        prior_matrix=solved.prior_matrix,
        rounds=point.rounds,
        converged=converged,
        prior=problem.prior,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Problem:
    """What stays the same from round to round: the priors, and where the noise levels start."""

    layout: Layout
    prior: Prior
    known: tuple[Array | None, Array]
    firsts: tuple[Array, ...]
    start: Spread
    road: SlopeInformation | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    """Where the rounds stand: unknowns, noise levels, and how far the last round moved them."""

    shared: Array
    states: tuple[RunState, ...]
    spread: Spread
    gust_drag: float
    rounds: int = 0
    calm: float = 1.0
    moved_sd: float = np.inf
    spread_moved: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Solved:
    """The linear regression at one point: the step it asks for, and its covariance."""

    lins: tuple[Linearised, ...]
    normals: tuple[Normal, ...]
    prior_matrix: Array
    step: Array
    covariance: Array


def _begin(
    runs: Sequence[RunData],
    gear_knots_mps: tuple[Array, ...],
    vehicle: Vehicle,
    site: Site,
    scale: float,
    start: Spread,
    known: KnownRoadLoad | None,
) -> tuple[_Problem, _Point]:
    """Return the priors and the first guess of all unknowns."""
    prior = shared_prior(site, any(data.has_accel for data in runs))
    share = vehicle.mass_kg / vehicle.effective_mass_kg
    layout = Layout(
        gear_knots_mps=gear_knots_mps,
        slope_knots_m=slope_knots(runs),
        gravity_share=share,
        bump_knots_mps=bump_knots(runs),
    )
    shared = first_shared(runs, layout, prior, scale)
    levels = tuple(
        max(float(shared[layout.gear(gear)].mean()), 0.05) for gear in range(len(gear_knots_mps))
    )
    problem = _Problem(
        layout=replace(layout, gear_level_mps2=levels),
        prior=prior,
        known=known_prior(known, vehicle),
        firsts=tuple(local_prior_mean(data) for data in runs),
        start=start,
    )
    states = tuple(first_state(data, scale) for data in runs)
    return problem, _Point(shared=shared, states=states, spread=start, gust_drag=0.0)


def _solve(problem: _Problem, point: _Point) -> _Solved:
    """Linearise all runs at a point and solve for the step of the shared unknowns."""
    layout, spread = problem.layout, point.spread
    lins = tuple(
        linearise(state.data, layout, point.shared, state.local, state.path_mps, point.gust_drag)
        for state in point.states
    )
    normals = tuple(
        eliminate(state, lin, layout, spread, first)
        for state, lin, first in zip(point.states, lins, problem.firsts, strict=True)
    )
    matrix, pull = shared_prior_matrix(layout, problem.prior, spread)
    precision, mean = problem.known
    if precision is not None:
        matrix[:3, :3], pull[:3] = precision, precision @ mean
    if problem.road is not None:
        add_road(matrix, pull, layout, problem.road)
    step, covariance = shared_solution(normals, matrix, pull - matrix @ point.shared)
    return _Solved(
        lins=lins, normals=normals, prior_matrix=matrix, step=step, covariance=covariance
    )


def _round(problem: _Problem, point: _Point, *, learn: bool, drop: bool) -> _Point:
    """Take one Newton step of all unknowns, then learn noise levels and drop outliers if asked."""
    number = point.rounds + 1
    if number <= _GUST_ROUNDS:
        point = replace(point, gust_drag=max(float(point.shared[2]), 0.01))
    solved = _solve(problem, point)
    shared = _next_shared(problem.layout, point, solved)
    step = shared - point.shared
    moved_sd = float(np.max(np.abs(step) / np.sqrt(np.diag(solved.covariance))))
    states, stepped = [], []
    for state, lin, normal in zip(point.states, solved.lins, solved.normals, strict=True):
        # the run's own unknowns follow by back substitution
        own_step = normal.own_inverse @ (normal.gradient_own - normal.cross.T @ step)
        after = step_linear(lin, np.append(step, own_step))
        path = np.maximum(after.path_mps, 0.0)
        weight = fix_weights(state.data, after, point.spread.fix) if drop else state.fix_weight
        states.append(
            RunState(
                data=state.data, local=state.local + own_step, path_mps=path, fix_weight=weight
            )
        )
        stepped.append(after)
    calm = point.calm
    if number > _CALM_ROUNDS and moved_sd > 0.7 * point.moved_sd:
        calm = max(0.5 * calm, 0.125)  # the prediction has corners; halve what hops over one
    spread = point.spread
    if learn:
        spread = next_spread(
            states,
            stepped,
            solved.normals,
            problem.layout,
            spread,
            problem.start,
            problem.prior,
            shared,
            solved.covariance,
        )
    return _Point(
        shared=shared,
        states=tuple(states),
        spread=spread,
        gust_drag=point.gust_drag,
        rounds=number,
        calm=calm,
        moved_sd=moved_sd,
        spread_moved=max(
            abs(np.log(getattr(spread, name) / getattr(point.spread, name)))
            for name in Spread.__slots__
        ),
    )


def _settle(problem: _Problem, point: _Point, *, learn: bool) -> tuple[_Point, bool]:
    """Repeat rounds, outliers dropped anew in each, until nothing moves; return whether it stands."""
    point = _round(problem, point, learn=learn, drop=learn)
    while point.rounds < _MOST_ROUNDS:
        point = _round(problem, point, learn=learn, drop=learn)
        if point.moved_sd < _STEP_SD and point.spread_moved < _SPREAD_SHARE:
            return point, True
    return point, False


def _next_shared(layout: Layout, point: _Point, solved: _Solved) -> Array:
    """Return the shared unknowns after the solution's step, held back where it would overshoot."""
    step = solved.step * (_damping(solved.step, solved.lins, solved.normals) * point.calm)
    if point.rounds >= _GUST_ROUNDS:
        # the receiver's memory is the least linear unknown: half steps keep it from swinging
        step[layout.MEMORY] *= 0.5
    after = point.shared + step
    after[layout.MEMORY] = float(np.clip(after[layout.MEMORY], *_MEMORY_S))
    return np.asarray(after)


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


def bump_rms(fit: SessionFit) -> float:
    """Return the rms over speed of what coast-downs show beside the three coefficients [m/s2].

    Its posterior second moment, estimate and uncertainty together: three coefficients leave it over.
    """
    part = fit.layout.bump
    if part.stop == part.start:
        return 0.0
    second = fit.shared[part] ** 2 + np.diag(fit.covariance[part, part])
    return float(np.sqrt(second.mean()))


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
