"""Arguments of `pullcoast plan`."""

from __future__ import annotations

import argparse

from analysis.terminal.options import (
    Parser,
    add_outside_option,
    add_unit_options,
    choice,
    new_command,
    whole,
)

__all__ = ["add_plan"]

_PLAN = """\
Foretell what an outing will show before it is driven: the intervals to expect, the pairs of runs that
a wanted interval takes, what another receiver, road or day would bring, and a checklist to print.

The figures come from the covariance of the model that works sessions out, on nominal runs; with a
SESSION they are for another outing like that one. Nothing is random and nothing is written."""

_PLAN_EXAMPLES = """\
examples:
  pullcoast plan --mass 1480kg                      four pairs with a car of that mass
  pullcoast plan --mass 1480kg --want 2%            how many pairs for +/- 2 %
  pullcoast plan --mass 280kg --kind motorcycle --gps-hz 10 --wind 4m/s
  pullcoast plan airfield --pairs 6                 the next outing of a session
  pullcoast plan --mass 1480kg --json | jq .wheel_power.half95_percent

exit status: 0 done, 1 the vehicle would not come down to its end speed, 2 usage"""


def add_plan(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast plan`."""
    title = "what an outing will show, and a checklist for it"
    parser = new_command(commands, "plan", title, _PLAN, _PLAN_EXAMPLES)
    parser.add_argument(
        "session", nargs="?", metavar="SESSION", help="plan another outing like this session's"
    )
    parser.add_argument(
        "--pairs", type=whole(1, 40), metavar="N", help="two-way pairs (default: 4)"
    )
    parser.add_argument("--want", metavar="PERCENT", help="interval to reach, +/-: 2%%")
    parser.add_argument("--json", action="store_true", help="for programs, in SI units")
    group = parser.add_argument_group("vehicle (wins over the session)")
    group.add_argument("--mass", metavar="MASS", help="as driven: 1480kg, 3260lb (default: 1500kg)")
    group.add_argument(
        "--mass-uncertainty", metavar="MASS", help="standard deviation: 8kg, 0.5%% (default: 1%%)"
    )
    kinds = ("car", "van", "truck", "motorcycle", "bicycle")
    group.add_argument(
        "--kind", type=choice(*kinds), metavar="KIND", help=f"one of {', '.join(kinds)}"
    )
    group = parser.add_argument_group("road, day and phone")
    group.add_argument(
        "--top", metavar="SPEED", help="where the throttle is released: 110km/h, 68mph"
    )
    group.add_argument("--end", metavar="SPEED", help="where coasting ends: 20km/h, 12mph")
    group.add_argument(
        "--wind", metavar="SPEED", help="mean along the road: 3m/s (default: 1.5m/s)"
    )
    group.add_argument(
        "--slope", metavar="PERCENT", help="mean of the road: 0.5%% (default: 0.2%%)"
    )
    group.add_argument("--gps-hz", metavar="N", help="fixes a second (default: 1)")
    group.add_argument(
        "--accel-hz", metavar="N", help="acceleration samples a second, 0 for none (default: 75)"
    )
    add_outside_option(parser)
    add_unit_options(parser.add_argument_group("display"), power=True)
