"""Roads and winds of the worlds.

The slope is a sum of waves from 70 to 6000 m whose size follows a power of their length, on a
grade, with a crest where wanted. The wind has a mean that may turn within the session, gusts along
and across the road, and is known only at nodes of 0.1 s with straight lines in between.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

__all__ = ["WIND_STEP_S", "Air", "Road", "RoadTable", "WindNodes", "slow_noise"]

Floats = NDArray[np.float64]

#: Spacing of the wind's nodes [s].
WIND_STEP_S = 0.1
_ROAD_STEP_M, _ROAD_FROM_M, _ROAD_TO_M = 2.0, -20000.0, 25000.0
_WAVES = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Road:
    """One straight road.

    Parameters
    ----------
    grade : float
        Mean slope along "up", rise over run.
    wave_sd : float
        Standard deviation of the slope's waves.
    wave_range_m : (shortest, longest)
        Their lengths [m].
    exponent : float
        The amplitude of a wave goes as its length to this power, waves being equally many in
        each octave.
    crest_m, crest_place_m, crest_width_m : float
        Height, place and half-width of a crest (bell-shaped) [m]; height 0 without.
    stated_grade, stated_grade_sd : float or None
        What session.toml says of the mean slope; None to say nothing.
    """

    grade: float = 0.0
    wave_sd: float = 0.003
    wave_range_m: tuple[float, float] = (70.0, 6000.0)
    exponent: float = 0.3
    crest_m: float = 0.0
    crest_place_m: float = 600.0
    crest_width_m: float = 250.0
    stated_grade: float | None = None
    stated_grade_sd: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """One spell of weather; what is against the road's "up" is positive.

    Parameters
    ----------
    wind_mps, cross_mps : float
        Mean along and across the road at the session's beginning [m/s].
    turn_rad_per_h, swell : float
        The mean turns at this rate [rad/h] and grows by this share in an hour.
    run_sd_mps : float
        Change of the mean from recording to recording [m/s].
    gust_mps, gust_s : float
        Standard deviation and correlation time of gusts, alike along and across [m/s, s].
    temperature_c, pressure_hpa, humidity_percent : float
        For session.toml.
    """

    wind_mps: float = 0.0
    cross_mps: float = 0.0
    turn_rad_per_h: float = 0.0
    swell: float = 0.0
    run_sd_mps: float = 0.2
    gust_mps: float = 0.5
    gust_s: float = 6.0
    temperature_c: float = 15.0
    pressure_hpa: float = 1010.0
    humidity_percent: float = 60.0


class RoadTable:
    """A road's slope on a grid of place, straight lines in between."""

    def __init__(self, road: Road, rng: np.random.Generator) -> None:
        place = np.arange(_ROAD_FROM_M, _ROAD_TO_M + 1.0, _ROAD_STEP_M)
        edges = np.log(np.array(road.wave_range_m))
        lengths = np.exp(np.sort(rng.uniform(edges[0], edges[1], _WAVES)))
        sizes = rng.rayleigh(1.0, _WAVES) * lengths**road.exponent
        sizes *= road.wave_sd / np.sqrt(np.sum(sizes**2) / 2.0)
        phases = rng.uniform(0.0, 2.0 * np.pi, _WAVES)
        slope = np.full(place.shape, road.grade)
        for size, length, phase in zip(sizes, lengths, phases, strict=True):
            slope += size * np.sin(2.0 * np.pi * place / length + phase)
        if road.crest_m != 0.0:
            at = (place - road.crest_place_m) / road.crest_width_m
            slope -= road.crest_m / road.crest_width_m * at * np.exp(-0.5 * at**2)
        self.slopes: list[float] = slope.tolist()
        self.first_m, self.step_m = _ROAD_FROM_M, _ROAD_STEP_M
        self._places, self._slopes = place, slope
        middle = 0.5 * (slope[1:] + slope[:-1]) * _ROAD_STEP_M
        self._heights = np.append(0.0, np.cumsum(middle))

    def slope_at(self, place_m: Floats) -> Floats:
        """Return the slope along "up" at places of any shape."""
        return np.asarray(np.interp(place_m, self._places, self._slopes), dtype=np.float64)

    def height_at(self, place_m: Floats) -> Floats:
        """Return the height at places of any shape, above the road's beginning [m]."""
        return np.asarray(np.interp(place_m, self._places, self._heights), dtype=np.float64)


class WindNodes:
    """The wind of one recording: along and across the road, at nodes of `WIND_STEP_S`."""

    def __init__(self, air: Air, start_s: float, seconds: float, rng: np.random.Generator) -> None:
        count = round(seconds / WIND_STEP_S) + 2
        times = start_s + WIND_STEP_S * np.arange(count)
        angle = air.turn_rad_per_h * times / 3600.0
        size = 1.0 + air.swell * times / 3600.0
        along = size * (air.wind_mps * np.cos(angle) - air.cross_mps * np.sin(angle))
        across = size * (air.wind_mps * np.sin(angle) + air.cross_mps * np.cos(angle))
        along = along + air.run_sd_mps * float(rng.standard_normal())
        self.along = along + slow_noise(rng, count, WIND_STEP_S, air.gust_mps, air.gust_s)
        self.across = across + slow_noise(rng, count, WIND_STEP_S, air.gust_mps, air.gust_s)

    def at(self, time_s: Floats) -> tuple[Floats, Floats]:
        """Return wind along and across at times of the recording [s], of any shape."""
        nodes = WIND_STEP_S * np.arange(self.along.size)
        return np.interp(time_s, nodes, self.along), np.interp(time_s, nodes, self.across)


def slow_noise(
    rng: np.random.Generator, count: int, step_s: float, sd: float, tau_s: float
) -> Floats:
    """Return first-order autocorrelated noise, steady from its first value on."""
    draws = rng.standard_normal(count)
    if tau_s <= 0.0 or sd == 0.0:
        return sd * draws
    keep = float(np.exp(-step_s / tau_s))
    fresh = np.sqrt(1.0 - keep**2)
    draws[1:] *= fresh
    out: Floats = sd * lfilter([1.0], [1.0, -keep], draws)
    return out
