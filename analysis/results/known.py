"""Where a curve of wheel power is known well enough to take its peak from."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.model.fit import SessionFit
from logger.arrays import Array

__all__ = ["well_known"]

#: The peak is not taken from a gear with fewer fixes or forces in it, nor from where the sd is more than so
#: many times the best share of the power and more than this share.
_LEAST_MEASURED, _LESS_KNOWN, _KNOWN_SHARE = 5, 3.0, 0.12


def well_known(
    fit: SessionFit, curves: Sequence[tuple[Array, Array, Array]], gears: Sequence[int]
) -> NDArray[np.bool_]:
    """Return which points of all curves may hold the peak: all where none is known better.

    A gear that few measurements lie in, or a stretch much less known than the best one, may show a spike
    that no engine has.

    Parameters
    ----------
    fit : SessionFit
        For what was measured in each gear.
    curves : sequence of (speed_mps, power_w, sd_w)
        Of each gear [m/s], [W], [W].
    gears : sequence of int
        Their numbers in the fit, from 0.
    """
    power = np.concatenate([power_w for _, power_w, _ in curves])
    share = np.concatenate([sd_w for _, _, sd_w in curves]) / np.maximum(power, 1e-9)
    enough = np.concatenate(
        [
            np.full(speed_mps.size, _measured(fit, gear) >= _LEAST_MEASURED)
            for (speed_mps, _, _), gear in zip(curves, gears, strict=True)
        ]
    )
    if not enough.any():
        enough[:] = True
    best = float(np.min(share[enough & (power > 0.0)], initial=np.inf))
    known = enough & (power > 0.0) & (share <= max(_LESS_KNOWN * best, _KNOWN_SHARE))
    return np.asarray(known if known.any() else np.ones(power.size, dtype=bool))


def _measured(fit: SessionFit, gear: int) -> int:
    """Return how many fixes, or forces of an accelerometer, lie in a gear."""
    count = 0
    for state in fit.states:
        data = state.data
        at = np.searchsorted(data.edge_s, data.fix_s - data.lag_s, side="right") - 1
        inside = (at >= 0) & (at < data.drive.size)
        fixes = int((data.drive[at[inside]] == gear).sum())
        count += max(fixes, int((np.isfinite(data.force_mps2) & (data.drive == gear)).sum()))
    return count
