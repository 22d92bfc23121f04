"""`Vehicle`: the ``[vehicle]`` table of session.toml, and what follows from kind and mass."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import cast

from logger.session.key_table import KeyTable, describe
from logger.session.keys import (
    DRIVES,
    KNOWN_KEYS,
    ROTATING_MASS_DEFAULTS,
    VEHICLE,
    VEHICLE_KINDS,
    WHEELS,
    Drive,
    VehicleKind,
)
from logger.session.tyres import TYRE_EXAMPLES, parse_tyre, rolling_radius_m

__all__ = ["Vehicle", "vehicle_from_table", "vehicle_masses"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicle:
    """The vehicle as driven; masses in kg, all uncertainties one standard deviation.

    `stated` names those of mass_uncertainty, rotating_mass and rotating_mass_uncertainty that the
    user gave; the others are defaults that follow from kind and mass.
    """

    mass_kg: float
    mass_sd_kg: float
    rotating_mass_kg: float
    rotating_mass_sd_kg: float
    name: str = ""
    kind: VehicleKind = "car"
    state: str = ""
    drive: Drive = "unknown"
    driveline_loss_percent: tuple[float, float] | None = None
    frontal_area_m2: float | None = None
    tyre: str | None = None
    overall_ratios: tuple[float, ...] = ()
    engine_inertia_kg_m2: float | None = None
    stated: tuple[str, ...] = ()

    @property
    def effective_mass_kg(self) -> float:
        """Mass plus the equivalent mass of what turns with the wheels [kg]."""
        return self.mass_kg + self.rotating_mass_kg


def vehicle_masses(
    kind: VehicleKind,
    mass_kg: float,
    mass_sd_kg: float | None = None,
    rotating_mass_kg: float | None = None,
    rotating_mass_sd_kg: float | None = None,
) -> Vehicle:
    """Return a vehicle of which only kind and masses are known, defaults where None.

    Parameters
    ----------
    kind : VehicleKind
        Decides the rotating mass where none is stated.
    mass_kg, mass_sd_kg, rotating_mass_kg, rotating_mass_sd_kg : float
        As stated [kg]; the defaults are shares of the mass: 1 % for its uncertainty, and
        `ROTATING_MASS_DEFAULTS` for the rotating mass.

    Returns
    -------
    Vehicle
        With `stated` naming what was given.
    """
    default = ROTATING_MASS_DEFAULTS[kind]
    given = {
        "mass_uncertainty": mass_sd_kg,
        "rotating_mass": rotating_mass_kg,
        "rotating_mass_uncertainty": rotating_mass_sd_kg,
    }
    # a stated rotating mass belongs to this very vehicle: 0.5 % of the mass whatever its kind
    sd_percent = default.sd_percent if rotating_mass_kg is None else 0.5
    return Vehicle(
        kind=kind,
        mass_kg=mass_kg,
        mass_sd_kg=_or(mass_sd_kg, 0.01 * mass_kg),
        rotating_mass_kg=_or(rotating_mass_kg, default.percent / 100.0 * mass_kg),
        rotating_mass_sd_kg=_or(rotating_mass_sd_kg, sd_percent / 100.0 * mass_kg),
        stated=tuple(name for name, value in given.items() if value is not None),
    )


def vehicle_from_table(top: KeyTable) -> Vehicle:
    """Read the ``[vehicle]`` table.

    Parameters
    ----------
    top : KeyTable
        The whole document.

    Returns
    -------
    Vehicle
        Every key checked.

    Raises
    ------
    SessionError
        A key that cannot be used; no mass.
    """
    table = top.table("vehicle", KNOWN_KEYS["vehicle"])
    mass_kg = table.quantity(VEHICLE["mass"])
    if mass_kg is None:
        table.fail(
            "mass_kg",
            "missing",
            "the mass as driven in mass_kg or mass_lb",
            "Weigh the vehicle with people, fuel and load, or add them to its kerb mass",
        )
    kind = cast(VehicleKind, table.choice("kind", VEHICLE_KINDS, "car"))
    masses = vehicle_masses(
        kind,
        mass_kg,
        table.quantity(VEHICLE["mass_uncertainty"], mass_kg),
        _rotating_mass_kg(table, kind, mass_kg),
        table.quantity(VEHICLE["rotating_mass_uncertainty"], mass_kg),
    )
    overall_ratios = _overall_ratios(table)
    engine_inertia_kg_m2 = table.quantity(VEHICLE["engine_inertia"])
    if engine_inertia_kg_m2 is not None and not overall_ratios:
        table.fail(
            "engine_inertia_kg_m2",
            "given without overall_ratios",
            "overall_ratios beside it",
            "Add overall_ratios, or delete the inertia",
        )
    return replace(
        masses,
        name=table.text("name"),
        state=table.text("state"),
        drive=cast(Drive, table.choice("drive", DRIVES, "unknown")),
        driveline_loss_percent=_driveline_loss(table),
        frontal_area_m2=table.quantity(VEHICLE["frontal_area"]),
        tyre=_tyre(table),
        overall_ratios=overall_ratios,
        engine_inertia_kg_m2=engine_inertia_kg_m2,
    )


def _rotating_mass_kg(table: KeyTable, kind: VehicleKind, mass_kg: float) -> float | None:
    """Return the rotating mass as stated, or of the wheels; None where neither is stated."""
    stated_kg = table.quantity(VEHICLE["rotating_mass"], mass_kg)
    inertia_kg_m2 = table.quantity(VEHICLE["wheel_inertia"])
    if inertia_kg_m2 is None:
        return stated_kg
    key = "wheel_inertia_kg_m2"
    if stated_kg is not None:
        table.fail(key, "given beside the rotating mass", "one of the two")
    tyre = _tyre(table)
    if tyre is None:
        table.fail(key, "given without tyre", "the tyre's size beside it", "Add tyre")
    if kind not in WHEELS:
        table.fail(key, f"given for a {kind}", "rotating_mass_kg: trucks have any number of wheels")
    wheels_kg = WHEELS[kind] * inertia_kg_m2 / rolling_radius_m(tyre) ** 2
    most_kg = VEHICLE["rotating_mass"].range_in("kg", mass_kg)[1]
    if wheels_kg > most_kg:
        found = f"{inertia_kg_m2:g}, which is {wheels_kg:.0f} kg for {WHEELS[kind]} wheels"
        table.fail(key, found, f"at most {most_kg:.0f} kg with {mass_kg:.0f} kg of vehicle")
    return wheels_kg


def _driveline_loss(table: KeyTable) -> tuple[float, float] | None:
    key = "driveline_loss_percent"
    if key not in table.values:
        return None
    value = table.values[key]
    ends = value if isinstance(value, list) else [value, value]
    expected = "one number or [low, high], from 0 to 50 per cent"
    if len(ends) != 2:
        table.fail(key, describe(value), expected)
    low, high = (table.as_number(key, end) for end in ends)
    if not 0.0 <= low <= high <= 50.0:
        table.fail(key, f"[{low:g}, {high:g}]" if isinstance(value, list) else f"{low:g}", expected)
    return low, high


def _overall_ratios(table: KeyTable) -> tuple[float, ...]:
    key = "overall_ratios"
    value = table.values.get(key, [])
    expected = "a list of engine turns per wheel turn, first gear first, such as [13.2, 7.6, 5.1]"
    if not isinstance(value, list) or (key in table.values and not value):
        table.fail(key, describe(value), expected)
    ratios = tuple(table.as_number(key, item) for item in value)
    for ratio in ratios:
        # 0.5: an overdriven bicycle-like drive; 200: crawler gears of a truck
        if not 0.5 <= ratio <= 200.0:
            table.fail(key, f"{ratio:g}", "ratios from 0.5 to 200", "Gear times final drive")
    for number, (lower, higher) in enumerate(pairwise(ratios), start=2):
        if higher >= lower:
            table.fail(key, f"gear {number} has {higher:g} after {lower:g}", "falling ratios")
    return ratios


def _tyre(table: KeyTable) -> str | None:
    if "tyre" not in table.values:
        return None
    text = table.text("tyre")
    try:
        parse_tyre(text)
    except ValueError as error:
        remedy = "Copy it from the side wall"
        table.fail("tyre", str(error), f"a size such as {TYRE_EXAMPLES}", remedy)
    return text


def _or(value: float | None, default: float) -> float:
    return default if value is None else value
