"""The unknowns of the session model: what there is to find, and where each stands in its vector.

Shared ones are common to all runs; each run has its own beside them, among them slow processes given
by their values at evenly spaced knots.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from analysis.model.observations import COAST, FREE, RunData
from logger.arrays import Array

__all__ = [
    "FORCE_BIN_S",
    "GUST_S",
    "LAG_S",
    "OFFSET_S",
    "SLOW_NOISE_S",
    "SPEED_SCALE_MPS",
    "Layout",
    "Spread",
    "force_sd",
    "hat",
    "hill_knots",
    "knots_over",
    "local_slices",
    "spread_table",
]

#: Bin length to which the accelerometer's noise levels refer [s].
FORCE_BIN_S = 0.2
#: Speed that scales the resistance coefficients so that all are accelerations [m/s].
SPEED_SCALE_MPS = 30.0
#: Knots of the slope along a run whose place on the road is unknown: so far apart [m], and at most.
HILL_KNOT_M, MOST_HILL_KNOTS = 80.0, 60
#: Knot spacing and correlation time of the slow processes of a run [s].
GUST_S, OFFSET_S, SLOW_NOISE_S, LAG_S = (3.0, 6.0), (20.0, 150.0), (4.0, 8.0), (12.0, 40.0)


def hat(x: Array, knots: Array) -> Array:
    """Return weights of linear interpolation, shape (x.size, knots.size); level beyond the ends."""
    rows = np.zeros((x.size, knots.size))
    if knots.size == 1:
        rows[:, 0] = 1.0
        return rows
    at = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, knots.size - 2)
    part = np.clip((x - knots[at]) / (knots[at + 1] - knots[at]), 0.0, 1.0)
    index = np.arange(x.size)
    rows[index, at] = 1.0 - part
    rows[index, at + 1] = part
    return rows


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where each shared unknown stands in the parameter vector.

    Parameters
    ----------
    gear_knots_mps : tuple of arrays
        Speed knots of the tractive acceleration per gear [m/s].
    slope_knots_m : array
        Knots of the slope profile along the road [m]; empty without places.
    gravity_share : float
        m / m_e.
    gear_level_mps2 : tuple of float
        Rough level of the tractive acceleration per gear [m/s2], to scale its priors.
    bump_knots_mps : array
        Speed knots of what coast-downs have beside r0 + r1 v + r2 v^2 [m/s]; empty where not sought.
    """

    gear_knots_mps: tuple[Array, ...]
    slope_knots_m: Array
    gravity_share: float
    gear_level_mps2: tuple[float, ...] = ()
    bump_knots_mps: Array = field(default_factory=lambda: np.zeros(0))

    RESISTANCE = slice(0, 3)
    WIND = 3
    SLOPE = 4
    SCALE = 5
    MEMORY = 6
    PITCH = 7
    #: How many unknowns stand before the slope profile, each with a prior of its own.
    SINGLE = 8

    @property
    def slope(self) -> slice:
        """Slope profile about its mean."""
        return slice(self.SINGLE, self.SINGLE + self.slope_knots_m.size)

    def gear(self, index: int) -> slice:
        """Tractive acceleration of gear `index`."""
        start = self.bump.stop + sum(knots.size for knots in self.gear_knots_mps[:index])
        return slice(start, start + self.gear_knots_mps[index].size)

    @property
    def bump(self) -> slice:
        """Resistance of coast-downs beside the three coefficients, over speed."""
        return slice(self.slope.stop, self.slope.stop + self.bump_knots_mps.size)

    @property
    def size(self) -> int:
        """Number of shared unknowns."""
        return int(self.bump.stop) + sum(knots.size for knots in self.gear_knots_mps)


#: Names of a run's own unknowns in order; sizes come from `local_slices`.
LOCAL_NAMES = (
    "start_speed", "lag", "lag_wander", "offset", "offset_wander", "gust", "slow_noise",
    "wind", "pull", "scale", "hill", "free",
)  # fmt: skip


def knots_over(start: float, end: float, spacing: float) -> Array:
    """Return evenly spaced knots from `start` to `end`, about `spacing` apart, at least two."""
    return np.linspace(start, end, max(2, round((end - start) / spacing) + 1))


def hill_knots(data: RunData) -> Array:
    """Return the knots [m driven] of a run's own slope profile; empty where its place is known."""
    if data.has_place or data.flat:
        return np.zeros(0)
    mean_mps = 0.5 * (data.first_path_mps[1:] + data.first_path_mps[:-1])
    driven_m = float(np.sum(np.maximum(mean_mps, 0.0) * np.diff(data.edge_s)))
    count = min(max(2, round(driven_m / HILL_KNOT_M) + 1), MOST_HILL_KNOTS)
    return np.linspace(0.0, max(driven_m, 1.0), count)


def local_slices(data: RunData) -> dict[str, slice]:
    """Return where each of the run's own unknowns stands in its vector."""
    start, end = data.edge_s[0], data.edge_s[-1]
    accel = data.has_accel
    sizes = {
        "start_speed": 1,
        "lag": int(accel),
        "lag_wander": knots_over(start, end, LAG_S[0]).size if accel else 0,
        "offset": int(accel),
        "offset_wander": knots_over(start, end, OFFSET_S[0]).size if accel else 0,
        "gust": knots_over(start, end, GUST_S[0]).size,
        "slow_noise": knots_over(start, end, SLOW_NOISE_S[0]).size,
        "wind": 1,
        "pull": int((data.drive >= 0).any()),
        "scale": int(accel),
        "hill": hill_knots(data).size,
        "free": int((data.drive == FREE).sum()),
    }
    slices: dict[str, slice] = {}
    at = 0
    for name in LOCAL_NAMES:
        slices[name] = slice(at, at + sizes[name])
        at += sizes[name]
    return slices


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Standard deviations of everything random in the model, learnt from the data.

    fix [m/s]: white GPS noise. force_drive, force_coast [m/s2]: vibration left in a 0.2 s bin.
    slow_noise [m/s]: slow GPS noise. gust, wind [m/s]: gusts, run-to-run wind. offset_wander
    [m/s2]: slow accelerometer offset. lag_wander, lag [s]. pull (ratio): pull-to-pull drive.
    slope, slope_long (ratio): short and long waves of the slope profile about its mean. bend: second derivative of tractive acceleration
    over speed, dimensionless. scale (ratio): run-to-run accelerometer scale. pitch [m/s2]: what air's
    pitching of the body adds to the accelerometer at 30 m/s. bump [m/s2]: resistance of coast-downs
    beside the three coefficients.
    """

    fix: float = 0.08
    force_drive: float = 0.15
    force_coast: float = 0.12
    slow_noise: float = 0.03
    gust: float = 0.4
    wind: float = 0.3
    offset_wander: float = 0.015
    lag_wander: float = 0.05
    lag: float = 0.25
    pull: float = 0.01
    slope: float = 0.0025
    slope_long: float = 0.0025
    bend: float = 2.0
    scale: float = 0.003
    pitch: float = 0.01
    bump: float = 0.0008


def force_sd(data: RunData, bins: NDArray[np.int_], spread: Spread) -> Array:
    """Return the sd of the mean specific force in the given bins [m/s2]."""
    dt = np.diff(data.edge_s)[bins]
    level = np.where(data.drive[bins] == COAST, spread.force_coast, spread.force_drive)
    return np.asarray(level * np.sqrt(FORCE_BIN_S / dt))


def spread_table(spread: Spread) -> dict[str, float]:
    """Return the noise levels by name, for the history."""
    return {one.name: float(getattr(spread, one.name)) for one in fields(spread)}
