"""Pool estimates of one thing from several sessions: random effects by generalised least squares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag
from scipy.optimize import brentq
from scipy.special import gammaincc

__all__ = ["LEAST_CHANCE", "Pool", "pool"]

#: Scatter that chance gives less often than this counts as disagreement; as for the runs of one
#: session (`model/leave_one_out.py`).
LEAST_CHANCE = 0.025


@dataclass(frozen=True, slots=True, kw_only=True)
class Pool:
    """What several estimates of one vector say together.

    Parameters
    ----------
    value : array of shape (k,)
        Best estimate.
    covariance : array of shape (k, k)
        Of it.
    spread : float
        Factor on the shape of the deviations between sessions (an sd): the least one, or larger
        where the sessions disagree.
    chance : float
        Probability of so much scatter or more at the least spread; 1 for a single session.
    residuals : array of shape (n, k)
        Each session's estimate less the pooled one.
    residual_covariances : array of shape (n, k, k)
        What they should scatter by; 0 for a single session.
    """

    value: NDArray[np.float64]
    covariance: NDArray[np.float64]
    spread: float
    chance: float
    residuals: NDArray[np.float64]
    residual_covariances: NDArray[np.float64]

    @property
    def agrees(self) -> bool:
        """Whether the sessions scatter no more than chance allows."""
        return self.chance >= LEAST_CHANCE


def pool(
    values: NDArray[np.float64],
    covariances: NDArray[np.float64],
    shape: NDArray[np.float64],
    least_spread: float,
    common: Sequence[NDArray[np.float64]] = (),
) -> Pool:
    """Pool n estimates of one k-vector.

    Estimate i is ``x + deviation_i + error_i + sum_j c_ij e_j``: deviations are independent with
    covariance ``spread^2 shape``, errors with covariance i, and each e_j is one standard normal
    number for all sessions. The best linear unbiased estimate is ``(X' V^-1 X)^-1 X' V^-1 y``
    (Aitken 1935, from memory). Where the weighted scatter Q about it is beyond chance (Cochran's
    test, chi-square with k (n - 1) degrees of freedom), the spread is raised until Q equals its
    degrees of freedom: Paule and Mandel, J. Res. Natl. Bur. Stand. 87 (1982) 377-385, from memory,
    here for vectors. Q is the same in coefficients as at k points of the curve they describe.

    Parameters
    ----------
    values : array of shape (n, k)
        Estimates.
    covariances : array of shape (n, k, k)
        Of the errors that are each session's own.
    shape : array of shape (k, k)
        Covariance of the deviations for a spread of 1; positive definite.
    least_spread : float
        Above 0.
    common : sequence of arrays of shape (n, k)
        Each the effect of one standard deviation of something that all sessions share.

    Returns
    -------
    Pool
        With the covariance of the estimate at the spread found.

    Raises
    ------
    ValueError
        Without any estimate.
    """
    count, size = values.shape
    if count == 0:
        msg = "nothing to pool: expected at least one estimate"
        raise ValueError(msg)
    errors = block_diag(*covariances)
    for effect in common:
        errors += np.outer(effect.ravel(), effect.ravel())
    deviations = np.asarray(np.kron(np.eye(count), shape), dtype=np.float64)
    freedom = size * (count - 1)
    scatter = _solve(values, errors + least_spread**2 * deviations)[2]
    chance = float(gammaincc(freedom / 2, scatter / 2)) if freedom else 1.0
    spread = least_spread
    if chance < LEAST_CHANCE:
        spread = _explaining_spread(values, errors, deviations, least_spread)
    total = errors + spread**2 * deviations
    value, covariance, _ = _solve(values, total)
    own = [
        total[i * size : (i + 1) * size, i * size : (i + 1) * size] - covariance
        for i in range(count)
    ]
    return Pool(
        value=value,
        covariance=covariance,
        spread=spread,
        chance=chance,
        residuals=values - value,
        residual_covariances=np.array(own),
    )


def _explaining_spread(
    values: NDArray[np.float64],
    errors: NDArray[np.float64],
    deviations: NDArray[np.float64],
    least_spread: float,
) -> float:
    """Return the spread at which the weighted scatter equals its degrees of freedom."""
    freedom = float(values.size - values.shape[1])

    def excess(log_spread: float) -> float:
        return _solve(values, errors + np.exp(2 * log_spread) * deviations)[2] - freedom

    low = high = float(np.log(least_spread))
    while excess(high) > 0.0:
        low, high = high, high + 1.0  # the scatter falls as the spread grows, to 0 in the end
    return float(np.exp(brentq(excess, low, high, xtol=1e-15)))


def _solve(
    values: NDArray[np.float64], total: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Return the estimate, its covariance, and the weighted scatter about it."""
    count, size = values.shape
    root = np.linalg.cholesky(total)
    design = np.linalg.solve(root, np.tile(np.eye(size), (count, 1)))
    aim = np.linalg.solve(root, values.ravel())
    covariance = np.linalg.inv(design.T @ design)
    covariance = 0.5 * (covariance + covariance.T)
    value = covariance @ (design.T @ aim)
    left = aim - design @ value
    return value, covariance, float(left @ left)
