"""One session's road load in reference air, its peak power, and several of them pooled.

Session i's coefficients are ``D_i (r + deviation_i) + error_i``: r is the road load of the vehicle in
reference air, D_i what that day's air and load make of it, the deviation what changes from day to
day for other reasons. The error of the mass is one and the same for all, so that it is taken out
before and added back once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.physics.air import AirState, isa_temperature_c
from analysis.physics.vehicle import effective_mass_kg
from analysis.pipeline import Analysis
from analysis.results.reference import (
    REFERENCE_TEMPERATURE_C,
    ROLLING_PER_K,
    ROLLING_PER_K_SD,
    TEMPERATURE_SD_K,
    reference_coefficients,
    reference_density_kg_m3,
)
from analysis.results.road_load import RoadLoad, why_narrow
from analysis.sessions.pooling import Pool, pool
from logger.session.session import Vehicle

__all__ = [
    "LEAST_POWER_SPREAD",
    "LEAST_ROAD_LOAD_SPREAD",
    "Day",
    "PeakParts",
    "PooledDays",
    "carried_load",
    "carry",
    "carry_load",
    "least_deviation",
    "pool_days",
    "pool_peaks",
    "three_speeds_mps",
]

#: Deviation of a session's road load from the vehicle's own, relative, 1 sigma at each speed, where
#: the sessions agree: 0.1 bar of tyre pressure, the warmth of tyres and bearings, wind from the side.
#: Common practice, no source.
LEAST_ROAD_LOAD_SPREAD = 0.015
#: Deviation of a session's peak wheel power from the vehicle's own, 1 sigma, where the sessions
#: agree: fuel, warmth of the engine and its intake; common practice, no source.
LEAST_POWER_SPREAD = 0.01
#: 1 sigma of a temperature that is not stated [K], and the altitude taken for it [m]; as in air.py.
_UNKNOWN_TEMPERATURE_SD_K, _UNKNOWN_ALTITUDE_M = 8.0, 250.0
#: A deviation is thought of on the curve, at a low, a middling and a high speed [m/s]: in proportion
#: to the force there, half of its variance common to all three, half their own, so that a session
#: may be off in any way. The speeds are fixed: a session more must not change the rule. Our choice.
_ANCHORS_MPS = (5.0, 17.5, 30.0)
_ANCHORS_BICYCLE_MPS = (2.0, 7.0, 12.0)
_COMMON_SHARE = 0.5
#: Each anchor's force counts as at least this share of the middling one's.
_LEAST_SHARE = 0.25
_MOTORWAY_MPS = 100.0 / 3.6
#: Coefficients are pooled as forces at this speed [m/s], which keeps the numbers alike in size.
_SCALE_MPS = 30.0
_ROUNDS = 5

_Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One session's road load in reference air.

    Parameters
    ----------
    session : int
        What the caller counts sessions by.
    value : array of shape (3,)
        F0, F1, F2 [N, N/(m/s), N/(m/s)^2].
    covariance : array of shape (3, 3)
        Of them, without the parts of mass and air.
    mass_share : float
        Relative sd of the effective mass.
    warmer_k : float
        Relative change of F0 and F1 per unit of the tyres' temperature coefficient [K].
    temperature_sd_k : float
        Of the air [K].
    thinner_share, density_share : float
        Relative sd of F2 by the air's temperature, and by the rest of its density.
    speed_range_mps : (low, high)
        That the session's coast-downs covered [m/s].
    bicycle : bool
        Whether the speeds are those of one.
    factors : tuple of 3 floats
        What F0, F1 and F2 of the day were multiplied by.
    """

    session: int
    value: _Array
    covariance: _Array
    mass_share: float
    warmer_k: float
    temperature_sd_k: float
    thinner_share: float
    density_share: float
    speed_range_mps: tuple[float, float]
    bicycle: bool = False
    factors: tuple[float, float, float] = (1.0, 1.0, 1.0)

    def own_covariance(self, at: _Array, common_mass_share: float = 0.0) -> _Array:
        """Return the covariance of this day's own errors, those in proportion to force at `at`.

        Air and the part of the mass that is not common are in it; the tyres' temperature
        coefficient and the common mass are not.
        """
        rolling = ROLLING_PER_K * self.temperature_sd_k
        mass = np.sqrt(max(self.mass_share**2 - common_mass_share**2, 0.0))
        effects = (
            np.array([at[0] * rolling, at[1] * rolling, at[2] * self.thinner_share]),
            np.array([0.0, 0.0, at[2] * self.density_share]),
            at * mass,
        )
        total = self.covariance.copy()
        for effect in effects:
            total += np.outer(effect, effect)
        return total

    def tyre_effect(self, at: _Array) -> _Array:
        """Return what one sd of the tyres' temperature coefficient does to the coefficients."""
        return np.array([at[0], at[1], 0.0]) * (self.warmer_k * ROLLING_PER_K_SD)


@dataclass(frozen=True, slots=True, kw_only=True)
class PooledDays:
    """Days pooled, without the mass that all have in common, and the relative sd of that mass."""

    pool: Pool
    mass_share: float
    road_load: RoadLoad


def carry(session: int, outcome: Analysis, mass_kg: float) -> Day | None:
    """Carry a session's road load over to reference air, and to a vehicle of `mass_kg`.

    F0 goes with the mass, F0 and F1 with the temperature, F2 with the density: UN GTR No. 15,
    Annex 4, 4.5.

    Parameters
    ----------
    session : int
        Its number.
    outcome : Analysis
        With a road load of its own.
    mass_kg : float
        Mass as driven of the session that others are compared with [kg].

    Returns
    -------
    Day or None
        None where the analysis has no road load.
    """
    if outcome.road_load is None:
        return None
    stated = outcome.session.air
    return carry_load(
        session,
        outcome.road_load,
        outcome.air,
        outcome.session.vehicle,
        None if stated is None else stated.altitude_m,
        mass_kg,
    )


def carry_load(
    session: int,
    load: RoadLoad,
    air: AirState,
    vehicle: Vehicle,
    altitude_m: float | None,
    mass_kg: float,
) -> Day:
    """Carry a road load over to reference air, and to a vehicle of `mass_kg`; see `carry`.

    Parameters
    ----------
    session : int
        Its number.
    load, air, vehicle
        As tested, that day's air, masses as driven.
    altitude_m : float or None
        Of the road, as stated [m]; for a temperature that is not.
    mass_kg : float
        As in `carry` [kg].

    Returns
    -------
    Day
        In reference air.
    """
    effective_kg, effective_sd_kg = effective_mass_kg(vehicle)
    share = effective_sd_kg / effective_kg
    value = np.array([load.f0_n, load.f1_n_per_mps, load.f2_n_per_mps2])
    temperature_c, temperature_sd_k = _temperature(air, altitude_m)
    warmer_k = temperature_c - REFERENCE_TEMPERATURE_C
    factors = np.array(
        reference_coefficients(
            1.0,
            1.0,
            1.0,
            warmer_k=warmer_k,
            density_ratio=reference_density_kg_m3() / air.density_kg_m3,
            mass_ratio=mass_kg / vehicle.mass_kg,
        )
    )
    own = load.covariance - np.outer(value, value) * share**2
    # rho goes with 1/T, so that a wrong temperature moves F2 along with F0 and F1
    whole = air.density_sd_kg_m3 / air.density_kg_m3
    thinner = min(temperature_sd_k / (temperature_c + 273.15), whole)
    return Day(
        session=session,
        value=value * factors,
        covariance=own * np.outer(factors, factors),
        mass_share=share,
        warmer_k=warmer_k / (1.0 + ROLLING_PER_K * warmer_k),
        temperature_sd_k=temperature_sd_k,
        thinner_share=thinner,
        density_share=float(np.sqrt(whole**2 - thinner**2)),
        speed_range_mps=load.speed_range_mps,
        bicycle=vehicle.kind == "bicycle",
        factors=(float(factors[0]), float(factors[1]), float(factors[2])),
    )


def _temperature(air: AirState, altitude_m: float | None) -> tuple[float, float]:
    """Return the temperature of a day [C] and its sd [K]; the standard atmosphere's if not stated."""
    if air.temperature_c is not None:
        return air.temperature_c, TEMPERATURE_SD_K
    altitude = _UNKNOWN_ALTITUDE_M if altitude_m is None else altitude_m
    return isa_temperature_c(altitude), _UNKNOWN_TEMPERATURE_SD_K


def pool_days(days: Sequence[Day]) -> PooledDays:
    """Pool the road loads of one vehicle.

    What is in proportion to force is taken at the pooled road load and not at each day's, found in
    rounds: else low estimates would look sure and pull the others down (Peelle's puzzle).

    Parameters
    ----------
    days : sequence of Day
        At least one.

    Returns
    -------
    PooledDays
        Road load over all speeds that any of them covered; the mass's part is that of the best
        known mass, the rest of it counts for each day by itself.
    """
    scale = _SCALE_MPS ** np.arange(3)
    square = np.outer(scale, scale)
    mass_share = min(day.mass_share for day in days)
    values = np.array([day.value for day in days]) * scale
    at: _Array = values[0] / scale
    for _ in range(_ROUNDS):
        found = pool(
            values,
            np.array([day.own_covariance(at, mass_share) for day in days]) * square,
            _deviation_shape(at, bicycle=days[0].bicycle) * square,
            LEAST_ROAD_LOAD_SPREAD,
            [np.array([day.tyre_effect(at) for day in days]) * scale],
        )
        at = found.value / scale
    plain = Pool(
        value=at,
        covariance=found.covariance / square,
        spread=found.spread,
        chance=found.chance,
        residuals=found.residuals / scale,
        residual_covariances=found.residual_covariances / square,
    )
    speeds = (
        min(day.speed_range_mps[0] for day in days),
        max(day.speed_range_mps[1] for day in days),
    )
    return PooledDays(
        pool=plain, mass_share=mass_share, road_load=_load(at, plain.covariance, mass_share, speeds)
    )


def carried_load(day: Day, pooled: PooledDays) -> RoadLoad:
    """Return one day's own road load in reference air, with everything but the deviation in it."""
    effect = day.tyre_effect(pooled.pool.value)
    own = day.own_covariance(pooled.pool.value, pooled.mass_share) + np.outer(effect, effect)
    return _load(day.value, own, pooled.mass_share, day.speed_range_mps)


def three_speeds_mps(speed_range_mps: tuple[float, float]) -> _Array:
    """Return the low, middle and high speed of a range [m/s]."""
    low, high = speed_range_mps
    return np.array([low, 0.5 * (low + high), high])


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakParts:
    """A peak [W], the variance of all but its mass [W^2], and the mass's relative sd."""

    peak_w: float
    variance_w2: float
    mass_share: float


def pool_peaks(parts: Sequence[PeakParts]) -> tuple[Pool, float]:
    """Pool peaks; return them without the mass in common, and the whole sd [W]."""
    common = min(part.mass_share for part in parts)
    values = np.array([[part.peak_w] for part in parts])
    at = float(values.mean())
    for _ in range(_ROUNDS):
        own = [p.variance_w2 + (p.mass_share**2 - common**2) * at**2 for p in parts]
        found = pool(
            values, np.array(own).reshape(-1, 1, 1), np.array([[at**2]]), LEAST_POWER_SPREAD
        )
        at = float(found.value[0])
    return found, float(np.hypot(np.sqrt(found.covariance[0, 0]), common * at))


def least_deviation(at: _Array, *, bicycle: bool) -> _Array:
    """Return the covariance of a day's deviation from the road load `at`, shape (3, 3)."""
    return LEAST_ROAD_LOAD_SPREAD**2 * _deviation_shape(at, bicycle=bicycle)


def _deviation_shape(at: _Array, *, bicycle: bool) -> _Array:
    """Return the covariance of a deviation of spread 1 about the road load `at`."""
    anchors = np.array(_ANCHORS_BICYCLE_MPS if bicycle else _ANCHORS_MPS)
    basis = anchors[:, None] ** np.arange(3)
    force = np.abs(basis @ at)
    force = np.maximum(force, max(_LEAST_SHARE * force[1], 0.1))
    on_curve = np.outer(force, force) * (
        _COMMON_SHARE + (1.0 - _COMMON_SHARE) * np.eye(anchors.size)
    )
    to_coefficients = np.linalg.inv(basis)
    return to_coefficients @ on_curve @ to_coefficients.T


def _load(
    value: _Array, covariance: _Array, mass_share: float, speed_range_mps: tuple[float, float]
) -> RoadLoad:
    """Add the common mass back, once."""
    at_mps = float(np.clip(_MOTORWAY_MPS, *speed_range_mps))
    basis = at_mps ** np.arange(3)
    why = why_narrow(speed_range_mps)
    return RoadLoad(
        f0_n=float(value[0]),
        f1_n_per_mps=float(value[1]),
        f2_n_per_mps2=float(value[2]),
        covariance=covariance + np.outer(value, value) * mass_share**2,
        speed_range_mps=speed_range_mps,
        separable=why is None,
        why_not_separable=why,
        budget_n={
            "sessions": float(np.sqrt(basis @ covariance @ basis)),
            "mass": mass_share * abs(float(basis @ value)),
        },
        budget_speed_mps=at_mps,
    )
