"""What the session model holds likely before any data, against what is stated of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_runs import PRIOR, make_problem
from numpy.typing import NDArray

from analysis import model_prior
from analysis.model_prior import local_prior, process_precision, shared_prior_matrix
from analysis.model_spread import Spread
from analysis.model_unknowns import GUST_S, LAG_S, OFFSET_S, SLOW_NOISE_S, Layout, local_slices

Array = NDArray[np.float64]
_SPREAD = Spread()


def _inverse(matrix: Array) -> Array:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def test_prior_of_the_tractive_curve_leaves_straight_lines_free_of_bend() -> None:
    """Second differences of a line are 0, so only the weak priors on level and slope hold it."""
    knots = np.linspace(8.0, 20.0, 13)
    layout = Layout((knots,), np.zeros(0), 0.97, (2.0,))
    soft, _ = shared_prior_matrix(layout, PRIOR, replace(_SPREAD, bend=1e6))
    hard, pull = shared_prior_matrix(layout, PRIOR, replace(_SPREAD, bend=0.5))
    part = layout.gear(0)
    line = 0.3 * (knots - 14.0)
    bowed = 0.1 * (knots - 14.0) ** 2
    stiffer = (hard - soft)[part, part]
    assert line @ stiffer @ line == pytest.approx(0.0, abs=1e-6)
    assert bowed @ stiffer @ bowed > 1.0
    mean = np.linalg.solve(hard, pull)[part]
    assert mean.mean() == pytest.approx(2.0, abs=0.2)
    # between constant force and constant power: it falls
    assert mean[0] > mean[-1] > 0.0


@pytest.mark.parametrize(
    ("name", "sd", "time_s"),
    [
        ("gust", _SPREAD.gust, GUST_S[1]),
        ("slow_noise", _SPREAD.slow_noise, SLOW_NOISE_S[1]),
        ("offset_wander", _SPREAD.offset_wander, OFFSET_S[1]),
        ("lag_wander", _SPREAD.lag_wander, LAG_S[1]),
    ],
)
def test_slow_processes_have_an_exponential_correlation(
    name: str, sd: float, time_s: float
) -> None:
    """Prior covariance between knots: sd^2 exp(-|t - t'| / time), the Ornstein-Uhlenbeck process."""
    data = make_problem().data
    own = local_slices(data)
    part = own[name]
    covariance = _inverse(local_prior(data, _SPREAD, own))[part, part]
    knots = np.linspace(data.edge_s[0], data.edge_s[-1], part.stop - part.start)
    expected = sd**2 * np.exp(-np.abs(np.subtract.outer(knots, knots)) / time_s)
    np.testing.assert_allclose(covariance, expected, atol=1e-6 * sd**2)


@pytest.mark.parametrize("name", ["lag", "wind", "pull", "scale"])
def test_single_unknowns_of_a_run_have_their_stated_spread(name: str) -> None:
    data = make_problem().data
    own = local_slices(data)
    covariance = _inverse(local_prior(data, _SPREAD, own))[own[name], own[name]]
    assert float(covariance[0, 0]) ** 0.5 == pytest.approx(getattr(_SPREAD, name), rel=1e-6)


@pytest.mark.parametrize("accel", [True, False])
def test_priors_are_proper(accel: bool) -> None:
    """Every unknown has some prior, so that no session can make the fit singular."""
    problem = make_problem(accel=accel)
    matrix, _ = shared_prior_matrix(problem.layout, PRIOR, _SPREAD)
    assert np.linalg.eigvalsh(matrix).min() > 0.0
    own = local_prior(problem.data, _SPREAD, local_slices(problem.data))
    assert np.linalg.eigvalsh(own).min() > 0.0


def test_the_prior_of_the_first_unknowns_is_as_stated() -> None:
    """Resistance, wind, slope, scale and memory: independent, with the stated means and sds."""
    matrix, pull = shared_prior_matrix(make_problem().layout, PRIOR, _SPREAD)
    covariance = _inverse(matrix)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)[:7]), PRIOR.sd, rtol=1e-9)
    np.testing.assert_allclose((covariance @ pull)[:7], PRIOR.mean, atol=1e-9)


def test_neighbouring_gears_are_tied_so_loosely_that_data_decide() -> None:
    """Tractive force may change by a third across a gear change within 3 sd of the prior."""
    knots = (np.linspace(2.0, 11.0, 10), np.linspace(11.0, 20.0, 10))
    layout = Layout(knots, np.zeros(0), 0.97, (3.5, 2.0))
    matrix, _ = shared_prior_matrix(layout, PRIOR, _SPREAD)
    covariance = _inverse(matrix)
    row = np.zeros(layout.size)
    row[layout.gear(1).start], row[layout.gear(0).stop - 1] = 1.0, -1.0
    jump_sd = float(np.sqrt(row @ covariance @ row))
    assert jump_sd > 0.1 * 2.0


def test_what_was_fitted_before_changes_no_digit() -> None:
    """Sessions of one process share what is kept: a run a little longer must not lend its precision."""
    data = make_problem().data
    longer = replace(data, edge_s=data.edge_s[0] + (data.edge_s - data.edge_s[0]) * (1.0 + 2e-7))
    model_prior._unit_precision.cache_clear()
    alone = process_precision(data, "gust", 20)
    model_prior._unit_precision.cache_clear()
    process_precision(longer, "gust", 20)
    assert np.array_equal(process_precision(data, "gust", 20), alone)
