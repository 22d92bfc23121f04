"""Arguments of `pullcoast new`."""

from __future__ import annotations

import argparse

from analysis.terminal.options import Parser, add_unit_options, choice, new_command

__all__ = ["add_new"]

_NEW = """\
Write the session.toml of an outing: asks for vehicle and air, and looks at the logs in the folder.

What an option says is not asked. Without a terminal nothing is asked: what is missing stands in the
file as a comment, and is said. Every quantity takes its unit: 1480kg, 3260lb, 14C, 57F, 29.6inHg.
An earlier session.toml stays as it is unless --replace is given."""

_NEW_EXAMPLES = """\
examples:
  pullcoast new monday                            asks; an empty answer leaves a question open
  pullcoast new monday --kind van --mass 4220lb   asks for the rest
  pullcoast new monday --mass 1480kg --temperature 14C --pressure 29.6inHg --no-questions"""


def add_new(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast new`."""
    title = "describe an outing: writes its session.toml"
    parser = new_command(commands, "new", title, _NEW, _NEW_EXAMPLES)
    parser.add_argument("folder", metavar="DIR", help="folder of the logs; made when missing")
    parser.add_argument("--replace", action="store_true", help="replace an earlier session.toml")
    parser.add_argument(
        "--no-questions", action="store_true", help="ask nothing, also on a terminal"
    )
    parser.add_argument("--json", action="store_true", help="for programs; asks nothing")
    group = parser.add_argument_group("vehicle")
    group.add_argument("--name", metavar="TEXT", help='what you call it: "estate, winter tyres"')
    group.add_argument(
        "--kind",
        type=choice("car", "van", "truck", "motorcycle", "bicycle"),
        metavar="{car,van,truck,motorcycle,bicycle}",
        help="decides what is plausible (default: car)",
    )
    group.add_argument(
        "--state", metavar="TEXT", help="stock, new exhaust, ...; sessions of one state belong together"
    )  # fmt: skip
    group.add_argument("--mass", metavar="MASS", help="as driven: 1480kg, 3260lb")
    group.add_argument(
        "--mass-uncertainty", metavar="MASS", help="standard deviation: 8kg, 20lb, 0.5%%"
    )
    group.add_argument(
        "--rotating-mass", metavar="MASS", help="what turns with the wheels in neutral: 44kg, 3%%"
    )
    group.add_argument(
        "--rotating-mass-uncertainty", metavar="MASS", help="standard deviation: 7kg, 0.5%%"
    )
    group.add_argument(
        "--drive",
        type=choice("naturally aspirated", "turbocharged", "diesel", "electric", "unknown"),
        metavar="DRIVE",
        help="naturally aspirated, turbocharged, diesel, electric, unknown",
    )
    group.add_argument("--tyre", metavar="SIZE", help='as on the side wall: "205/55 R16"')
    group = parser.add_argument_group("air of the day")
    group.add_argument("--temperature", metavar="T", help="14C, 57F")
    group.add_argument(
        "--pressure",
        metavar="P",
        help="at the place, not reduced to sea level: 1002hPa, 29.6inHg",
    )
    group.add_argument("--humidity", metavar="H", help="relative: 60%%")
    group.add_argument("--altitude", metavar="H", help="120m, 390ft")
    add_unit_options(parser.add_argument_group("display"), power=True)
