"""Texts such as ``1480kg`` or ``57F`` -> checked values; the unit is never guessed."""

from __future__ import annotations

import re

from logger.errors import SessionError
from logger.session.keys import VEHICLE, Quantity
from logger.units import convert, find_unit, known_units

__all__ = ["number_and_unit", "parse_mass", "parse_quantity"]

_NUMBER_WITH_UNIT = re.compile(r"\s*([-+\u2212]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*")


def number_and_unit(text: str) -> tuple[float, str] | None:
    """Split a text into its number and what stands behind it; None where no number begins it.

    >>> number_and_unit("29.6 inHg"), number_and_unit("60%"), number_and_unit("warm")
    ((29.6, 'inHg'), (60.0, '%'), None)
    """
    match = _NUMBER_WITH_UNIT.fullmatch(text)
    return None if match is None else (float(match[1].replace("\u2212", "-")), match[2])


def parse_mass(text: str, option: str = "--mass") -> float:
    """Read the mass as driven.

    Parameters
    ----------
    text : str
        For example ``1480kg`` or ``3260 lb``; the unit is required.
    option : str
        What the message calls the place where the text stood.

    Returns
    -------
    float
        Mass [kg].

    Raises
    ------
    SessionError
        No number, no unit, an unknown unit, or a mass that no road vehicle has.

    >>> parse_mass("1480kg"), round(parse_mass("3260 lb"), 3)
    (1480.0, 1478.711)
    """
    return parse_quantity(text, VEHICLE["mass"], option)


def parse_quantity(
    text: str, quantity: Quantity, option: str, *, mass_kg: float | None = None
) -> float:
    """Read one quantity with its unit.

    Parameters
    ----------
    text : str
        Number with unit, for example ``57F``, ``1002 hPa``, ``60%``.
    quantity : Quantity
        What it must be.
    option : str
        What the message calls the place where the text stood.
    mass_kg : float, optional
        Mass of the vehicle [kg], for quantities whose range follows it.

    Returns
    -------
    float
        In `quantity.unit`.

    Raises
    ------
    SessionError
        No number, no unit, a unit of something else, or a value out of range.
    """
    unit_of_quantity = find_unit(quantity.unit)
    dimension = unit_of_quantity.quantity if unit_of_quantity else None
    words = known_units(dimension) if dimension else (quantity.unit,)
    if quantity.of_mass:
        words = (*words, "%")
    units = ", ".join(words)
    example = f"a number and its unit without a space, such as {_example(quantity)}"
    found_here = number_and_unit(text)
    if found_here is None:
        raise SessionError(option, "", f"{text!r} is no {quantity.what}", example)
    value, unit = found_here
    if not unit:
        raise SessionError(option, "", f"{text!r} has no unit", example, f"Units: {units}")
    if unit[0] in ",.'":
        remedy = "Write the number with a decimal point and no separators"
        raise SessionError(option, "", f"{text!r} is no {quantity.what}", example, remedy)
    share = quantity.of_mass and unit in {"%", "percent"}
    if not share and (dimension is None or find_unit(unit, dimension) is None):
        found = f"unknown unit {unit!r} in {text!r}"
        raise SessionError(option, "", found, f"one of {units}")
    unit = "%" if share else unit
    low, high = quantity.range_in("%" if share else quantity.unit, mass_kg)
    checked = value if share or dimension is None else convert(value, unit, quantity.unit)
    if not low <= checked <= high:
        shown = "%" if share else quantity.unit
        raise SessionError(
            option,
            "",
            f"{text!r}",
            f"{quantity.what} from {low:.6g} to {high:.6g} {shown}",
            "Check the unit and the decimal point",
        )
    return quantity.to_unit(value, "%", mass_kg) if share else checked


def _example(quantity: Quantity) -> str:
    return {
        "kg": "1480kg or 3260lb" if not quantity.of_mass else "44kg or 3%",
        "C": "14C or 57F",
        "hPa": "1002hPa or 29.6inHg",
        "%": "60%",
        "m": "120m or 390ft",
    }.get(quantity.unit, f"1{quantity.unit}")
