"""Questions about whole columns of numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["all_finite", "any_finite", "extremes", "is_rising"]


def all_finite(values: NDArray[np.float64]) -> bool:
    """Return whether no value is NaN or infinite."""
    return bool(np.isfinite(values).all())


def any_finite(values: NDArray[np.float64]) -> bool:
    """Return whether any value is a finite number."""
    return bool(np.isfinite(values).any())


def extremes(values: NDArray[np.float64]) -> tuple[float, float]:
    """Return the least and the largest value but for NaN; 0, 0 where none is."""
    if not values.size:
        return 0.0, 0.0
    least, most = float(np.fmin.reduce(values)), float(np.fmax.reduce(values))
    return (0.0, 0.0) if np.isnan(least) else (least, most)


def is_rising(t_s: NDArray[np.float64]) -> bool:
    """Return whether each time is later than the one before."""
    return bool((t_s[1:] > t_s[:-1]).all())
