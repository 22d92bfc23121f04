"""Questions about a whole column, answered without a temporary column of the same length.

A log of a day has millions of rows. There a pass over memory that was never touched before costs
several times the arithmetic, so these look at some ten thousand values at a time, which stay in the
processor's cache.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "all_finite",
    "any_finite",
    "extremes",
    "first_finite",
    "has_infinite",
    "is_rising",
    "largest_step",
    "steeper",
]

#: Values looked at in one go.
_BLOCK = 1 << 15


def _blocks(size: int) -> Iterator[slice]:
    """Yield slices that overlap by one value, so that each step between neighbours is in one."""
    for at in range(0, max(size - 1, 0), _BLOCK):
        yield slice(at, at + _BLOCK + 1)


def all_finite(values: NDArray[np.float64]) -> bool:
    """Tell whether no value of an array of shape (n,) is NaN or infinite."""
    with np.errstate(invalid="ignore", over="ignore"):
        total = values.sum()
    if np.isinf(total):  # an infinite value, or a sum beyond the largest float
        return bool(np.isfinite(values).all())
    return not np.isnan(total)


def any_finite(values: NDArray[np.float64]) -> bool:
    """Tell whether any value of an array of shape (n,) is a finite number."""
    return bool(np.isfinite(values[:_BLOCK]).any()) or bool(np.isfinite(values).any())


def extremes(values: NDArray[np.float64]) -> tuple[float, float]:
    """Return the least and the largest of an array of shape (n,) but for NaN; 0, 0 where none is."""
    parts = [values[at : at + _BLOCK] for at in range(0, values.size, _BLOCK)]
    both = np.array([(np.fmin.reduce(part), np.fmax.reduce(part)) for part in parts])
    both = both[~np.isnan(both[:, 0])] if parts else np.zeros((0, 2))
    return (float(both[:, 0].min()), float(both[:, 1].max())) if both.size else (0.0, 0.0)


def first_finite(values: NDArray[np.float64]) -> int:
    """Return the place of the first finite number in an array of shape (n,) that has one."""
    for at in range(0, values.size, _BLOCK):
        finite = np.isfinite(values[at : at + _BLOCK])
        if finite.any():
            return at + int(np.argmax(finite))
    msg = "no finite number"
    raise ValueError(msg)


def has_infinite(values: NDArray[np.float64]) -> bool:
    """Tell whether any value of an array of shape (n,) is infinite; NaN is not."""
    with np.errstate(invalid="ignore", over="ignore"):
        total = values.sum()
    return not np.isfinite(total) and bool(np.isinf(values).any())


def is_rising(t_s: NDArray[np.float64]) -> bool:
    """Tell whether each of the times, shape (n,), is later than the one before."""
    return all(bool((t_s[part][1:] > t_s[part][:-1]).all()) for part in _blocks(t_s.size))


def largest_step(t_s: NDArray[np.float64]) -> float:
    """Return the longest time from one sample to the next [s]; 0 for fewer than two."""
    return max((float(np.diff(t_s[part]).max()) for part in _blocks(t_s.size)), default=0.0)


def steeper(t_s: NDArray[np.float64], speed_mps: NDArray[np.float64], limit_mps2: float) -> bool:
    """Tell whether a speed changes by more than `limit_mps2` anywhere, times rising.

    Parameters
    ----------
    t_s, speed_mps : array of shape (n,)
        Times [s] and speeds [m/s].
    limit_mps2 : float
        Acceleration, of either sign [m/s2].

    Returns
    -------
    bool
    """
    return any(
        bool((np.abs(np.diff(speed_mps[part]) / np.diff(t_s[part])) > limit_mps2).any())
        for part in _blocks(t_s.size)
    )
