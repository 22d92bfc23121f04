"""What official coast-downs would make of the same runs: times of pairs per speed band, precision.

UN GTR No. 15, Annex 4, 4.3.1.4 (text of the 2013 proposal): opposite runs make a pair, whose time is
the harmonic mean; the pairs' scatter must leave the mean time known within 3 % at 95 %.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.covariance import Z95
from analysis.results.road_load import RoadLoad
from analysis.runs.run import Run
from analysis.signals.smoothing import SpeedCurve

__all__ = [
    "LEAST_PAIRS",
    "PRECISION_LIMIT",
    "BandStatistics",
    "band_force_n",
    "band_statistics",
    "pair_time_s",
    "precision",
    "student_t95",
]

#: At least so many pairs, and the mean time known this closely (ratio); UN GTR No. 15, 4.3.1.4.2.
LEAST_PAIRS = 3
PRECISION_LIMIT = 0.03
#: Reference speeds 20 km/h apart, times over 5 km/h either side of each; 4.3.1.3 and 4.3.1.4.1.
_BAND_KMH = (120, 100, 80, 60, 40, 20)
_HALF_WIDTH_MPS = 5.0 / 3.6


@dataclass(frozen=True, slots=True, kw_only=True)
class BandStatistics:
    """One speed band over the pairs of a session, beside what the session's fit says there.

    Parameters
    ----------
    speed_mps, half_width_mps : float
        Times are taken from `speed_mps + half_width_mps` down to `speed_mps - half_width_mps` [m/s].
    pair_times_s : tuple of float
        Harmonic mean of each pair [s].
    mean_time_s : float
        Mean over the pairs [s].
    precision : float or None
        Half width of the 95 % interval of the mean time as a ratio of it; None with one pair.
    meets : bool or None
        Whether three pairs or more are known within 3 %; None with fewer pairs.
    force_n : float
        ``m_e 2 dv / t`` [N] with the harmonic mean of both directions' mean times; it holds ``F2 w^2``.
    road_load_n, road_load_sd_n : float
        The session's road load at that speed [N].
    """

    speed_mps: float
    half_width_mps: float
    pair_times_s: tuple[float, ...]
    mean_time_s: float
    precision: float | None
    meets: bool | None
    force_n: float
    road_load_n: float
    road_load_sd_n: float

    @property
    def road_load_precision(self) -> float:
        """Half the 95 % interval of the session's road load as a ratio of it."""
        return Z95 * self.road_load_sd_n / abs(self.road_load_n)


def student_t95(pairs: int) -> float:
    """Return the two-sided 95 % quantile of Student's t with `pairs` - 1 degrees of freedom.

    The regulation prints a rounded table of it, with one slip (10 pairs); this is exact.

    >>> round(student_t95(3), 3)
    4.303
    """
    freedom = pairs - 1
    low, high = 0.0, 0.5 * math.pi
    for _ in range(60):  # halves the angle's interval each time: to the last digit
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _inside(middle, freedom) < 0.95 else (low, middle)
    return math.sqrt(freedom) * math.tan(low)


def _inside(angle: float, freedom: int) -> float:
    """Return the probability that |t| is below sqrt(freedom) tan(angle).

    The finite series for whole degrees of freedom (Abramowitz and Stegun, Handbook of Mathematical
    Functions, 26.7.3 and 26.7.4, from memory); importing scipy.special for it takes a tenth of a report.
    """
    sine, cosine = math.sin(angle), math.cos(angle)
    odd = freedom % 2
    term, total = (cosine if odd else 1.0), 0.0
    for power in range(odd, freedom - 1, 2):
        total += term
        term *= cosine**2 * (power + 1) / (power + 2)
    return 2.0 / math.pi * (angle + sine * total) if odd else sine * total


def pair_time_s(up_s: float, down_s: float) -> float:
    """Return the time of a pair of opposite runs [s]: their harmonic mean, a mean of forces.

    >>> round(pair_time_s(9.80, 10.60), 5)
    10.18431
    """
    return 2.0 / (1.0 / up_s + 1.0 / down_s)


def precision(pair_times_s: Sequence[float]) -> float:
    """Return how closely the mean of pair times is known.

    Parameters
    ----------
    pair_times_s : sequence of float
        Two or more [s].

    Returns
    -------
    float
        ``t(0.975, n - 1) s / sqrt(n) / mean`` (ratio).

    Raises
    ------
    ValueError
        Fewer than two pairs.
    """
    times = np.asarray(pair_times_s, dtype=np.float64)
    if times.size < 2:
        msg = f"the scatter of pairs needs two or more of them, got {times.size}"
        raise ValueError(msg)
    spread = float(times.std(ddof=1)) / math.sqrt(times.size)
    return student_t95(times.size) * spread / float(times.mean())


def band_force_n(effective_mass_kg: float, half_width_mps: float, time_s: float) -> float:
    """Return the mean force over a band [N]: ``(m_av + m_r) 2 dv / t``, 4.3.1.4.4.

    >>> round(band_force_n(1572.75, 5.0 / 3.6, 5.0), 2)
    873.75
    """
    return effective_mass_kg * 2.0 * half_width_mps / time_s


def band_statistics(
    curves: Sequence[SpeedCurve], runs: Sequence[Run], load: RoadLoad, effective_mass_kg: float
) -> tuple[BandStatistics, ...]:
    """Compare a session's road load with the statistics of the regulation, band by band.

    Parameters
    ----------
    curves, runs : sequences
        Of the session; the first run up and the first run down that cover a band make a pair, then the
        second ones.
    load : RoadLoad
        The session's.
    effective_mass_kg : float
        m + m_r [kg].

    Returns
    -------
    tuple of BandStatistics
        Fastest first; bands that no pair covers are left out.
    """
    by_log = {curve.log: curve for curve in curves}
    found = []
    for speed_kmh in _BAND_KMH:
        speed = speed_kmh / 3.6
        ways: dict[int, list[float]] = {1: [], -1: []}
        for run in runs:
            curve, coast = by_log.get(run.log), run.phase("coast")
            if curve is None or coast is None or not coast.used or run.direction not in ways:
                continue
            time = _band_time_s(curve, coast.start_s, coast.end_s, speed)
            if time is not None:
                ways[run.direction].append(time)
        pairs = list(zip(ways[1], ways[-1], strict=False))
        if not pairs:
            continue
        times = tuple(pair_time_s(*pair) for pair in pairs)
        both = pair_time_s(*(float(np.mean(way)) for way in zip(*pairs, strict=True)))
        known = precision(times) if len(times) > 1 else None
        enough = known is not None and len(times) >= LEAST_PAIRS
        at = np.array([speed])
        found.append(
            BandStatistics(
                speed_mps=speed,
                half_width_mps=_HALF_WIDTH_MPS,
                pair_times_s=times,
                mean_time_s=float(np.mean(times)),
                precision=known,
                meets=known <= PRECISION_LIMIT if enough and known is not None else None,
                force_n=band_force_n(effective_mass_kg, _HALF_WIDTH_MPS, both),
                road_load_n=float(load.force_n(at)[0]),
                road_load_sd_n=float(load.force_sd_n(at)[0]),
            )
        )
    return tuple(found)


def _band_time_s(curve: SpeedCurve, start_s: float, end_s: float, speed: float) -> float | None:
    """Return the time between the band's two ends in a coast-down; None where it covers not both."""
    inside = (curve.time_s >= start_s) & (curve.time_s <= end_s) & np.isfinite(curve.speed_mps)
    time, v = curve.time_s[inside], np.minimum.accumulate(curve.speed_mps[inside])
    high, low = speed + _HALF_WIDTH_MPS, speed - _HALF_WIDTH_MPS
    if v.size < 2 or v[0] < high or v[-1] > low:
        return None
    # speed falls along the coast-down, interpolation wants it rising; a level stretch has no width
    edges = np.interp([low, high], v[::-1], time[::-1])
    return float(edges[0] - edges[1])
