"""Wheel power of two sessions set against each other: their peaks, and gear by gear."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.physics.vehicle import effective_mass_kg
from analysis.sessions.carry import LEAST_POWER_SPREAD
from analysis.sessions.common import Common
from analysis.sessions.difference import Difference
from analysis.sessions.side import Side

if TYPE_CHECKING:
    from analysis.results.power import GearCurve, PowerCurve

__all__ = ["CurveDifference", "curve_differences", "peak_difference"]

_Array: TypeAlias = NDArray[np.float64]

#: Two pieces of drive are of one gear if they share this much of the shorter one's speeds.
_SAME_GEAR = 0.6


@dataclass(frozen=True, slots=True)
class CurveDifference:
    """Wheel power of one gear, other less first, over the speeds that both covered.

    Arrays of shape (n,): speed [m/s], the two powers and the sd of their difference [W]. Each point
    is judged by itself. `gear` counts the first session's pieces, `other_gear` the other's.
    """

    gear: int | None
    other_gear: int | None
    speed_mps: _Array
    first_w: _Array
    other_w: _Array
    sd_w: _Array


def peak_difference(first: Side, other: Side, common: Common) -> Difference:
    """Return the difference of peaks: their own errors, the day, and what the mass leaves."""
    assert first.power is not None
    assert other.power is not None
    own = 0.0
    for power in (first.power, other.power):
        mass_w = power.budget_w.get("mass", 0.0)
        left = max(power.peak_sd_w**2 - mass_w**2, 0.0)
        own += left + max(mass_w**2 - (common.mass_share * power.peak_w) ** 2, 0.0)
        own += (LEAST_POWER_SPREAD * power.peak_w) ** 2
    own += (common.mass_share * (other.power.peak_w - first.power.peak_w)) ** 2
    effects = (first.power.peak_slope_effect_w, other.power.peak_slope_effect_w)
    if common.slope and effects[0] is not None and effects[1] is not None:
        own -= 2.0 * common.slope * effects[0] * effects[1]
    return Difference(first.power.peak_w, other.power.peak_w, float(np.sqrt(own)))


def curve_differences(first: Side, other: Side, common: Common) -> tuple[CurveDifference, ...]:
    """Return the difference gear by gear; pieces that share most of their speeds are one gear."""
    assert first.power is not None
    assert other.power is not None
    found = []
    taken: set[int] = set()
    for gear in first.power.gears:
        shares = [_shared_speeds(gear, one) for one in other.power.gears]
        best = int(np.argmax(shares)) if shares else -1
        if best < 0 or shares[best] < _SAME_GEAR or best in taken:
            continue
        taken.add(best)
        curve = _gear_difference(first, other, gear, other.power.gears[best], common)
        if curve is not None:
            found.append(curve)
    return tuple(found)


def _shared_speeds(one: GearCurve, two: GearCurve) -> float:
    """Return the share of the shorter range of speeds that both gears covered."""
    low = max(float(one.speed_mps[0]), float(two.speed_mps[0]))
    high = min(float(one.speed_mps[-1]), float(two.speed_mps[-1]))
    shorter = min(float(np.ptp(one.speed_mps)), float(np.ptp(two.speed_mps)))
    return (high - low) / shorter if shorter > 0.0 else 0.0


def _gear_difference(
    first: Side, other: Side, gear: GearCurve, other_gear: GearCurve, common: Common
) -> CurveDifference | None:
    low = max(float(gear.speed_mps[0]), float(other_gear.speed_mps[0]))
    high = min(float(gear.speed_mps[-1]), float(other_gear.speed_mps[-1]))
    speeds = np.arange(np.ceil(low / 0.25), np.floor(high / 0.25) + 1) * 0.25
    if speeds.size < 2:
        return None
    powers, own = [], np.zeros(speeds.size)
    effects = []
    for side, curve in ((first, gear), (other, other_gear)):
        assert side.power is not None
        watts = np.interp(speeds, curve.speed_mps, curve.power_w)
        share = _mass_share(side, side.power)
        plain = np.maximum(
            np.interp(speeds, curve.speed_mps, curve.sd_w) ** 2 - (share * watts) ** 2, 0.0
        )
        own += plain * side.power.scatter_factor**2
        own += max(share**2 - common.mass_share**2, 0.0) * watts**2
        own += (LEAST_POWER_SPREAD * watts) ** 2
        powers.append(watts)
        if curve.slope_effect_w is not None:
            effects.append(np.interp(speeds, curve.speed_mps, curve.slope_effect_w))
    own += (common.mass_share * (powers[1] - powers[0])) ** 2
    if common.slope and len(effects) == 2:
        own = own - 2.0 * common.slope * effects[0] * effects[1]
    return CurveDifference(gear.gear, other_gear.gear, speeds, powers[0], powers[1], np.sqrt(own))


def _mass_share(side: Side, power: PowerCurve) -> float:
    """Return the relative sd of the effective mass that is in the power's sd."""
    if "mass" in power.budget_w:
        return power.budget_w["mass"] / abs(power.peak_w)
    effective, sd = effective_mass_kg(side.masses)
    return sd / effective
