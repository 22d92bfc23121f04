"""The command `pullcoast`: commands, exit statuses and error messages; no physics.

Only argparse and the standard library's lightest are imported here, so that ``--help`` is instant;
each command's own module is imported when it runs.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import redirect_stdout
from importlib import import_module
from typing import NoReturn

from analysis.cli.arguments_air import add_air
from analysis.cli.arguments_batch import add_batch
from analysis.cli.arguments_capture import add_capture
from analysis.cli.arguments_compare import add_compare
from analysis.cli.arguments_crosscheck import add_crosscheck
from analysis.cli.arguments_logs import add_look, add_speed
from analysis.cli.arguments_new import add_new
from analysis.cli.arguments_plan import add_plan
from analysis.cli.arguments_report import add_report
from analysis.cli.arguments_sample import add_sample
from analysis.cli.arguments_strip import add_strip
from analysis.terminal.errors import EXIT_INPUT, explain
from analysis.terminal.options import CAUTIONS, Parser

__all__ = ["build_parser", "main"]

_EXIT_INTERRUPTED = 130
_EXIT_BROKEN_PIPE = 141

#: What adds each command's arguments, and the function that runs it, in the order of ``--help``.
_COMMANDS = {
    "report": (add_report, "analysis.cli.report:report"),
    "batch": (add_batch, "analysis.cli.batch:batch"),
    "speed": (add_speed, "analysis.cli.logs:speed"),
    "look": (add_look, "analysis.cli.logs:look"),
    "air": (add_air, "analysis.cli.air:air"),
    "capture": (add_capture, "analysis.cli.capture:capture"),
    "sample": (add_sample, "analysis.cli.sample:sample"),
    "new": (add_new, "analysis.cli.new:new"),
    "strip": (add_strip, "analysis.cli.strip:strip"),
    "compare": (add_compare, "analysis.cli.compare:compare"),
    "plan": (add_plan, "analysis.cli.plan:plan"),
    "crosscheck": (add_crosscheck, "analysis.cli.crosscheck:crosscheck"),
}

_DESCRIPTION = f"""\
Wheel power and road load of a vehicle from phone logs of full-throttle pulls and neutral
coast-downs, each with an honest interval.

{CAUTIONS}"""

_EXAMPLES = """\
a first try:
  pullcoast sample airfield          a made-up session to play with
  pullcoast report airfield          what its logs say; open airfield/results/report.html
  pullcoast look run1.csv            what is in a log, before anything else

exit status: 0 done, 1 logs readable but without what the question needs,
2 usage, unreadable or contradictory input, 3 fault of pullcoast itself."""


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


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the whole command line; each command sets `command` to its name."""
    parser = Parser(
        prog="pullcoast",
        description=_DESCRIPTION,
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="say which version this is")
    commands = parser.add_subparsers(metavar="COMMAND", required=True, parser_class=Parser)
    for add, _ in _COMMANDS.values():
        add(commands)
    return parser


def _run(arguments: argparse.Namespace) -> int:
    """Import the command's own module only now."""
    module, function = _COMMANDS[arguments.command][1].split(":")
    run: Callable[[argparse.Namespace], int] = getattr(import_module(module), function)
    if not arguments.quiet or getattr(arguments, "json", False):
        return run(arguments)
    with open(os.devnull, "w", encoding="utf-8") as nowhere, redirect_stdout(nowhere):
        return run(arguments)


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
    streams = [name for name in ("stdout", "stderr") if getattr(sys, name) is not None]
    if any(getattr(sys, name).isatty() for name in streams):
        from analysis.terminal.colour import Painted, colour_wanted

        for name in streams:
            if colour_wanted(getattr(sys, name)):
                setattr(sys, name, Painted(getattr(sys, name)))


def _settle_output() -> None:
    """Keep the interpreter's own flush at exit from failing on an output that is gone or full."""
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
