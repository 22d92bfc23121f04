"""The command `pullcoast air`: density, vapour pressure, and the ambient corrections' factors."""

from __future__ import annotations

import argparse
import json
import math
import textwrap

from analysis.physics.air import air_state, moist_air_density_kg_m3
from analysis.physics.ambient import AMBIENT_FACTORS, AmbientAir, factor_at
from analysis.terminal.errors import EXIT_OK
from logger.errors import SessionError
from logger.session.keys import AIR, Quantity
from logger.session.session import Air
from logger.units import convert

__all__ = ["air"]

_COLUMNS = 80


def air(arguments: argparse.Namespace) -> int:
    """Run ``pullcoast air`` and return the exit status."""
    temperature_c = _temperature_c(arguments)
    stated = Air(
        temperature_c=temperature_c,
        pressure_hpa=_pressure_hpa(arguments),
        relative_humidity_percent=_checked(
            arguments.humidity_percent, AIR["relative_humidity"], "--humidity-percent", "%"
        ),
        altitude_m=None
        if arguments.altitude_m is None
        else _checked(arguments.altitude_m, AIR["altitude"], "--altitude-m", "m"),
    )
    assert stated.pressure_hpa is not None
    inlet = AmbientAir(
        temperature_c=temperature_c,
        pressure_hpa=stated.pressure_hpa,
        relative_humidity_percent=stated.relative_humidity_percent,
    )
    density = moist_air_density_kg_m3(
        inlet.temperature_c, inlet.pressure_hpa, inlet.relative_humidity_percent
    )
    _, findings = air_state(stated)
    factors = [factor_at(name, inlet) for name in AMBIENT_FACTORS]
    if arguments.json:
        answer = {
            "density_kg_m3": density,
            "vapour_pressure_hPa": inlet.vapour_hpa,
            "dry_pressure_hPa": inlet.dry_hpa,
            "factors": {
                each.name: {
                    "factor": each.factor,
                    "valid": each.valid,
                    "why_not": each.why_not,
                    "reference": AMBIENT_FACTORS[each.name].reference,
                    "limits": AMBIENT_FACTORS[each.name].limits,
                    "engines": AMBIENT_FACTORS[each.name].engines,
                }
                for each in factors
            },
            "findings": [
                {"kind": each.kind, "severity": each.severity, "text": each.text}
                for each in findings
            ],
        }
        print(json.dumps(answer, indent=1, allow_nan=False))
        return EXIT_OK
    lines = [
        f"density          {density:.4f} kg/m3 (moist air, CIPM-2007)",
        f"vapour pressure  {inlet.vapour_hpa:.2f} hPa",
        f"dry pressure     {inlet.dry_hpa:.2f} hPa",
        "",
        "Ambient corrections: power in reference air = factor x power as measured",
    ]
    for each in factors:
        entry = AMBIENT_FACTORS[each.name]
        word = "valid" if each.valid else "outside its validity"
        lines.append(f"  {each.name:<40}{each.factor:8.4f}  {word}")
        about = [f"reference {entry.reference}", f"for {entry.engines}"]
        about += [each.why_not] if each.why_not else [f"limits: {entry.limits}"]
        for text in about:
            lines += textwrap.wrap(
                text, _COLUMNS, initial_indent=" " * 6, subsequent_indent=" " * 8
            )
    lines.append("")
    lines += textwrap.wrap(
        "They are for power of engines, not for power at the wheels, and for no boost-controlled or "
        "electric drive; power as measured stays the figure to quote.",
        _COLUMNS,
    )
    for finding in findings:
        lines += ["", *textwrap.wrap(f"{finding.severity}: {finding.text}", _COLUMNS)]
    print("\n".join(lines))
    return EXIT_OK


def _temperature_c(arguments: argparse.Namespace) -> float:
    if arguments.temperature_F is not None:
        return _checked(arguments.temperature_F, AIR["temperature"], "--temperature-F", "F")
    value: float = arguments.temperature_C
    try:
        return _checked(value, AIR["temperature"], "--temperature-C", "C")
    except SessionError as error:
        raise _hinted(error, value, "temperature", "C", ("F", "K")) from error


def _pressure_hpa(arguments: argparse.Namespace) -> float:
    units = {"hPa": arguments.pressure_hPa, "inHg": arguments.pressure_inHg}
    units["kPa"] = arguments.pressure_kPa
    ((unit, value),) = [(unit, value) for unit, value in units.items() if value is not None]
    try:
        return _checked(value, AIR["pressure"], f"--pressure-{unit}", unit)
    except SessionError as error:
        others = tuple(other for other in (*units, "Pa") if other != unit)
        raise _hinted(error, value, "pressure", unit, others) from error


def _hinted(
    error: SessionError, value: float, key: str, unit: str, others: tuple[str, ...]
) -> SessionError:
    """Add the units in which a value out of range would be in it."""
    quantity = AIR[key]
    options = {"F": "--temperature-F", "inHg": "--pressure-inHg", "kPa": "--pressure-kPa"}
    options["hPa"] = "--pressure-hPa"
    for other in others:
        low, high = quantity.range_in(quantity.unit)
        if other in {"K", "Pa"}:
            converted = value - 273.15 if other == "K" else value / 100.0
        else:
            converted = convert(value, other, quantity.unit)
        if math.isfinite(converted) and low <= converted <= high:
            use = f": use {options[other]}" if other in options else ""
            remedy = (
                f"{value:g} {other} would be {converted:.6g} {quantity.unit}{use}"
                if other in options
                else f"{value:g} looks like {other}; {converted:.6g} {quantity.unit} would do"
            )
            option = f"--{key}-{unit}"
            return SessionError(option, "", f"{value:g} {unit}", _expected(quantity, unit), remedy)
    return error


def _expected(quantity: Quantity, unit: str) -> str:
    low, high = quantity.range_in(unit)
    return f"{quantity.what} from {low:.5g} to {high:.5g} {unit}"


def _checked(value: float, quantity: Quantity, option: str, unit: str) -> float:
    low, high = quantity.range_in(unit)
    if not low <= value <= high:
        remedy = "Check the unit and the decimal point"
        raise SessionError(option, "", f"{value:g} {unit}", _expected(quantity, unit), remedy)
    return quantity.to_unit(value, unit)
