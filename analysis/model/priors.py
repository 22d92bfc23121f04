"""What the session model holds likely before any data: means and precisions of its unknowns."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np

from analysis.model.covariance import inverse
from analysis.model.observations import RunData
from analysis.model.parameters import (
    GUST_S,
    LAG_S,
    OFFSET_S,
    SLOW_NOISE_S,
    SPEED_SCALE_MPS,
    Layout,
    Spread,
    hill_knots,
    knots_over,
    local_slices,
)
from logger.arrays import Array
from logger.session.session import Site, Vehicle

__all__ = [
    "PROCESSES",
    "KnownRoadLoad",
    "Prior",
    "SlopeInformation",
    "add_road",
    "bend_precision",
    "bump_precision",
    "hill_precision",
    "known_prior",
    "local_prior",
    "local_prior_mean",
    "pitch_sd",
    "process_precision",
    "road_covariance",
    "shared_prior",
    "shared_prior_matrix",
    "slope_bands",
    "slope_precision",
]

#: Short and long waves of the slope profile about its mean [m], in each band all lengths alike per
#: octave. The level of each band is learnt: roads differ in how much of their roughness is long.
SLOPE_WAVES_M = (120.0, 600.0)
LONG_WAVES_M = (600.0, 6000.0)
#: What air does to the pitch of the body, as gravity that the accelerometer then feels at 30 m/s
#: [m/s2], as a mixture (share, sd): most bodies hardly move (0.03 degrees at 108 km/h), lift and drag tilt
#: some by 0.05 to 0.3 degrees; common practice, no source.
_PITCH_MPS2 = ((0.6, 0.005), (0.4, 0.03))
#: Speeds over which what a coast-down has beside the three coefficients is alike [m/s].
_BUMP_MPS = 4.0
#: How fast a vehicle may creep while it is taken to stand [m/s].
_REST_MPS = 0.1
_POWER_KEPT, _POWER_KEPT_SD = 0.9, 0.15
#: Slow processes of a run: knot spacing and correlation time [s].
PROCESSES = {
    "lag_wander": LAG_S,
    "offset_wander": OFFSET_S,
    "gust": GUST_S,
    "slow_noise": SLOW_NOISE_S,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """Mean and sd of the shared unknowns with a prior of their own, in the layout's first eight.

    Slope profile and tractive curves are held by `Spread.slope` and `Spread.bend`.
    """

    mean: Array
    sd: Array
    most_slope: float
    most_wind_mps: float


def shared_prior(site: Site, accel: bool) -> Prior:
    """Return the weak prior of the first eight shared unknowns.

    Resistance: means in the middle of published road loads of cars, sd several times their
    spread (EPA test-car list 2022), so that data decide; F1 may be negative.
    """
    mean = np.array([0.10, 0.05, 0.35, site.wind_mps, site.slope, 0.0, 0.3, 0.0])
    memory_sd = 0.2 if accel else 0.05
    sd = np.array([0.50, 0.30, 2.0, site.wind_sd_mps, site.slope_sd, 0.06, memory_sd, 1.0])
    return Prior(mean=mean, sd=sd, most_slope=site.slope_sd, most_wind_mps=site.wind_sd_mps)


class KnownRoadLoad(Protocol):
    """A road load found elsewhere: coefficients [N, N/(m/s), N/(m/s)^2] and covariance."""

    @property
    def f0_n(self) -> float:
        """F0 [N]."""

    @property
    def f1_n_per_mps(self) -> float:
        """F1 [N/(m/s)]."""

    @property
    def f2_n_per_mps2(self) -> float:
        """F2 [N/(m/s)^2]."""

    @property
    def covariance(self) -> Array:
        """Of the three, shape (3, 3)."""


class SlopeInformation(Protocol):
    """What is known of the slope at the knots: information of shape (n, n), and it times the slope."""

    @property
    def information(self) -> Array:
        """Inverse of a covariance; directions of which nothing is known have none."""

    @property
    def pull(self) -> Array:
        """Information times slope, shape (n,)."""


def add_road(matrix: Array, pull: Array, layout: Layout, road: SlopeInformation) -> None:
    """Add to the priors what is known of the road: mean slope plus profile at each knot."""
    rows = np.zeros((layout.slope_knots_m.size, layout.size))
    rows[:, layout.SLOPE] = 1.0
    rows[:, layout.slope] = np.eye(layout.slope_knots_m.size)
    matrix += rows.T @ road.information @ rows
    pull += rows.T @ road.pull


def known_prior(known: KnownRoadLoad | None, vehicle: Vehicle) -> tuple[Array | None, Array]:
    """Return precision and mean of the three resistance unknowns from a known road load."""
    if known is None:
        return None, np.zeros(3)
    factor = np.array([1.0, SPEED_SCALE_MPS, SPEED_SCALE_MPS**2]) / vehicle.effective_mass_kg
    mean = np.array([known.f0_n, known.f1_n_per_mps, known.f2_n_per_mps2]) * factor
    covariance = known.covariance * np.outer(factor, factor)
    return inverse(covariance + 1e-9 * np.eye(3)), mean


def local_prior_mean(data: RunData) -> Array:
    """Return the prior mean of a run's own unknowns: its starting speed, else 0."""
    own = local_slices(data)
    first = np.zeros(max(s.stop for s in own.values()))
    first[own["start_speed"]] = 0.0 if data.from_rest else data.first_path_mps[0]
    return first


@lru_cache(maxsize=512)
def _unit_precision(count: int, spacing_over_time: float) -> Array:
    """Return the inverse correlation matrix of `count` knots of an exponential process."""
    lag = np.abs(np.subtract.outer(np.arange(count), np.arange(count))) * spacing_over_time
    return inverse(np.exp(-lag) + 1e-9 * np.eye(count))


def process_precision(data: RunData, name: str, count: int) -> Array:
    """Return the precision of a slow process of sd 1 at its knots, shape (count, count)."""
    spacing, time_s = PROCESSES[name]
    length = float(data.edge_s[-1] - data.edge_s[0])
    real = length / max(knots_over(0.0, length, spacing).size - 1, 1)
    # rounded before it is kept: what was fitted earlier in the same process must not change a digit
    return _unit_precision(count, round(real / time_s, 6))


def local_prior(data: RunData, spread: Spread, own: dict[str, slice]) -> Array:
    """Return the prior precision of a run's own unknowns, which stand where `own` says."""
    size = max(s.stop for s in own.values())
    matrix = np.zeros((size, size))
    single = {
        "start_speed": _REST_MPS if data.from_rest else 3.0,
        "lag": spread.lag,
        "offset": 0.8,
        "wind": spread.wind,
        "pull": spread.pull,
        "scale": spread.scale,
        "free": 3.0,
    }
    for name, sd in single.items():
        for i in range(own[name].start, own[name].stop):
            matrix[i, i] = 1.0 / sd**2
    for name in PROCESSES:
        count = own[name].stop - own[name].start
        if count:
            precision = process_precision(data, name, count)
            matrix[own[name], own[name]] = precision / getattr(spread, name) ** 2
    if own["hill"].stop > own["hill"].start:
        matrix[own["hill"], own["hill"]] = hill_precision(data, spread)
    return matrix


def hill_precision(data: RunData, spread: Spread) -> Array:
    """Return the precision of a run's own slope profile at its knots.

    Its levels are not learnt: in one run a hill looks like a gust, and what cannot be separated would
    make itself small.
    """
    short, long = _bands_at(hill_knots(data))
    return inverse(spread.slope**2 * short + spread.slope_long**2 * long)


def pitch_sd(found: float, variance: float, sd: float) -> float:
    """Return the sd of a Gaussian prior about 0 that draws the pitch to 0 as the mixture does.

    `found` and `variance` are those of the fit [m/s2, squared], `sd` the prior that it was made with.
    """
    if variance <= 0.0:
        return sd
    # what the data say alone: the prior's precision taken off
    precision = max(1.0 / variance - 1.0 / sd**2, 1e-3 / sd**2)
    own, own_variance = found / variance / precision, 1.0 / precision
    share, prior_variance = np.array(_PITCH_MPS2).T ** [[1], [2]]
    total = prior_variance + own_variance
    odds = share * np.exp(-0.5 * own**2 / total) / np.sqrt(total)
    kept = float(odds @ (prior_variance / total) / odds.sum())
    return float(np.sqrt(own_variance * kept / (1.0 - kept)))


def slope_bands(layout: Layout) -> tuple[Array, Array]:
    """Return the correlation of the slope profile's short and of its long waves at its knots."""
    return _bands_at(layout.slope_knots_m)


def _bands_at(x: Array) -> tuple[Array, Array]:
    if not x.size:
        return np.zeros((0, 0)), np.zeros((0, 0))
    return _bands(round(float(x[-1] - x[0]) / max(x.size - 1, 1), 6), x.size)


@lru_cache(maxsize=8)
def _bands(spacing_m: float, count: int) -> tuple[Array, Array]:
    """Return both correlations at evenly spaced knots."""
    x = spacing_m * np.arange(count)
    away = np.subtract.outer(x, x)
    small = 1e-4 * np.eye(count)
    return _waves(away, *SLOPE_WAVES_M) + small, _waves(away, *LONG_WAVES_M) + small


def slope_precision(layout: Layout, spread: Spread) -> Array:
    """Return the precision of the slope profile at its knots."""
    short, long = slope_bands(layout)
    return inverse(spread.slope**2 * short + spread.slope_long**2 * long)


def road_covariance(first_m: Array, second_m: Array) -> Array:
    """Return the covariance of the slope at places of shape (n,) and (m,) of a road not yet known.

    A mean level as `Site` has it where nothing is stated, and both bands of waves at their first levels.
    """
    away = np.subtract.outer(first_m, second_m)
    start = Spread()
    level = Site().slope_sd ** 2
    short = start.slope**2 * (_waves(away, *SLOPE_WAVES_M) + 1e-4 * (away == 0.0))
    long = start.slope_long**2 * (_waves(away, *LONG_WAVES_M) + 1e-4 * (away == 0.0))
    return np.asarray(level + short + long)


def _waves(away_m: Array, shortest_m: float, longest_m: float) -> Array:
    """Return the correlation of waves of random phase, all lengths alike per octave."""
    edges = np.geomspace(shortest_m, longest_m, 41)
    lengths = np.sqrt(edges[1:] * edges[:-1])
    return np.asarray(np.cos(2.0 * np.pi * away_m[..., None] / lengths).mean(axis=-1))


def bend_precision(knots: Array, level_mps2: float) -> Array:
    """Return the precision of a smoothing curve per unit of dimensionless bend.

    The integral of the squared second derivative over speed, stated in units of
    (level / speed^1.5)^2: with them gears of any ratio have the same bend, since they show the
    same engine stretched.
    """
    if knots.size < 3:
        return np.zeros((knots.size, knots.size))
    h = float(knots[1] - knots[0])
    second = np.diff(np.eye(knots.size), n=2, axis=0)
    unit = level_mps2 / float(knots.mean()) ** 1.5
    return np.asarray(second.T @ second / h**3 / unit**2)


def bump_precision(layout: Layout) -> Array:
    """Return the precision of what coast-downs have beside the three coefficients, per unit of its sd.

    An exponential process over speed: a resonance or a step of the tyre is a few m/s wide.
    """
    knots = layout.bump_knots_mps
    return _unit_precision(knots.size, round(float(knots[1] - knots[0]) / _BUMP_MPS, 6))


def _slope_over_gear(knots: Array, level_mps2: float) -> tuple[Array, Array]:
    """Return precision and mean of a gear's curve from what engines do over a gear.

    Between constant force and constant power the tractive force falls by 0 to 1 times T/v per
    unit of speed; the weak prior is -0.4 with sd 0.6 of it, for the mean slope over the gear.
    """
    middle = float(knots.mean())
    unit = level_mps2 / middle
    across = np.zeros(knots.size)
    across[-1], across[0] = 1.0, -1.0
    across /= float(knots[-1] - knots[0])
    mean = level_mps2 - 0.4 * unit * (knots - middle)
    return np.outer(across, across) / (0.6 * unit) ** 2, mean


def shared_prior_matrix(layout: Layout, prior: Prior, spread: Spread) -> tuple[Array, Array]:
    """Return precision of the shared unknowns before any data, and precision times mean.

    Shapes (p, p) and (p,).
    """
    matrix = np.zeros((layout.size, layout.size))
    pull = np.zeros(layout.size)
    # resistance, wind, mean slope, scale, memory, pitch: each for itself
    pull[: prior.mean.size] = prior.mean / prior.sd**2
    single = np.arange(prior.mean.size)
    matrix[single, single] = 1.0 / prior.sd**2
    matrix[layout.PITCH, layout.PITCH] = 1.0 / spread.pitch**2
    # slope profile: random waves
    if layout.slope_knots_m.size:
        matrix[layout.slope, layout.slope] = slope_precision(layout, spread)
    if layout.bump_knots_mps.size:
        matrix[layout.bump, layout.bump] = bump_precision(layout) / spread.bump**2
    for gear, knots in enumerate(layout.gear_knots_mps):
        # tractive curve of a gear: smooth, and falling over the gear about as engines do
        level = layout.gear_level_mps2[gear]
        across, line = _slope_over_gear(knots, level)
        block = bend_precision(knots, level) / spread.bend**2 + across
        part = layout.gear(gear)
        matrix[part, part] = block + 1e-4 / level**2 * np.eye(knots.size)
        pull[part] = across @ line + 1e-4 / level**2 * line
    for gear in range(len(layout.gear_knots_mps) - 1):
        # across a gear change the wheel power keeps to about 0.9 of itself: less engine speed
        # against less engine inertia; common practice, no source
        row = np.zeros(layout.size)
        row[layout.gear(gear + 1).start] = 1.0
        row[layout.gear(gear).stop - 1] = -_POWER_KEPT
        sd = _POWER_KEPT_SD * layout.gear_level_mps2[gear + 1]
        matrix += np.outer(row, row) / sd**2
    return matrix, pull
