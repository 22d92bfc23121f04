"""Inverses that stay covariances whatever rounding does."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from analysis.model.covariance import Z95, positive_inverse


def test_a_good_information_matrix_is_inverted() -> None:
    """Of unknowns in very different units, against numpy."""
    rng = np.random.default_rng(5)
    half = rng.standard_normal((6, 9)) * np.array([1e-4, 1.0, 1e3, 5.0, 1e5, 0.1])[:, None]
    matrix = half @ half.T
    np.testing.assert_allclose(positive_inverse(matrix) @ matrix, np.eye(6), atol=1e-6)


def test_a_singular_matrix_gives_a_positive_definite_covariance() -> None:
    """Two unknowns of which only the sum is measured, and an entry that rounding made negative."""
    matrix = np.array([[1.0, 1.0, 0.0], [1.0, 1.0 - 1e-16, 0.0], [0.0, 0.0, 4.0]])
    covariance = positive_inverse(matrix)
    assert np.linalg.eigvalsh(covariance).min() > 0.0
    np.testing.assert_allclose(covariance, covariance.T)
    # the sum is known all the same
    np.testing.assert_allclose(
        np.array([1.0, 1.0, 0.0]) @ covariance @ [1.0, 1.0, 0.0], 1.0, rtol=0.01
    )


def test_z95_is_the_quantile_of_the_normal_distribution() -> None:
    np.testing.assert_allclose(Z95, NormalDist().inv_cdf(0.975), atol=5e-7)
