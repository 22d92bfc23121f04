"""What two sessions have in common, which is taken out of their difference, and why.

Only what the sessions themselves say:

- the mass, where one vehicle states one and the same mass in both;
- the mean slope, where both were driven on one road, as far as the data left it to what was stated;
- the tyres' temperature coefficient, with which both road loads are carried to reference air.
"""

from __future__ import annotations

from dataclasses import dataclass

from analysis.physics.vehicle import effective_mass_kg
from analysis.sessions.combine_notes import plain_name
from analysis.sessions.compare_notes import Cause
from analysis.sessions.side import Side
from logger.session.session import Vehicle

__all__ = ["Common", "in_common"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """What two sessions have in common.

    mass_share: relative sd of the common part of the effective mass. slope: +1 or -1 where the error
    of the stated mean slope is common (-1: "up" is the other way round), else 0.
    """

    mass_share: float
    slope: int


def in_common(first: Side, other: Side, road: int | None) -> tuple[Common, tuple[Cause, ...]]:
    """Return what the two have in common, and each cause of uncertainty with the reason."""
    share, mass = _common_mass(first, other)
    slope, slope_cause = _common_slope(first, other, road)
    own = "each session's own, and in the interval"
    causes = (
        mass,
        slope_cause,
        Cause(
            name="tyres' temperature coefficient",
            cancelled=True,
            why="one and the same for both; only what different temperatures make of it is left",
        ),
        Cause(
            name="mount and sensors",
            cancelled=False,
            why=f"a phone sits anew in each session, and nothing says otherwise: {own}",
        ),
        Cause(name="wind, noise and delay of the GPS", cancelled=False, why=own),
        Cause(
            name="air of the day",
            cancelled=False,
            why=f"thermometer and barometer were read anew: {own}",
        ),
        Cause(
            name="the day itself",
            cancelled=False,
            why="tyres, fuel and warmth are never alike: 1 % in power and 1.5 % in road load (standard deviation) "
            "are allowed for each session",
        ),
    )
    return Common(mass_share=share, slope=slope), causes


def _common_mass(first: Side, other: Side) -> tuple[float, Cause]:
    """Return the relative sd of the mass in common, 0 without, and why."""
    a, b = first.vehicle, other.vehicle
    name = "mass"
    if a is None or b is None:
        why = "a results.json does not say which vehicle it is of, so that the masses may be two"
        return 0.0, Cause(name=name, cancelled=False, why=why)
    if (a.kind, plain_name(a.name)) != (b.kind, plain_name(b.name)):
        return 0.0, Cause(name=name, cancelled=False, why="two vehicles, two masses")
    if _masses(a) != _masses(b):
        why = (
            f"{a.mass_kg:.0f} and {b.mass_kg:.0f} kg are stated, or other uncertainties or rotating "
            "masses, which may be two weighings"
        )
        return 0.0, Cause(name=name, cancelled=False, why=why)
    effective, sd = effective_mass_kg(a)
    said = "" if a.name else "; no vehicle is named, so that they are taken for one"
    why = f"both state {a.mass_kg:.0f} kg within {a.mass_sd_kg:.0f}, so that the error is one{said}"
    return sd / effective, Cause(name=name, cancelled=True, why=why)


def _masses(vehicle: Vehicle) -> tuple[float, float, float, float]:
    """Return what is stated of the masses."""
    return (
        vehicle.mass_kg,
        vehicle.mass_sd_kg,
        vehicle.rotating_mass_kg,
        vehicle.rotating_mass_sd_kg,
    )


def _common_slope(first: Side, other: Side, road: int | None) -> tuple[int, Cause]:
    """Return the sign of the slope error in common, 0 without, and why."""
    name = "mean slope of the road"
    if first.site is None or other.site is None:
        return 0, Cause(
            name=name, cancelled=False, why="a results.json does not hold where it was driven"
        )
    if road is None:
        return 0, Cause(
            name=name, cancelled=False, why="without positions it is not known to be one road"
        )
    if road == 0:
        return 0, Cause(name=name, cancelled=False, why="two roads, two slopes")
    stated = (first.site.slope, first.site.slope_sd)
    if stated != (road * other.site.slope, other.site.slope_sd):
        return 0, Cause(
            name=name, cancelled=False, why="one road, but [site] states two slopes for it"
        )
    why = "both were driven on one road, so that an error of its stated slope is one"
    if road < 0:
        why += '; "up" is the other way round in the second'
    return road, Cause(name=name, cancelled=True, why=why)
