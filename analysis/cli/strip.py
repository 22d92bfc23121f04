"""The command `pullcoast strip`: logs and sessions copied without place, date and device."""

from __future__ import annotations

import argparse
import contextlib
import gzip
import os
import secrets
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.setup.anonymise import Stripped, strip_recordings, tables_of
from analysis.setup.draft import toml_text
from analysis.terminal.errors import EXIT_OK
from analysis.terminal.output import OutputError, check_writable
from analysis.terminal.progress import Progress
from logger.errors import SessionError
from logger.findings import counted
from logger.reading import read_log
from logger.session.files import SESSION_FILE, list_logs, load_toml, locate_session
from logger.session.overrides import column_choices
from logger.session.session import LogEntry, session_from_document
from logger.writing import table_text, write_bytes_atomic

if TYPE_CHECKING:
    from logger.recording import Recording

__all__ = ["strip"]

_SUFFIXES = (".csv", ".csv.gz")
_STAGING = ".pullcoast-strip-"
#: Free texts of session.toml, and what tells how high the road lies.
_LEFT_OUT = {"vehicle": ("name", "state"), "log": ("note", "columns", "file", "files")}


@dataclass(frozen=True, slots=True)
class _Source:
    """What was given: the files of each recording, and the session.toml's tables if there is one."""

    entries: tuple[LogEntry, ...]
    document: Mapping[str, Any] | None
    folder: Path | None


def strip(arguments: argparse.Namespace) -> int:
    """Run ``pullcoast strip`` and return the exit status.

    Raises
    ------
    SessionError, ReadError
        What was given cannot be used.
    OutputError
        OUT is there already, or cannot be written to.
    """
    out = Path(arguments.out)
    source = _source(arguments)
    one = source.folder is None and len(source.entries) == 1
    _refuse_out(out, one_file=one)
    check_writable(out.parent if one else out)
    stripped = _stripped(source, arguments)
    tables = [tables_of(recording) for recording in stripped.recordings]
    for entry, parts in zip(source.entries, tables, strict=True):
        if not parts:
            found = "holds nothing but what has to go: no speed, no acceleration, no way driven"
            raise SessionError(str(entry.files[0]), "", found, "", "Give the other logs without it")
    if one:
        _write_file(out, tables[0][0])
        names = [[out.name]]
    else:
        names, files = _files_of(tables)
        if source.document is not None:
            files[SESSION_FILE] = _session_text(source.document, source.entries, names).encode()
        _write_folder(out, files)
    _tell(arguments, out, names, source, stripped)
    return EXIT_OK


def _stripped(source: _Source, arguments: argparse.Namespace) -> Stripped:
    columns = column_choices(arguments.column, arguments.unit)
    with Progress(quiet=arguments.quiet) as progress:
        recordings = []
        for entry in source.entries:
            progress.say(f"reading {' + '.join(file.name for file in entry.files)}")
            recordings.append(
                read_log(
                    entry.files,
                    columns={**entry.columns, **columns},
                    rate_hz=arguments.rate_hz,
                    salvage=arguments.salvage,
                    strict=arguments.strict,
                    progress=progress.share,
                )
            )
        progress.say("finding the road")
        road = secrets.token_hex(4)
        return strip_recordings(recordings, road, heights=not arguments.no_heights)


def _source(arguments: argparse.Namespace) -> _Source:
    paths = [Path(text) for text in arguments.sources]
    sessions = [path for path in paths if path.is_dir() or path.suffix.lower() == ".toml"]
    if not sessions:
        entries = tuple(LogEntry(files=(path,)) for path in paths)
        return _Source(entries, None, None)
    if len(paths) > 1:
        raise SessionError(
            str(sessions[0]), "", "a session beside other logs", "one session, or log files alone"
        )
    folder, file = locate_session(paths[0])
    if file is None:
        names, _ = list_logs(folder)
        if not names:
            raise SessionError(str(folder), "", "no logs in it", "a folder of logs")
        return _Source(tuple(LogEntry(files=(folder / name,)) for name in names), None, folder)
    document = load_toml(file)
    session = session_from_document(
        document, folder, str(file), allow_outside=arguments.allow_outside
    )
    return _Source(session.logs, document, folder)


def _refuse_out(out: Path, *, one_file: bool) -> None:
    if one_file:
        if not out.name.lower().endswith(_SUFFIXES):
            msg = f"{out}: the copy is a table; expected a name that ends in .csv or .csv.gz"
            raise OutputError(msg)
        if out.exists() or out.is_symlink():
            msg = f"{out}: is there already; nothing was changed. Choose another name for OUT"
            raise OutputError(msg)
    elif out.exists() and (not out.is_dir() or any(out.iterdir())):
        msg = f"{out}: is there already; expected a new or empty folder. Choose another OUT"
        raise OutputError(msg)


def _files_of(tables: Sequence[Sequence[Recording]]) -> tuple[list[list[str]], dict[str, bytes]]:
    """Return the names of each log's files, which tell nothing, and the files' content."""
    names: list[list[str]] = []
    files: dict[str, bytes] = {}
    for number, parts in enumerate(tables, start=1):
        names.append([])
        for letter, part in zip("abcdefgh", parts, strict=False):
            name = f"log{number:02d}{letter if len(parts) > 1 else ''}.csv.gz"
            files[name] = gzip.compress(table_text(part).encode(), compresslevel=6, mtime=0)
            names[-1].append(name)
    return names, files


def _write_file(out: Path, table: Recording) -> None:
    data = table_text(table).encode()
    if out.suffix.lower() == ".gz":
        data = gzip.compress(data, compresslevel=6, mtime=0)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        write_bytes_atomic(out, data)
    except OSError as error:
        msg = f"{out}: cannot be written: {error.strerror or error}"
        raise OutputError(msg) from error


def _write_folder(out: Path, files: Mapping[str, bytes]) -> None:
    """Fill a folder beside `out` and give it its name at the end: all files or none."""
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=_STAGING, dir=out.parent))
        try:
            staging.chmod(0o755)
            for name, data in files.items():
                write_bytes_atomic(staging / name, data)
            with contextlib.suppress(FileNotFoundError):
                out.rmdir()
            os.replace(staging, out)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    except OSError as error:
        msg = f"{out}: cannot be written: {error.strerror or error}"
        raise OutputError(msg) from error


def _session_text(
    document: Mapping[str, Any], entries: Sequence[LogEntry], names: Sequence[Sequence[str]]
) -> str:
    """Return the session.toml of the copy; every key was checked when it was read."""
    parts = []
    for table, values in document.items():
        if table == "log":
            continue
        dropped = _LEFT_OUT.get(table, ())
        if table == "air" and any(key.startswith("pressure_") for key in values):
            dropped = ("altitude_m",)
        kept = {key: value for key, value in values.items() if key not in dropped}
        lines = [f"{key} = {_toml(value)}" for key, value in kept.items()]
        parts.append("\n".join([f"[{table}]", *lines]) + "\n")
    for entry, files in zip(entries, names, strict=True):
        lines = [f"files = [{', '.join(map(toml_text, files))}]"]
        if entry.direction is not None:
            lines.append(f"direction = {toml_text(entry.direction)}")
        parts.append("\n".join(["[[log]]", *lines]) + "\n")
    return "\n".join(parts)


def _toml(value: object) -> str:
    if isinstance(value, str):
        return toml_text(value)
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    return repr(value)


def _tell(
    arguments: argparse.Namespace,
    out: Path,
    names: Sequence[Sequence[str]],
    source: _Source,
    stripped: Stripped,
) -> None:
    if arguments.json:
        from analysis.report.results_json import json_text

        print(
            json_text(
                {
                    "out": str(out),
                    "logs": [list(files) for files in names],
                    "session": source.document is not None,
                    "places": stripped.placed,
                    "bends": stripped.bends,
                    "heights": stripped.heights,
                    "marks": stripped.marks,
                    "doubtful_speeds": stripped.doubtful,
                }
            ),
            end="",
        )
        return
    print(f"Written: {out}, {counted(len(names), 'recording')} without place, date and device.")
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
