"""Where the throttle is let go at the end of a pull."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d
from scipy.special import ndtri

from logger.arrays import Array

__all__ = ["release_of"]

#: The release of the throttle is looked for with means over these times [s].
_FALL_S = (0.3, 0.5, 0.8, 1.2)
#: Noise of the falls is measured on this share of the smallest ones.
_CALM = 0.35
#: The body shakes more the faster it goes: the noise is also that of the last so many seconds before the
#: release is looked for [s], where there are enough falls.
_LATE_S, _LEAST_FALLS = 5.0, 20
#: A later fall of at least this share of the steepest, out of at least this share of its drive, is the release.
_RELEASE_SHARE = 0.4
#: A mean above this is drive [m/s2].
_DRIVES_MPS2 = 0.30


def release_of(
    accel_mps2: Array, step_s: float, first: int, last: int, *, fine: bool
) -> tuple[int, float]:
    """Return the index of the steepest fall of acceleration near the end of a pull, and its width.

    The fall is the difference of the means over a short time before and after; the shortest time
    is taken with which the fall stands clearly out of the same difference elsewhere in the pull. A
    curve that ends in full drive has no release: its last sample is returned.

    Parameters
    ----------
    accel_mps2 : array of shape (n,)
        Acceleration on an even grid [m/s2].
    step_s : float
        Its step [s].
    first, last : int
        Where the pull begins, and where its mean acceleration ends.
    fine : bool
        Whether the signal resolves a gear change.

    Returns
    -------
    index, width : int, float
        Of the release, and the time over which the fall is spread [s].
    """
    reach, late = round(1.3 / step_s), round(_LATE_S / step_s)
    ends_in_drive = last >= accel_mps2.size - 1 - round(0.3 / step_s)
    sums = np.concatenate([[0.0], np.cumsum(accel_mps2)])
    widest: tuple[int, float] | None = None
    for width in _FALL_S:
        wide = max(1, round(width / step_s))
        low, high = max(last - reach, wide), min(last + reach, accel_mps2.size - wide)
        if high <= max(low, first):
            break
        i = np.arange(max(first, wide), high + 1)
        fall = (sums[i + wide] - 2.0 * sums[i] + sums[i - wide]) / wide
        near = i >= low
        best = int(i[near][np.argmin(fall[near])])
        if fine:
            before = (sums[i] - sums[i - wide]) / wide
            best = _last_fall(best, i[near], fall[near], before[near], wide)
        noise = max(_noise(fall), _noise(fall[(i < low) & (i >= low - late)]))
        clear = -float(fall[near].min()) / max(noise, 1e-9)
        if clear > 6.0:
            return best, width
        widest = best, width
    if ends_in_drive:
        return accel_mps2.size - 1, 0.0
    # without a clear one the widest window, which errs to the late side: a coast-down must not begin early
    return widest or (last, _FALL_S[0])


def _noise(fall: Array) -> float:
    """Return the sd of falls without the release; gear changes fill part of them, so of the calmer part."""
    if fall.size < _LEAST_FALLS:
        return 0.0
    return float(np.quantile(np.abs(fall - np.median(fall)), _CALM) / ndtri(0.5 + 0.5 * _CALM))


def _last_fall(best: int, at: NDArray[np.intp], fall: Array, before: Array, wide: int) -> int:
    """Return the last fall out of drive that is as deep as a release: the steepest may be a gear change.

    Where a short gear ends the pull, the clutch that opens before it lets the force fall as far.
    """
    steepest = int(np.argmin(fall))
    drives = before > max(_DRIVES_MPS2, _RELEASE_SHARE * float(before[steepest]))
    lowest = fall <= -maximum_filter1d(-fall, 2 * wide + 1)
    later = np.flatnonzero(drives & lowest & (fall < _RELEASE_SHARE * fall[steepest]))
    return int(at[later[-1]]) if later.size and later[-1] > steepest + wide else best
