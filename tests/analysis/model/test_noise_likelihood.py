"""The rule by which noise levels are learnt ends at the most likely level, found by scipy.

Each level is seen through data of known noise, its starting value counting for some observations more;
the likelihood has every unknown integrated out, which the rule never does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_runs import PRIOR, known_run, make_problem
from numpy.typing import NDArray
from scipy.optimize import minimize, minimize_scalar

from analysis.model.linearise import linearise
from analysis.model.noise import next_spread
from analysis.model.normal_equations import Normal, RunState
from analysis.model.observations import FREE
from analysis.model.parameters import FORCE_BIN_S, Layout, Spread, local_slices
from analysis.model.priors import (
    Prior,
    bend_precision,
    local_prior,
    process_precision,
    slope_bands,
    slope_precision,
)

Array = NDArray[np.float64]
#: A site of which so little is known that it caps no level.
_OPEN = Prior(mean=PRIOR.mean, sd=PRIOR.sd, most_slope=1.0, most_wind_mps=100.0)


def _inverse(matrix: Array) -> Array:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def _most_likely(seen: Array, unit: Array, noise_sd: float, start: float, held: float) -> float:
    """Level s of y ~ N(0, s^2 unit + noise_sd^2 I) that is most likely beside its starting value."""
    values, vectors = np.linalg.eigh(unit)
    squares = (vectors.T @ seen) ** 2

    def unlikely(log_level: float) -> float:
        variance = np.exp(2.0 * log_level) * values + noise_sd**2
        own = held * (2.0 * log_level + start**2 / np.exp(2.0 * log_level))
        return float(np.sum(np.log(variance) + squares / variance) + own)

    found = minimize_scalar(unlikely, bounds=(np.log(1e-4), np.log(50.0)), method="bounded")
    return float(np.exp(found.x))


@pytest.mark.parametrize("true", [(0.001, 0.006), (0.008, 0.002)])
def test_the_slopes_learnt_are_the_most_likely_ones(true: tuple[float, float]) -> None:
    """The profile seen at its knots with noise of 0.2 %: repeating the rule ends where the likelihood of
    both levels, found by scipy, has its top."""
    problem = make_problem()
    layout, noise = problem.layout, 0.002
    short, long = slope_bands(layout)
    n = len(short)
    rng = np.random.default_rng(31)
    profile = true[0] ** 2 * short + true[1] ** 2 * long
    seen = np.linalg.cholesky(profile) @ rng.standard_normal(n) + noise * rng.standard_normal(n)
    spread = Spread()
    for _ in range(400):
        block = _inverse(slope_precision(layout, spread) + np.eye(n) / noise**2)
        shared, covariance = np.zeros(layout.size), np.zeros((layout.size, layout.size))
        shared[layout.slope], covariance[layout.slope, layout.slope] = (
            block @ seen / noise**2,
            block,
        )
        spread = next_spread([], [], [], layout, spread, Spread(), _OPEN, shared, covariance)

    def unlikely(log_levels: Array) -> float:
        levels = np.exp(2.0 * log_levels)
        whole = levels[0] * short + levels[1] * long + noise**2 * np.eye(n)
        own = sum(
            held * (2.0 * log + start**2 / level)
            for held, log, start, level in zip(
                (4.0, 2.0), log_levels, (Spread().slope, Spread().slope_long), levels, strict=True
            )
        )
        return float(np.linalg.slogdet(whole)[1] + seen @ np.linalg.solve(whole, seen) + own)

    best = minimize(unlikely, np.log([0.003, 0.003]), method="Nelder-Mead", tol=1e-9)
    found = (spread.slope, spread.slope_long)
    assert found == pytest.approx(np.exp(best.x), rel=3e-3)


@pytest.mark.parametrize("true", [0.15, 1.2])
def test_the_gusts_learnt_are_the_most_likely_ones(true: float) -> None:
    problem = make_problem()
    data, layout, noise = problem.data, problem.layout, 0.3
    part = local_slices(data)["gust"]
    n = part.stop - part.start
    precision = process_precision(data, "gust", n)
    unit = _inverse(precision)
    rng = np.random.default_rng(32)
    state, lin, normal = known_run(problem, 0.05)
    seen = true * np.linalg.cholesky(unit) @ rng.standard_normal(n) + noise * rng.standard_normal(n)
    spread = Spread()
    none = np.zeros((layout.size, layout.size))
    for _ in range(100):
        block = _inverse(precision / spread.gust**2 + np.eye(n) / noise**2)
        local, inverse = state.local.copy(), normal.own_inverse.copy()
        local[part], inverse[part, part] = block @ seen / noise**2, block
        spread = next_spread(
            [replace(state, local=local)], [lin], [replace(normal, own_inverse=inverse)], layout,
            spread, Spread(), _OPEN, problem.shared, none,
        )  # fmt: skip
    expected = _most_likely(seen, unit, noise, Spread().gust, 40.0)
    assert spread.gust == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(
    ("name", "true", "counts_for"), [("fix", 0.04, 10.0), ("fix", 0.3, 10.0), ("force", 0.06, 20.0)]
)
def test_the_noise_of_a_sensor_learnt_is_the_most_likely_one(
    name: str, true: float, counts_for: float
) -> None:
    """A run's own unknowns drawn from their prior and seen by one sensor alone: what the fit uses up of
    the misses is given back. Likelihood of the readings with every unknown integrated out.

    The accelerometer's noise has one level in drive and one in the coast-down: here in bins of one kind
    (nothing but a gear change that lasts), so that one of them counts.
    """
    problem = make_problem(accel=name == "force", place=False)
    layout = problem.layout
    if name == "force":
        problem.data = replace(problem.data, drive=np.full(problem.data.drive.size, FREE))
    data = problem.data
    own = local_slices(data)
    local = np.zeros(max(part.stop for part in own.values()))
    local[own["start_speed"]] = 20.0
    path = np.full(data.edge_s.size, 20.0)
    lin = linearise(data, layout, problem.shared, local, path, problem.gust_drag)
    prior = local_prior(data, Spread(), own)
    if name == "force":
        # what no bin of its own can follow: an acceleration known to 0.05 m/s2
        for at in range(own["free"].start, own["free"].stop):
            prior[at, at] = 1.0 / 0.05**2
        width = np.diff(data.edge_s)[lin.force_bins]
        rows, unit = lin.force_rows[:, layout.size :], np.sqrt(FORCE_BIN_S / width)
        level, start = "force_drive", Spread().force_drive
    else:
        rows, unit = lin.fix_rows[:, layout.size :], np.ones(data.fix_s.size)
        level, start = "fix", Spread().fix
    rng = np.random.default_rng(34)
    drawn = np.linalg.cholesky(_inverse(prior)) @ rng.standard_normal(local.size)
    seen = (rows @ drawn) / unit + true * rng.standard_normal(unit.size)
    rows = rows / unit[:, None]
    p, nothing = layout.size, np.zeros((layout.size, layout.size))
    spread = Spread()
    for _ in range(200):
        noise = getattr(spread, level)
        block = _inverse(prior + rows.T @ rows / noise**2)
        left = seen - rows @ (block @ rows.T @ seen) / noise**2
        normal = Normal(
            shared=np.eye(p),
            cross=np.zeros((p, local.size)),
            own=block,
            own_inverse=block,
            gradient_shared=np.zeros(p),
            gradient_own=np.zeros(local.size),
        )
        weight = np.ones(data.fix_s.size)
        if name == "force":
            after = replace(lin, force_miss=left * unit)
        else:
            after = replace(lin, fix_miss=left)
        found = next_spread(
            [RunState(data=data, local=local, path_mps=path, fix_weight=weight)], [after], [normal], layout, spread, Spread(),
            _OPEN, problem.shared, nothing,
        )  # fmt: skip
        spread = replace(spread, **{level: getattr(found, level)})
    values, vectors = np.linalg.eigh(rows @ _inverse(prior) @ rows.T)
    squares = (vectors.T @ seen) ** 2

    def unlikely(log_level: float) -> float:
        variance = values + np.exp(2.0 * log_level)
        begin = counts_for * (2.0 * log_level + start**2 / np.exp(2.0 * log_level))
        return float(np.sum(np.log(variance) + squares / variance) + begin)

    best = minimize_scalar(unlikely, bounds=(np.log(0.005), np.log(2.0)), method="bounded")
    assert getattr(spread, level) == pytest.approx(float(np.exp(best.x)), rel=1e-3)


@pytest.mark.parametrize("true", [1.5, 6.0])
def test_the_bend_learnt_is_the_most_likely_one(true: float) -> None:
    """A curve seen at its knots with noise; level and line of it are free and say nothing of bend."""
    knots = np.linspace(8.0, 20.0, 25)
    layout = Layout(
        gear_knots_mps=(knots,),
        slope_knots_m=np.zeros(0),
        gravity_share=0.97,
        gear_level_mps2=(2.0,),
    )
    precision, noise = bend_precision(knots, 2.0), 0.01
    n, part = knots.size, layout.gear(0)
    values, vectors = np.linalg.eigh(precision)
    bent = vectors[:, 2:] / np.sqrt(values[2:])  # the two of eigenvalue 0 are lines
    rng = np.random.default_rng(33)
    seen = 2.0 + true * bent @ rng.standard_normal(n - 2) + noise * rng.standard_normal(n)
    spread = Spread()
    for _ in range(300):
        block = _inverse(precision / spread.bend**2 + np.eye(n) / noise**2)
        shared, covariance = np.zeros(layout.size), np.zeros((layout.size, layout.size))
        shared[part], covariance[part, part] = block @ seen / noise**2, block
        spread = next_spread([], [], [], layout, spread, Spread(), _OPEN, shared, covariance)
    curved = vectors[:, 2:].T @ seen
    expected = _most_likely(curved, np.diag(1.0 / values[2:]), noise, Spread().bend, 8.0)
    assert spread.bend == pytest.approx(expected, rel=1e-3)
