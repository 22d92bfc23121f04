"""Names of recordings: for the file, from what a phone says, which is never trusted as a path."""

from __future__ import annotations

import re
import unicodedata
from datetime import datetime
from pathlib import Path
from urllib.parse import unquote_to_bytes

__all__ = ["clean_name", "comments", "plain", "recording_name", "started_s"]

_LONGEST_NAME = 80
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

    Raises
    ------
    ValueError
        No UTF-8, or too long.

    >>> clean_name("Runde%20%C3%BCber%20Land")
    'Runde über Land'
    """
    if not header.isascii():
        msg = "Upload-Name must be percent-encoded UTF-8"
        raise ValueError(msg)
    if len(header) > 12 * _LONGEST_NAME:
        msg = f"Upload-Name has more than {_LONGEST_NAME} characters"
        raise ValueError(msg)
    try:
        name = plain(unquote_to_bytes(header).decode("utf-8"))
    except UnicodeDecodeError as error:
        msg = "Upload-Name must be percent-encoded UTF-8"
        raise ValueError(msg) from error
    if len(name) > _LONGEST_NAME:
        msg = f"Upload-Name has {len(name)} characters; at most {_LONGEST_NAME}"
        raise ValueError(msg)
    return name


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
        Counts names that were taken.
    """
    began = datetime.fromtimestamp(started_s(part) or now_s)
    slug = re.sub(r"-+", "-", "".join(c if c.isalnum() else "-" for c in name))
    slug = slug[:_LONGEST_SLUG].strip("-")
    parts = [f"recording-{began:%Y%m%d-%H%M%S}", key[:8], *([slug] if slug else [])]
    return "-".join([*parts, *([str(attempt + 1)] if attempt else [])]) + ".csv"


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
    """Return the ``# key: value`` lines before the header of a table; the first of a key counts."""
    found: dict[str, str] = {}
    for line in _head(path):
        if line.strip() and not line.startswith("#"):
            break
        match = _COMMENT.fullmatch(line)
        if match:
            found.setdefault(match[1].lower(), plain(match[2]))
    return found
