"""Arguments of `pullcoast air`."""

from __future__ import annotations

import argparse

from analysis.terminal.options import Parser, new_command

__all__ = ["add_air"]

_AIR = """\
Work out the density of moist air (CIPM-2007) and what each ambient correction of engine power would
be in it, with its reference air and the limits it holds in.

Give the pressure at the place, not the one reduced to sea level that weather services report;
--altitude-m checks it."""

_AIR_EXAMPLES = """\
examples:
  pullcoast air --temperature-C 14 --pressure-hPa 1002 --humidity-percent 60
  pullcoast air --temperature-F 57 --pressure-inHg 29.6 --humidity-percent 60
  pullcoast air --temperature-C 14 --pressure-hPa 1002 --humidity-percent 60 --altitude-m 120 --json"""


def add_air(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast air`."""
    title = "density of air and ambient corrections"
    parser = new_command(commands, "air", title, _AIR, _AIR_EXAMPLES)
    temperature = parser.add_mutually_exclusive_group(required=True)
    for unit in ("C", "F"):
        temperature.add_argument(
            f"--temperature-{unit}", type=float, metavar="T", help=f"in {unit}"
        )
    pressure = parser.add_mutually_exclusive_group(required=True)
    for unit in ("hPa", "inHg", "kPa"):
        pressure.add_argument(
            f"--pressure-{unit}", type=float, metavar="P", help=f"at the place, in {unit}"
        )
    parser.add_argument(
        "--humidity-percent", type=float, required=True, metavar="H", help="relative, 0 to 100"
    )
    parser.add_argument("--altitude-m", type=float, metavar="Z", help="checks the pressure")
    parser.add_argument("--json", action="store_true", help="for programs")
