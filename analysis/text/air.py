"""The air of a day: its density, and what each ambient correction would be in it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from analysis.physics.air import air_state, moist_air_density_kg_m3
from analysis.physics.ambient import AMBIENT_FACTORS, AmbientAir, factor_at
from analysis.terminal.lines import wrap
from logger.errors import SessionError
from logger.findings import Finding
from logger.session.keys import AIR, Quantity
from logger.session.quantities import parse_quantity
from logger.session.session import Air
from logger.units import convert

__all__ = ["AirOfDay", "air_as_typed", "air_dict", "air_of_day", "air_text"]

_COLUMNS = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class AirOfDay:
    """Air within its ranges: as the corrections take it, its density, and what is odd about it."""

    inlet: AmbientAir
    density_kg_m3: float
    findings: tuple[Finding, ...]


def air_of_day(
    temperature: tuple[float, str],
    pressure: tuple[float, str],
    humidity_percent: float,
    altitude_m: float | None,
) -> AirOfDay:
    """Check the air as options of the command state it.

    Parameters
    ----------
    temperature, pressure : tuple of float and str
        Value and unit: C or F; hPa, inHg or kPa.
    humidity_percent : float
        Relative humidity [%].
    altitude_m : float or None
        Of the place [m], to check the pressure with.

    Returns
    -------
    AirOfDay
        With its findings.

    Raises
    ------
    SessionError
        A value out of range; names its option and a unit in which it would be in range.
    """
    temperature_c, pressure_hpa = _temperature_c(*temperature), _pressure_hpa(*pressure)
    stated = Air(
        temperature_c=temperature_c,
        pressure_hpa=pressure_hpa,
        relative_humidity_percent=_checked(
            humidity_percent, AIR["relative_humidity"], "--humidity-percent", "%"
        ),
        altitude_m=None
        if altitude_m is None
        else _checked(altitude_m, AIR["altitude"], "--altitude-m", "m"),
    )
    inlet = AmbientAir(
        temperature_c=temperature_c,
        pressure_hpa=pressure_hpa,
        relative_humidity_percent=stated.relative_humidity_percent,
    )
    density = moist_air_density_kg_m3(
        inlet.temperature_c, inlet.pressure_hpa, inlet.relative_humidity_percent
    )
    _, findings = air_state(stated)
    return AirOfDay(inlet=inlet, density_kg_m3=density, findings=findings)


def air_as_typed(
    temperature: tuple[float, str] | str,
    pressure: tuple[float, str] | str,
    humidity: float | str | None,
    altitude: float | str | None,
) -> AirOfDay:
    """Check the air as typed with units, ``14C 1002hPa 60% 120m``, or as values of `air_of_day`.

    Parameters
    ----------
    temperature, pressure, humidity, altitude
        Texts with a unit are in the way of all other commands; humidity and altitude may be None.

    Raises
    ------
    SessionError
        No number, no unit, or a value out of range; names its option.
    """
    if isinstance(temperature, str):
        temperature = parse_quantity(temperature, AIR["temperature"], "--temperature"), "C"
    if isinstance(pressure, str):
        pressure = parse_quantity(pressure, AIR["pressure"], "--pressure"), "hPa"
    if isinstance(humidity, str):
        humidity = parse_quantity(humidity, AIR["relative_humidity"], "--humidity")
    if isinstance(altitude, str):
        altitude = parse_quantity(altitude, AIR["altitude"], "--altitude")
    usual = Air().relative_humidity_percent
    return air_of_day(temperature, pressure, usual if humidity is None else humidity, altitude)


def air_dict(air: AirOfDay) -> dict[str, Any]:
    """Return density and factors for programs, in SI units and hPa."""
    factors = [factor_at(name, air.inlet) for name in AMBIENT_FACTORS]
    return {
        "density_kg_m3": air.density_kg_m3,
        "vapour_pressure_hPa": air.inlet.vapour_hpa,
        "dry_pressure_hPa": air.inlet.dry_hpa,
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
            for each in air.findings
        ],
    }


def air_text(air: AirOfDay) -> str:
    """Return density and factors for people."""
    inlet = air.inlet
    lines = [
        f"density          {air.density_kg_m3:.4f} kg/m3 (moist air, CIPM-2007)",
        f"vapour pressure  {inlet.vapour_hpa:.2f} hPa",
        f"dry pressure     {inlet.dry_hpa:.2f} hPa",
        "",
        "Ambient corrections: power in reference air = factor x power as measured",
    ]
    for name in AMBIENT_FACTORS:
        each = factor_at(name, inlet)
        entry = AMBIENT_FACTORS[each.name]
        word = "valid" if each.valid else "outside its validity"
        lines.append(f"  {each.name:<40}{each.factor:8.4f}  {word}")
        about = [f"reference {entry.reference}", f"for {entry.engines}"]
        about += [each.why_not] if each.why_not else [f"limits: {entry.limits}"]
        for text in about:
            lines += wrap(text, _COLUMNS, initial_indent=" " * 6, subsequent_indent=" " * 8)
    lines.append("")
    lines += wrap(
        "They are for power of engines, not for power at the wheels, and for no boost-controlled or "
        "electric drive; power as measured stays the figure to quote.",
        _COLUMNS,
    )
    for finding in air.findings:
        lines += ["", *wrap(f"{finding.severity}: {finding.text}", _COLUMNS)]
    return "\n".join(lines)


def _temperature_c(value: float, unit: str) -> float:
    try:
        return _checked(value, AIR["temperature"], f"--temperature-{unit}", unit)
    except SessionError as error:
        if unit == "F":
            raise
        raise _hinted(error, value, "temperature", unit, ("F", "K")) from error


def _pressure_hpa(value: float, unit: str) -> float:
    try:
        return _checked(value, AIR["pressure"], f"--pressure-{unit}", unit)
    except SessionError as error:
        others = tuple(other for other in ("hPa", "inHg", "kPa", "Pa") if other != unit)
        raise _hinted(error, value, "pressure", unit, others) from error


def _hinted(
    error: SessionError, value: float, key: str, unit: str, others: tuple[str, ...]
) -> SessionError:
    """Return the error with a unit in which the value would be in range."""
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
