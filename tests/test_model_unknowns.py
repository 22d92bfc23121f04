"""Knots of the session model and the interpolation between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.model_unknowns import hat, knots_over

Array = NDArray[np.float64]


def test_hat_interpolates_as_numpy_does_and_stays_level_outside() -> None:
    knots, x = np.array([0.0, 1.0, 2.5, 4.0]), np.linspace(-1.0, 5.0, 61)
    values = np.array([1.0, -2.0, 0.5, 3.0])
    np.testing.assert_allclose(hat(x, knots) @ values, np.interp(x, knots, values), atol=1e-12)
    np.testing.assert_allclose(hat(x, np.array([2.0])), 1.0)


def test_knots_reach_both_ends() -> None:
    knots = knots_over(3.0, 33.0, 4.0)
    assert knots[0] == 3.0
    assert knots[-1] == 33.0
    assert np.ptp(np.diff(knots)) < 1e-9
    assert knots_over(0.0, 0.1, 4.0).size == 2
