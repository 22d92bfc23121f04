"""The command `pullcoast new`: the session.toml of an outing, from answers and from its logs."""

from __future__ import annotations

import html
import json
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_OK
from analysis.terminal.lines import wrap
from analysis.terminal.options import (
    KINDS,
    PowerUnitOption,
    Quiet,
    SpeedUnitOption,
    argument,
    flag,
    option,
    stated,
)
from analysis.terminal.output import check_writable
from analysis.terminal.progress import Progress
from logger.findings import counted

__all__ = ["app", "cautions", "new"]

_COLUMNS = 80
_SESSION_FILE = "session.toml"

_DESCRIPTION = """\
Write the session.toml of an outing: asks for vehicle and air, and looks at the logs in the folder.

What an option says is not asked. Without a terminal nothing is asked: what is missing stands in the
file as a comment, and is said. Every quantity takes its unit: 1480kg, 3260lb, 14C, 57F, 29.6inHg.
An earlier session.toml stays as it is unless --replace is given."""

_EXAMPLES = """\
examples:
  pullcoast new monday                            asks; an empty answer leaves a question open
  pullcoast new monday --kind van --mass 4220lb   asks for the rest
  pullcoast new monday --mass 1480kg --temperature 14C --pressure 29.6inHg --no-questions"""

_VEHICLE = "vehicle"
_AIR = "air of the day"
_DRIVES = ("naturally aspirated", "turbocharged", "diesel", "electric", "unknown")

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def new(
    folder: Annotated[str, argument("DIR", "folder of the logs; made when missing")],
    quiet: Quiet = False,
    replace: Annotated[bool, flag("--replace", "replace an earlier session.toml")] = False,
    no_questions: Annotated[
        bool, flag("--no-questions", "ask nothing, also on a terminal")
    ] = False,
    as_json: Annotated[bool, flag("--json", "for programs; asks nothing")] = False,
    name: Annotated[
        str | None,
        option("--name", "TEXT", 'what you call it: "estate, winter tyres"', group=_VEHICLE),
    ] = None,
    kind: Annotated[
        str | None,
        option(
            "--kind",
            "{car,van,truck,motorcycle,bicycle}",
            "decides what is plausible (default: car)",
            group=_VEHICLE,
            words=KINDS,
        ),
    ] = None,
    state: Annotated[
        str | None,
        option(
            "--state",
            "TEXT",
            "stock, new exhaust, ...; sessions of one state belong together",
            group=_VEHICLE,
        ),
    ] = None,
    mass: Annotated[
        str | None,
        option("--mass", "MASS", "as driven: 1480kg, 3260lb", group=_VEHICLE),
    ] = None,
    mass_uncertainty: Annotated[
        str | None,
        stated("--mass-uncertainty", _VEHICLE),
    ] = None,
    rotating_mass: Annotated[
        str | None,
        stated("--rotating-mass", _VEHICLE),
    ] = None,
    rotating_mass_uncertainty: Annotated[
        str | None,
        stated("--rotating-mass-uncertainty", _VEHICLE),
    ] = None,
    drive: Annotated[
        str | None,
        option("--drive", "DRIVE", ", ".join(_DRIVES), group=_VEHICLE, words=_DRIVES),
    ] = None,
    tyre: Annotated[
        str | None,
        option("--tyre", "SIZE", 'as on the side wall: "205/55 R16"', group=_VEHICLE),
    ] = None,
    temperature: Annotated[str | None, option("--temperature", "T", "14C, 57F", group=_AIR)] = None,
    pressure: Annotated[
        str | None,
        option(
            "--pressure",
            "P",
            "at the place, not reduced to sea level: 1002hPa, 29.6inHg",
            group=_AIR,
        ),
    ] = None,
    humidity: Annotated[str | None, stated("--humidity", _AIR)] = None,
    altitude: Annotated[str | None, stated("--altitude", _AIR)] = None,
    power: PowerUnitOption = None,
    speed_unit: SpeedUnitOption = None,
) -> int:
    """Run ``pullcoast new`` and return the exit status.

    The file is written at the end and at once: whoever leaves before leaves nothing behind.
    """
    from analysis.setup import conversation
    from analysis.setup import folder as logs_of

    place = Path(folder)
    file = place / _SESSION_FILE
    conversation.refuse_to_replace(file, replace=replace)
    check_writable(place)
    answers = conversation.answers_of_options(
        {
            "name": name,
            "kind": kind,
            "state": state,
            "mass": mass,
            "mass_uncertainty": mass_uncertainty,
            "rotating_mass": rotating_mass,
            "rotating_mass_uncertainty": rotating_mass_uncertainty,
            "drive": drive,
            "tyre": tyre,
            "temperature": temperature,
            "pressure": pressure,
            "humidity": humidity,
            "altitude": altitude,
        }
    )
    if not as_json:
        print("\n".join(["Before you drive:", *_bullets(cautions()), ""]))
    with Progress(quiet=quiet) as progress:
        found = logs_of.find_logs(place, lambda log: progress.show(f"reading {log}"))
    groups = logs_of.group_logs(found)
    if not as_json:
        print("\n".join([*conversation.log_lines(groups, place), ""]))
    if not (as_json or quiet or no_questions) and _on_terminal():
        print("An empty answer leaves a question open. Ctrl-C leaves, and nothing is written.\n")
        answers = conversation.ask_all(answers, conversation.ask)
    points = conversation.open_points(answers, groups)
    conversation.write_session(
        file, answers, groups, points, power=power, speed=speed_unit, replace=replace
    )
    usable = [group for group in groups if group.readable]
    left_out = [log for group in groups if not group.readable for log in group.logs]
    if as_json:
        answer = {
            "file": str(file),
            "missing": list(points.missing),
            "open": [question.name for question in points.unanswered],
            "logs": [[log.name for log in group.logs] for group in usable],
            "left_out": [{"file": log.name, "why": log.summary()} for log in left_out],
        }
        print(json.dumps(answer, indent=1))
        return EXIT_OK
    print(f"Written: {file}, with {counted(len(usable), 'recording')}.")
    if left_out:
        names = ", ".join(log.name for log in left_out)
        print(f"Left out, as comments that say why: {names}.")
    conversation.print_open(points, place)
    return EXIT_OK


def _on_terminal() -> bool:
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout))


def cautions() -> tuple[str, ...]:
    """Return the cautions of every report as plain sentences."""
    page = Path(__file__).parent.parent / "report" / "templates" / "cautions.html"
    items = re.findall(r"<li>(.*?)</li>", page.read_text(encoding="utf-8"), re.DOTALL)
    return tuple(" ".join(html.unescape(item).split()) for item in items)


def _bullets(texts: Sequence[str]) -> list[str]:
    return [
        line
        for text in texts
        for line in wrap(text, _COLUMNS, initial_indent="  - ", subsequent_indent="    ")
    ]
