"""Speed against position: the speed over ground that positions give, and what it says of units."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.scans import all_finite, extremes, is_rising
from logger.units import UNITS

__all__ = [
    "EARTH_RADIUS_M",
    "IMPLAUSIBLE_MPS",
    "IMPLAUSIBLE_MPS2",
    "SpeedRatio",
    "clock_ratio",
    "distances_m",
    "hardest_of_samples",
    "hardest_pull",
    "speed_ratio",
    "unit_of_ratio",
]

#: Mean earth radius [m], IUGG 1980; speeds from it are right to 0.3 %, enough to part units.
EARTH_RADIUS_M = 6_371_008.8

#: A road vehicle stays below these: the fastest cars reach 130 m/s and 14 m/s2.
IMPLAUSIBLE_MPS = 100.0
IMPLAUSIBLE_MPS2 = 12.0
#: Over this time positions are differenced [s]: rounding to 1e-5 degree is then under 0.5 m/s.
_BASELINE_S = 2.5
_MOVING_MPS = 4.0
#: On a shorter way the scatter of positions counts [m].
_LEAST_WAY_M = 300.0
_PARTS = 15
#: At most so many three-second means are looked at, spread evenly.
_STARTS = 100_000
#: How far the ratio may lie from a unit's own, as a logarithm.
_UNIT_TOLERANCES = {"m/s": 0.2, "km/h": 0.2, "mph": 0.07, "kn": 0.07}


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedRatio:
    """Recorded speed over the speed that the positions give: median and number of stretches."""

    ratio: float
    count: int


def distances_m(
    latitude_deg: NDArray[np.float64], longitude_deg: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return distances between neighbours on a sphere [m].

    Parameters
    ----------
    latitude_deg, longitude_deg : array of shape (n,)
        Positions [deg].

    Returns
    -------
    array of shape (n - 1,)
        Equirectangular distances; exact enough below some kilometres.
    """
    latitude = np.radians(latitude_deg)
    east = (np.diff(longitude_deg) + 180.0) % 360.0 - 180.0
    east = np.radians(east) * np.cos(0.5 * (latitude[1:] + latitude[:-1]))
    return np.asarray(EARTH_RADIUS_M * np.hypot(east, np.diff(latitude)), dtype=np.float64)


def speed_ratio(
    t_s: NDArray[np.float64],
    speed: NDArray[np.float64],
    latitude_deg: NDArray[np.float64],
    longitude_deg: NDArray[np.float64],
) -> SpeedRatio | None:
    """Compare recorded speeds with positions, over stretches in which the vehicle moves.

    Parameters
    ----------
    t_s, speed, latitude_deg, longitude_deg : array of shape (n,)
        Rows of one table; NaN where a row lacks a value. Speed in any unit.

    Returns
    -------
    SpeedRatio or None
        None where fewer than five stretches can be compared.
    """
    known = np.isfinite(t_s) & np.isfinite(speed)
    known &= np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
    t, v = t_s[known], speed[known]
    lat, lon = latitude_deg[known], longitude_deg[known]
    if t.size < 6:
        return None
    new = np.ones(t.size, dtype=bool)  # rows between two fixes repeat the position
    new[1:] = (np.diff(lat) != 0) | (np.diff(lon) != 0)
    t, v, lat, lon = t[new], v[new], lat[new], lon[new]
    if t.size < 6:
        return None
    dt = np.diff(t)
    if not (dt > 0).all():
        rising = np.concatenate(([True], t[1:] > np.maximum.accumulate(t)[:-1]))
        t, v, lat, lon = t[rising], v[rising], lat[rising], lon[rising]
        dt = np.diff(t)
        if t.size < 6:
            return None
    usual = float(np.median(dt))
    along = np.concatenate(([0.0], np.cumsum(distances_m(lat, lon))))
    integral = np.concatenate(([0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * dt)))
    step = max(1, int(np.ceil(_BASELINE_S / usual)))
    if t.size <= step:
        return None
    span = t[step:] - t[:-step]
    ground = (along[step:] - along[:-step]) / span
    recorded = (integral[step:] - integral[:-step]) / span
    good = (ground > _MOVING_MPS) & (ground < 150.0) & (span < 3.0 * step * usual)
    if int(good.sum()) < 5:
        return None
    return SpeedRatio(ratio=float(np.median(recorded[good] / ground[good])), count=int(good.sum()))


def clock_ratio(
    t_s: NDArray[np.float64],
    speed_mps: NDArray[np.float64],
    latitude_deg: NDArray[np.float64],
    longitude_deg: NDArray[np.float64],
) -> float | None:
    """Return the way that speeds and times give over the way along the positions.

    Parameters
    ----------
    t_s, speed_mps, latitude_deg, longitude_deg : array of shape (n,)
        Rows of one table; NaN where a row lacks a value.

    Returns
    -------
    float or None
        1 for a right clock, 60 for minutes taken for hours; None below 300 m or six rows.
    """
    known = np.isfinite(t_s) & np.isfinite(speed_mps) & (speed_mps >= 0)
    known &= np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
    t, v = t_s[known], speed_mps[known]
    if t.size < 6:
        return None
    steps_m = distances_m(latitude_deg[known], longitude_deg[known])
    by_clock_m = 0.5 * (v[1:] + v[:-1]) * np.clip(np.diff(t), 0.0, None)
    if min(float(steps_m.sum()), float(by_clock_m.sum())) <= _LEAST_WAY_M:
        return None
    # the median of some parts: one impossible value spoils one of them
    starts = np.unique(np.linspace(0, t.size - 1, _PARTS + 1).astype(np.intp))[:-1]
    way_m, clock_m = (np.add.reduceat(metres, starts) for metres in (steps_m, by_clock_m))
    driven = (way_m > _LEAST_WAY_M / _PARTS) | (clock_m > _LEAST_WAY_M / _PARTS)
    return float(np.median(clock_m[driven] / np.maximum(way_m[driven], 1.0)))


def unit_of_ratio(ratio: float) -> str | None:
    """Return the speed unit whose numbers are `ratio` times those in m/s; None where none fits.

    The ratio must be nearest to that unit, and so near that no other is half as likely: within
    7 % for knots and mph, which are 15 % apart, within 20 % for m/s and km/h.
    """
    if ratio <= 0:
        return None
    for word, tolerance in _UNIT_TOLERANCES.items():
        factor = next(unit.factor for unit in UNITS[word] if unit.quantity == "speed")
        if abs(np.log(ratio * factor)) < tolerance:
            return word
    return None


def hardest_pull(t_s: NDArray[np.float64], speed: NDArray[np.float64]) -> float:
    """Return the largest mean acceleration over about three seconds [units of speed per s]."""
    t, v = t_s, speed
    if not all_finite(t) or not all_finite(v) or extremes(v)[0] < 0.0:
        known = np.isfinite(t_s) & np.isfinite(speed) & (speed >= 0)
        t, v = t_s[known], speed[known]
    return hardest_of_samples(t, v) if is_rising(t) else 0.0


def hardest_of_samples(t: NDArray[np.float64], v: NDArray[np.float64]) -> float:
    """Return `hardest_pull` of speeds that are all known and not negative, times rising."""
    if t.size < 4:
        return 0.0
    start = np.arange(0, t.size, -(-t.size // _STARTS))
    later = np.searchsorted(t, t[start] + 3.0)
    inside = later < t.size
    inside[inside] &= t[later[inside]] - t[start[inside]] < 6.0
    if not inside.any():
        return 0.0
    first, later = start[inside], later[inside]
    return float(((v[later] - v[first]) / (t[later] - t[first])).max())
