"""The command `pullcoast`: commands, exit statuses and error messages; no physics.

Only typer and light modules are imported here and at the top of each command's module, so that
``--help`` is instant; what a command works with is imported when it runs.
"""

from __future__ import annotations

import io
import os
import signal
import sys
import warnings
from collections.abc import Sequence
from typing import Annotated, Any, ClassVar

import typer

from analysis.terminal.colour import safe_streams
from analysis.terminal.command_line import LazyCommands, new_app, usage_message
from analysis.terminal.errors import EXIT_INPUT, EXIT_OK, complain, explain
from analysis.terminal.options import CAUTIONS

__all__ = ["build_command", "main"]

_EXIT_INTERRUPTED = 130
_EXIT_BROKEN_PIPE = 141
#: How a shell asks for completions (typer's convention: the name in capitals).
_COMPLETE = "_PULLCOAST_COMPLETE"

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


class _Commands(LazyCommands):
    """The commands in the order of ``--help``."""

    table: ClassVar = {
        "report": ("analysis.cli.report:app", "wheel power and road load of a session"),
        "batch": ("analysis.cli.batch:app", "reports on all sessions in a folder"),
        "speed": ("analysis.cli.logs:speed_app", "speed over time of logs alone"),
        "look": ("analysis.cli.logs:look_app", "what is in log files"),
        "air": ("analysis.cli.air:app", "density of air and ambient corrections"),
        "capture": (
            "analysis.cli.capture:app",
            "record with the phone's browser, and take the recordings in",
        ),
        "page": ("analysis.cli.page:app", "a page that does all of it on a phone alone"),
        "sample": ("analysis.cli.sample:app", "a made-up session of known truth"),
        "new": ("analysis.cli.new:app", "describe an outing: writes its session.toml"),
        "strip": ("analysis.cli.strip:app", "a copy of logs without place, date and device"),
        "compare": (
            "analysis.cli.compare:app",
            "what differs between sessions, and whether it is shown",
        ),
        "plan": ("analysis.cli.plan:app", "what an outing will show, and a checklist for it"),
        "crosscheck": (
            "analysis.cli.crosscheck:app",
            "timed runs (stopwatch, oscilloscope) beside a session",
        ),
    }


def _show_version(wanted: bool) -> None:
    """Look the version up only when asked: finding the installed metadata takes a while."""
    if not wanted:
        return
    from importlib.metadata import PackageNotFoundError, version

    try:
        text = version("pullcoast")
    except PackageNotFoundError:
        text = "(run from its source, not installed)"
    print(f"pullcoast {text}")
    raise typer.Exit


_app = new_app(cls=_Commands, add_completion=True, help=_DESCRIPTION, epilog=_EXAMPLES)


@_app.callback()
def _pullcoast(
    version: Annotated[
        bool,
        typer.Option(
            "--version",
            help="say which version this is",
            show_default=False,
            is_eager=True,
            callback=_show_version,
        ),
    ] = False,
) -> None:
    """Hold the options that stand before a command."""


def build_command() -> Any:
    """Return the whole command line as typer's group of commands."""
    return typer.main.get_command(_app)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit status; every error is one message on stderr.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments without the program's name; those of the process when None.
    """
    if argv is None:
        _prepare_process()
    with safe_streams(colour=argv is None):
        status = _status(sys.argv[1:] if argv is None else list(argv))
    if argv is None:  # the status is settled: an interrupt now would only show a traceback
        signal.signal(signal.SIGINT, signal.SIG_IGN)
    return status


def _status(words: list[str]) -> int:
    """Run the command line; no exception but that of a bug in here leaves it."""
    try:
        try:
            status = _run(words)
        except typer.TyperException as error:
            complain(usage_message(error))
            status = EXIT_INPUT
        except typer.Exit as leaving:  # help, version
            status = leaving.exit_code
        except SystemExit as leaving:  # completion
            status = leaving.code if isinstance(leaving.code, int) else EXIT_OK
        if sys.stdout is not None:
            sys.stdout.flush()
    except KeyboardInterrupt as leaving:
        complain(str(leaving) or "left by Ctrl-C")
        status = _EXIT_INTERRUPTED
    except BrokenPipeError:  # whoever read our output has left
        status = _EXIT_BROKEN_PIPE
    except Exception as error:  # noqa: BLE001 - the last place before a traceback would be shown
        status = explain(error)
    _settle_output()
    return status


def _run(words: list[str]) -> int:
    """Run one command, not by typer's own `main`, which would answer a broken pipe with 1."""
    command = build_command()
    if os.environ.get(_COMPLETE):
        command.main(words, prog_name="pullcoast")
    with command.make_context("pullcoast", words) as context:
        status: int = command.invoke(context)
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
