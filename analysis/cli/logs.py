"""The commands `pullcoast look` and `pullcoast speed`: logs alone, without a session."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_INPUT, EXIT_OK, complain
from analysis.terminal.options import (
    Circumference,
    Columns,
    ForPrograms,
    Quiet,
    RateHz,
    Salvage,
    SpeedUnitOption,
    Strict,
    Units,
    argument,
    flag,
    option,
)
from analysis.terminal.output import check_writable, write_together
from logger.findings import counted

__all__ = ["look", "look_app", "speed", "speed_app"]

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
  pullcoast look airfield            every log in a folder
  pullcoast look *.csv --json
  pullcoast look run1.csv --column speed_mps="GPS speed" --unit speed_mps=km/h"""

_Files = Annotated[
    list[str], argument("FILE...", "log file, also .gz or .zip; look takes folders too")
]

look_app, speed_app = new_app(), new_app()


@look_app.command(cls=Command, help=_LOOK, epilog=_LOOK_EXAMPLES)
def look(
    files: _Files,
    quiet: Quiet = False,
    as_json: ForPrograms = False,
    speed_unit: SpeedUnitOption = None,
    column: Columns = None,
    unit: Units = None,
    circumference: Circumference = None,
    rate_hz: RateHz = None,
    salvage: Salvage = False,
    strict: Strict = False,
) -> int:
    """Run ``pullcoast look``: report what is in each file; 2 when one cannot be read."""
    from analysis.batch.logs import LogReader, log_files, look_at, look_text, looks_json, units_of

    reader = LogReader.of(
        column, unit, circumference, rate_hz=rate_hz, salvage=salvage, strict=strict, quiet=quiet
    )
    units = units_of(speed_unit)
    looks = []
    for number, path in enumerate(log_files(files)):
        found = look_at(path, number, reader)
        looks.append(found)
        if not as_json:
            print(look_text(found, units), end="")
        if found.error is not None:
            complain(found.error)
    if as_json:
        print(looks_json(looks), end="")
    return EXIT_OK if all(found.error is None for found in looks) else EXIT_INPUT


@speed_app.command(cls=Command, help=_SPEED, epilog=_SPEED_EXAMPLES)
def speed(
    files: _Files,
    quiet: Quiet = False,
    out: Annotated[str, option("--out", "DIR", "default: ./speed")] = "speed",
    together: Annotated[bool, flag("--together", "all files are one recording")] = False,
    as_json: ForPrograms = False,
    speed_unit: SpeedUnitOption = None,
    column: Columns = None,
    unit: Units = None,
    circumference: Circumference = None,
    rate_hz: RateHz = None,
    salvage: Salvage = False,
    strict: Strict = False,
) -> int:
    """Run ``pullcoast speed``: write speed_time.csv and speed_time.svg of logs alone."""
    from analysis.batch.logs import (
        LogReader,
        sensor_words,
        speed_files,
        speed_json,
        speed_row,
        survey_logs,
        units_of,
    )

    reader = LogReader.of(
        column, unit, circumference, rate_hz=rate_hz, salvage=salvage, strict=strict, quiet=quiet
    )
    units = units_of(speed_unit)
    folder = Path(out)
    check_writable(folder)
    logs, status = survey_logs([files] if together else [[path] for path in files], reader)
    if not logs:
        return status
    made = speed_files(logs, units)
    write_together(folder, made)
    rows = [speed_row(log) for log in logs]
    if as_json:
        print(speed_json(folder, list(made), rows), end="")
        return status
    for row in rows:
        print(
            f"{row['name']}: {counted(row['runs'], 'run')}, {counted(row['pulls'], 'pull')}, "
            f"{counted(row['coasts'], 'coast-down')}, up to {units.speed_text(row['top_speed_mps'])}"
        )
        print(f"  {sensor_words(row)}")
    print(f"Written to {folder}: {', '.join(made)}")
    return status
