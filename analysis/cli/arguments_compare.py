"""Arguments of `pullcoast compare`."""

from __future__ import annotations

import argparse

from analysis.terminal.options import Parser, add_outside_option, add_unit_options, new_command

__all__ = ["add_compare"]

_COMPARE = """\
Set sessions against the first: is there a difference, how large, how sure, and how small a
difference could these data have shown?

Errors that both sessions have in common (one stated mass, one road) are taken out of the
difference; which were, and why, is said. What differs besides the vehicle (road, tyres, air, wind,
one direction only) is named. Nothing is written without --out."""

_COMPARE_EXAMPLES = """\
examples:
  pullcoast compare before after                        two session folders
  pullcoast compare before after again --out compared   each against the first, with a page
  pullcoast compare before/results/results.json after   an earlier result; less can be cancelled
  pullcoast compare before after --json | jq '.comparisons[0].peak_wheel_power'

exit status: 0 compared, 1 nothing that both have, 2 usage, unreadable or contradictory input"""


def add_compare(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast compare`."""
    title = "what differs between sessions, and whether it is shown"
    parser = new_command(commands, "compare", title, _COMPARE, _COMPARE_EXAMPLES)
    parser.add_argument("first", metavar="A", help="folder, its session.toml, or a results.json")
    parser.add_argument("others", nargs="+", metavar="B", help="one or more to set against A")
    parser.add_argument("--out", metavar="DIR", help="write compare.html and compare.json there")
    parser.add_argument("--json", action="store_true", help="print compare.json to standard output")
    add_outside_option(parser)
    add_unit_options(parser.add_argument_group("display"), power=True)
