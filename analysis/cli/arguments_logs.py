"""Arguments of the commands about logs alone: `pullcoast look` and `pullcoast speed`."""

from __future__ import annotations

import argparse

from analysis.terminal.options import Parser, add_column_options, add_unit_options, new_command

__all__ = ["add_look", "add_speed"]

_SPEED = """\
Turn logs into speed over time, without a session: no mass is needed, no power is given.

Writes speed_time.csv and speed_time.svg, which show the runs, pulls and coast-downs found."""

_SPEED_EXAMPLES = """\
examples:
  pullcoast speed run1.csv run2.gpx
  pullcoast speed gps.gpx motion.csv --together   one recording in two files
  pullcoast speed run1.csv --out first-look"""

_LOOK = """\
Say what is in log files: format, channels, rates, top speed, pulls, coast-downs, and what is wrong.

One unreadable file does not stop the others; the exit status is then 2."""

_LOOK_EXAMPLES = """\
examples:
  pullcoast look run1.csv run2.gpx
  pullcoast look *.csv --json
  pullcoast look run1.csv --column speed_mps="GPS speed" --unit speed_mps=km/h"""


def add_speed(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast speed`."""
    title = "speed over time of logs alone"
    parser = new_command(commands, "speed", title, _SPEED, _SPEED_EXAMPLES)
    parser.add_argument("files", nargs="+", metavar="FILE", help="log file, also .gz")
    parser.add_argument("--out", metavar="DIR", default="speed", help="default: ./speed")
    parser.add_argument("--together", action="store_true", help="all files are one recording")
    parser.add_argument("--json", action="store_true", help="for programs, in SI units")
    add_unit_options(parser, power=False)
    add_column_options(parser)


def add_look(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast look`."""
    title = "what is in log files"
    parser = new_command(commands, "look", title, _LOOK, _LOOK_EXAMPLES)
    parser.add_argument("files", nargs="+", metavar="FILE", help="log file, also .gz")
    parser.add_argument("--json", action="store_true", help="for programs, in SI units")
    add_unit_options(parser, power=False)
    add_column_options(parser)
