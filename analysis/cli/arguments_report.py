"""Arguments of `pullcoast report`."""

from __future__ import annotations

import argparse

from analysis.terminal.options import (
    CAUTIONS,
    Parser,
    add_column_options,
    add_outside_option,
    add_unit_options,
    new_command,
)

__all__ = ["add_report"]

_REPORT = f"""\
Turn a session (a folder of phone logs) into wheel power and road load.

Writes report.html, results.json, curves.csv and speed_time.csv. An interrupted run leaves earlier
files whole. What is missing makes intervals wide or is left out and said; it is never guessed.

{CAUTIONS}"""

_REPORT_EXAMPLES = """\
examples:
  pullcoast report airfield                      with airfield/session.toml
  pullcoast report airfield --mass 1480kg        a folder of logs alone; each is one recording
  pullcoast report monday tuesday --out compared one folder of results per session
  pullcoast report airfield --full --plots pictures
  pullcoast report pulls --road-load coasts/results/results.json
  pullcoast report airfield --column speed_mps="GPS speed" --unit speed_mps=km/h
  pullcoast report airfield --json | jq .wheel_power.peak_W"""


def add_report(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast report`."""
    title = "wheel power and road load of a session"
    parser = new_command(commands, "report", title, _REPORT, _REPORT_EXAMPLES)
    parser.add_argument(
        "sessions", nargs="+", metavar="SESSION", help="folder, or its session.toml"
    )
    parser.add_argument(
        "--out", metavar="DIR", help="where to write (default: SESSION/results; several: DIR/NAME)"
    )
    parser.add_argument(
        "--full", action="store_true", help="with a figure of every run in report.html"
    )
    parser.add_argument(
        "--plots",
        metavar="DIR",
        help="also write every figure as SVG, PNG and CSV (several sessions: DIR/NAME)",
    )
    parser.add_argument("--json", action="store_true", help="print results.json to standard output")
    parser.add_argument(
        "--road-load", metavar="FILE", help="an earlier results.json, for sessions of pulls alone"
    )
    add_outside_option(parser)
    group = parser.add_argument_group("what is known (wins over session.toml)")
    group.add_argument(
        "--mass", metavar="MASS", help="vehicle as driven, with people and fuel: 1480kg, 3260lb"
    )
    group.add_argument(
        "--mass-uncertainty", metavar="MASS", help="standard deviation: 8kg, 20lb, 0.5%%"
    )
    group.add_argument(
        "--rotating-mass", metavar="MASS", help="what turns with the wheels in neutral: 44kg, 3%%"
    )
    group.add_argument(
        "--rotating-mass-uncertainty", metavar="MASS", help="standard deviation: 7kg, 0.5%%"
    )
    group.add_argument("--temperature", metavar="T", help="of the air: 14C, 57F")
    group.add_argument(
        "--pressure",
        metavar="P",
        help="at the station, not reduced to sea level: 1002hPa, 29.6inHg",
    )
    group.add_argument("--humidity", metavar="H", help="relative: 60%%")
    group.add_argument("--altitude", metavar="H", help="120m, 390ft")
    add_unit_options(parser.add_argument_group("display"), power=True)
    add_column_options(parser)
