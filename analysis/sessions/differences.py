"""Wheel power and road load of two sessions set against each other.

Peaks as tested, powers gear by gear, and road loads in reference air for one mass. What both sessions
have in common is in `common.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.physics.vehicle import effective_mass_kg
from analysis.results.power import GearCurve, PowerCurve
from analysis.results.reference import reference_density_kg_m3
from analysis.sessions.carry import LEAST_POWER_SPREAD, Day, carry_load, least_deviation
from analysis.sessions.common import Common
from analysis.sessions.difference import Difference
from analysis.sessions.side import Side
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = [
    "CurveDifference",
    "LoadDifference",
    "curve_differences",
    "peak_difference",
    "road_load_difference",
]

_Array: TypeAlias = NDArray[np.float64]

#: Two pieces of drive are of one gear if they share this much of the shorter one's speeds.
_SAME_GEAR = 0.6
_CURVE_STEP_MPS = 0.5
#: Speeds at which road loads are compared in figures [m/s], where both were measured.
_LEAST_SPAN_MPS = 2.0


# --- wheel power ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
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
    return Difference(first=first.power.peak_w, other=other.power.peak_w, sd=float(np.sqrt(own)))


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
    """Return the difference of one gear over the speeds that both drove."""
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
    return CurveDifference(
        gear=gear.gear,
        other_gear=other_gear.gear,
        speed_mps=speeds,
        first_w=powers[0],
        other_w=powers[1],
        sd_w=np.sqrt(own),
    )


def _mass_share(side: Side, power: PowerCurve) -> float:
    """Return the relative sd of the effective mass that is in the power's sd."""
    if "mass" in power.budget_w:
        return power.budget_w["mass"] / abs(power.peak_w)
    effective, sd = effective_mass_kg(side.masses)
    return sd / effective


# --- road load ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadDifference:
    """Road load in reference air for the first session's mass, other less first.

    Parameters
    ----------
    first, other : arrays of shape (3,)
        F0, F1, F2 [N, N/(m/s), N/(m/s)^2].
    covariance : array of shape (3, 3)
        Of other less first.
    speed_range_mps : (low, high)
        That both covered [m/s].
    drag_area_m2 : Difference or None
        ``2 F2 / rho`` [m2]; None where F2 is not separable.
    rolling : Difference or None
        ``F0 / (m g)``; likewise.
    drag_area_alike_m2, rolling_alike : Difference or None
        The same two if F1 is known to be alike in both: the three lean on each other, so that this
        narrows much. The other session's figure is then what the first's F1 makes of it.
    """

    first: _Array
    other: _Array
    covariance: _Array
    speed_range_mps: tuple[float, float]
    drag_area_m2: Difference | None
    rolling: Difference | None
    drag_area_alike_m2: Difference | None
    rolling_alike: Difference | None

    def at(self, speed_mps: float) -> Difference:
        """Return the difference of force [N] at a speed [m/s]."""
        basis = speed_mps ** np.arange(3.0)
        sd = float(np.sqrt(basis @ self.covariance @ basis))
        return Difference(first=float(basis @ self.first), other=float(basis @ self.other), sd=sd)

    def speeds_mps(self) -> _Array:
        """Return the multiples of 0.5 m/s that both covered [m/s]."""
        low, high = self.speed_range_mps
        first, last = np.ceil(low / _CURVE_STEP_MPS), np.floor(high / _CURVE_STEP_MPS)
        return np.arange(first, last + 1) * _CURVE_STEP_MPS


def road_load_difference(
    first: Side, other: Side, common: Common
) -> tuple[LoadDifference | None, str | None]:
    """Return the difference of road loads, or None and why there is none."""
    missing = [side.name for side in (first, other) if side.road_load is None]
    if missing:
        return None, f"there is no usable road load in {' and '.join(missing)}"
    days, loads = [], []
    for number, side in enumerate((first, other)):
        load = side.road_load
        assert load is not None
        loads.append(load)
        days.append(
            carry_load(number, load, side.air, side.masses, side.altitude_m, first.masses.mass_kg)
        )
    low = max(load.speed_range_mps[0] for load in loads)
    high = min(load.speed_range_mps[1] for load in loads)
    if high - low < _LEAST_SPAN_MPS:
        return None, "their coast-downs have no speeds in common"
    covariance = _load_covariance(days, common)
    if common.slope and loads[0].slope_effect is not None and loads[1].slope_effect is not None:
        one, two = (
            np.array(day.factors) * np.asarray(load.slope_effect)
            for day, load in zip(days, loads, strict=True)
        )
        both = np.outer(one, two)
        covariance = covariance - common.slope * (both + both.T)
    drag = rolling = drag_alike = rolling_alike = None
    if all(load.separable for load in loads):
        per_f2 = 2.0 / reference_density_kg_m3()
        per_f0 = 1.0 / (first.masses.mass_kg * STANDARD_GRAVITY_MPS2)
        first_load, other_load = days[0].value, days[1].value
        drag = _scaled(first_load, other_load, covariance, 2, per_f2)
        rolling = _scaled(first_load, other_load, covariance, 0, per_f0)
        other_load, narrowed = _f1_alike(first_load, other_load, covariance)
        drag_alike = _scaled(first_load, other_load, narrowed, 2, per_f2)
        rolling_alike = _scaled(first_load, other_load, narrowed, 0, per_f0)
    difference = LoadDifference(
        first=days[0].value,
        other=days[1].value,
        covariance=covariance,
        speed_range_mps=(low, high),
        drag_area_m2=drag,
        rolling=rolling,
        drag_area_alike_m2=drag_alike,
        rolling_alike=rolling_alike,
    )
    return difference, None


def _load_covariance(days: Sequence[Day], common: Common) -> _Array:
    """Return the covariance of other less first, but for the slope."""
    first, other = days
    mean = 0.5 * (first.value + other.value)
    total = 2.0 * least_deviation(mean, bicycle=first.bicycle)
    for day in days:
        total = total + day.own_covariance(day.value, common.mass_share)
    tyres = other.tyre_effect(other.value) - first.tyre_effect(first.value)
    mass = common.mass_share * (other.value - first.value)
    return np.asarray(total + np.outer(tyres, tyres) + np.outer(mass, mass))


def _f1_alike(first: _Array, other: _Array, covariance: _Array) -> tuple[_Array, _Array]:
    """Return the other road load and the covariance of the difference, given that F1 is alike.

    The normal distribution of a difference d with covariance C, given d1 = 0:
    ``d - C1 d1 / C11`` with ``C - C1 C1' / C11``.
    """
    along = covariance[:, 1] / covariance[1, 1]
    moved = other - along * (other[1] - first[1])
    return moved, covariance - np.outer(along, along) * covariance[1, 1]


def _scaled(first: _Array, other: _Array, covariance: _Array, at: int, factor: float) -> Difference:
    """Return the difference of one coefficient times a factor."""
    return Difference(
        first=factor * float(first[at]),
        other=factor * float(other[at]),
        sd=factor * float(np.sqrt(covariance[at, at])),
    )
