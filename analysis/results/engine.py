"""The engine's side of the wheels: engine speed, torque, ratios measured, and the engine's own inertia.

Nothing here adds what the driveline takes: power and torque stay those of the wheels, stated at the
engine's speed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.fit import SessionFit
from analysis.physics.vehicle import (
    effective_mass_kg,
    engine_speed_rpm,
    equivalent_mass_kg,
    rolling_radius_m,
)
from analysis.results.power import GearCurve, PowerCurve
from analysis.results.road_load import RoadLoad
from analysis.results.site_and_sensors import engine_turns
from logger.arrays import Array
from logger.recording import Recording
from logger.session.session import Vehicle

__all__ = [
    "EngineSide",
    "GearSide",
    "engine_side",
    "measured_ratios",
    "ratios_of_fit",
    "slow_test_power_w",
    "torque_nm",
]

#: Rolling radius from the printed size is good to about this; common practice, no source.
_RADIUS_SHARE = 0.01
#: A measured ratio this far from every stated one belongs to none of them.
_NO_GEAR_SHARE = 0.12
_LEAST_SAMPLES = 5
_SLOW_MPS = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GearSide:
    """One gear's wheel power over engine speed.

    Parameters
    ----------
    piece : int
        Number of the traction piece, from 1, as in `GearCurve`.
    gear : int or None
        Which of the stated ratios it is, from 1; None where none are stated.
    overall_ratio : float
        Engine turns per wheel turn that engine speeds are worked out with.
    measured_ratio, measured_sd : float or None
        From a logged engine speed; the sd holds 1 % of the rolling radius.
    slip_percent : float or None
        By how much the measured ratio exceeds the stated one.
    engine_speed_rpm, torque_nm, power_w, sd_w : arrays of shape (n,)
        Engine speed [1/min], wheel torque over the ratio [N m], wheel power and its sd [W].
    slow_peak_w : float or None
        What a slow steady test would show at most: with the power that spun the engine up.
    """

    piece: int
    gear: int | None
    overall_ratio: float
    measured_ratio: float | None
    measured_sd: float | None
    slip_percent: float | None
    engine_speed_rpm: Array
    torque_nm: Array
    power_w: Array
    sd_w: Array
    slow_peak_w: float | None

    @property
    def peak(self) -> tuple[float, float, float]:
        """Highest wheel power with its sd [W], and the engine speed there [1/min]."""
        at = int(self.power_w.argmax())
        return float(self.power_w[at]), float(self.sd_w[at]), float(self.engine_speed_rpm[at])

    @property
    def peak_torque(self) -> tuple[float, float]:
        """Highest torque [N m], and the engine speed there [1/min]."""
        at = int(self.torque_nm.argmax())
        return float(self.torque_nm[at]), float(self.engine_speed_rpm[at])


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineSide:
    """All gears; `why_not` says what keeps them from being known."""

    rolling_radius_m: float
    gears: tuple[GearSide, ...]
    why_not: str | None = None


def torque_nm(power_w: Array | float, rpm: Array | float) -> Array:
    """Return the torque [N m] of a power [W] at an engine speed [1/min].

    >>> round(float(torque_nm(100e3, 6000.0)), 2)
    159.15
    """
    return np.asarray(power_w, dtype=np.float64) * 60.0 / (2.0 * math.pi * np.asarray(rpm))


def slow_test_power_w(
    power_w: Array, accel_mps2: Array, speed_mps: Array, equivalent_kg: float
) -> Array:
    """Return wheel power plus the power that spins the engine up [W]: what a slow test would show.

    Parameters
    ----------
    power_w, accel_mps2, speed_mps : arrays of shape (n,)
        Wheel power [W], acceleration [m/s2] and speed [m/s] of a pull.
    equivalent_kg : float
        The engine's inertia as a mass at the wheels, ``I (ratio / r)^2`` [kg].
    """
    return np.asarray(power_w + equivalent_kg * accel_mps2 * speed_mps)


def measured_ratios(
    fit: SessionFit, recordings: Sequence[Recording], radius_m: float
) -> dict[int, tuple[float, float]]:
    """Return overall ratio and sd of each gear, from 0, out of a logged engine speed.

    Parameters
    ----------
    fit : SessionFit
        For the runs' speeds and gears.
    recordings : sequence of Recording
        Those with a channel ``engine_speed_rpm`` count; its clock must be the first one.
    radius_m : float
        Rolling radius [m].

    Returns
    -------
    dict
        ``2 pi r n / (60 v)``: median over all bins from 3 m/s, so that a slipping clutch at launch does
        not count; the sd is the scatter of the middle half plus 1 % of the radius.
    """
    found: dict[int, list[Array]] = {}
    for drive, speed, turns in engine_turns(fit, recordings):
        inside = (turns > 0.0) & (speed >= _SLOW_MPS)
        for gear in np.unique(drive[drive >= 0]):
            use = inside & (drive == gear)
            ratio = 2.0 * math.pi * radius_m * turns[use] / (60.0 * speed[use])
            found.setdefault(int(gear), []).append(ratio)
    result = {}
    for gear, parts in found.items():
        ratios = np.concatenate(parts)
        if ratios.size >= _LEAST_SAMPLES:
            low, ratio, high = (float(q) for q in np.quantile(ratios, (0.25, 0.5, 0.75)))
            scatter = (high - low) / 1.349 / math.sqrt(ratios.size)
            result[gear] = ratio, math.hypot(scatter, _RADIUS_SHARE * ratio)
    return result


def ratios_of_fit(
    fit: SessionFit, recordings: Sequence[Recording], vehicle: Vehicle
) -> dict[int, tuple[float, float]]:
    """Return `measured_ratios` with the vehicle's tyre; nothing without one."""
    if vehicle.tyre is None:
        return {}
    return measured_ratios(fit, recordings, rolling_radius_m(vehicle.tyre))


def engine_side(
    vehicle: Vehicle,
    power: PowerCurve | None,
    load: RoadLoad | None,
    measured: dict[int, tuple[float, float]],
    *,
    from_rest: bool,
) -> EngineSide | None:
    """Put wheel power over engine speed, gear by gear.

    Parameters
    ----------
    vehicle : Vehicle
        Tyre, overall ratios, engine inertia.
    power, load : PowerCurve, RoadLoad or None
        The session's.
    measured : dict
        From `measured_ratios`.
    from_rest : bool
        Whether pulls began at standstill: their first piece is the first gear then.

    Returns
    -------
    EngineSide or None
        None without a pull, without a tyre, or with neither stated nor measured ratios.
    """
    if power is None or vehicle.tyre is None or not (vehicle.overall_ratios or measured):
        return None
    radius_m = rolling_radius_m(vehicle.tyre)
    stated = vehicle.overall_ratios
    sides = []
    for curve in power.gears:
        piece = curve.gear or 1
        found = measured.get(piece - 1)
        gear = _which_gear(piece, found, stated, from_rest=from_rest)
        if gear is None and found is None:
            continue
        ratio = found[0] if found is not None else stated[(gear or 1) - 1]
        sides.append(_side(curve, piece, gear, ratio, found, vehicle, load, radius_m))
    why = None
    if len(sides) < len(power.gears):
        why = (
            "which of overall_ratios a piece of the pulls was driven in is not known: log the engine "
            "speed (engine_speed_rpm), or pull from standstill in first gear"
            if not from_rest
            else f"the pulls have {len(power.gears)} pieces, overall_ratios {len(stated)} gears"
        )
    return EngineSide(rolling_radius_m=radius_m, gears=tuple(sides), why_not=why)


def _which_gear(
    piece: int, found: tuple[float, float] | None, stated: tuple[float, ...], *, from_rest: bool
) -> int | None:
    if not stated:
        return None
    if found is not None:
        shares = [abs(found[0] / ratio - 1.0) for ratio in stated]
        best = int(np.argmin(shares))
        return best + 1 if shares[best] <= _NO_GEAR_SHARE else None
    return piece if from_rest and piece <= len(stated) else None


def _side(
    curve: GearCurve,
    piece: int,
    gear: int | None,
    ratio: float,
    found: tuple[float, float] | None,
    vehicle: Vehicle,
    load: RoadLoad | None,
    radius_m: float,
) -> GearSide:
    moving = curve.speed_mps > 0.0
    v, power, sd = curve.speed_mps[moving], curve.power_w[moving], curve.sd_w[moving]
    turns = engine_speed_rpm(1.0, ratio, radius_m) * v
    slip = None
    if found is not None and gear is not None:
        slip = 100.0 * (found[0] / vehicle.overall_ratios[gear - 1] - 1.0)
    slow = None
    if vehicle.engine_inertia_kg_m2 is not None and load is not None:
        mass_kg = effective_mass_kg(vehicle)[0]
        accel = (power / v - load.force_n(v)) / mass_kg
        equivalent = equivalent_mass_kg(vehicle.engine_inertia_kg_m2, radius_m, ratio)
        slow = float(slow_test_power_w(power, accel, v, equivalent).max())
    return GearSide(
        piece=piece,
        gear=gear,
        overall_ratio=ratio,
        measured_ratio=None if found is None else found[0],
        measured_sd=None if found is None else found[1],
        slip_percent=slip,
        engine_speed_rpm=turns,
        torque_nm=torque_nm(power, turns),
        power_w=power,
        sd_w=sd,
        slow_peak_w=slow,
    )
