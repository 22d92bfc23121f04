"""The command `pullcoast air`: density, vapour pressure, and the ambient corrections' factors."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_OK
from analysis.terminal.options import Quiet, flag, number, option

__all__ = ["air", "app"]

_DESCRIPTION = """\
Work out the density of moist air (CIPM-2007) and what each ambient correction of engine power would
be in it, with its reference air and the limits it holds in.

Give the pressure at the place, not the one reduced to sea level that weather services report;
--altitude-m checks it."""

_EXAMPLES = """\
examples:
  pullcoast air --temperature 14C --pressure 1002hPa --humidity 60%
  pullcoast air --temperature 57F --pressure 29.6inHg
  pullcoast air --temperature 14C --pressure 1002hPa --altitude 120m --json"""

_TEMPERATURE = "temperature of the air, one of them"
_PRESSURE = "pressure at the place, one of them"

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def air(
    quiet: Quiet = False,
    temperature: Annotated[
        str | None, option("--temperature", "T", "14C, 57F", group=_TEMPERATURE)
    ] = None,
    pressure: Annotated[
        str | None, option("--pressure", "P", "1002hPa, 29.6inHg", group=_PRESSURE)
    ] = None,
    humidity: Annotated[
        str | None, option("--humidity", "H", "relative: 60% (default: 50%)")
    ] = None,
    altitude: Annotated[
        str | None, option("--altitude", "Z", "checks the pressure: 120m, 390ft")
    ] = None,
    humidity_percent: Annotated[
        float | None, option("--humidity-percent", "H", "the same as a number", parser=number)
    ] = None,
    temperature_c: Annotated[
        float | None, option("--temperature-C", "T", "in C", group=_TEMPERATURE, parser=number)
    ] = None,
    temperature_f: Annotated[
        float | None, option("--temperature-F", "T", "in F", group=_TEMPERATURE, parser=number)
    ] = None,
    pressure_hpa: Annotated[
        float | None,
        option("--pressure-hPa", "P", "at the place, in hPa", group=_PRESSURE, parser=number),
    ] = None,
    pressure_inhg: Annotated[
        float | None,
        option("--pressure-inHg", "P", "at the place, in inHg", group=_PRESSURE, parser=number),
    ] = None,
    pressure_kpa: Annotated[
        float | None,
        option("--pressure-kPa", "P", "at the place, in kPa", group=_PRESSURE, parser=number),
    ] = None,
    altitude_m: Annotated[
        float | None, option("--altitude-m", "Z", "the same as a number", parser=number)
    ] = None,
    as_json: Annotated[bool, flag("--json", "for programs")] = False,
) -> int:
    """Run ``pullcoast air`` and return the exit status."""
    degrees = {"C": temperature_c, "F": temperature_f}
    pressures = {"hPa": pressure_hpa, "inHg": pressure_inhg, "kPa": pressure_kpa}
    warm = _one_of("--temperature", temperature, degrees)
    heavy = _one_of("--pressure", pressure, pressures)
    for name, typed, bare in (
        ("humidity", humidity, humidity_percent),
        ("altitude", altitude, altitude_m),
    ):
        if typed is not None and bare is not None:
            msg = f"argument --{name}: state it once"
            raise typer.BadParameter(msg)
    from analysis.text.air import air_as_typed, air_dict, air_text

    moist = humidity if humidity_percent is None else humidity_percent
    found = air_as_typed(warm, heavy, moist, altitude if altitude_m is None else altitude_m)
    if as_json:
        print(json.dumps(air_dict(found), indent=1, allow_nan=False))
    else:
        print(air_text(found))
    return EXIT_OK


def _one_of(
    option: str, typed: str | None, values: dict[str, float | None]
) -> tuple[float, str] | str:
    """Return the one value that is given: as typed with its unit, or with its unit beside it."""
    given = [(value, unit) for unit, value in values.items() if value is not None]
    names = [option] * (typed is not None) + [f"{option}-{unit}" for _, unit in given]
    if not names:
        msg = f"argument {option} is required"
        raise typer.BadParameter(msg)
    if len(names) > 1:
        msg = f"argument {names[1]}: not allowed with argument {names[0]}"
        raise typer.BadParameter(msg)
    return given[0] if typed is None else typed
