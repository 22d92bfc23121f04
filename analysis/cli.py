"""The command `pullcoast`: arguments, exit statuses and error messages; no physics.

Only argparse and the standard library's lightest are imported here, so that ``--help`` is instant;
each command's own module is imported when it runs.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NoReturn

from analysis.messages import EXIT_INPUT, explain

if TYPE_CHECKING:
    from _typeshed import SupportsWrite

__all__ = ["build_parser", "main"]

_EXIT_INTERRUPTED = 130
_EXIT_BROKEN_PIPE = 141

_CAUTIONS = """\
Cautions: drive on a closed course or private road, or where the law allows it and with no other
traffic; the phone sits in a mount and nobody handles it while driving; local law decides whether
coasting in neutral is allowed on a public road. The report prints all of them."""

_DESCRIPTION = f"""\
Wheel power and road load of a vehicle from phone logs of full-throttle pulls and neutral
coast-downs, each with an honest interval.

{_CAUTIONS}"""

_EXAMPLES = """\
a first try:
  pullcoast sample airfield          a made-up session to play with
  pullcoast report airfield          what its logs say; open airfield/results/report.html
  pullcoast look run1.csv            what is in a log, before anything else

exit status: 0 done, 1 logs readable but without what the question needs,
2 usage, unreadable or contradictory input, 3 fault of pullcoast itself."""

_REPORT = f"""\
Turn a session (a folder of phone logs) into wheel power and road load.

Writes report.html, results.json, curves.csv and speed_time.csv. An interrupted run leaves earlier
files whole. What is missing makes intervals wide or is left out and said; it is never guessed.

{_CAUTIONS}"""

_REPORT_EXAMPLES = """\
examples:
  pullcoast report airfield                      with airfield/session.toml
  pullcoast report airfield --mass 1480kg        a folder of logs alone; each is one recording
  pullcoast report monday tuesday --out compared one folder of results per session
  pullcoast report pulls --road-load coasts/results/results.json
  pullcoast report airfield --column speed_mps="GPS speed" --unit speed_mps=km/h
  pullcoast report airfield --json | jq .wheel_power.peak_W"""

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

_SAMPLE = f"""\
Write a made-up session of known truth, to try the other commands on.

DIR must be new or empty, or an earlier sample, which is then replaced.

{_CAUTIONS}"""

_SAMPLE_EXAMPLES = """\
examples:
  pullcoast sample airfield
  pullcoast sample rough --phone rough --pairs 2 --seed 7
  pullcoast sample oneway --one-way --gps-hz 10"""


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


_CROSSCHECK = """\
Compare runs timed by stopwatch or oscilloscope with what a session of phone logs says.

Each timed interval gets the time that the session predicts for a level road in still air, and a
verdict. A speedometer that reads wrong and a slow thumb are estimated from three intervals on. The
customary sum of gate powers is shown step by step, with why it is neither mean nor peak power.
Without a session, --mass and timed runs alone give what they can, with wide intervals."""

_CROSSCHECK_EXAMPLES = """\
examples:
  pullcoast crosscheck airfield --pull 20-70=6.3 --coast 80-50=21.5 --coast 50-20=38
  pullcoast crosscheck airfield                   timed runs from [crosscheck] in session.toml
  pullcoast crosscheck airfield --scope F0001.CSV --gates 80,50,20 --channel CH2
  pullcoast crosscheck airfield --marks 2.31,9.10,30.6,68.5 --gates 80,50,20
  pullcoast crosscheck --mass 1480kg --pull 0-80=8.9 --coast 80-50=21.5 --coast 50-20=38"""


class _Parser(argparse.ArgumentParser):
    """One message instead of a usage dump, and no abbreviated options."""

    def _print_message(self, message: str, file: SupportsWrite[str] | None = None) -> None:
        # argparse's own swallows a full disk or a closed pipe and reports success
        print(message or "", end="", file=file or sys.stderr)

    def error(self, message: str) -> NoReturn:
        self.exit(EXIT_INPUT, f"pullcoast: {message}. See `{self.prog} --help`.\n")


class _Version(argparse.Action):
    """Look the version up only when asked: finding the installed metadata takes a while."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        from importlib.metadata import PackageNotFoundError, version

        try:
            text = version("pullcoast")
        except PackageNotFoundError:
            text = "(run from its source, not installed)"
        print(f"pullcoast {text}")
        parser.exit()


def _command(
    commands: argparse._SubParsersAction[_Parser],
    name: str,
    title: str,
    description: str,
    examples: str,
) -> _Parser:
    parser = commands.add_parser(
        name,
        help=title,
        description=description,
        epilog=examples,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.set_defaults(command=name)
    return parser


def _choice(*known: str) -> Callable[[str], str]:
    """Accept the known words in any case: `kw` is kW."""

    def find(text: str) -> str:
        for item in known:
            if item.lower() == text.strip().lower():
                return item
        msg = f"{text!r} is not one of {', '.join(known)}"
        raise argparse.ArgumentTypeError(msg)

    return find


def _whole(least: int, most: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        try:
            number = int(text)
        except ValueError:
            number = least - 1
        if not least <= number <= most:
            msg = f"{text!r} is not a whole number from {least} to {most}"
            raise argparse.ArgumentTypeError(msg)
        return number

    return read


def _rate(text: str) -> float:
    try:
        rate = float(text)
    except ValueError:
        rate = float("nan")
    if not 0.2 <= rate <= 100:
        msg = f"{text!r} is not a rate from 0.2 to 100 Hz"
        raise argparse.ArgumentTypeError(msg)
    return rate


def _row_rate(text: str) -> float:
    try:
        rate = float(text)
    except ValueError:
        rate = float("nan")
    if not 0.01 <= rate <= 10_000:
        msg = f"{text!r} is not a rate from 0.01 to 10000 Hz"
        raise argparse.ArgumentTypeError(msg)
    return rate


def _add_column_options(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("columns that recognition cannot settle")
    group.add_argument(
        "--column",
        action="append",
        default=[],
        metavar="NAME=HEADER",
        help='which column a quantity is in: speed_mps="GPS speed", or its number from 1',
    )
    group.add_argument(
        "--unit",
        action="append",
        default=[],
        metavar="NAME=UNIT",
        help="which unit it is in: speed_mps=km/h",
    )
    group.add_argument(
        "--rate-hz",
        type=_row_rate,
        metavar="N",
        help="rows a second of tables that have no time column",
    )
    group = parser.add_argument_group("damaged logs")
    group.add_argument(
        "--salvage",
        action="store_true",
        help="use the complete points of a GPX file that was cut off",
    )
    group.add_argument(
        "--strict", action="store_true", help="refuse a log that has any warning about its data"
    )


def _add_unit_options(parser: argparse._ActionsContainer, *, power: bool) -> None:
    if power:
        parser.add_argument(
            "--power",
            type=_choice("kW", "hp", "PS"),
            metavar="{kW,hp,PS}",
            help="unit of power for people (results.json stays SI)",
        )
    parser.add_argument(
        "--speed-unit",
        type=_choice("km/h", "mph", "m/s"),
        metavar="{km/h,mph,m/s}",
        help="unit of speed for people (files for programs stay SI)",
    )


def _add_report(commands: argparse._SubParsersAction[_Parser]) -> None:
    title = "wheel power and road load of a session"
    parser = _command(commands, "report", title, _REPORT, _REPORT_EXAMPLES)
    parser.add_argument(
        "sessions", nargs="+", metavar="SESSION", help="folder, or its session.toml"
    )
    parser.add_argument(
        "--out", metavar="DIR", help="where to write (default: SESSION/results; several: DIR/NAME)"
    )
    parser.add_argument("--json", action="store_true", help="print results.json to standard output")
    parser.add_argument(
        "--road-load", metavar="FILE", help="an earlier results.json, for sessions of pulls alone"
    )
    parser.add_argument(
        "--allow-outside",
        action="store_true",
        help="let session.toml name files outside its folder",
    )
    group = parser.add_argument_group("what is known (wins over session.toml)")
    group.add_argument(
        "--mass", metavar="MASS", help="vehicle as driven, with people and fuel: 1480kg, 3260lb"
    )
    group.add_argument("--mass-uncertainty", metavar="MASS", help="1 sigma: 8kg, 20lb, 0.5%%")
    group.add_argument(
        "--rotating-mass", metavar="MASS", help="what turns with the wheels in neutral: 44kg, 3%%"
    )
    group.add_argument("--rotating-mass-uncertainty", metavar="MASS", help="1 sigma: 7kg, 0.5%%")
    group.add_argument("--temperature", metavar="T", help="of the air: 14C, 57F")
    group.add_argument(
        "--pressure",
        metavar="P",
        help="at the station, not reduced to sea level: 1002hPa, 29.6inHg",
    )
    group.add_argument("--humidity", metavar="H", help="relative: 60%%")
    group.add_argument("--altitude", metavar="H", help="120m, 390ft")
    _add_unit_options(parser.add_argument_group("display"), power=True)
    _add_column_options(parser)


def _add_speed(commands: argparse._SubParsersAction[_Parser]) -> None:
    title = "speed over time of logs alone"
    parser = _command(commands, "speed", title, _SPEED, _SPEED_EXAMPLES)
    parser.add_argument("files", nargs="+", metavar="FILE", help="log file, also .gz")
    parser.add_argument("--out", metavar="DIR", default="speed", help="default: ./speed")
    parser.add_argument("--together", action="store_true", help="all files are one recording")
    _add_unit_options(parser, power=False)
    _add_column_options(parser)


def _add_look(commands: argparse._SubParsersAction[_Parser]) -> None:
    title = "what is in log files"
    parser = _command(commands, "look", title, _LOOK, _LOOK_EXAMPLES)
    parser.add_argument("files", nargs="+", metavar="FILE", help="log file, also .gz")
    parser.add_argument("--json", action="store_true", help="for programs, in SI units")
    _add_unit_options(parser, power=False)
    _add_column_options(parser)


def _add_crosscheck(commands: argparse._SubParsersAction[_Parser]) -> None:
    title = "timed runs (stopwatch, oscilloscope) beside a session"
    parser = _command(commands, "crosscheck", title, _CROSSCHECK, _CROSSCHECK_EXAMPLES)
    parser.add_argument("session", nargs="?", metavar="SESSION", help="folder, or its session.toml")
    parser.add_argument("--json", action="store_true", help="for programs, in SI units")
    parser.add_argument("--mass", metavar="MASS", help="as driven: 1480kg, 3260lb")
    parser.add_argument("--power", type=_choice("kW", "hp", "PS"), metavar="{kW,hp,PS}",
                        help="unit of power in the text")  # fmt: skip
    parser.add_argument(
        "--allow-outside",
        action="store_true",
        help="let session.toml name files outside its folder",
    )
    group = parser.add_argument_group("timed runs")
    timed = {"action": "append", "default": [], "metavar": "V1-V2=SECONDS"}
    group.add_argument("--pull", **timed, help="at full throttle: 20-70=6.3")  # type: ignore[arg-type]
    group.add_argument("--coast", **timed, help="in neutral: 80-50=21.5")  # type: ignore[arg-type]
    group.add_argument("--speed-unit", type=_choice("km/h", "mph", "m/s"), metavar="{km/h,mph,m/s}",
                       help="of all gates (default: km/h)")  # fmt: skip
    group.add_argument("--time-sd", metavar="S", help="1 sigma of each time (default: 0.2 s)")
    group.add_argument(
        "--speed-sd", metavar="V", help="1 sigma of each gate, in the unit of gates (default: 1)"
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
    group.add_argument("--run", type=_whole(1, 10_000), metavar="N",
                       help="which run of the session it is (default: the one that fits)")  # fmt: skip


def _add_sample(commands: argparse._SubParsersAction[_Parser]) -> None:
    title = "a made-up session of known truth"
    parser = _command(commands, "sample", title, _SAMPLE, _SAMPLE_EXAMPLES)
    parser.add_argument("folder", metavar="DIR", help="new, empty, or an earlier sample")
    parser.add_argument(
        "--seed", type=_whole(0, 2**32 - 1), default=1, metavar="N", help="which one (default: 1)"
    )
    parser.add_argument(
        "--pairs", type=_whole(1, 50), default=4, metavar="N", help="two-way pairs (default: 4)"
    )
    parser.add_argument(
        "--phone",
        choices=("clean", "rough", "gps-only"),
        default="clean",
        help="how good the phone is (default: clean)",
    )
    parser.add_argument(
        "--gps-hz", type=_rate, default=1.0, metavar="N", help="GPS fixes a second (default: 1)"
    )
    parser.add_argument("--one-way", action="store_true", help="all runs in one direction")


def _add_air(commands: argparse._SubParsersAction[_Parser]) -> None:
    title = "density of air and ambient corrections"
    parser = _command(commands, "air", title, _AIR, _AIR_EXAMPLES)
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


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line; each command sets `command` to its name."""
    parser = _Parser(
        prog="pullcoast",
        description=_DESCRIPTION,
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="say which version this is")
    commands = parser.add_subparsers(metavar="COMMAND", required=True, parser_class=_Parser)
    for add in (_add_report, _add_speed, _add_look, _add_air, _add_sample, _add_crosscheck):
        add(commands)
    return parser


def _run(arguments: argparse.Namespace) -> int:
    """Import the command's own module only now."""
    name = arguments.command
    if name == "report":
        from analysis.command_report import report as command
    elif name == "speed":
        from analysis.command_logs import speed as command
    elif name == "look":
        from analysis.command_logs import look as command
    elif name == "air":
        from analysis.command_air import air as command
    elif name == "crosscheck":
        from analysis.command_crosscheck import crosscheck as command
    else:
        from analysis.command_sample import sample as command
    return command(arguments)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit status; every error is one message on stderr.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; those of the process when None.
    """
    if argv is None:
        _prepare_process()
    try:
        try:
            status = _run(build_parser().parse_args(argv))
        except SystemExit as leaving:  # argparse: help, version, usage
            status = leaving.code if isinstance(leaving.code, int) else EXIT_INPUT
        if sys.stdout is not None:
            sys.stdout.flush()
    except KeyboardInterrupt:
        status = _EXIT_INTERRUPTED
    except BrokenPipeError:  # whoever read our output has left
        status = _EXIT_BROKEN_PIPE
    except Exception as error:  # noqa: BLE001 - the last place before a traceback would be shown
        status = explain(error)
    _settle_output()
    return status


def _prepare_process() -> None:
    """Set up the process of a command before anything numerical is imported.

    Numerical warnings and terminals of few characters must not disturb a user. The model's matrices
    are small: threads of the linear algebra mostly wait for one another, and on a busy machine that
    took three times the time of one thread. A user's own setting stands.
    """
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    if not sys.warnoptions:
        import warnings

        warnings.simplefilter("ignore")
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")


def _settle_output() -> None:
    """Keep the interpreter's own flush at exit from failing on an output that is gone or full."""
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
