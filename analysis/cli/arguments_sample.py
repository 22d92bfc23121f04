"""Arguments of `pullcoast sample`."""

from __future__ import annotations

import argparse

from analysis.terminal.options import CAUTIONS, Parser, new_command, rate, whole

__all__ = ["add_sample"]

_SAMPLE = f"""\
Write a made-up session of known truth, to try the other commands on.

DIR must be new or empty, or an earlier sample, which is then replaced.

{CAUTIONS}"""

_SAMPLE_EXAMPLES = """\
examples:
  pullcoast sample airfield
  pullcoast sample rough --phone rough --pairs 2 --seed 7
  pullcoast sample oneway --one-way --gps-hz 10"""


def add_sample(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast sample`."""
    title = "a made-up session of known truth"
    parser = new_command(commands, "sample", title, _SAMPLE, _SAMPLE_EXAMPLES)
    parser.add_argument("folder", metavar="DIR", help="new, empty, or an earlier sample")
    parser.add_argument(
        "--seed", type=whole(0, 2**32 - 1), default=1, metavar="N", help="which one (default: 1)"
    )
    parser.add_argument(
        "--pairs", type=whole(1, 50), default=4, metavar="N", help="two-way pairs (default: 4)"
    )
    parser.add_argument(
        "--phone",
        choices=("clean", "rough", "gps-only"),
        default="clean",
        help="how good the phone is (default: clean)",
    )
    parser.add_argument(
        "--gps-hz",
        type=rate(0.2, 100),
        default=1.0,
        metavar="N",
        help="GPS fixes a second (default: 1)",
    )
    parser.add_argument("--one-way", action="store_true", help="all runs in one direction")
    parser.add_argument("--json", action="store_true", help="for programs: what was made")
