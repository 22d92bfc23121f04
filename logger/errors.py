"""Errors that a user may meet, each with what was looked at, found, expected and what to do."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["PullcoastError", "ReadError", "SessionError", "is_there", "real_path"]


class PullcoastError(Exception):
    """Base of every error that pullcoast raises on purpose."""


#: A message longer than this is not read; a damaged file can make a name of a whole page.
_LONGEST = 600


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST else text[:_LONGEST] + " ..."


def _message(where: str, found: str, expected: str, remedy: str) -> str:
    text = f"{where}: {_short(found)}"
    if expected:
        text += f"; expected {_short(expected)}"
    return f"{text}. {_short(remedy)}" if remedy else text


class ReadError(PullcoastError, ValueError):
    """A file that cannot be read as a log.

    Parameters
    ----------
    path : str
        File as the user named it.
    found, expected, remedy : str
        What stands there, what should, and what the user can do; `expected` and `remedy` may be "".
    line, column : int or None
        Position in the file, counted from 1.
    """

    def __init__(
        self,
        path: str,
        found: str,
        expected: str = "",
        remedy: str = "",
        *,
        line: int | None = None,
        column: int | None = None,
    ) -> None:
        self.path = path
        self.found = found
        self.expected = expected
        self.remedy = remedy
        self.line = line
        self.column = column
        where = path
        if line is not None:
            where += f", line {line}"
        if column is not None:
            where += f", column {column}"
        super().__init__(_message(where, found, expected, remedy))


class SessionError(PullcoastError, ValueError):
    """A session folder or its session.toml that cannot be used.

    Parameters
    ----------
    path : str
        File or folder looked at.
    key : str
        Dotted key, for example ``vehicle.mass_kg``; "" when the whole file is meant.
    found, expected, remedy : str
        What stands there, what should, and what the user can do; the last may be "".
    """

    def __init__(
        self, path: str, key: str, found: str, expected: str = "", remedy: str = ""
    ) -> None:
        self.path = path
        self.key = key
        self.found = found
        self.expected = expected
        self.remedy = remedy
        where = f"{path}, {_short(key)}" if key else path
        super().__init__(_message(where, found, expected, remedy))


def is_there(path: Path) -> bool:
    """Return whether a path leads to something; what forbids to look is raised.

    `Path.exists` hides that from Python 3.14 on.

    Raises
    ------
    OSError
        A folder on the way may not be entered, links turn in a circle, a name is too long.
    """
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    return True


def real_path(path: Path) -> Path:
    """Return the absolute path without links; of links in a circle as far as they lead.

    `Path.resolve` raises for them up to Python 3.12.
    """
    return Path(os.path.realpath(path))
