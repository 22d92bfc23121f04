"""Names of recordings: for the file, from the name that a phone sends, which is never trusted as a path."""

from __future__ import annotations

import contextlib
import re
import tomllib
import unicodedata
from datetime import datetime
from pathlib import Path
from urllib.parse import unquote_to_bytes

__all__ = ["clean_name", "comments", "plain", "recording_name", "started_s", "title_of"]

_LONGEST_NAME = 80
_LONGEST_HEADER = 4000
_ENDING = re.compile(r"\.(csv|txt)$", re.IGNORECASE)
#: What a page adds to make a name its own, which the recording's name has already.
_STAMP = re.compile(r"(^|[ _-])\d{4}-?\d\d-?\d\d[T _-]?\d{6}$", re.ASCII)
_NO_NAMES = frozenset({"", "run", "recording"})
#: Of a name in a file's name; 40 characters have at most 160 bytes in UTF-8, of 255 allowed.
_LONGEST_SLUG = 40
_HEAD_BYTES = 1 << 16
_COMMENT = re.compile(r"#\s*([A-Za-z_]\w*)\s*[:=]\s*(.*\S)\s*")
#: Between 2001 and 2096 a number of seconds is taken for a date, as `time_s` since 1970.
_EPOCH_S = (1.0e9, 4.0e9)


def plain(text: str) -> str:
    r"""Return a text without anything that would act on a terminal or hide in a name.

    >>> plain("two\tpeople\x1b[31m \u202e!")
    'two people[31m !'
    """
    shown = "".join(
        " " if char.isspace() else char
        for char in unicodedata.normalize("NFC", text)
        # C: control, format (direction marks), surrogate, private, unassigned
        if char.isspace() or unicodedata.category(char)[0] != "C"
    )
    return " ".join(shown.split())


def clean_name(header: str) -> str:
    """Return the name that an ``Upload-Name`` header holds.

    Parameters
    ----------
    header : str
        Percent-encoded UTF-8.

    Returns
    -------
    str
        Without control characters and the ending of a file, at most 80 characters of it.

    Raises
    ------
    ValueError
        No UTF-8, or far too long.

    >>> clean_name("Runde%20%C3%BCber%20Land.csv")
    'Runde über Land'
    """
    if not header.isascii():
        msg = "Upload-Name must be percent-encoded UTF-8"
        raise ValueError(msg)
    if len(header) > _LONGEST_HEADER:
        msg = f"Upload-Name is longer than {_LONGEST_HEADER} bytes"
        raise ValueError(msg)
    try:
        name = plain(unquote_to_bytes(header).decode("utf-8"))
    except UnicodeDecodeError as error:
        msg = "Upload-Name must be percent-encoded UTF-8"
        raise ValueError(msg) from error
    return _ENDING.sub("", name)[:_LONGEST_NAME].rstrip()


def title_of(name: str) -> str:
    """Return what a person called a recording; "" for a name that is only the time of its start.

    >>> title_of("run_2026-05-03_141503"), title_of("towards town_2026-05-03_141503")
    ('', 'towards town')
    """
    title = _STAMP.sub("", name)
    return "" if title.lower() in _NO_NAMES else title


def recording_name(part: Path, key: str, name: str, now_s: float, attempt: int = 0) -> str:
    """Return a file name: when the recording began, some of its id, what people call it.

    Parameters
    ----------
    part : Path
        The recording.
    key : str
        Its id.
    name : str
        As from `clean_name`.
    now_s : float
        Seconds since 1970, for recordings that hold no date.
    attempt : int
        Counts names that were taken: the first other name holds the whole id.
    """
    began = datetime.fromtimestamp(started_s(part) or now_s)
    letters = "".join(c if c.isalnum() else "-" for c in title_of(name))
    slug = re.sub(r"-+", "-", letters)[:_LONGEST_SLUG].strip("-")
    some = key if attempt else key[:8]
    parts = [f"recording-{began:%Y%m%d-%H%M%S}", some, *([slug] if slug else [])]
    return "-".join([*parts, *([str(attempt)] if attempt > 1 else [])]) + ".csv"


def _head(path: Path) -> list[str]:
    with path.open("rb") as handle:
        return handle.read(_HEAD_BYTES).decode("utf-8", "replace").lstrip("\ufeff").splitlines()


def started_s(path: Path) -> float | None:
    """Return the first time of an own table in seconds since 1970; None where it has no date."""
    try:
        lines = [line for line in _head(path) if line.strip() and not line.startswith("#")]
        column = lines[0].split(",").index("time_s")
        first = float(lines[1].split(",")[column])
    except (OSError, ValueError, IndexError):
        return None
    return first if _EPOCH_S[0] <= first <= _EPOCH_S[1] else None


def comments(path: Path) -> dict[str, str]:
    """Return the ``# key = value`` or ``# key: value`` lines before the header of a table; the first of a key counts."""
    found: dict[str, str] = {}
    for line in _head(path):
        if line.strip() and not line.startswith("#"):
            break
        match = _COMMENT.fullmatch(line)
        if match:
            found.setdefault(match[1].lower(), plain(_value(match[2])))
    return found


def _value(text: str) -> str:
    """Return a value that may be quoted as in TOML."""
    if text.startswith('"'):
        with contextlib.suppress(ValueError):
            return str(tomllib.loads(f"value = {text}")["value"])
    return text
