"""The algebra of the session model against dense least squares and a statistics package.

Elimination run by run must give what one big solve gives: estimate and covariance, shared and own.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from make_runs import PRIOR, Problem, make_problem, settle
from numpy.typing import NDArray

from analysis.model.linearise import Linearised, linearise
from analysis.model.noise import fix_weights
from analysis.model.normal_equations import (
    Normal,
    RunState,
    eliminate,
    run_covariance,
    shared_solution,
)
from analysis.model.observations import COAST
from analysis.model.parameters import FORCE_BIN_S, Layout, Spread, local_slices
from analysis.model.priors import local_prior, shared_prior_matrix

Array = NDArray[np.float64]
_SPREAD = Spread()


def _run(seed: int, direction: int, accel: bool) -> tuple[Problem, RunState, Linearised]:
    """One run with noisy measurements, linearised at unknowns a little off the true ones."""
    problem = make_problem(accel=accel, direction=direction, seed=seed)
    rng = np.random.default_rng([21, seed])
    path = settle(problem, problem.shared, problem.local)
    true = linearise(
        problem.data, problem.layout, problem.shared, problem.local, path, problem.gust_drag
    )
    force = problem.data.force_mps2.copy()
    force[true.force_bins] = -true.force_miss + 0.15 * rng.standard_normal(true.force_bins.size)
    fix = -true.fix_miss + 0.08 * rng.standard_normal(true.fix_miss.size)
    data = replace(problem.data, force_mps2=force, fix_mps=fix)
    local = problem.local + 0.01 * rng.standard_normal(problem.local.size)
    weight = np.ones(fix.size)
    weight[[3, 17]] = (0.0, 0.5)
    state = RunState(data=data, local=local, path_mps=path, fix_weight=weight)
    lin = linearise(data, problem.layout, problem.shared, local, path, problem.gust_drag)
    return problem, state, lin


def _inverse(matrix: Array) -> Array:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


class _Three:
    """Three runs over one layout and all that both ways of solving need."""

    def __init__(self) -> None:
        made = [_run(1, 1, True), _run(2, -1, True), _run(3, 1, False)]
        self.layout: Layout = made[0][0].layout
        self.shared: Array = made[0][0].shared
        self.states = [state for _, state, _ in made]
        self.lins = [lin for _, _, lin in made]
        self.firsts = []
        for state in self.states:
            first = np.zeros(state.local.size)
            first[local_slices(state.data)["start_speed"]] = 2.4
            self.firsts.append(first)
        self.normals = [
            eliminate(state, lin, self.layout, _SPREAD, first)
            for state, lin, first in zip(self.states, self.lins, self.firsts, strict=True)
        ]
        self.matrix, pull = shared_prior_matrix(self.layout, PRIOR, _SPREAD)
        self.mean: Array = np.asarray(np.linalg.solve(self.matrix, pull), dtype=np.float64)

    def solve(self, normals: list[Normal]) -> tuple[Array, Array]:
        return shared_solution(normals, self.matrix, self.matrix @ (self.mean - self.shared))

    def dense(self, runs: list[int]) -> tuple[Array, Array]:
        """Rows and right-hand sides of one weighted least-squares problem, priors as rows."""
        p = self.layout.size
        sizes = [self.states[i].local.size for i in runs]
        total = p + sum(sizes)
        rows, right = [], []
        at = p
        for i, size in zip(runs, sizes, strict=True):
            state, lin = self.states[i], self.lins[i]
            sd = np.where(state.data.drive == COAST, _SPREAD.force_coast, _SPREAD.force_drive)
            sd = (sd * np.sqrt(FORCE_BIN_S / np.diff(state.data.edge_s)))[lin.force_bins]
            blocks = (
                (lin.fix_rows, lin.fix_miss, np.sqrt(state.fix_weight) / _SPREAD.fix),
                (lin.force_rows, lin.force_miss, 1.0 / sd),
            )
            for part, miss, weight in blocks:
                wide = np.zeros((miss.size, total))
                wide[:, :p] = part[:, :p]
                wide[:, at : at + size] = part[:, p:]
                rows.append(wide * weight[:, None])
                right.append(miss * weight)
            # the run's own prior is the part of its information that no measurement explains
            stacked = np.concatenate([rows[-2], rows[-1]])[:, at : at + size]
            prior = self.normals[i].own - stacked.T @ stacked
            root = np.linalg.cholesky(prior).T
            wide = np.zeros((size, total))
            wide[:, at : at + size] = root
            rows.append(wide)
            right.append(root @ (self.firsts[i] - state.local))
            at += size
        values, vectors = np.linalg.eigh(self.matrix)
        root = np.sqrt(np.maximum(values, 0.0))[:, None] * vectors.T
        wide = np.zeros((p, total))
        wide[:, :p] = root
        rows.append(wide)
        right.append(root @ (self.mean - self.shared))
        return np.concatenate(rows), np.concatenate(right)


@pytest.fixture(scope="module")
def three() -> _Three:
    return _Three()


def _correlation(covariance: Array, sd: Array) -> Array:
    return np.asarray(covariance / np.outer(sd, sd))


def test_elimination_gives_what_one_dense_least_squares_gives(three: _Three) -> None:
    """Reference: numpy.linalg.lstsq on all unknowns at once (QR/SVD, no normal equations)."""
    step, covariance = three.solve(three.normals)
    rows, right = three.dense([0, 1, 2])
    scale = np.linalg.norm(rows, axis=0)
    expected = np.linalg.lstsq(rows / scale, right, rcond=None)[0] / scale
    inverse = _inverse((rows / scale).T @ (rows / scale)) / np.outer(scale, scale)
    p = three.layout.size
    sd = np.sqrt(np.diag(inverse))
    # unknowns in units of their sd: the normal equations square a condition number of some 1e4
    np.testing.assert_allclose(step / sd[:p], expected[:p] / sd[:p], atol=1e-5)
    np.testing.assert_allclose(
        _correlation(covariance, sd[:p]), _correlation(inverse[:p, :p], sd[:p]), atol=1e-6
    )
    at = p
    for normal in three.normals:
        own = normal.own_inverse @ (normal.gradient_own - normal.cross.T @ step)
        here = slice(at, at + own.size)
        np.testing.assert_allclose(own / sd[here], expected[here] / sd[here], atol=1e-5)
        index = np.concatenate([np.arange(p), np.arange(here.start, here.stop)])
        joint = run_covariance(normal, covariance)
        np.testing.assert_allclose(
            _correlation(joint, sd[index]),
            _correlation(inverse[np.ix_(index, index)], sd[index]),
            atol=1e-6,
        )
        at += own.size


def test_estimate_and_standard_errors_agree_with_statsmodels(three: _Three) -> None:
    """Reference: statsmodels 0.14 ordinary least squares on the whitened rows, scale held at 1."""
    step, covariance = three.solve(three.normals)
    rows, right = three.dense([0, 1, 2])
    scale = np.linalg.norm(rows, axis=0)
    fit = sm.OLS(right, rows / scale).fit(cov_type="fixed scale")
    p = three.layout.size
    errors = np.asarray(fit.bse)[:p] / scale[:p]
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), errors, rtol=1e-5)
    np.testing.assert_allclose(
        step / errors, np.asarray(fit.params)[:p] / scale[:p] / errors, atol=1e-5
    )


def test_leaving_a_run_out_is_leaving_its_normal_equations_out(three: _Three) -> None:
    """The sum over runs minus one run's share equals the sum without it, and a dense solve."""
    left_out = 1
    step, covariance = three.solve([three.normals[0], three.normals[2]])
    rows, right = three.dense([0, 2])
    scale = np.linalg.norm(rows, axis=0)
    expected = np.linalg.lstsq(rows / scale, right, rcond=None)[0] / scale
    p = three.layout.size
    sd = np.sqrt(np.diag(covariance))
    np.testing.assert_allclose(step / sd, expected[:p] / sd, atol=1e-5)
    everything = _inverse(three.solve(three.normals)[1])
    share, side = three.normals[left_out].left()
    downdated = _inverse(everything - share)
    np.testing.assert_allclose(_correlation(downdated, sd), _correlation(covariance, sd), atol=1e-5)
    full_right = everything @ three.solve(three.normals)[0]
    np.testing.assert_allclose(downdated @ (full_right - side) / sd, step / sd, atol=1e-4)


def test_a_run_more_never_widens_an_interval(three: _Three) -> None:
    two = three.solve(three.normals[:2])[1]
    all_three = three.solve(three.normals)[1]
    assert np.all(np.diag(all_three) <= np.diag(two) * (1.0 + 1e-9))


def test_holding_own_unknowns_is_giving_them_no_freedom(three: _Three) -> None:
    """`left(fixed)` equals elimination of the other own unknowns alone."""
    normal = three.normals[0]
    own = local_slices(three.states[0].data)
    fixed = np.arange(own["gust"].start, own["gust"].stop)
    rest = np.setdiff1d(np.arange(len(normal.own)), fixed)
    gain = normal.cross[:, rest] @ _inverse(normal.own[np.ix_(rest, rest)])
    expected = normal.shared - gain @ normal.cross[:, rest].T
    found, _ = normal.left(fixed)
    size = np.sqrt(np.diag(normal.shared)) + 1e-12
    # "fixed" is a precision of 1e14 beside ones of up to 1e5, hence 1e-8
    np.testing.assert_allclose(_correlation(found, size), _correlation(expected, size), atol=1e-7)


def test_a_fix_without_weight_changes_nothing(three: _Three) -> None:
    state, lin = three.states[0], three.lins[0]
    miss = lin.fix_miss.copy()
    miss[3] += 50.0  # weight 0 in this run
    again = eliminate(state, replace(lin, fix_miss=miss), three.layout, _SPREAD, three.firsts[0])
    np.testing.assert_allclose(again.gradient_own, three.normals[0].gradient_own, atol=1e-9)
    np.testing.assert_allclose(again.gradient_shared, three.normals[0].gradient_shared, atol=1e-9)


def test_only_fixes_far_off_lose_their_weight(three: _Three) -> None:
    lin = three.lins[0]
    miss = np.zeros(lin.fix_miss.size)
    miss[[4, 9]] = (0.08 * 6.0, -0.08 * 3.0)
    weight = fix_weights(three.states[0].data, replace(lin, fix_miss=miss), 0.08)
    assert weight[4] == 0.0
    assert np.all(np.delete(weight, 4) == 1.0)


def test_without_a_measurement_the_prior_of_a_run_is_left(three: _Three) -> None:
    for state, lin in zip(three.states, three.lins, strict=True):
        bare = eliminate(
            replace(state, fix_weight=np.zeros(state.data.fix_s.size)),
            replace(lin, force_bins=np.zeros(0, dtype=int)),
            three.layout,
            _SPREAD,
            np.zeros(state.local.size),
        )
        prior = local_prior(state.data, _SPREAD, local_slices(state.data))
        np.testing.assert_array_equal(bare.own, prior)
