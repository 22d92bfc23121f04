"""Pooling of sessions: the algebra against statsmodels, the test against a drawn chi-square."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.linalg import block_diag
from statsmodels.regression.linear_model import GLS
from statsmodels.stats.meta_analysis import combine_effects

from analysis.sessions.pooling import LEAST_CHANCE, pool

_SHAPE = np.diag([2.0, 1.0, 0.5])


def _draw(
    rng: np.random.Generator, count: int, *, offset: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return values about (5, 3, 2), their covariances and a common effect; the last one is off."""
    covariances = []
    for _ in range(count):
        root = rng.normal(size=(3, 3))
        covariances.append(root @ root.T + 0.2 * np.eye(3))
    common = rng.normal(size=(count, 3))
    shared = rng.normal()
    values = np.array(
        [
            [5.0, 3.0, 2.0]
            + rng.multivariate_normal(np.zeros(3), covariance + 0.04 * _SHAPE)
            + effect * shared
            for covariance, effect in zip(covariances, common, strict=True)
        ]
    )
    values[-1] += offset
    return values, np.array(covariances), common


def test_estimate_and_covariance_are_those_of_generalised_least_squares() -> None:
    """Independent reference: statsmodels' GLS on the stacked estimates, its scale set to 1."""
    values, covariances, common = _draw(np.random.default_rng(1), 4)
    found = pool(values, covariances, _SHAPE, 0.2, [common])
    assert found.agrees
    total = block_diag(*(c + 0.04 * _SHAPE for c in covariances))
    total = total + np.outer(common.ravel(), common.ravel())
    fit = GLS(values.ravel(), np.tile(np.eye(3), (4, 1)), sigma=total).fit(cov_type="fixed scale")
    # both invert a well-conditioned 12 x 12 matrix: rounding only
    np.testing.assert_allclose(found.value, fit.params, rtol=1e-9)
    np.testing.assert_allclose(found.covariance, fit.cov_params(), rtol=1e-9)
    np.testing.assert_allclose(found.residuals.ravel(), fit.resid, atol=1e-9)


def test_disagreeing_scalars_get_the_spread_of_paule_and_mandel() -> None:
    """Independent reference: statsmodels' iterated random effects of a meta-analysis."""
    values = np.array([10.0, 11.0, 17.0, 12.5, 8.0])
    variances = np.array([0.5, 1.0, 0.8, 2.0, 0.4])
    found = pool(values.reshape(-1, 1), variances.reshape(-1, 1, 1), np.eye(1), 1e-3)
    reference = combine_effects(values, variances, method_re="iterated", atol=1e-12)
    # statsmodels stops when its variance moves by less than 1e-5
    assert found.spread**2 == pytest.approx(reference.tau2, rel=1e-4)
    assert found.value[0] == pytest.approx(reference.mean_effect_re, rel=1e-5)
    assert found.covariance[0, 0] ** 0.5 == pytest.approx(reference.sd_eff_w_re, rel=1e-4)
    assert found.chance == pytest.approx(stats.chi2.sf(reference.q, 4), rel=1e-3)
    assert found.chance < LEAST_CHANCE


def test_what_is_common_to_all_in_full_may_be_added_once_after() -> None:
    """Mass is taken out before and added back once: exact, since it moves every estimate alike."""
    values, covariances, _ = _draw(np.random.default_rng(2), 3)
    mass = np.array([0.4, -0.3, 0.2])
    without = pool(values, covariances, _SHAPE, 0.2)
    within = pool(values, covariances, _SHAPE, 0.2, [np.tile(mass, (3, 1))])
    np.testing.assert_allclose(within.value, without.value, rtol=1e-9)
    np.testing.assert_allclose(
        within.covariance, without.covariance + np.outer(mass, mass), rtol=1e-9
    )


def test_more_sessions_that_agree_never_widen() -> None:
    """At one spread the variance of every linear function falls: the difference is semidefinite."""
    rng = np.random.default_rng(3)
    tried = 0
    for _ in range(40):
        values, covariances, common = _draw(rng, 4)
        few = pool(values[:3], covariances[:3], _SHAPE, 0.2, [common[:3]])
        more = pool(values, covariances, _SHAPE, 0.2, [common])
        if not more.agrees:
            continue
        tried += 1
        # rounding of matrices of size 1
        assert np.linalg.eigvalsh(few.covariance - more.covariance).min() > -1e-10
    assert tried > 30


def test_a_session_far_off_widens_and_says_so() -> None:
    values, covariances, common = _draw(np.random.default_rng(4), 4, offset=40.0)
    few = pool(values[:3], covariances[:3], _SHAPE, 0.2, [common[:3]])
    more = pool(values, covariances, _SHAPE, 0.2, [common])
    assert few.agrees
    assert not more.agrees
    assert more.spread > 0.2
    assert np.all(more.covariance.diagonal() > few.covariance.diagonal())


def test_intervals_and_test_hold_what_they_say_on_drawn_sessions() -> None:
    """Drawn as the model says: z of each coefficient has an sd of 1, false alarms are as rare."""
    rng = np.random.default_rng(5)
    draws, scores, alarms = 400, [], 0
    for _ in range(draws):
        values, covariances, common = _draw(rng, 3)
        found = pool(values, covariances, _SHAPE, 0.2, [common])
        scores.append((found.value - [5.0, 3.0, 2.0]) / np.sqrt(found.covariance.diagonal()))
        alarms += not found.agrees
    # sd of an sd of 400 draws is 1/sqrt(800) = 3.5 %; four of them, as three are looked at
    np.testing.assert_allclose(np.std(scores, axis=0), 1.0, atol=0.14)
    # binomial 99.9 % band
    assert stats.binom.ppf(0.0005, draws, LEAST_CHANCE) <= alarms
    assert alarms <= stats.binom.ppf(0.9995, draws, LEAST_CHANCE)


def test_one_session_keeps_its_own_covariance_and_the_least_spread() -> None:
    values, covariances, _ = _draw(np.random.default_rng(6), 1)
    found = pool(values, covariances, _SHAPE, 0.2)
    np.testing.assert_allclose(found.value, values[0], rtol=1e-9)
    np.testing.assert_allclose(found.covariance, covariances[0] + 0.04 * _SHAPE, rtol=1e-9)
    assert (found.spread, found.chance) == (0.2, 1.0)


def test_nothing_to_pool_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        pool(np.empty((0, 3)), np.empty((0, 3, 3)), _SHAPE, 0.2)
