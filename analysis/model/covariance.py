"""What covariances are used for everywhere: inverse, root, and the width of a 95 % interval."""

from __future__ import annotations

import numpy as np

from analysis.runs.run import Array

__all__ = ["Z95", "inverse", "root"]

#: Half the width of a two-sided 95 % interval in standard deviations: 97.5 % quantile of the normal
#: distribution.
Z95 = 1.959964


def inverse(matrix: Array) -> Array:
    """Return the inverse of a square matrix."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def root(covariance: Array) -> Array:
    """Return R with R R' the covariance, negative eigenvalues of rounding taken for 0."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
