"""`Session`: the vehicle, air, site and logs that a session.toml describes, every key checked.

The keys, their units, ranges and defaults stand in `keys.py`. `overrides.py` handles folders without
a session.toml, and options that win over the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, cast

from logger.errors import real_path
from logger.findings import Finding
from logger.session.files import (
    list_logs,
    load_toml,
    locate_session,
    no_session_file,
    resolve_log,
)
from logger.session.key_table import KeyTable, describe
from logger.session.keys import (
    AIR,
    COLUMN_NAMES,
    CORRECTION_STANDARDS,
    CROSSCHECK,
    KNOWN_KEYS,
    POWER_UNITS,
    SCALE_RANGE,
    SITE,
    SPEED_UNITS,
    TIMED_RUN,
    PowerUnit,
    SpeedUnit,
    check_column,
)
from logger.session.tyres import parse_circumference, rolling_unit_of
from logger.session.vehicle import Vehicle, vehicle_from_table
from logger.tables.table import ColumnChoice
from logger.visible import visible

__all__ = [
    "Air",
    "ColumnChoice",
    "CrossCheckArguments",
    "Display",
    "LogEntry",
    "Session",
    "Site",
    "Vehicle",
    "read_session",
    "session_from_document",
]

#: Uncertainties of slope (ratio) and wind [m/s] below which nothing is known of a road outdoors; a
#: smaller one, 0 included, is read as this.
_SLOPE_SD_FLOOR = 1e-6
_WIND_SD_FLOOR_MPS = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """Weather as the user stated it; None where not stated. Pressure is station pressure."""

    temperature_c: float | None = None
    pressure_hpa: float | None = None
    relative_humidity_percent: float = 50.0
    altitude_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """What is known of road and wind from elsewhere; slopes as ratio (rise over run).

    The defaults are what holds where nothing is stated: a road chosen for being level, and any wind
    that one would drive in (our choice, wide on purpose).
    """

    slope: float = 0.0
    slope_sd: float = 0.005
    wind_mps: float = 0.0
    wind_sd_mps: float = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """One ``[[log]]``: the files of one recording, absolute paths.

    With `neutral` the driver vouches that every coast-down in it was in neutral and unbraked.
    """

    files: tuple[Path, ...]
    direction: Literal["up", "down"] | None = None
    neutral: bool = False
    note: str = ""
    columns: dict[str, ColumnChoice] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossCheckArguments:
    """The ``[crosscheck]`` table: arguments of the command by the same names."""

    pull: tuple[str, ...] = ()
    coast: tuple[str, ...] = ()
    run: int | None = None
    speed_unit: SpeedUnit = "km/h"
    time_sd: float | None = None
    speed_sd: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Display:
    """Units for people; results.json stays SI."""

    power: PowerUnit = "kW"
    speed: SpeedUnit = "km/h"


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """Runs of one vehicle on one road in one spell of weather.

    `road` is a file with what earlier sessions found of the road's slope.
    `path` is the folder as the user named it, `findings` what was noticed while reading it.
    `leave_out` holds runs by their number from 1, and logs by the name of a file.
    """

    path: Path
    name: str
    vehicle: Vehicle
    logs: tuple[LogEntry, ...]
    air: Air | None = None
    site: Site = Site()
    road: Path | None = None
    correction_standard: str | None = None
    crosscheck: CrossCheckArguments | None = None
    display: Display = Display()
    leave_out: tuple[int | str, ...] = ()
    findings: tuple[Finding, ...] = ()


def read_session(path: Path, *, allow_outside: bool = False) -> Session:
    """Read a session that has a session.toml.

    Parameters
    ----------
    path : Path
        The folder, or its session.toml.
    allow_outside : bool
        Whether logs may lie outside the folder.

    Returns
    -------
    Session
        Every key checked, every log an existing file.

    Raises
    ------
    SessionError
        Anything that cannot be used, naming file, key, what was found and what is expected.
    """
    path = Path(path)
    folder, file = locate_session(path)
    if file is None:
        raise no_session_file(folder)
    return session_from_document(load_toml(file), folder, str(file), allow_outside=allow_outside)


def session_from_document(
    document: Mapping[str, object], folder: Path, path: str, *, allow_outside: bool = False
) -> Session:
    """Make a session of what a session.toml would hold.

    Parameters
    ----------
    document : mapping
        Tables and keys.
    folder : Path
        Where its logs lie.
    path : str
        What messages call the document.
    allow_outside : bool
        Whether logs may lie outside the folder.

    Returns
    -------
    Session
        Every key checked.

    Raises
    ------
    SessionError
        As in `read_session`.
    """
    top = KeyTable(path, "", document, KNOWN_KEYS[""])
    vehicle = vehicle_from_table(top)
    return Session(
        path=folder,
        name=visible(real_path(folder).name),
        vehicle=vehicle,
        logs=_logs(top, folder, allow_outside, vehicle.tyre),
        air=_air(top),
        site=_site(top),
        road=_road(top, folder, allow_outside),
        correction_standard=_correction(top),
        crosscheck=_crosscheck(top),
        display=_display(top),
        leave_out=_leave_out(top),
    )


def _air(top: KeyTable) -> Air | None:
    if "air" not in top.values:
        return None
    table = top.table("air", KNOWN_KEYS["air"])
    return Air(
        temperature_c=table.quantity(AIR["temperature"]),
        pressure_hpa=table.quantity(AIR["pressure"]),
        relative_humidity_percent=table.quantity_or(AIR["relative_humidity"], 50.0),
        altitude_m=table.quantity(AIR["altitude"]),
    )


def _site(top: KeyTable) -> Site:
    table = top.table("site", KNOWN_KEYS["site"])
    usual = Site()
    slope_sd_percent = table.quantity_or(SITE["slope_uncertainty"], 100.0 * usual.slope_sd)
    wind_sd_mps = table.quantity_or(SITE["wind_uncertainty"], usual.wind_sd_mps)
    return Site(
        slope=table.quantity_or(SITE["slope"], 100.0 * usual.slope) / 100.0,
        slope_sd=max(slope_sd_percent / 100.0, _SLOPE_SD_FLOOR),
        wind_mps=table.quantity_or(SITE["wind"], usual.wind_mps),
        wind_sd_mps=max(wind_sd_mps, _WIND_SD_FLOOR_MPS),
    )


def _road(top: KeyTable, folder: Path, allow_outside: bool) -> Path | None:
    table = top.table("site", KNOWN_KEYS["site"])
    if "road" not in table.values:
        return None
    name = table.text("road")
    if not name.strip() or "\0" in name:
        table.fail("road", describe(name), 'a file name, such as "road.json"')
    file = folder / name
    if not allow_outside and not real_path(file).is_relative_to(real_path(folder)):
        remedy = "Give it with --road, or add --allow-outside"
        table.fail("road", f"{name!r} leads out of the session folder", "a file inside it", remedy)
    return file


def _correction(top: KeyTable) -> str | None:
    if "correction" not in top.values:
        return None
    table = top.table("correction", KNOWN_KEYS["correction"])
    plain = {"".join(name.lower().split()): name for name in CORRECTION_STANDARDS}
    known = plain.get("".join(table.text("standard").lower().split()))
    if known is not None:
        return known
    if "standard" not in table.values:
        table.fail("standard", "missing", f"one of {', '.join(CORRECTION_STANDARDS)}")
    return table.choice("standard", CORRECTION_STANDARDS, "")


def _crosscheck(top: KeyTable) -> CrossCheckArguments | None:
    if "crosscheck" not in top.values:
        return None
    table = top.table("crosscheck", KNOWN_KEYS["crosscheck"])
    return CrossCheckArguments(
        pull=_timed_runs(table, "pull", rising=True),
        coast=_timed_runs(table, "coast", rising=False),
        run=_run_number(table, "run"),
        speed_unit=cast(SpeedUnit, table.choice("speed_unit", SPEED_UNITS, "km/h")),
        time_sd=table.quantity(CROSSCHECK["time_sd"]),
        speed_sd=table.quantity(CROSSCHECK["speed_sd"]),
    )


def _timed_runs(table: KeyTable, key: str, *, rising: bool) -> tuple[str, ...]:
    example = '"0-90=9.8"' if rising else '"90-60=12.1"'
    for text in table.texts(key):
        match = TIMED_RUN.fullmatch(text)
        if match is None:
            table.fail(key, describe(text), f"start-end=seconds, such as {example}")
        start, end = float(match["start"]), float(match["end"])
        if (end > start) is not rising or end == start:
            word = "rises" if rising else "falls"
            table.fail(key, describe(text), f"a speed that {word}, such as {example}")
        if float(match["time_s"]) <= 0.0:
            table.fail(key, describe(text), f"a time above 0 s, such as {example}")
    return table.texts(key)


def _run_number(table: KeyTable, key: str) -> int | None:
    value = table.values.get(key)
    if value is None:
        return None
    if not isinstance(value, int) or isinstance(value, bool) or not 1 <= value <= 10_000:
        table.fail(key, describe(value), "the number of a run in the report, from 1")
    return value


def _display(top: KeyTable) -> Display:
    table = top.table("display", KNOWN_KEYS["display"])
    return Display(
        power=cast(PowerUnit, table.choice("power", POWER_UNITS, "kW")),
        speed=cast(SpeedUnit, table.choice("speed", SPEED_UNITS, "km/h")),
    )


def _leave_out(top: KeyTable) -> tuple[int | str, ...]:
    value = top.values.get("leave_out", [])
    example = 'a list of runs by number and logs by name, such as [6, "run07.csv"]'
    if not isinstance(value, list):
        top.fail("leave_out", describe(value), example)
    for item in value:
        number = isinstance(item, int) and not isinstance(item, bool)
        if not (number and item >= 1) and not (isinstance(item, str) and item.strip()):
            top.fail("leave_out", f"{describe(item)} in the list", example)
    return tuple(value)


def _logs(
    top: KeyTable, folder: Path, allow_outside: bool, tyre: str | None
) -> tuple[LogEntry, ...]:
    value = top.values.get("log", [])
    if isinstance(value, dict):
        top.fail("log", "[log] in single brackets", "[[log]], once for each recording")
    if not isinstance(value, list):
        top.fail("log", describe(value), "[[log]], once for each recording")
    if not value:
        names, _ = list_logs(folder)
        here = f"The folder holds {', '.join(names[:8])}" if names else "Copy the logs here"
        top.fail("log", "no [[log]]", "[[log]] with file = ..., once for each recording", here)
    entries = []
    owner: dict[Path, str] = {}
    for number, item in enumerate(value, start=1):
        name = f"log[{number}]"
        if not isinstance(item, dict):
            top.fail(name, describe(item), "a table, written [[log]]")
        table = KeyTable(top.path, name, item, KNOWN_KEYS["log"])
        files = []
        for text in _file_names(table):
            key = "file" if "file" in item else "files"
            file = resolve_log(
                folder, text, path=top.path, key=f"{name}.{key}", allow_outside=allow_outside
            )
            first = owner.setdefault(real_path(file), name)
            if first != name or file in files:
                where = "twice" if first == name else f"in {first} already"
                table.fail(key, f"{text!r} is named {where}", "each file in one [[log]] only")
            files.append(file)
        entries.append(
            LogEntry(
                files=tuple(files),
                direction=_direction(table),
                neutral=table.flag("neutral"),
                note=table.text("note"),
                columns=_columns(table, tyre),
            )
        )
    return tuple(entries)


def _file_names(table: KeyTable) -> tuple[str, ...]:
    if "file" in table.values and "files" in table.values:
        remedy = "Put all files of one recording into files"
        table.fail("files", "file and files both", "one of the two", remedy)
    if "file" in table.values:
        return (table.text("file"),)
    if "files" not in table.values:
        table.fail("file", "missing", 'file = "run1.csv" or files = ["a.gpx", "b.csv"]')
    value = table.values["files"]
    names = table.texts("files")
    if not names:
        table.fail("files", describe(value), "at least one file name")
    return names


def _direction(table: KeyTable) -> Literal["up", "down"] | None:
    if "direction" not in table.values:
        return None
    return cast(Literal["up", "down"], table.choice("direction", ("up", "down"), ""))


def _columns(table: KeyTable, tyre: str | None) -> dict[str, ColumnChoice]:
    columns = table.table("columns", COLUMN_NAMES)
    choices = {}
    for name in columns.values:
        choice = columns.table(name, ("header", "unit", "scale", "circumference_m"))
        header = choice.values.get("header")
        if isinstance(header, int) and not isinstance(header, bool):
            if header < 1:
                choice.fail("header", f"{header}", "a header, or a column counted from 1")
            header = str(header)
        elif header is not None:
            header = choice.text("header")
        unit = choice.text("unit") if "unit" in choice.values else None
        scale = _scale(name, choice)
        if header is None and unit is None and scale == 1.0:
            choice.fail("", "an empty table", '{header = "GPS speed", unit = "km/h"}')
        for key, text in (("header", header), ("unit", unit)):
            if text is not None and not text.strip():
                choice.fail(key, "empty text", "the word that stands in the table's header row")
        problem = check_column(name, unit)
        if problem:
            choice.fail("unit", *problem)
        if "circumference_m" in choice.values:
            circumference_m = choice.number("circumference_m")
            if not 0.5 <= circumference_m <= 5.0:
                choice.fail("circumference_m", f"{circumference_m:g}", "0.5 to 5 m")
            unit = rolling_unit_of(unit, circumference_m)
        elif tyre is not None and name == "speed_mps":
            unit = rolling_unit_of(unit, parse_circumference(tyre))
        choices[name] = ColumnChoice(header=header, unit=unit, scale=scale)
    return choices


def _scale(name: str, choice: KeyTable) -> float:
    """Return the factor on a column; only what is measured has one, not stamps and hints."""
    if "scale" not in choice.values:
        return 1.0
    if name in ("time_s", "received_s", "mark", "event", "latitude_deg", "longitude_deg"):
        choice.fail("scale", f"a factor on {name}", "a factor on what is measured, as speed_mps")
    scale = choice.number("scale")
    low, high = SCALE_RANGE
    if not low <= scale <= high:
        choice.fail("scale", f"{scale:g}", f"a factor from {low:g} to {high:g}")
    return scale
