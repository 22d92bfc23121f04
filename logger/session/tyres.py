"""Tyre sizes as printed on the side wall -> outer diameter."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from logger.units import find_unit, rolling_unit, to_si

__all__ = [
    "TYRE_EXAMPLES",
    "TyreSize",
    "parse_circumference",
    "parse_tyre",
    "rolling_radius_m",
    "rolling_unit_of",
]

#: Sizes that `parse_tyre` understands, for messages.
TYRE_EXAMPLES = '"205/55 R16", "315/80 R22.5", "31x10.50 R15" or "28-622"'

_INCH_MM = 25.4
#: Rolling circumference over outer diameter; ETRTO and UN R30 convention, from memory.
_CIRCUMFERENCE_PER_DIAMETER = 3.05

# section width in mm / height in per cent of it, construction, rim in inches: ISO 4000-1
_METRIC = re.compile(
    r"(?:P|LT|C|T)?\s*(?P<width>\d{2,3})\s*/\s*(?P<aspect>\d{2,3})\s*"
    r"(?:-|ZR|HR|VR|SR|R|B|D)?\s*F?\s*(?P<rim>\d{1,2}(?:\.\d)?)(?!\d)",
    re.IGNORECASE,
)
# outer diameter x width in inches, rim in inches
_FLOTATION = re.compile(
    r"(?:LT)?\s*(?P<outer>\d{2}(?:\.\d+)?)\s*[xX]\s*(?P<width>\d{1,2}(?:\.\d+)?)\s*"
    r"(?:-|R)\s*(?P<rim>\d{1,2}(?:\.\d)?)(?!\d)",
    re.IGNORECASE,
)
# width - bead seat diameter, both in mm: ISO 5775-1 (bicycles)
_BICYCLE = re.compile(r"(?P<width>\d{2,3})\s*-\s*(?P<bead>\d{3})(?!\d)")


@dataclass(frozen=True, slots=True, kw_only=True)
class TyreSize:
    """A tyre as designed, unloaded.

    Parameters
    ----------
    width_mm : float
        Section width [mm].
    rim_mm : float
        Diameter of the rim or bead seat [mm].
    outer_diameter_mm : float
        Rim plus two side walls [mm].
    """

    width_mm: float
    rim_mm: float
    outer_diameter_mm: float


def parse_tyre(text: str) -> TyreSize:
    """Read a tyre size.

    Parameters
    ----------
    text : str
        Metric (``205/55 R16 91V``), flotation (``31x10.50 R15``) or bicycle (``28-622``) marking;
        what follows the size is ignored.

    Returns
    -------
    TyreSize
        With ``D = 25.4 rim + 2 width aspect / 100`` for the metric marking.

    Raises
    ------
    ValueError
        The text is no such size, or one that no road vehicle has.

    >>> round(parse_tyre("205/55 R16").outer_diameter_mm, 1)
    631.9
    """
    words = text.strip()
    if match := _METRIC.match(words):
        width_mm = float(match["width"])
        rim_mm = float(match["rim"]) * _INCH_MM
        outer_mm = rim_mm + 2.0 * width_mm * float(match["aspect"]) / 100.0
    elif match := _FLOTATION.match(words):
        width_mm = float(match["width"]) * _INCH_MM
        rim_mm = float(match["rim"]) * _INCH_MM
        outer_mm = float(match["outer"]) * _INCH_MM
    elif match := _BICYCLE.match(words):
        width_mm = float(match["width"])
        rim_mm = float(match["bead"])
        outer_mm = rim_mm + 2.0 * width_mm
    else:
        msg = f"{text!r} is not a tyre size such as {TYRE_EXAMPLES}"
        raise ValueError(msg)
    # 787 mm: the largest bead seat of a bicycle
    largest_rim_mm = 787.0 if match.re is _BICYCLE else 1000.0
    # 0.3 m: the smallest folding bicycles and scooters; 1.4 m: the largest truck tyres
    if not (300.0 <= outer_mm <= 1400.0 and rim_mm < outer_mm and rim_mm <= largest_rim_mm):
        msg = f"{text!r} gives an outer diameter of {outer_mm:.0f} mm on a {rim_mm:.0f} mm rim"
        raise ValueError(msg)
    return TyreSize(width_mm=width_mm, rim_mm=rim_mm, outer_diameter_mm=outer_mm)


def rolling_radius_m(tyre: str) -> float:
    """Return the radius that a tyre rolls on.

    Parameters
    ----------
    tyre : str
        Size as printed on the side wall, for example ``205/55 R16``.

    Returns
    -------
    float
        Rolling circumference ``3.05 D`` over 2 pi [m]; wear and pressure change it by some 1 %.

    Raises
    ------
    ValueError
        The text is no tyre size.

    >>> round(rolling_radius_m("205/55 R16"), 4)
    0.3067
    """
    diameter_m = parse_tyre(tyre).outer_diameter_mm / 1000.0
    return _CIRCUMFERENCE_PER_DIAMETER * diameter_m / (2.0 * math.pi)


def parse_circumference(text: str) -> float:
    """Read how far a wheel rolls in one turn.

    Parameters
    ----------
    text : str
        A length with its unit (``1.95m``, ``6.4ft``), or a tyre size.

    Returns
    -------
    float
        Circumference [m].

    Raises
    ------
    ValueError
        Neither, or a length outside 0.5 to 5 m.

    >>> parse_circumference("1.95m"), round(parse_circumference("205/55 R16"), 3)
    (1.95, 1.927)
    """
    match = re.fullmatch(r"\s*(\d+(?:\.\d*)?)\s*([a-zA-Z]+)\s*", text)
    if match is None or find_unit(match[2], "length") is None:
        return 2.0 * math.pi * rolling_radius_m(text)
    circumference_m = to_si(float(match[1]), match[2], "length")
    if not 0.5 <= circumference_m <= 5.0:
        msg = f"{text!r} is a circumference of {circumference_m:g} m, where 0.5 to 5 m is expected"
        raise ValueError(msg)
    return circumference_m


def rolling_unit_of(unit: str | None, circumference_m: float | None) -> str | None:
    """Return a speed's unit where it is counted in turns of a known wheel; else `unit` as it is."""
    if unit is None or circumference_m is None or find_unit(unit, "rotation_speed") is None:
        return unit
    return rolling_unit(unit, circumference_m)
