"""Leaving runs out: the subtraction is the refit, and only real disagreement widens intervals."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from make_noisy import KNOTS_MPS, draw_world, noisy_run
from scipy.stats import chi2

from analysis.model.fit import SessionFit, fit_session
from analysis.model.leave_one_out import left_out, scatter_factor
from analysis.model.normal_equations import shared_solution
from analysis.model.parameters import Spread
from logger.session.session import Site, Vehicle

_SPREAD = Spread(lag=0.1)


@cache
def _fit() -> SessionFit:
    rng = np.random.default_rng(410)
    world = draw_world(rng, _SPREAD, wind_sd=2.0, slope_sd=0.004)
    runs = [
        noisy_run(rng, world, _SPREAD, number=number, direction=(1, -1)[number % 2])
        for number in range(6)
    ]
    vehicle, site = (
        Vehicle(mass_kg=970.0, mass_sd_kg=1.0, rotating_mass_kg=30.0, rotating_mass_sd_kg=1.0),
        Site(slope=0.0, slope_sd=0.004, wind_mps=0.0, wind_sd_mps=2.0),
    )
    return fit_session(runs, KNOTS_MPS, vehicle, site, start=_SPREAD, hold_spread=True)


def test_scatter_counts_from_the_quantile_of_chi_square_on() -> None:
    """Reference: scipy.stats.chi2, 97.5 % of it with one degree less than runs."""
    fit = _fit()
    weights = np.zeros(fit.layout.size)
    weights[0] = 1.0
    count, at = len(fit.normals), np.arange(len(fit.normals)) - (len(fit.normals) - 1) / 2
    limit = chi2.ppf(0.975, count - 1) / (count - 1)
    for share, widened in ((0.98, False), (1.02, True)):
        # moves along the first unknown whose jackknife variance is `share` of the limit
        wanted = share * limit * fit.covariance[0, 0]
        moves = np.zeros((count, fit.layout.size))
        moves[:, 0] = at * np.sqrt(wanted * count / (count - 1) / np.sum(at**2))
        factor = scatter_factor(fit, moves, weights)
        assert factor == pytest.approx(np.sqrt(share * limit) if widened else 1.0, rel=1e-9)


def test_leaving_a_run_out_is_solving_without_it() -> None:
    """The subtraction must equal the normal equations summed over the other runs."""
    fit = _fit()
    moves = left_out(fit)
    # at the end of a fit the right-hand sides of runs and prior cancel; what is left is the last step
    parts = [normal.left() for normal in fit.normals]
    pull = -np.sum([part[1] for part in parts], axis=0)
    for run in range(len(fit.normals)):
        others = [n for i, n in enumerate(fit.normals) if i != run]
        step, _ = shared_solution(others, fit.prior_matrix, pull)
        np.testing.assert_allclose(moves[run], step, rtol=1e-6, atol=1e-9 * np.abs(moves).max())


def test_runs_of_one_world_are_not_widened() -> None:
    """False alarm: 2.5 % for one quantity; the seed is fixed."""
    fit = _fit()
    weights = np.zeros(fit.layout.size)
    weights[:3] = 1.0, 0.7, 0.49
    assert scatter_factor(fit, left_out(fit), weights) == 1.0


def test_a_run_that_disagrees_widens_the_interval() -> None:
    """One run pulled by eight sd of the whole fit's resistance must be seen, and by how much."""
    fit = _fit()
    weights = np.zeros(fit.layout.size)
    weights[0] = 1.0
    sd = float(np.sqrt(fit.covariance[0, 0]))
    moves = left_out(fit).copy()
    moves[2, 0] += 8.0 * sd
    factor = scatter_factor(fit, moves, weights)
    count = len(moves)
    values = moves[:, 0]
    expected = np.sqrt((count - 1) / count * np.sum((values - values.mean()) ** 2)) / sd
    assert factor == pytest.approx(expected, rel=1e-9)
    assert factor > 5.0


def test_three_runs_are_too_few_to_judge() -> None:
    fit = _fit()
    few = replace(fit, normals=fit.normals[:3])
    weights = np.eye(fit.layout.size)[:1]
    assert scatter_factor(few, 100.0 * left_out(few), weights) == 1.0
