"""Times of day and stop-watch times in the cells of a table, in digits alone or as minutes and seconds."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["is_clock_digits", "is_minutes", "minutes_are_meant", "with_colons", "with_hours"]

_CLOCK_DIGITS = re.compile(r"(\d{1,6})(?:[.,]\d*)?", re.ASCII)
_MINUTES = re.compile(r"(\d{1,3}):([0-5]\d(?:[.,]\d+)?)", re.ASCII)
#: A leap of hhmmss that is a small step of time [digits, s].
_LEAP, _SMALL_S = 40, 30.0
#: Rows for each stamp above which stamps are minutes: a log has at least a row in two seconds.
_ROWS_A_MINUTE = 30
#: A stop watch begins near zero [its larger field].
_NEAR_ZERO = 5


def is_clock_digits(
    cells: Sequence[str], values: NDArray[np.float64], *, beside_dates: bool
) -> bool:
    """Return whether numbers such as 101530.25 are times of day, hhmmss, and no count of seconds.

    No minute or second of theirs is above 59, and they leap from 59 to 100 as no count does; a date
    beside them says as much where they do not last so long.
    """
    found = [_CLOCK_DIGITS.fullmatch(cell) for cell in cells]
    if None in found:
        return False
    known = values[np.isfinite(values)]
    minutes, seconds = known // 100 % 100, known % 100
    if known.max() >= 240_000 or minutes.max() >= 60 or seconds.max() >= 60:
        return False
    steps = np.diff(known)
    true_s = np.diff(known // 10_000 * 3600 + minutes * 60 + seconds) % 86_400
    leaps = (np.abs(steps) >= _LEAP) & (true_s <= _SMALL_S)
    if leaps.any():
        return True
    return beside_dates and all(match is not None and len(match[1]) == 6 for match in found)


def with_colons(cell: str) -> str:
    """Return 101530.25 as 10:15:30.25."""
    whole, mark, fraction = cell.replace(",", ".").partition(".")
    if not whole.isdecimal():
        return cell
    whole = whole.zfill(6)
    return f"{whole[:-4]}:{whole[-4:-2]}:{whole[-2:]}{mark if fraction else ''}{fraction}"


def is_minutes(cell: str) -> bool:
    """Return whether a cell has two fields, hours and minutes or minutes and seconds."""
    return _MINUTES.fullmatch(cell.strip()) is not None


def minutes_are_meant(cells: Sequence[str], header: str) -> bool:
    """Return whether cells of two fields are minutes and seconds.

    They are with a fraction, or beyond 23. Else the rate of rows shows it where they count from
    zero: one row for each stamp would be one in a minute.
    """
    found = [match for cell in cells if (match := _MINUTES.fullmatch(cell.strip()))]
    if any("." in m[2] or "," in m[2] or int(m[1]) > 23 for m in found):
        return True
    stamps = [m[0] for m in found]
    distinct = 1 + sum(a != b for a, b in pairwise(stamps))
    counts = int(found[0][1]) < _NEAR_ZERO or "elapsed" in header.lower()
    return counts and len(stamps) < _ROWS_A_MINUTE * distinct


def with_hours(cell: str) -> str:
    """Return 75:03.5 as 1:15:03.5."""
    match = _MINUTES.fullmatch(cell.strip())
    if match is None:
        return cell
    return f"{int(match[1]) // 60}:{int(match[1]) % 60:02d}:{match[2].replace(',', '.')}"
