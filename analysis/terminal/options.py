"""What the options of several commands have in common: their types, their help, their checks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from difflib import get_close_matches
from typing import Annotated, Any, TypeAlias, TypeVar

import typer

__all__ = [
    "CAUTIONS",
    "KINDS",
    "POWER_UNITS",
    "SPEED_UNITS",
    "AllowOutside",
    "Circumference",
    "Columns",
    "ForPrograms",
    "LeaveOut",
    "Neutral",
    "NoDates",
    "PowerUnitOption",
    "Quiet",
    "RateHz",
    "RefuseDoubtful",
    "Salvage",
    "SpeedUnitOption",
    "Strict",
    "Units",
    "argument",
    "choice",
    "flag",
    "number",
    "option",
    "rate",
    "stated",
    "whole",
]

CAUTIONS = """\
Cautions: drive on a closed course or private road, or where the law allows it and with no other
traffic; the phone sits in a mount and nobody handles it while driving; local law decides whether
coasting in neutral is allowed on a public road. The report prints all of them."""

#: What `--kind` knows; the first is taken where none is given.
KINDS = ("car", "van", "truck", "motorcycle", "bicycle")
POWER_UNITS = ("kW", "hp", "PS")
SPEED_UNITS = ("km/h", "mph", "m/s")

_COLUMNS_GROUP = "columns that recognition cannot settle"
_DAMAGED_GROUP = "damaged logs"
_JUDGED_GROUP = "what counts"


def option(
    name: str,
    metavar: str,
    text: str,
    *,
    group: str | None = None,
    parser: Callable[[str], Any] | None = None,
    words: Sequence[str] = (),
) -> Any:
    """Return an option that takes a value, of `words` if given; `group` is its heading in the help."""
    return typer.Option(
        name,
        metavar=metavar,
        help=text,
        show_default=False,
        rich_help_panel=group,
        parser=choice(*words) if words else parser,
        autocompletion=_completion(words) if words else None,
    )


def _completion(words: Sequence[str]) -> Callable[[str], list[str]]:
    """Return what completes the words of an option at a shell."""

    def complete(incomplete: str) -> list[str]:
        return [word for word in words if word.lower().startswith(incomplete.lower())]

    return complete


#: What several commands take of vehicle and air, as typed with its unit.
_STATED = {
    "--mass-uncertainty": ("MASS", "standard deviation: 8kg, 20lb, 0.5%"),
    "--rotating-mass": ("MASS", "what turns with the wheels in neutral: 44kg, 3%"),
    "--rotating-mass-uncertainty": ("MASS", "standard deviation: 7kg, 0.5%"),
    "--humidity": ("H", "relative: 60%"),
    "--altitude": ("H", "120m, 390ft"),
}


def stated(name: str, group: str) -> Any:
    """Return an option about vehicle or air that several commands share."""
    metavar, text = _STATED[name]
    return option(name, metavar, text, group=group)


def flag(name: str, text: str, *, group: str | None = None) -> Any:
    """Return an option that takes no value."""
    return typer.Option(name, help=text, show_default=False, rich_help_panel=group)


def argument(metavar: str, text: str) -> Any:
    """Return an argument without a name of its own on the command line."""
    return typer.Argument(metavar=metavar, help=text, show_default=False)


def choice(*known: str) -> Callable[[str], str]:
    """Accept the known words in any case: `kw` is kW."""

    def find(text: str) -> str:
        for item in known:
            if item.lower() == text.strip().lower():
                return item
        near = get_close_matches(text, known, n=1)
        msg = f"{text!r} is not one of {', '.join(known)}"
        raise typer.BadParameter(f"{msg}; did you mean {near[0]}?" if near else msg)

    return find


def number(text: str) -> float:
    """Accept any number."""
    try:
        return float(text)
    except ValueError as error:
        msg = f"invalid number: {text!r}"
        raise typer.BadParameter(msg) from error


Number = TypeVar("Number", int, float)


def _within(
    number_of: Callable[[str], Number], least: Number, most: Number, expected: str
) -> Callable[[str], Number]:
    """Accept numbers from `least` to `most`; what else is given is not what is `expected`."""

    def read(text: str) -> Number:
        try:
            found = number_of(text)
        except ValueError:
            found = None
        if found is None or not least <= found <= most:
            msg = f"{text!r} is not {expected}"
            raise typer.BadParameter(msg)
        return found

    return read


def whole(least: int, most: int) -> Callable[[str], int]:
    """Accept whole numbers from `least` to `most`."""
    return _within(int, least, most, f"a whole number from {least} to {most}")


def rate(least: float, most: float) -> Callable[[str], float]:
    """Accept a rate from `least` to `most` [Hz]."""
    return _within(float, least, most, f"a rate from {least:g} to {most:g} Hz")


def percent(least: float, most: float) -> Callable[[str], float]:
    """Accept per cent, as ``4%`` or ``-5 %``, from `least` to `most`; returned as a share of one."""

    def share_of(text: str) -> float:
        return float(text.removesuffix("%")) / 100.0

    return _within(share_of, least / 100.0, most / 100.0, f"from {least:g}% to {most:g}%")


Quiet: TypeAlias = Annotated[
    bool, flag("--quiet", "print nothing but warnings, errors, and what --json asks")
]
ForPrograms: TypeAlias = Annotated[bool, flag("--json", "for programs, in SI units")]
NoDates: TypeAlias = Annotated[
    bool, flag("--no-dates", "keep the date of the outing and of today out of the page")
]
AllowOutside: TypeAlias = Annotated[
    bool, flag("--allow-outside", "let session.toml name files outside its folder")
]
PowerUnitOption: TypeAlias = Annotated[
    str | None,
    option(
        "--power",
        "{kW,hp,PS}",
        "unit of power for people (results.json stays SI)",
        group="display",
        words=POWER_UNITS,
    ),
]
SpeedUnitOption: TypeAlias = Annotated[
    str | None,
    option(
        "--speed-unit",
        "{km/h,mph,m/s}",
        "unit of speed for people (files for programs stay SI)",
        group="display",
        words=SPEED_UNITS,
    ),
]
Columns: TypeAlias = Annotated[
    list[str] | None,
    option(
        "--column",
        "NAME=HEADER",
        'which column a quantity is in: speed_mps="GPS speed", or its number from 1',
        group=_COLUMNS_GROUP,
    ),
]
Units: TypeAlias = Annotated[
    list[str] | None,
    option(
        "--unit",
        "NAME=UNIT",
        "which unit it is in: speed_mps=km/h",
        group=_COLUMNS_GROUP,
    ),
]
Circumference: TypeAlias = Annotated[
    str | None,
    option(
        "--circumference",
        "LENGTH",
        "of the wheel whose turns are the speed (--unit speed_mps=rpm): 1.95m, or a tyre size",
        group=_COLUMNS_GROUP,
    ),
]
RateHz: TypeAlias = Annotated[
    float | None,
    option(
        "--rate-hz",
        "N",
        "rows a second of tables that have no time column",
        group=_COLUMNS_GROUP,
        parser=rate(0.01, 10_000),
    ),
]
Salvage: TypeAlias = Annotated[
    bool,
    flag(
        "--salvage", "use the complete points of a GPX file that was cut off", group=_DAMAGED_GROUP
    ),
]
LeaveOut: TypeAlias = Annotated[
    list[str] | None,
    option(
        "--leave-out",
        "RUNS",
        "runs by their number in the report, and logs by name, that are not used: 6,run07.csv; of "
        "several sessions NAME:6",
        group=_JUDGED_GROUP,
    ),
]
Neutral: TypeAlias = Annotated[
    bool,
    flag(
        "--neutral",
        "every coast-down was in neutral and unbraked: unusual ones are used, with a warning",
        group=_JUDGED_GROUP,
    ),
]
RefuseDoubtful: TypeAlias = Annotated[
    bool,
    flag(
        "--refuse-doubtful",
        "exit with status 1 where a result is doubtful; all files are written",
        group=_JUDGED_GROUP,
    ),
]
Strict: TypeAlias = Annotated[
    bool,
    flag("--strict", "refuse a log that has any warning about its data", group=_DAMAGED_GROUP),
]
