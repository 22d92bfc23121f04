"""Weak witnesses of the slope: heights along the road, and gravity at rest facing both ways."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.results.site_and_sensors import SiteState
from analysis.runs.road import RunPlace
from analysis.runs.run import Run
from analysis.signals.smoothing import Fused
from logger.findings import Finding
from logger.recording import Recording
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = ["slope_witnesses"]

#: A receiver's height wanders by some metres over a run, which tilts its slope by this over the length
#: of the run [m], and all runs together are no better than this; common practice, no source.
_WANDER_M, _LEAST_HEIGHT_SD = 4.0, 0.0015
#: Below this length a run says nothing by its heights [m].
_SHORTEST_M = 200.0
#: The ground where a vehicle stands is tilted against the road's mean by this (ratio).
_STAND_SD = 0.004
#: A stand this long is averaged [s].
_STAND_S = 1.0
#: Beyond this many sigma a witness contradicts the result.
_CONTRADICTS = 3.0


def slope_witnesses(
    recordings: Sequence[Recording],
    fused: Sequence[Fused],
    runs: Sequence[Run],
    places: Sequence[RunPlace],
    site: SiteState,
) -> tuple[Finding, ...]:
    """Return a warning for each witness that contradicts the slope which the result stands on.

    They are held against the result and take no part in it.

    Parameters
    ----------
    recordings, fused : sequences, one per log
        With heights, and with acceleration along the vehicle.
    runs, places : sequences, one per run
        With their directions and places.
    site : SiteState
        Slope as found, which a one-way session takes from ``[site]``.
    """
    findings = []
    for what, seen in (
        ("The heights in the logs", _by_heights(recordings, runs, places)),
        ("Gravity at rest, facing both ways,", _by_gravity(fused, runs)),
    ):
        if seen is None:
            continue
        slope, sd = seen
        if abs(slope - site.slope) < _CONTRADICTS * float(np.hypot(sd, site.slope_sd)):
            continue
        text = (
            f"{what} show a mean slope of {100 * slope:+.1f} % (sd {100 * sd:.1f} %) along the "
            f"direction called up, the result stands on {100 * site.slope:+.1f} % (sd "
            f"{100 * site.slope_sd:.1f} %). Measure the slope, or state slope_percent and "
            "slope_uncertainty_percent in [site]; one-way sessions depend on it."
        )
        findings.append(Finding(kind="slope_contradicted", severity="warning", text=text))
    return tuple(findings)


def _by_heights(
    recordings: Sequence[Recording], runs: Sequence[Run], places: Sequence[RunPlace]
) -> tuple[float, float] | None:
    """Return the mean slope of heights over places, and its sd; None without heights."""
    slopes, lengths = [], []
    for run, place in zip(runs, places, strict=True):
        heights = recordings[run.log].channel("elevation_m")
        if heights is None or heights.clock != 0 or heights.t_s.size < 2 or place.t_s.size < 8:
            continue
        inside = (place.t_s >= heights.t_s[0]) & (place.t_s <= heights.t_s[-1])
        along = place.place_m[inside]
        if inside.sum() < 8 or np.ptp(along) < _SHORTEST_M:
            continue
        height = np.interp(place.t_s[inside], heights.t_s, heights.values)
        if np.ptp(height) == 0.0:
            continue  # a receiver that repeats one height knows none
        slopes.append(float(np.polyfit(along, height, 1)[0]))
        lengths.append(float(np.ptp(along)))
    if not slopes:
        return None
    weights = np.array(lengths) ** 2
    sd = max(_WANDER_M / float(np.sqrt(weights.sum())), _LEAST_HEIGHT_SD)
    return float(np.average(slopes, weights=weights)), sd


def _by_gravity(fused: Sequence[Fused], runs: Sequence[Run]) -> tuple[float, float] | None:
    """Return half the difference of the forward pull of gravity at rest up and down, over g.

    Only within one recording, in which the mount stayed as it was; None without rests both ways.
    """
    found = []
    for log, one in enumerate(fused):
        mount = one.mount
        if not mount.used:
            continue
        rests: dict[int, list[float]] = {1: [], -1: []}
        for run in runs:
            stand = run.phase("stand")
            if run.log != log or run.direction is None or stand is None:
                continue
            if stand.end_s - stand.start_s < _STAND_S:
                continue
            t = mount.accel_time_s
            inside = (t > stand.start_s + 0.2) & (t < stand.end_s - 0.3)
            if inside.sum() >= 5:
                rests[run.direction].append(float(np.median(mount.forward_mps2[inside])))
        if rests[1] and rests[-1]:
            # at rest f = offset + g d s
            apart = float(np.mean(rests[1]) - np.mean(rests[-1]))
            count = min(len(rests[1]), len(rests[-1]))
            found.append((apart / (2.0 * STANDARD_GRAVITY_MPS2), _STAND_SD / np.sqrt(2.0 * count)))
    if not found:
        return None
    slopes, sds = np.array(found).T
    return float(np.mean(slopes)), max(float(np.min(sds)), _STAND_SD / 2.0)
