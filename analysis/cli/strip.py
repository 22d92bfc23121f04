"""The command `pullcoast strip`: logs and sessions copied without place, date and device."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_OK
from analysis.terminal.options import (
    AllowOutside,
    Circumference,
    Columns,
    Quiet,
    RateHz,
    Salvage,
    Strict,
    Units,
    argument,
    flag,
)
from logger.findings import counted

__all__ = ["app", "strip"]

_DESCRIPTION = """\
Make a copy to share that says neither where nor when nor with which device it was recorded.

Positions become places along the road, headings a direction, times count from 0, heights from the
first one; notes, names and the texts of marks go. Any log that can be read goes in; the own table
comes out, and `pullcoast report` says the same of it (nearly, where there is no GPS speed and
positions stand in for it: their noise across the road is gone). Give the logs of a session
together, best the session itself: only then their places are told along one road.

What is left can still be recognised by whoever has something to compare: a profile of heights or of
bends (in the sensors) may fit only one road (--no-heights leaves heights out), air pressure tells
roughly how high it lies, and speeds stay what they were."""

_EXAMPLES = """\
examples:
  pullcoast strip airfield to-share               a session: its logs and its session.toml
  pullcoast strip run1.gpx run1-bare.csv          one log
  pullcoast strip run1.csv run2.csv.gz to-share   several logs of one road"""

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def strip(
    logs: Annotated[list[str], argument("LOG...", "log files, or one session (its folder)")],
    out: Annotated[
        str, argument("OUT", "file for one log (.csv, .csv.gz); else a new or empty folder")
    ],
    quiet: Quiet = False,
    no_heights: Annotated[
        bool, flag("--no-heights", "leave heights out instead of making them relative")
    ] = False,
    as_json: Annotated[bool, flag("--json", "for programs")] = False,
    allow_outside: AllowOutside = False,
    column: Columns = None,
    unit: Units = None,
    circumference: Circumference = None,
    rate_hz: RateHz = None,
    salvage: Salvage = False,
    strict: Strict = False,
) -> int:
    """Run ``pullcoast strip`` and return the exit status."""
    from analysis.setup.copies import copy_stripped, find_source

    place = Path(out)
    source = find_source([Path(log) for log in logs], allow_outside=allow_outside)
    stripped, names = copy_stripped(
        source,
        place,
        column=column or (),
        unit=unit or (),
        circumference=circumference,
        rate_hz=rate_hz,
        salvage=salvage,
        strict=strict,
        heights=not no_heights,
        quiet=quiet,
    )
    if as_json:
        answer = {
            "out": str(place),
            "logs": names,
            "session": source.document is not None,
            "places": stripped.placed,
            "bends": stripped.bends,
            "heights": stripped.heights,
            "marks": stripped.marks,
            "doubtful_speeds": stripped.doubtful,
        }
        print(json.dumps(answer, indent=1))
        return EXIT_OK
    print(f"Written: {place}, {counted(len(names), 'recording')} without place, date and device.")
    if stripped.placed:
        print("  positions  are places along the road now, the same line for all")
    if stripped.bends:
        print("             (the road bends, which only an accelerometer still shows)")
    if stripped.heights:
        print("  heights    count from the first one; their profile may still fit one road only")
    if stripped.marks:
        print(f"  marks      {counted(stripped.marks, 'text')} taken out; the moments stay")
    if stripped.doubtful:
        print(
            f"  speeds     {counted(stripped.doubtful, 'value')} left out that were no measurement"
        )
    air = (source.document or {}).get("air", {})
    if "altitude_m" in air and not any(key.startswith("pressure_") for key in air):
        print("  altitude   stays in session.toml, since it stands in for the pressure")
    if not stripped.placed and any(entry.direction is None for entry in source.entries):
        print("  direction  without positions it is told by headings or by session.toml alone")
    return EXIT_OK
