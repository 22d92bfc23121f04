"""Arguments of `pullcoast crosscheck`."""

from __future__ import annotations

import argparse

from analysis.terminal.options import Parser, add_outside_option, choice, new_command, whole

__all__ = ["add_crosscheck"]

_CROSSCHECK = """\
Compare runs timed by stopwatch or oscilloscope with what a session of phone logs says.

Each timed interval gets the time that the session predicts for a level road in still air, and a
verdict. A speedometer that reads wrong and a slow thumb are estimated from three intervals on. The
customary sum of segment powers is shown step by step, with why it is neither mean nor peak power.
Without a session, --mass and timed runs alone give what they can, with wide intervals."""

_CROSSCHECK_EXAMPLES = """\
examples:
  pullcoast crosscheck airfield --pull 20-70=6.3 --coast 80-50=21.5 --coast 50-20=38
  pullcoast crosscheck airfield                   timed runs from [crosscheck] in session.toml
  pullcoast crosscheck airfield --scope throttle.csv --gates 80,50,20 --channel CH2
  pullcoast crosscheck airfield --marks 2.31,9.10,30.6,68.5 --gates 80,50,20
  pullcoast crosscheck --mass 1480kg --pull 0-80=8.9 --coast 80-50=21.5 --coast 50-20=38"""


def add_crosscheck(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast crosscheck`."""
    title = "timed runs (stopwatch, oscilloscope) beside a session"
    parser = new_command(commands, "crosscheck", title, _CROSSCHECK, _CROSSCHECK_EXAMPLES)
    parser.add_argument("session", nargs="?", metavar="SESSION", help="folder, or its session.toml")
    parser.add_argument("--json", action="store_true", help="for programs, in SI units")
    parser.add_argument("--mass", metavar="MASS", help="as driven: 1480kg, 3260lb")
    parser.add_argument("--power", type=choice("kW", "hp", "PS"), metavar="{kW,hp,PS}",
                        help="unit of power in the text")  # fmt: skip
    add_outside_option(parser)
    group = parser.add_argument_group("timed runs")
    timed = {"action": "append", "default": [], "metavar": "V1-V2=SECONDS"}
    group.add_argument("--pull", **timed, help="at full throttle: 20-70=6.3")  # type: ignore[arg-type]
    group.add_argument("--coast", **timed, help="in neutral: 80-50=21.5")  # type: ignore[arg-type]
    group.add_argument("--speed-unit", type=choice("km/h", "mph", "m/s"), metavar="{km/h,mph,m/s}",
                       help="of all gates (default: km/h)")  # fmt: skip
    group.add_argument(
        "--time-sd", metavar="S", help="standard deviation of each time (default: 0.2 s)"
    )
    group.add_argument(
        "--speed-sd",
        metavar="V",
        help="standard deviation of each gate, in the unit of gates (default: 1)",
    )
    group = parser.add_argument_group("oscilloscope on the throttle sensor")
    group.add_argument("--scope", metavar="FILE", help="its table of samples")
    group.add_argument("--channel", metavar="NAME", help="which channel, by name or number from 1")
    group.add_argument(
        "--gates", metavar="V,V,...", help="speeds at release and at each blip: 80,50,20"
    )
    group.add_argument("--from", dest="start", default="0", metavar="V",
                       help="speed where the pull begins (default: 0)")  # fmt: skip
    group.add_argument(
        "--marks", metavar="S,S,...", help="moments by hand: full throttle, release, blips [s]"
    )
    group.add_argument("--run", type=whole(1, 10_000), metavar="N",
                       help="which run of the session it is (default: the one that fits)")  # fmt: skip
