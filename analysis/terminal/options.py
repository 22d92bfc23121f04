"""What the arguments of several commands have in common; only argparse and the lightest are imported."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, NoReturn

from analysis.terminal.errors import EXIT_INPUT

if TYPE_CHECKING:
    from _typeshed import SupportsWrite

__all__ = [
    "CAUTIONS",
    "Parser",
    "add_column_options",
    "add_outside_option",
    "add_unit_options",
    "choice",
    "new_command",
    "rate",
    "whole",
]

CAUTIONS = """\
Cautions: drive on a closed course or private road, or where the law allows it and with no other
traffic; the phone sits in a mount and nobody handles it while driving; local law decides whether
coasting in neutral is allowed on a public road. The report prints all of them."""


class Parser(argparse.ArgumentParser):
    """One message instead of a usage dump, and no abbreviated options."""

    def _print_message(self, message: str, file: SupportsWrite[str] | None = None) -> None:
        # argparse's own swallows a full disk or a closed pipe and reports success
        print(message or "", end="", file=file or sys.stderr)

    def parse_known_args(  # type: ignore[override]  # argparse's own has overloads for namespaces
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> tuple[argparse.Namespace, list[str]]:
        """Refuse what a command does not know where its options are known, with the nearest."""
        found, unknown = super().parse_known_args(args, namespace)
        if unknown and self.get_default("command") is not None:
            options = [text.partition("=")[0] for text in unknown if text.startswith("--")]
            near = [_near(option, self._option_string_actions) for option in options]
            hints = " or ".join(dict.fromkeys(text for text in near if text))
            asked = f"; did you mean {hints}?" if hints else ""
            self.error(f"unrecognized arguments: {' '.join(unknown)}{asked}")
        return found, unknown

    def _check_value(self, action: argparse.Action, value: object) -> None:
        """Say which word was probably meant."""
        if action.choices is None or value in action.choices:
            return
        known = [str(item) for item in action.choices]
        near = _near(str(value), known)
        asked = f", did you mean {near}?" if near else ""
        msg = f"invalid choice: {value!r}{asked} (choose from {', '.join(known)})"
        raise argparse.ArgumentError(action, msg)

    def error(self, message: str) -> NoReturn:
        """Leave with one line and the way to the help."""
        end = "" if message.endswith("?") else "."
        self.exit(EXIT_INPUT, f"pullcoast: {message}{end} See `{self.prog} --help`.\n")


def _near(word: str, known: Iterable[str]) -> str:
    """Return the known word nearest to a mistyped one, "" where none is near."""
    import difflib  # only a slip needs it

    return next(iter(difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)), "")


def new_command(
    commands: argparse._SubParsersAction[Parser],
    name: str,
    title: str,
    description: str,
    examples: str,
) -> Parser:
    """Add a command whose help ends with examples, and return its parser."""
    parser = commands.add_parser(
        name,
        help=title,
        description=description,
        epilog=examples,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        allow_abbrev=False,
    )
    parser.set_defaults(command=name)
    parser.add_argument(
        "--quiet",
        action="store_true",
        help="print nothing but warnings, errors, and what --json asks",
    )
    return parser


def choice(*known: str) -> Callable[[str], str]:
    """Accept the known words in any case: `kw` is kW."""

    def find(text: str) -> str:
        for item in known:
            if item.lower() == text.strip().lower():
                return item
        msg = f"{text!r} is not one of {', '.join(known)}"
        raise argparse.ArgumentTypeError(msg)

    return find


def whole(least: int, most: int) -> Callable[[str], int]:
    """Return a reader of whole numbers from `least` to `most`."""

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


def rate(least: float, most: float) -> Callable[[str], float]:
    """Accept a rate from `least` to `most` [Hz]."""

    def read(text: str) -> float:
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if not least <= number <= most:
            msg = f"{text!r} is not a rate from {least:g} to {most:g} Hz"
            raise argparse.ArgumentTypeError(msg)
        return number

    return read


def add_outside_option(parser: argparse.ArgumentParser) -> None:
    """Add what lets a session use files from elsewhere."""
    parser.add_argument(
        "--allow-outside",
        action="store_true",
        help="let session.toml name files outside its folder",
    )


def add_column_options(parser: argparse.ArgumentParser) -> None:
    """Add what names columns and units, and what to do with damaged logs."""
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
        type=rate(0.01, 10_000),
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


def add_unit_options(parser: argparse._ActionsContainer, *, power: bool) -> None:
    """Add the units of speed and, where wanted, of power."""
    if power:
        parser.add_argument(
            "--power",
            type=choice("kW", "hp", "PS"),
            metavar="{kW,hp,PS}",
            help="unit of power for people (results.json stays SI)",
        )
    parser.add_argument(
        "--speed-unit",
        type=choice("km/h", "mph", "m/s"),
        metavar="{km/h,mph,m/s}",
        help="unit of speed for people (files for programs stay SI)",
    )
