"""`read(path) -> Recording`: the ordered table of formats, and files of one recording joined.

Read this file first. A format is a pair of functions: *sniff* looks at the first text of a file,
*parse* turns the whole file into `Rows`. The room `quality` then decides what is left out or
doubted, each time with a `Finding`, and puts several files on common clocks.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from logger.archives import logs_inside
from logger.errors import ReadError
from logger.formats.gpx import parse_gpx, sniff_gpx
from logger.formats.nmea import parse_nmea, sniff_nmea
from logger.quality.checks import examine, leave_out_codes, leave_out_stray_dates
from logger.quality.joining import LogFile, join
from logger.quality.ordering import settle_order
from logger.recording import Recording, Step
from logger.rows import Rows
from logger.source import decode_head, load, refuse_wrong_kind
from logger.tables.headers import FOREIGN, read_header
from logger.tables.layout import sniff_table
from logger.tables.table import ColumnChoice, header_fits, header_names, parse_table
from logger.units import find_unit, known_units

__all__ = ["FORMATS", "Format", "Options", "Progress", "read", "read_log"]

Columns = Mapping[str, ColumnChoice]
#: Called while files are read, with the bytes that are done and the bytes of all of them.
Progress = Callable[[int, int], None]
#: Warnings that a strict refusal quotes.
_MANY = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """What a user may state about files: see `read_log`; `advance` is called with the bytes done."""

    columns: Columns
    rate_hz: float | None = None
    salvage: bool = False
    advance: Callable[[int], None] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """One kind of log file.

    Parameters
    ----------
    name : str
        As `read(format=...)` takes it.
    sniff : callable
        First text of the file -> whether it is of this kind.
    parse : callable
        Path, contents and options -> rows.
    """

    name: str
    sniff: Callable[[str], bool]
    parse: Callable[[str, bytes, Options], Rows]


def _parse_gpx(path: str, data: bytes, options: Options) -> Rows:
    """Parse GPX, whose elements are fixed but whose speed may be in a unit of its own."""
    choice = options.columns.get("speed_mps")
    unit = choice.unit if choice is not None and choice.header is None else None
    if unit is not None and find_unit(unit, "speed") is None:
        raise ReadError(
            path,
            f"unit {unit!r} for speed_mps",
            ", ".join(known_units("speed")),
            "Give one of these units",
        )
    return parse_gpx(path, data, speed_unit=unit, salvage=options.salvage, advance=options.advance)


def _parse_nmea(path: str, data: bytes, options: Options) -> Rows:
    """Parse NMEA, whose fields and units are fixed."""
    return parse_nmea(path, data, advance=options.advance)


def _parse_table(path: str, data: bytes, options: Options) -> Rows:
    """Parse a table; what is called GPX and is no table either is refused as no GPX."""
    try:
        return parse_table(
            path, data, options.columns, rate_hz=options.rate_hz, advance=options.advance
        )
    except ReadError as error:
        if ".gpx" not in Path(path).suffixes or options.columns:
            raise
        first = decode_head(data).strip().split("\n")[0][:60]
        raise ReadError(
            path,
            f"this is no GPX file in spite of its name; it begins {first!r}",
            "a GPX file",
            "Export or download the track again",
            line=1,
            column=1,
        ) from error


#: Tried from first to last: the sure kinds before the general one.
FORMATS: tuple[Format, ...] = (
    Format(name="GPX", sniff=sniff_gpx, parse=_parse_gpx),
    Format(name="NMEA", sniff=sniff_nmea, parse=_parse_nmea),
    Format(name="table", sniff=sniff_table, parse=_parse_table),
)


def read(
    path: Path | str,
    *,
    format: str | None = None,
    columns: Columns | None = None,
    rate_hz: float | None = None,
    salvage: bool = False,
    strict: bool = False,
    progress: Progress | None = None,
) -> Recording:
    """Read one log file.

    Parameters
    ----------
    path : Path or str
        A table (comma, semicolon or tab), GPX or NMEA file, packed with gzip or not.
    format : str, optional
        Name in `FORMATS`; None finds it out.
    columns : mapping, optional
        Own-table column name -> `ColumnChoice`, for tables whose headers leave a question.
    rate_hz, salvage, strict, progress : optional
        As in `read_log`.

    Returns
    -------
    Recording
        Channels in SI units, times from the first sample, findings.

    Raises
    ------
    ReadError
        With path, line, what was found, what was expected and what to do.
    """
    return read_log(
        [Path(path)],
        format=format,
        columns=columns,
        rate_hz=rate_hz,
        salvage=salvage,
        strict=strict,
        progress=progress,
    )


def read_log(
    paths: Sequence[Path],
    *,
    format: str | None = None,
    columns: Columns | None = None,
    rate_hz: float | None = None,
    salvage: bool = False,
    strict: bool = False,
    progress: Progress | None = None,
) -> Recording:
    """Read the files of one recording and join them.

    Parameters
    ----------
    paths : sequence of Path
        For example a GPS file and a motion file; the first one's clock is clock 0.
    format, columns : optional
        As in `read`, for every file; a column choice needs to fit at least one of them.
    rate_hz : float, optional
        Rows per second of tables that have no time column [Hz].
    salvage : bool
        Whether the complete points of a GPX file that was cut off are used, with a warning.
    strict : bool
        Whether a warning about the data refuses the recording.
    progress : callable, optional
        Called now and then with the bytes done and the bytes of all files; at the end with both
        equal.

    Returns
    -------
    Recording
        Files with a common clock on that clock; others on clocks of their own.

    Raises
    ------
    ReadError
        As in `read`; also where a chosen column is in none of the files, and with `strict` where
        there is any warning.
    """
    if not paths:
        raise ReadError(str(Path()), "no file was given", "at least one log file", "Name a file")
    contents = [one for path in paths for one in _contents(Path(path))]
    kinds = [_kind(name, data, format) for name, data in contents]
    _check_choices(contents, kinds, columns)
    columns = _with_common_time(contents, kinds, columns or {})
    total = sum(len(data) for _, data in contents)
    before = 0
    files = []
    for (name, data), kind in zip(contents, kinds, strict=True):
        advance = None if progress is None else _advance(progress, before, total)
        options = Options(columns=columns, rate_hz=rate_hz, salvage=salvage, advance=advance)
        files.append(_one(kind.parse(name, data, options)))
        before += len(data)
        if advance is not None:
            advance(len(data))
    recording = _scaled(join(files), columns or {})
    _refuse_collections(paths, contents, recording)
    if strict:
        _refuse_warnings(recording, str(paths[0]))
    return recording


def _contents(path: Path) -> list[tuple[str, bytes]]:
    """Return a file's name and content, or those of the logs inside a ZIP archive."""
    data = load(path)
    return logs_inside(str(path), data) or [(str(path), data)]


def _refuse_collections(
    paths: Sequence[Path], contents: Sequence[tuple[str, bytes]], recording: Recording
) -> None:
    """Refuse an archive of several recordings: of its files that measure one thing, one would be lost."""
    archives = {str(path) for path in paths} - {name for name, _ in contents}
    for finding in recording.findings:
        owner = next((one for one in archives if (finding.path or "").startswith(f"{one}/")), None)
        if finding.kind == "channel_twice" and owner is not None:
            raise ReadError(
                owner,
                f"a ZIP archive of several recordings: {finding.text.partition(';')[0]}",
                "the files of one recording",
                "Unpack it into a folder and give that folder",
            )


def _scaled(recording: Recording, columns: Columns) -> Recording:
    """Return the recording with the user's factors on its channels, and a step that says so."""
    factors = {name: choice.scale for name, choice in columns.items() if choice.scale != 1.0}
    if not factors:
        return recording
    channels = tuple(
        replace(one, values=one.values * factors[one.name]) if one.name in factors else one
        for one in recording.channels
    )
    step = Step(step="scale columns", version="1", settings=dict(factors))
    return replace(recording, channels=channels, history=(*recording.history, step))


def _advance(progress: Progress, before: int, total: int) -> Callable[[int], None]:
    """Return what turns bytes done of one file into bytes done of all of them."""
    return lambda done: progress(before + done, total)


def _refuse_warnings(recording: Recording, path: str) -> None:
    warnings = [f for f in recording.findings if f.severity != "note"]
    if not warnings:
        return
    first = warnings[0]
    raise ReadError(
        first.path or path,
        " ".join(f.text for f in warnings[:_MANY]).rstrip(".")
        + (f", and {len(warnings) - _MANY} more warnings" if len(warnings) > _MANY else ""),
        "a recording without warnings (--strict)",
        "Correct the log, or read it without --strict",
        line=first.line,
    )


def _one(rows: Rows) -> LogFile:
    """Decide what of a parsed file is kept, and what is doubted."""
    rows = leave_out_stray_dates(leave_out_codes(rows))
    samples, findings = settle_order(rows)
    samples, more = examine(rows, samples)
    return LogFile(rows=rows, samples=samples, findings=(*rows.findings, *findings, *more))


def _kind(path: str, data: bytes, name: str | None) -> Format:
    refuse_wrong_kind(path, data)
    if name is not None:
        for kind in FORMATS:
            if kind.name.lower() == name.lower():
                return kind
        known = ", ".join(kind.name for kind in FORMATS)
        raise ReadError(path, f"unknown format {name!r}", known, "Choose one of these")
    head = decode_head(data, 1 << 15)
    for kind in FORMATS:
        if kind.sniff(head):
            return kind
    markup = head.lstrip().startswith("<")
    raise ReadError(
        path,
        "this is XML, but not GPX" if markup else "this is binary data of an unknown kind",
        "a delimited table, GPX or NMEA sentences",
        "Export the recording as a table or as GPX and give that file",
        line=1 if markup else None,
    )


def _with_common_time(
    contents: Sequence[tuple[str, bytes]], kinds: Sequence[Format], columns: Columns
) -> Columns:
    """Choose the time that all tables of a recording have, where one has others beside it."""
    if len(contents) < 2 or "time_s" in columns or any(kind.name != "table" for kind in kinds):
        return columns
    times = []
    for path, data in contents:
        names = [name.strip() for name in header_names(path, data)]
        heard = {name: read_header(name) for name in names}
        times.append({n for n, m in heard.items() if m and m.role == "time" and m.score > FOREIGN})
    common = set.intersection(*times)
    if len(common) != 1 or all(found == common for found in times):
        return columns
    return {**columns, "time_s": ColumnChoice(header=common.pop(), unit=None)}


def _check_choices(
    contents: Sequence[tuple[str, bytes]], kinds: Sequence[Format], columns: Columns | None
) -> None:
    """Refuse a chosen column that none of the tables has; GPX and NMEA have no columns to choose."""
    wanted = {role: c.header for role, c in (columns or {}).items() if c.header is not None}
    if not wanted:
        return
    tables = [
        (path, header_names(path, data))
        for (path, data), kind in zip(contents, kinds, strict=True)
        if kind.name == "table"
    ]
    if not tables:
        return
    for role, header in wanted.items():
        if any(header_fits(header, names) for _, names in tables):
            continue
        path = tables[0][0]
        names = [name for _, header_row in tables for name in header_row if name]
        raise ReadError(
            path,
            f"no column {header!r} (chosen for {role})",
            "one of " + ", ".join(repr(name) for name in names[:40])
            if names
            else f"a number from 1 to {len(tables[0][1])}: the table has no header",
            "Correct the name, or give the column's number counted from 1",
            line=1,
        )
