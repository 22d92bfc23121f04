"""Learn the session model's noise levels from the data.

Variances follow by the fixed-point rule of the evidence approximation,
`sd^2 = u'Qu / (n - tr(QC)/sd^2)` (MacKay, Neural Computation 4 (1992) 415; from memory), held by a
weak prior on each.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TypeAlias

import numpy as np

from analysis.model.linearise import Linearised
from analysis.model.normal_equations import Normal, RunState, run_covariance
from analysis.model.observations import COAST, RunData
from analysis.model.parameters import Layout, Spread, force_sd, local_slices
from analysis.model.priors import (
    PROCESSES,
    Prior,
    bend_precision,
    bump_precision,
    pitch_sd,
    process_precision,
    slope_bands,
    slope_precision,
)
from logger.arrays import Array

__all__ = ["MOST_FIX_SD_MPS", "fix_weights", "next_spread"]

#: Measurements farther off than this many sd are left out of the fit.
_OUTLIER_SD = 4.5
#: White noise of fixes ends here [m/s]: no receiver is worse.
MOST_FIX_SD_MPS = 2.0
#: How many observations the starting value of each spread counts for, and its range.
_HOLD: dict[str, tuple[float, float, float]] = {
    "fix": (10.0, 0.01, MOST_FIX_SD_MPS),
    "force_drive": (20.0, 0.005, 3.0),
    "force_coast": (20.0, 0.005, 3.0),
    "slow_noise": (40.0, 0.003, 0.5),
    "gust": (40.0, 0.02, 2.0),
    "wind": (4.0, 0.02, 2.0),
    "offset_wander": (8.0, 0.003, 0.5),
    "lag_wander": (10.0, 0.005, 0.6),
    "pull": (4.0, 0.001, 0.1),
    "slope": (4.0, 0.0003, 0.03),
    "slope_long": (2.0, 0.0003, 0.03),
    "bend": (8.0, 1.0, 20.0),
    "bump": (3.0, 0.0003, 0.3),
}


def next_spread(
    states: Sequence[RunState],
    lins: Sequence[Linearised],
    normals: Sequence[Normal],
    layout: Layout,
    spread: Spread,
    start: Spread,
    prior: Prior,
    shared: Array,
    shared_cov: Array,
) -> Spread:
    """Return the noise levels that the round's unknowns and misses show, each inside its range.

    `start` is the weak prior of each, `prior` caps wind, gusts and slope.
    """
    squares, count = dict.fromkeys(_HOLD, 0.0), dict.fromkeys(_HOLD, 0.0)

    def add(name: str, square: float, freedom: float) -> None:
        squares[name] += square
        count[name] += freedom

    for state, lin, normal in zip(states, lins, normals, strict=True):
        cov = run_covariance(normal, shared_cov)
        for found in (_fix_squares, _force_squares, _process_squares):
            for name, square, freedom in found(state, lin, cov, layout, spread):
                add(name, square, freedom)
    for name, square, freedom in _curve_squares(layout, spread, shared, shared_cov):
        add(name, square, freedom)
    caps = {
        "slope": prior.most_slope,
        "slope_long": prior.most_slope,
        "wind": prior.most_wind_mps,
        "gust": prior.most_wind_mps,
    }
    new: dict[str, float] = {}
    for name, (hold, low, high) in _HOLD.items():
        base = min(getattr(start, name), caps.get(name, np.inf))
        variance = (squares[name] + hold * base**2) / (max(count[name], 0.0) + hold)
        high = min(high, max(caps.get(name, high), 1e-6))
        new[name] = float(np.clip(np.sqrt(variance), min(low, high), high))
    at = layout.PITCH
    new["pitch"] = pitch_sd(float(shared[at]), float(shared_cov[at, at]), spread.pitch)
    return replace(spread, **new)


_Squares: TypeAlias = Iterator[tuple[str, float, float]]


def _fix_squares(
    state: RunState, lin: Linearised, cov: Array, layout: Layout, spread: Spread
) -> _Squares:
    """Yield name, sum of squares and degrees of freedom of the fixes' white noise."""
    fitted = np.einsum("ij,ij->i", lin.fix_rows @ cov, lin.fix_rows)
    share = np.minimum(state.fix_weight * fitted / spread.fix**2, 0.98)
    freedom = float(((1.0 - share) * (state.fix_weight > 0)).sum())
    yield "fix", float(state.fix_weight @ lin.fix_miss**2), freedom


def _force_squares(
    state: RunState, lin: Linearised, cov: Array, layout: Layout, spread: Spread
) -> _Squares:
    """Yield the same of the accelerometer's vibration, in drive and coasting."""
    if not lin.force_bins.size:
        return
    sd = force_sd(state.data, lin.force_bins, spread)
    fitted = np.einsum("ij,ij->i", lin.force_rows @ cov, lin.force_rows)
    left = 1.0 - np.minimum(fitted / sd**2, 0.98)
    scaled = (lin.force_miss / sd) ** 2
    coasting = state.data.drive[lin.force_bins] == COAST
    for name, mask in (("force_coast", coasting), ("force_drive", ~coasting)):
        yield name, float(scaled[mask].sum()) * getattr(spread, name) ** 2, float(left[mask].sum())


def _process_squares(
    state: RunState, lin: Linearised, cov: Array, layout: Layout, spread: Spread
) -> _Squares:
    """Yield the same of a run's slow processes, its own wind and its deviation in drive."""
    own, p = local_slices(state.data), layout.size
    for name in (*PROCESSES, "wind", "pull"):
        part = own[name]
        n = part.stop - part.start
        if not n:
            continue
        q = np.eye(n) if n == 1 else process_precision(state.data, name, n)
        u = state.local[part]
        block = cov[p + part.start : p + part.stop, p + part.start : p + part.stop]
        freedom = n - float(np.sum(q * block)) / getattr(spread, name) ** 2
        yield name, float(u @ q @ u), freedom


def _band_squares(
    bands: tuple[Array, Array], precision: Array, profile: Array, block: Array, spread: Spread
) -> _Squares:
    """Yield the same of the two bands of a slope profile: a sum of two random processes.

    Each variance by the part of the profile that its own correlation explains.
    """
    for name, band in zip(("slope", "slope_long"), bands, strict=True):
        variance = getattr(spread, name) ** 2
        inner = precision @ band @ precision
        freedom = float(np.sum(precision * band)) - float(np.sum(inner * block))
        yield name, variance**2 * float(profile @ inner @ profile), variance * freedom


def _curve_squares(layout: Layout, spread: Spread, shared: Array, shared_cov: Array) -> _Squares:
    """Yield the same of the slope profile and of the bend of the tractive curves."""
    if layout.slope_knots_m.size:
        block = shared_cov[layout.slope, layout.slope]
        precision = slope_precision(layout, spread)
        yield from _band_squares(
            slope_bands(layout), precision, shared[layout.slope], block, spread
        )
    if layout.bump_knots_mps.size:
        q, u = bump_precision(layout), shared[layout.bump]
        known = float(np.sum(q * shared_cov[layout.bump, layout.bump])) / spread.bump**2
        yield "bump", float(u @ q @ u), u.size - known
    for gear, knots in enumerate(layout.gear_knots_mps):
        part = layout.gear(gear)
        q, u = bend_precision(knots, layout.gear_level_mps2[gear]), shared[part]
        known = float(np.sum(q * shared_cov[part, part])) / spread.bend**2
        yield "bend", float(u @ q @ u), max(u.size - 2, 0) - known


def fix_weights(data: RunData, lin: Linearised, fix_sd: float) -> Array:
    """Return the weight of each fix, shape (q,): 0 for those far off, else how many it stands for."""
    count = data.fix_count if data.fix_count.size else np.ones(lin.fix_miss.size)
    return np.where(np.abs(lin.fix_miss) > _OUTLIER_SD * fix_sd, 0.0, count)
