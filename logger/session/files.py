"""Find and open what a session folder holds: its session.toml and its logs, all inside it."""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path

from logger.errors import SessionError, is_there
from logger.session.key_table import closest
from logger.source import LOG_SUFFIXES, read_regular

__all__ = [
    "SESSION_FILE",
    "is_log_name",
    "list_logs",
    "load_toml",
    "locate_session",
    "no_session_file",
    "resolve_log",
]

#: The file that describes a session.
SESSION_FILE = "session.toml"

#: Tables that `pullcoast report` itself writes; they are no logs even if written into the folder.
_OWN_RESULTS = frozenset({"curves.csv", "speed_time.csv"})
_README = re.compile(r"(read[-_ ]?me|licen[cs]e|notes?|changelog)\b", re.IGNORECASE)
#: A description of one outing has some kilobytes; more is another kind of file.
_MAX_TOML_BYTES = 1_000_000


def locate_session(path: Path) -> tuple[Path, Path | None]:
    """Find the folder of a session and its session.toml.

    Parameters
    ----------
    path : Path
        A folder, or a ``.toml`` file in one.

    Returns
    -------
    (folder, file)
        `file` is None where the folder has no session.toml.

    Raises
    ------
    SessionError
        There is no such thing, or it is neither.
    """
    try:
        if path.is_dir():
            file = path / SESSION_FILE
            return path, file if file.exists() or file.is_symlink() else None
        exists = is_there(path)
    except (OSError, ValueError) as error:
        raise SessionError(str(path), "", f"cannot be looked at: {_reason(error)}") from error
    if not exists:
        if path.name == SESSION_FILE and path.parent.is_dir():
            raise no_session_file(path.parent)
        remedy = "Check the spelling" + _near_name(path.parent, path.name)
        raise SessionError(str(path), "", "no such file or folder", "a session folder", remedy)
    if path.suffix.lower() != ".toml":
        raise SessionError(
            str(path),
            "",
            "a single file, not a session folder",
            f"a folder, or the path of its {SESSION_FILE}",
            f"Put the log into a folder of its own and give that folder with --mass, "
            f"or with a {SESSION_FILE} in it",
        )
    return path.parent, path


def no_session_file(folder: Path) -> SessionError:
    """Return the error for a folder that holds no session.toml."""
    return SessionError(
        str(folder),
        "",
        f"no {SESSION_FILE} in this folder",
        f"a {SESSION_FILE} with at least the vehicle's mass",
        "Give the mass as driven on the command line, for example --mass 1480kg (then every log "
        f"in the folder is one recording), or write a {SESSION_FILE}",
    )


def load_toml(path: Path) -> dict[str, object]:
    """Read a TOML file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    dict
        Its tables and keys.

    Raises
    ------
    SessionError
        It cannot be opened, is too large, is not UTF-8, or breaks TOML's syntax; with line and
        column wherever they are known.
    """
    name = str(path)
    try:
        raw = read_regular(path, _MAX_TOML_BYTES)
    except (OSError, ValueError) as error:
        remedy = "Check that the file exists and that you may read it"
        raise SessionError(name, "", f"cannot be read: {_reason(error)}", "", remedy) from error
    if raw is None:
        raise SessionError(
            name,
            "",
            f"larger than {_MAX_TOML_BYTES // 1000} kB",
            "a short description of the session",
            "Logs go into files of their own, named in [[log]]",
        )
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        remedy = "Save the file as UTF-8"
        raise SessionError(name, "", "UTF-16 text", "UTF-8 text", remedy)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = raw[: error.start]
        line = before.count(b"\n") + 1
        column = error.start - (before.rfind(b"\n") + 1) + 1
        raise SessionError(
            name,
            "",
            f"line {line}, column {column}: byte 0x{raw[error.start]:02x} is not UTF-8",
            "UTF-8 text",
            "Save the file as UTF-8",
        ) from error
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise SessionError(name, "", "brackets nested too deeply", "TOML") from error
    except ValueError as error:
        raise _syntax_error(name, text, error) from error


def _syntax_error(name: str, text: str, error: ValueError) -> SessionError:
    message = str(error)
    place = re.search(r"\s*\(at line (\d+), column (\d+)\)$", message)
    if place is None:
        what = message.replace(" (at end of document)", ", at the end of the file")
        return SessionError(name, "", f"not valid TOML: {what}", "TOML, as in logger/README.md")
    number, column = int(place[1]), int(place[2])
    lines = text.splitlines()
    shown = lines[number - 1].strip() if number <= len(lines) else ""
    if len(shown) > 80:
        shown = shown[:77] + "..."
    remedy = ""
    if re.search(r"=\s*[-+]?\d+,\d+\s*(#.*)?$", shown):
        remedy = "Write numbers with a decimal point"
    elif "\\" in shown:
        remedy = "Write paths with forward slashes"
    elif re.fullmatch(r"[\w.]+\s*=\s*[A-Za-z].*", shown):
        remedy = "Put text into double quotes"
    return SessionError(
        name,
        "",
        f"line {number}, column {column}: {message[: place.start()]}, in: {shown}",
        "TOML, as in logger/README.md",
        remedy,
    )


def resolve_log(
    folder: Path, name: str, *, path: str, key: str, allow_outside: bool = False
) -> Path:
    """Return the absolute path of a log named in a session.

    Parameters
    ----------
    folder : Path
        The session folder.
    name : str
        As written, relative to the folder.
    path, key : str
        Where the name stands, for the message.
    allow_outside : bool
        Whether it may lie outside the folder.

    Returns
    -------
    Path
        An existing regular file.

    Raises
    ------
    SessionError
        It is missing, no file, unreadable, or leaves the folder (also through a link).
    """
    if not name.strip():
        raise SessionError(path, key, "an empty file name", "the name of a log in the folder")
    try:
        root = folder.resolve()
        file = root / name
        target = file.resolve()
        inside = target.is_relative_to(root)
        if not inside and not allow_outside:
            through = " through a link" if (root / name).is_relative_to(root) else ""
            if ".." in Path(name).parts:
                through = ""
            raise SessionError(
                path,
                key,
                f"{name!r} leads out of the session folder{through}",
                "a file inside the folder",
                "Move or copy the log into the folder, or give --allow-outside",
            )
        if target.is_dir():
            remedy = "Name the files in it"
            raise SessionError(path, key, f"{name!r} is a folder", "a log file", remedy)
        if not is_there(target):
            remedy = "Check the spelling" + _near_name(file.parent, file.name)
            raise SessionError(path, key, f"no file {name!r}", "a log in the folder", remedy)
        if not target.is_file():
            raise SessionError(path, key, f"{name!r} is no regular file", "a log file")
        if not os.access(target, os.R_OK):
            remedy = "Change its permissions"
            raise SessionError(path, key, f"{name!r} may not be read by you", "", remedy)
    except (OSError, RuntimeError, ValueError) as error:
        if isinstance(error, SessionError):
            raise
        found = f"{name[:60]!r} cannot be looked at: {_reason(error)}"
        raise SessionError(path, key, found, "the name of a log in the folder") from error
    return file


def is_log_name(name: str) -> bool:
    """Return whether a file of this name is taken for a log."""
    stem, suffix = os.path.splitext(name.lower())
    if suffix == ".gz":
        stem, suffix = os.path.splitext(stem)
        return suffix in LOG_SUFFIXES
    return suffix in LOG_SUFFIXES and name not in _OWN_RESULTS and not _README.match(stem)


def list_logs(folder: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """List a folder's logs in the order people number them, and the files taken for none.

    Parameters
    ----------
    folder : Path
        The folder; folders in it and hidden files are not looked at.

    Returns
    -------
    (logs, others)
        File names; run2 comes before run10. ZIP archives where there is nothing else.

    Raises
    ------
    SessionError
        The folder cannot be listed.
    """
    try:
        names = [
            entry.name
            for entry in os.scandir(folder)
            if not entry.name.startswith(".") and not entry.is_dir()
        ]
    except OSError as error:
        raise SessionError(str(folder), "", f"cannot be listed: {_reason(error)}") from error
    names.sort(key=_natural)
    logs = tuple(name for name in names if is_log_name(name))
    if not logs:  # beside logs an archive is taken for a copy of them
        logs = tuple(name for name in names if name.lower().endswith(".zip"))
    others = tuple(name for name in names if name not in logs and name != SESSION_FILE)
    return logs, others


def _natural(name: str) -> tuple[tuple[tuple[int, int, str], ...], str]:
    parts = re.findall(r"\d+|\D+", name.lower())
    return tuple((0, int(p), "") if p.isdecimal() else (1, 0, p) for p in parts), name


def _near_name(folder: Path, name: str) -> str:
    try:
        names = [entry.name for entry in os.scandir(folder)]
    except (OSError, ValueError):
        return ""
    near = closest(name, names)
    return f": did you mean {near}?" if near else ""


def _reason(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror[0].lower() + error.strerror[1:]
    return str(error)
