"""Inverse of a covariance."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["inverse"]

Array: TypeAlias = NDArray[np.float64]


def inverse(matrix: Array) -> Array:
    """Return the inverse of a square matrix."""
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)
