"""Copies to share: what is copied, the files of the copy, and where they are written."""

from __future__ import annotations

import contextlib
import gzip
import os
import secrets
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.setup.anonymise import Stripped, strip_recordings, tables_of
from analysis.setup.draft import toml_text
from analysis.terminal.output import OutputError, check_writable
from analysis.terminal.progress import Progress
from logger.errors import SessionError
from logger.reading import read_log
from logger.recording import Recording
from logger.session.files import SESSION_FILE, list_logs, load_toml, locate_session
from logger.session.overrides import column_choices
from logger.session.session import LogEntry, session_from_document
from logger.writing import table_text, write_bytes_atomic

__all__ = ["Source", "copy_stripped", "find_source"]

_SUFFIXES = (".csv", ".csv.gz")
_STAGING = ".pullcoast-strip-"
#: Free texts of session.toml, and what shows how high the road lies.
_LEFT_OUT = {
    "site": ("road",),
    "vehicle": ("name", "state"),
    "log": ("note", "columns", "file", "files"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """What was given: the files of each recording, and the session.toml's tables if there is one."""

    entries: tuple[LogEntry, ...]
    document: Mapping[str, Any] | None
    folder: Path | None


def copy_stripped(
    source: Source,
    out: Path,
    *,
    column: Sequence[str],
    unit: Sequence[str],
    circumference: str | None = None,
    rate_hz: float | None,
    salvage: bool,
    strict: bool,
    heights: bool,
    quiet: bool,
) -> tuple[Stripped, list[list[str]]]:
    """Write the copy of a source without place, date and device.

    Parameters
    ----------
    source : Source
        As from `find_source`.
    out : Path
        File for one log, else a new or empty folder.
    column, unit, circumference : optional
        As in `logger.session.overrides.column_choices`.
    rate_hz, salvage, strict : optional
        As in `logger.reading.read_log`.
    heights : bool
        Whether heights stay, counted from the first one.
    quiet : bool
        Show no progress.

    Returns
    -------
    stripped : Stripped
        What was done.
    names : list of list of str
        The files of each log.

    Raises
    ------
    SessionError, ReadError
        What was given cannot be used.
    OutputError
        `out` is there already, or cannot be written to.
    """
    one = source.folder is None and len(source.entries) == 1
    _refuse_out(out, one_file=one)
    check_writable(out.parent if one else out)
    columns = column_choices(column, unit, circumference)
    with Progress(quiet=quiet) as progress:
        recordings = []
        for entry in source.entries:
            progress.show(f"reading {' + '.join(file.name for file in entry.files)}")
            recordings.append(
                read_log(
                    entry.files,
                    columns={**entry.columns, **columns},
                    rate_hz=rate_hz,
                    salvage=salvage,
                    strict=strict,
                    progress=progress.share,
                )
            )
        progress.show("finding the road")
        stripped = strip_recordings(recordings, secrets.token_hex(4), heights=heights)
    tables = [tables_of(recording) for recording in stripped.recordings]
    for entry, parts in zip(source.entries, tables, strict=True):
        if not parts:
            found = "holds nothing but what has to go: no speed, no acceleration, no way driven"
            raise SessionError(str(entry.files[0]), "", found, "", "Give the other logs without it")
    if one:
        _write_file(out, tables[0][0])
        return stripped, [[out.name]]
    names, files = _files_of(tables)
    if source.document is not None:
        files[SESSION_FILE] = _session_text(source.document, source.entries, names).encode()
    _write_folder(out, files)
    return stripped, names


def find_source(paths: Sequence[Path], *, allow_outside: bool) -> Source:
    """Return the logs that paths stand for: log files, or one session or folder of logs."""
    sessions = [path for path in paths if path.is_dir() or path.suffix.lower() == ".toml"]
    if not sessions:
        entries = tuple(LogEntry(files=(path,)) for path in paths)
        return Source(entries=entries, document=None, folder=None)
    if len(paths) > 1:
        raise SessionError(
            str(sessions[0]), "", "a session beside other logs", "one session, or log files alone"
        )
    folder, file = locate_session(paths[0])
    if file is None:
        names, _ = list_logs(folder)
        if not names:
            raise SessionError(str(folder), "", "no logs in it", "a folder of logs")
        entries = tuple(LogEntry(files=(folder / name,)) for name in names)
        return Source(entries=entries, document=None, folder=folder)
    document = load_toml(file)
    session = session_from_document(document, folder, str(file), allow_outside=allow_outside)
    return Source(entries=session.logs, document=document, folder=folder)


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
    """Return the names of each log's files, which show nothing, and the files' content."""
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
