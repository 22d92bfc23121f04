"""Units of the field and their factors to SI, each with its definition.

Sources of the exact definitions: the international yard and pound (0.9144 m, 0.45359237 kg), the
standard acceleration 9.80665 m/s2 and the knot (1852 m per hour) as given in NIST Special
Publication 811, appendix B; the others follow from these. The conventional inch of mercury
(3386.389 Pa) is from the same appendix.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "KNOT_MPS",
    "SI_UNIT",
    "STANDARD_GRAVITY_MPS2",
    "UNITS",
    "Quantity",
    "Unit",
    "convert",
    "find_unit",
    "known_units",
    "plain_unit",
    "rolling_unit",
    "to_si",
]

Quantity = Literal[
    "acceleration",
    "angle",
    "angular_rate",
    "direction",
    "length",
    "mass",
    "power",
    "pressure",
    "proportion",
    "rotation_speed",
    "speed",
    "temperature",
    "time",
    "voltage",
]

#: Standard acceleration of free fall [m/s2]; exact.
STANDARD_GRAVITY_MPS2 = 9.80665
#: International knot [m/s]; 1852 m per hour, exact.
KNOT_MPS = 1852.0 / 3600.0

_POUND_KG = 0.45359237
_FOOT_M = 0.3048
#: Turns times the circumference of a wheel.
_ROLLING = re.compile(r"([^x]+)x(\d+(?:\.\d+)?)m")
_MILE_M = 1609.344

#: What each quantity is held in once read. Angles of position and heading stay degrees, proportions
#: percent, rotation speed 1/min: the own table's columns say so in their names.
SI_UNIT: dict[Quantity, str] = {
    "acceleration": "m/s2",
    "angle": "rad",
    "angular_rate": "rad/s",
    "direction": "deg",
    "length": "m",
    "mass": "kg",
    "power": "W",
    "pressure": "Pa",
    "proportion": "%",
    "rotation_speed": "rpm",
    "speed": "m/s",
    "temperature": "K",
    "time": "s",
    "voltage": "V",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit: ``si = value * factor + offset``.

    Parameters
    ----------
    quantity : Quantity
        What is measured in it.
    factor, offset : float
        To the unit in `SI_UNIT`.
    """

    quantity: Quantity
    factor: float
    offset: float = 0.0


def _table() -> dict[str, tuple[Unit, ...]]:
    rows: list[tuple[Quantity, float, float, str]] = [
        ("speed", 1.0, 0.0, "m/s mps ms-1 m/sec meter/second metres/second meters/second"),
        ("speed", 1 / 3.6, 0.0, "km/h kmh kph kmph km/hr kmh-1 kilometres/hour kilometers/hour"),
        ("speed", _MILE_M / 3600, 0.0, "mph mi/h miles/h miles/hour mi/hr"),
        ("speed", KNOT_MPS, 0.0, "kn kt kts knot knots"),
        ("speed", _FOOT_M, 0.0, "ft/s fps"),
        ("acceleration", 1.0, 0.0, "m/s2 m/s/s mps2 ms-2 m/s^2 m/s**2 m/sec2"),
        ("acceleration", STANDARD_GRAVITY_MPS2, 0.0, "g g0 gee gs"),
        ("acceleration", STANDARD_GRAVITY_MPS2 / 1000, 0.0, "mg"),
        ("angular_rate", 1.0, 0.0, "rad/s radps rads-1 rad/sec rads"),
        ("angular_rate", math.pi / 180, 0.0, "deg/s degps dps deg/sec degs-1"),
        ("angle", 1.0, 0.0, "rad radian radians"),
        ("angle", math.pi / 180, 0.0, "deg degree degrees"),
        ("direction", 1.0, 0.0, "deg degree degrees"),
        ("direction", 180 / math.pi, 0.0, "rad radian radians"),
        ("length", 1.0, 0.0, "m meter metre meters metres"),
        ("length", 1000.0, 0.0, "km"),
        ("length", _FOOT_M, 0.0, "ft feet foot"),
        ("length", _MILE_M, 0.0, "mi mile miles"),
        ("mass", 1.0, 0.0, "kg kgs"),
        ("mass", _POUND_KG, 0.0, "lb lbs pound pounds"),
        ("mass", 1000.0, 0.0, "t tonne tonnes"),
        ("power", 1.0, 0.0, "w watt watts"),
        ("power", 1000.0, 0.0, "kw"),
        # mechanical horsepower: 550 foot pound-force per second
        ("power", 550 * _FOOT_M * _POUND_KG * STANDARD_GRAVITY_MPS2, 0.0, "hp bhp whp"),
        # metric horsepower: 75 kilogram-force metre per second
        ("power", 75 * STANDARD_GRAVITY_MPS2, 0.0, "ps cv pk metrichp"),
        ("pressure", 1.0, 0.0, "pa"),
        ("pressure", 100.0, 0.0, "hpa mbar mb"),
        ("pressure", 1000.0, 0.0, "kpa"),
        ("pressure", 1e5, 0.0, "bar"),
        ("pressure", 3386.389, 0.0, "inhg"),
        ("temperature", 1.0, 273.15, "c degc celsius"),
        ("temperature", 5 / 9, 273.15 - 32 * 5 / 9, "f degf fahrenheit"),
        ("temperature", 1.0, 0.0, "k kelvin"),
        ("time", 1.0, 0.0, "s sec secs second seconds"),
        ("time", 1e-3, 0.0, "ms msec millis millisecond milliseconds"),
        ("time", 1e-6, 0.0, "us usec micros microsecond microseconds"),
        ("time", 1e-9, 0.0, "ns nsec nanos nanosecond nanoseconds"),
        ("time", 60.0, 0.0, "min mins minute minutes"),
        ("time", 3600.0, 0.0, "h hr hrs hour hours"),
        ("rotation_speed", 1.0, 0.0, "rpm 1/min min-1 r/min"),
        ("rotation_speed", 60.0, 0.0, "hz 1/s rps"),
        ("proportion", 1.0, 0.0, "% percent pct"),
        ("voltage", 1.0, 0.0, "v volt volts"),
        ("voltage", 1e-3, 0.0, "mv millivolt millivolts"),
    ]
    table: dict[str, tuple[Unit, ...]] = {}
    for quantity, factor, offset, words in rows:
        for word in words.split():
            table[word] = (
                *table.get(word, ()),
                Unit(quantity=quantity, factor=factor, offset=offset),
            )
    return table


#: Plain unit word -> the units it may mean, one per quantity ("deg" is an angle or a direction).
UNITS: dict[str, tuple[Unit, ...]] = _table()

_Number = TypeVar("_Number", float, NDArray[np.float64])


def plain_unit(text: str) -> str:
    """Return `text` as it stands in `UNITS`: lower case, no spaces, plain digits and signs.

    >>> plain_unit(" m/s² "), plain_unit("Km / H"), plain_unit("°/s"), plain_unit("µs")
    ('m/s2', 'km/h', 'deg/s', 'us')
    """
    text = unicodedata.normalize("NFKC", text.replace("°", "deg")).replace("\u03bc", "u")
    text = text.replace("\u2212", "-").replace("^", "").replace("·", "").replace("*", "")
    text = text.replace("degdeg", "deg")
    return "".join(text.lower().split())


def find_unit(text: str, quantity: Quantity | None = None) -> Unit | None:
    """Look a unit up.

    Parameters
    ----------
    text : str
        As written by a person or a program.
    quantity : Quantity, optional
        What it must measure; None takes the first meaning.

    Returns
    -------
    Unit or None
        None when the word is unknown or measures something else.
    """
    plain = plain_unit(text)
    for unit in UNITS.get(plain, ()):
        if quantity is None or unit.quantity == quantity:
            return unit
    wheel = _ROLLING.fullmatch(plain) if quantity in (None, "speed") else None
    if wheel is None:
        return None
    turns = next((u for u in UNITS.get(wheel[1], ()) if u.quantity == "rotation_speed"), None)
    return (
        None
        if turns is None
        else Unit(quantity="speed", factor=turns.factor * float(wheel[2]) / 60.0)
    )


def rolling_unit(unit: str, circumference_m: float) -> str:
    """Return the unit of a speed that is counted in turns of a wheel of this circumference [m].

    >>> rolling_unit("rpm", 1.95), round(find_unit("rpm x 1.95 m", "speed").factor * 60, 9)
    ('rpm x 1.95 m', 1.95)
    """
    return f"{unit} x {circumference_m:.6g} m"


def known_units(quantity: Quantity) -> tuple[str, ...]:
    """Return the words for units of `quantity`, the commonest spelling of each first."""
    seen: dict[tuple[float, float], str] = {}
    for word, units in UNITS.items():
        for unit in units:
            if unit.quantity == quantity:
                seen.setdefault((unit.factor, unit.offset), word)
    return tuple(seen.values())


def _require(text: str, quantity: Quantity | None) -> Unit:
    unit = find_unit(text, quantity)
    if unit is None:
        known = known_units(quantity) if quantity else tuple(UNITS)
        what = f" of {quantity.replace('_', ' ')}" if quantity else ""
        msg = f"unknown unit{what} {text!r}; known: {', '.join(known)}"
        raise ValueError(msg)
    return unit


def to_si(value: _Number, unit: str, quantity: Quantity | None = None) -> _Number:
    """Convert to the unit that `SI_UNIT` names for the quantity.

    Parameters
    ----------
    value : float or array
        In `unit`.
    unit : str
        For example ``"km/h"``, ``"lb"``, ``"inHg"``, ``"F"``, ``"deg/s"``.
    quantity : Quantity, optional
        Needed only where a word has two meanings, and to refuse a unit of something else.

    Returns
    -------
    float or array
        In SI; temperature in kelvin.

    Raises
    ------
    ValueError
        The unit is unknown or measures something else; the text lists the known ones.

    >>> round(to_si(90.0, "km/h"), 6), round(to_si(2205.0, "lb"), 3)
    (25.0, 1000.171)
    """
    found = _require(unit, quantity)
    if found.factor == 1.0 and found.offset == 0.0:
        return value
    return value * found.factor + found.offset


def convert(value: _Number, unit: str, to: str, quantity: Quantity | None = None) -> _Number:
    """Convert between two units of one quantity.

    Parameters
    ----------
    value : float or array
        In `unit`.
    unit, to : str
        For example ``"F"`` and ``"C"``.
    quantity : Quantity, optional
        As in `to_si`.

    Returns
    -------
    float or array
        In `to`.

    Raises
    ------
    ValueError
        A unit is unknown or the two measure different things.

    >>> round(convert(59.0, "F", "C"), 9), round(convert(29.92, "inHg", "hPa"), 2)
    (15.0, 1013.21)
    """
    source = _require(unit, quantity)
    target = _require(to, source.quantity)
    if source == target:
        return value
    return (value * source.factor + (source.offset - target.offset)) / target.factor
