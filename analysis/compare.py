"""Two sessions set against each other: what differs, how sure that is, and what could have been seen.

`compare` is the whole story. The two estimates err each by itself, but for what they have in common;
what is common is taken out of the difference only where the sessions themselves say that it is:

- the mass, where one vehicle states one and the same mass in both;
- the mean slope, where both were driven on one road, as far as the data left it to what was stated;
- the tyres' temperature coefficient, with which both road loads are carried to reference air.

Each session may also be off for the day, as in `several_days.py`: that stays in every interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.compare_notes import Cause, comparison_findings
from analysis.compare_side import Side, same_road
from analysis.difference import Difference
from analysis.reference import reference_density_kg_m3
from analysis.several_days import LEAST_POWER_SPREAD, Day, carry_load, least_deviation
from analysis.vehicle import effective_mass_kg
from logger.errors import SessionError
from logger.units import STANDARD_GRAVITY_MPS2

if TYPE_CHECKING:
    from analysis.power import GearCurve, PowerCurve
    from logger.findings import Finding
    from logger.session import Vehicle

__all__ = ["Comparison", "CurveDifference", "LoadDifference", "compare", "compare_all"]

_Array: TypeAlias = NDArray[np.float64]

_CURVE_STEP_MPS = 0.5
#: Two pieces of drive are of one gear if they share this much of the shorter one's speeds.
_SAME_GEAR = 0.6
#: Speeds at which road loads are compared in figures [m/s], where both were measured.
_LEAST_SPAN_MPS = 2.0


@dataclass(frozen=True, slots=True)
class _Common:
    """What two sessions have in common.

    mass_share: relative sd of the common part of the effective mass. slope: +1 or -1 where the error
    of the stated mean slope is common (-1: "up" is the other way round), else 0.
    """

    mass_share: float
    slope: int


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


@dataclass(frozen=True, slots=True)
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
        ``2 F2 / rho`` [m2]; None where F2 cannot be told.
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
        return Difference(float(basis @ self.first), float(basis @ self.other), sd)

    def speeds_mps(self) -> _Array:
        """Return the multiples of 0.5 m/s that both covered [m/s]."""
        low, high = self.speed_range_mps
        first, last = np.ceil(low / _CURVE_STEP_MPS), np.floor(high / _CURVE_STEP_MPS)
        return np.arange(first, last + 1) * _CURVE_STEP_MPS


@dataclass(frozen=True, slots=True)
class Comparison:
    """Everything that a page on two sessions may show.

    Parameters
    ----------
    first, other : Side
        The two sessions.
    peak_w : Difference or None
        Peak wheel power as tested [W]; None where one of them has none.
    power : tuple of CurveDifference
        One per gear that both drove.
    road_load : LoadDifference or None
        None where one has none, or their speeds do not meet.
    why_no_road_load : str or None
        The reason then.
    causes : tuple of Cause
        What was cancelled and what not.
    findings : tuple of Finding
        What makes the comparison weak.
    """

    first: Side
    other: Side
    peak_w: Difference | None
    power: tuple[CurveDifference, ...]
    road_load: LoadDifference | None
    why_no_road_load: str | None
    causes: tuple[Cause, ...]
    findings: tuple[Finding, ...]


def compare_all(sides: Sequence[Side]) -> tuple[Comparison, ...]:
    """Compare each session with the first.

    Parameters
    ----------
    sides : sequence of Side
        At least two.

    Raises
    ------
    SessionError
        Two of them hold the same recording.
    """
    owners: dict[str, str] = {}
    for side in sides:
        for one in side.prints:
            if one in owners:
                found = f"holds a recording that {owners[one]} holds as well"
                raise SessionError(side.name, "", found, "two sessions, each with its own runs")
        owners.update(dict.fromkeys(side.prints, side.name))
    return tuple(compare(sides[0], other) for other in sides[1:])


def compare(first: Side, other: Side) -> Comparison:
    """Set one session against another.

    Parameters
    ----------
    first, other : Side
        Before and after, or two vehicles.

    Returns
    -------
    Comparison
        Differences are other less first.
    """
    road = same_road(first.road, other.road)
    common, causes = _in_common(first, other, road)
    peak = None
    curves: tuple[CurveDifference, ...] = ()
    if first.power is not None and other.power is not None:
        peak = _peak(first, other, common)
        curves = _curves(first, other, common)
    load, why = _road_load(first, other, common)
    return Comparison(
        first, other, peak, curves, load, why, causes, comparison_findings(first, other, road)
    )


# --- what is common --------------------------------------------------------------------------


def _in_common(first: Side, other: Side, road: int | None) -> tuple[_Common, tuple[Cause, ...]]:
    """Decide what the two have in common, and say so."""
    share, mass = _common_mass(first, other)
    slope, slope_cause = _common_slope(first, other, road)
    own = "each session's own, and in the interval"
    causes = (
        mass,
        slope_cause,
        Cause(
            "tyres' temperature coefficient",
            True,
            "one and the same for both; only what different temperatures make of it is left",
        ),
        Cause(
            "mount and sensors",
            False,
            f"a phone sits anew in each session, and nothing says otherwise: {own}",
        ),
        Cause("wind, noise and delay of the GPS", False, own),
        Cause("air of the day", False, f"thermometer and barometer were read anew: {own}"),
        Cause(
            "the day itself",
            False,
            "tyres, fuel and warmth are never alike: 1 % in power and 1.5 % in road load (1 sigma) "
            "are allowed for each session",
        ),
    )
    return _Common(share, slope), causes


def _common_mass(first: Side, other: Side) -> tuple[float, Cause]:
    a, b = first.vehicle, other.vehicle
    name = "mass"
    if a is None or b is None:
        why = "a results.json does not say which vehicle it is of, so that the masses may be two"
        return 0.0, Cause(name, False, why)
    if (a.kind, _plain(a.name)) != (b.kind, _plain(b.name)):
        return 0.0, Cause(name, False, "two vehicles, two masses")
    if _masses(a) != _masses(b):
        why = (
            f"{a.mass_kg:.0f} and {b.mass_kg:.0f} kg are stated, or other uncertainties or rotating "
            "masses, which may be two weighings"
        )
        return 0.0, Cause(name, False, why)
    effective, sd = effective_mass_kg(a)
    said = "" if a.name else "; no vehicle is named, so that they are taken for one"
    why = f"both state {a.mass_kg:.0f} kg within {a.mass_sd_kg:.0f}, so that the error is one{said}"
    return sd / effective, Cause(name, True, why)


def _masses(vehicle: Vehicle) -> tuple[float, float, float, float]:
    return (
        vehicle.mass_kg,
        vehicle.mass_sd_kg,
        vehicle.rotating_mass_kg,
        vehicle.rotating_mass_sd_kg,
    )


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _common_slope(first: Side, other: Side, road: int | None) -> tuple[int, Cause]:
    name = "mean slope of the road"
    if first.site is None or other.site is None:
        return 0, Cause(name, False, "a results.json does not hold where it was driven")
    if road is None:
        return 0, Cause(name, False, "without positions it is not known to be one road")
    if road == 0:
        return 0, Cause(name, False, "two roads, two slopes")
    stated = (first.site.slope, first.site.slope_sd)
    if stated != (road * other.site.slope, other.site.slope_sd):
        return 0, Cause(name, False, "one road, but [site] states two slopes for it")
    why = "both were driven on one road, so that an error of its stated slope is one"
    if road < 0:
        why += '; "up" is the other way round in the second'
    return road, Cause(name, True, why)


# --- wheel power -----------------------------------------------------------------------------


def _peak(first: Side, other: Side, common: _Common) -> Difference:
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


def _curves(first: Side, other: Side, common: _Common) -> tuple[CurveDifference, ...]:
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
    first: Side, other: Side, gear: GearCurve, other_gear: GearCurve, common: _Common
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


# --- road load -------------------------------------------------------------------------------


def _road_load(
    first: Side, other: Side, common: _Common
) -> tuple[LoadDifference | None, str | None]:
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
        days[0].value,
        days[1].value,
        covariance,
        (low, high),
        drag,
        rolling,
        drag_alike,
        rolling_alike,
    )
    return difference, None


def _load_covariance(days: Sequence[Day], common: _Common) -> _Array:
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
    return Difference(
        factor * float(first[at]),
        factor * float(other[at]),
        factor * float(np.sqrt(covariance[at, at])),
    )
