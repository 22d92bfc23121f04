"""Road load of two sessions set against each other, in reference air and for one mass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.results.reference import reference_density_kg_m3
from analysis.sessions.carry import Day, carry_load, least_deviation
from analysis.sessions.common import Common
from analysis.sessions.difference import Difference
from analysis.sessions.side import Side
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = ["LoadDifference", "road_load_difference"]

_Array: TypeAlias = NDArray[np.float64]

_CURVE_STEP_MPS = 0.5
#: Speeds at which road loads are compared in figures [m/s], where both were measured.
_LEAST_SPAN_MPS = 2.0


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
    return Difference(
        factor * float(first[at]),
        factor * float(other[at]),
        factor * float(np.sqrt(covariance[at, at])),
    )
