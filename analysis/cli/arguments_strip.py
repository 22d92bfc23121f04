"""Arguments of `pullcoast strip`."""

from __future__ import annotations

import argparse

from analysis.terminal.options import Parser, add_column_options, add_outside_option, new_command

__all__ = ["add_strip"]

_STRIP = """\
Make a copy to share that says neither where nor when nor with which device it was recorded.

Positions become places along the road, headings a direction, times count from 0, heights from the
first one; notes, names and the texts of marks go. Any log that can be read goes in; the own table
comes out, and `pullcoast report` says the same of it (nearly, where there is no GPS speed and
positions stand in for it: their noise across the road is gone). Give the logs of a session together, best the
session itself: only then their places are told along one road.

What is left can still be recognised by whoever has something to compare: a profile of heights or of
bends (in the sensors) may fit only one road (--no-heights leaves heights out), air pressure tells
roughly how high it lies, and speeds stay what they were."""

_STRIP_EXAMPLES = """\
examples:
  pullcoast strip airfield to-share               a session: its logs and its session.toml
  pullcoast strip run1.gpx run1-bare.csv          one log
  pullcoast strip run1.csv run2.csv.gz to-share   several logs of one road"""


def add_strip(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast strip`."""
    title = "a copy of logs without place, date and device"
    parser = new_command(commands, "strip", title, _STRIP, _STRIP_EXAMPLES)
    parser.add_argument(
        "sources", nargs="+", metavar="LOG", help="log files, or one session (its folder)"
    )
    parser.add_argument(
        "out", metavar="OUT", help="file for one log (.csv, .csv.gz); else a new or empty folder"
    )
    parser.add_argument(
        "--no-heights",
        action="store_true",
        help="leave heights out instead of making them relative",
    )
    parser.add_argument("--json", action="store_true", help="for programs")
    add_outside_option(parser)
    add_column_options(parser)
