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
  pullcoast air --temperature-C 14 --pressure-hPa 1002 --humidity-percent 60
  pullcoast air --temperature-F 57 --pressure-inHg 29.6 --humidity-percent 60
  pullcoast air --temperature-C 14 --pressure-hPa 1002 --humidity-percent 60 --altitude-m 120 --json"""

_TEMPERATURE = "temperature of the air, one of them"
_PRESSURE = "pressure at the place, one of them"

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def air(
    humidity_percent: Annotated[
        float, option("--humidity-percent", "H", "relative, 0 to 100", parser=number)
    ],
    quiet: Quiet = False,
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
        float | None, option("--altitude-m", "Z", "checks the pressure", parser=number)
    ] = None,
    as_json: Annotated[bool, flag("--json", "for programs")] = False,
) -> int:
    """Run ``pullcoast air`` and return the exit status."""
    temperature = _one_of("--temperature-", {"C": temperature_c, "F": temperature_f})
    pressure = _one_of(
        "--pressure-", {"hPa": pressure_hpa, "inHg": pressure_inhg, "kPa": pressure_kpa}
    )
    from analysis.text.air import air_dict, air_of_day, air_text

    found = air_of_day(temperature, pressure, humidity_percent, altitude_m)
    if as_json:
        print(json.dumps(air_dict(found), indent=1, allow_nan=False))
    else:
        print(air_text(found))
    return EXIT_OK


def _one_of(option: str, values: dict[str, float | None]) -> tuple[float, str]:
    """Return the one value that is given, and its unit."""
    given = [(value, unit) for unit, value in values.items() if value is not None]
    if not given:
        options = " ".join(option + unit for unit in values)
        msg = f"one of the arguments {options} is required"
        raise typer.BadParameter(msg)
    if len(given) > 1:
        (_, first), (_, second), *_ = given
        msg = f"argument {option}{second}: not allowed with argument {option}{first}"
        raise typer.BadParameter(msg)
    return given[0]
