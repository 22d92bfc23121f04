"""What covariances are used for everywhere: inverse, root, and the width of a 95 % interval."""

from __future__ import annotations

import numpy as np

from logger.arrays import Array

__all__ = ["Z95", "inverse", "positive_inverse", "root"]

#: Half the width of a two-sided 95 % interval in standard deviations: 97.5 % quantile of the normal
#: distribution.
Z95 = 1.959964
#: Least information in any direction, as a share of the largest: some thousand roundings.
_TRACE = 1e-13


def inverse(matrix: Array) -> Array:
    """Return the inverse of a square matrix."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def positive_inverse(matrix: Array) -> Array:
    """Return the inverse of an information matrix, symmetric and positive definite despite rounding.

    Unknowns are scaled to unit information first; a direction of which rounding has left nothing or less
    keeps a trace of information, and so a huge but finite variance.
    """
    scale = 1.0 / np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T) * np.outer(scale, scale))
    values = np.maximum(values, _TRACE * values[-1])
    return np.asarray((vectors / values) @ vectors.T * np.outer(scale, scale))


def root(covariance: Array) -> Array:
    """Return R with R R' the covariance, negative eigenvalues of rounding taken for 0."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
