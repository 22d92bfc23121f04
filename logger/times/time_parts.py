"""Cells that hold a date with time or a time of day: what each says, in arrays."""

from __future__ import annotations

import re
from array import array
from collections.abc import Collection, Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["NONE", "TimeParts", "is_clock_text", "is_compact"]

#: Stands for no date and for no zone.
NONE = -(2**31)

_TEXT = re.compile(
    r"\s*(?:[A-Za-z]{3,9},?\s+)?"
    r"(?:(?P<date>\d{1,4}[-/.](?:\d{1,2}|[A-Za-z]{3,9})[-/.]\d{1,4}|\d{8}(?=[T ]))(?:[T_,]|\s)*)?"
    r"(?:(?P<h>\d{1,2})[:\-](?P<m>\d{2})(?:[:\-](?P<s>\d{2})(?:[.,:_](?P<f>\d+))?)?"
    r"|(?<=[T])(?P<hms>\d{6})(?:[.,](?P<f2>\d+))?)?"
    r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
    r"\s*(?P<zone>Z|z|UTC|GMT|(?:UTC|GMT)?[+\-]\d{1,2}(?::?\d{2}(?::?\d{2}(?:\.\d+)?)?)?)?\s*"
)
_COMPACT = re.compile(
    r"((?:19|20)\d\d(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01]))"
    r"((?:[01]\d|2[0-3])[0-5]\d[0-5]\d)\.?(\d{1,9})?",
    re.ASCII,
)
#: No zone is further from UTC [s]; local mean times of the past came to 15:13 h.
_FURTHEST_ZONE_S = 15.5 * 3600
#: Year, not of four zeros, to second, with up to nine decimals, in UTC.
_EVEN = re.compile(r"(?!0000)\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d{1,9})?Z", re.ASCII)


def is_clock_text(text: str) -> bool:
    """Return whether a cell is a date with time, or a time of day."""
    match = _TEXT.fullmatch(_spread(text))
    return match is not None and (match["h"] is not None or match["hms"] is not None)


def is_compact(text: str) -> bool:
    """Return whether a cell is a date and time in digits alone: yyyymmddhhmmss, and milliseconds."""
    return _COMPACT.fullmatch(text) is not None


def _spread(text: str) -> str:
    match = _COMPACT.fullmatch(text)
    if match is None:
        return text
    return f"{match[1]}T{match[2]}.{match[3]}" if match[3] else f"{match[1]}T{match[2]}"


class TimeParts:
    """What a column of times says, row by row, in arrays: one entry for each text that is not blank."""

    def __init__(self) -> None:
        self.count = 0  # texts, blank ones as well
        self.row = array("q")
        self.date = array("q")  # number among `dates`
        self.second_of_day = array("q")
        self.fraction = array("q")
        self.decimals = array("b")  # of the fraction; negative where it is a fourth field
        self.zone_s = array("q")
        self.dates: dict[str, int] = {}
        self.first_row: list[int] = []  # of each date
        self.wrong: list[tuple[int, str]] = []  # row and text of what is no time

    def add_block(self, texts: Sequence[str]) -> None:
        """Take in a block of texts; those that are no time are put aside."""
        if not self._add_even(texts):
            for row, text in enumerate(texts, start=self.count):
                if text and not self._add(row, text):
                    self.wrong.append((row, text))
        self.count += len(texts)

    def drop(self, entries: Collection[int]) -> None:
        """Put entries aside as wrong ones."""
        texts = list(self.dates)
        for k in entries:
            date = self.date[k]
            self.wrong.append(
                (self.row[k], "a time without a date" if date == NONE else texts[date])
            )
        out = set(entries)
        for name in ("row", "date", "second_of_day", "fraction", "decimals", "zone_s"):
            held = getattr(self, name)
            setattr(
                self, name, array(held.typecode, [v for k, v in enumerate(held) if k not in out])
            )
        used = sorted({date for date in self.date if date != NONE})
        number = {old: new for new, old in enumerate(used)}
        self.dates = {texts[old]: new for old, new in number.items()}
        self.first_row = [self.first_row[old] for old in used]
        self.date = array("q", [date if date == NONE else number[date] for date in self.date])

    def _date(self, text: str, row: int) -> int:
        known = self.dates.get(text)
        if known is None:
            known = self.dates[text] = len(self.dates)
            self.first_row.append(row)
        return known

    def _add_even(self, texts: Sequence[str]) -> bool:
        """Take in ISO 8601 date-times in UTC many at a time; return False where others are.

        This is the usual shape; read one by one it would take most of the time of a log.
        """
        if not all(map(_EVEN.fullmatch, texts)):
            return False
        try:
            seconds = np.array([text[:19] for text in texts], dtype="datetime64[s]")
        except ValueError:
            return False  # 30 February, 24:00:00, a leap second: for the careful way
        days = [self._date(text[:10], row) for row, text in enumerate(texts, start=self.count)]
        size = len(texts)
        self.row.extend(range(self.count, self.count + size))
        self.date.extend(days)
        self.second_of_day.extend((seconds.astype(np.int64) % 86_400).tolist())
        self.fraction.extend([int(text[20:-1].ljust(9, "0")) for text in texts])
        self.decimals.frombytes(b"\x09" * size)
        self.zone_s.extend([0] * size)
        return True

    def _add(self, row: int, text: str) -> bool:
        text = _spread(text)
        match = _TEXT.fullmatch(text)
        if match is None:
            return False
        hms = match["hms"]
        if hms is not None:
            hour, minute, second = int(hms[:2]), int(hms[2:4]), int(hms[4:])
        elif match["h"] is not None:
            hour, minute, second = int(match["h"]), int(match["m"]), int(match["s"] or 0)
        else:
            return False
        if match["half"]:
            if not 1 <= hour <= 12:
                return False
            hour = hour % 12 + (12 if match["half"][0] in "Pp" else 0)
        zone_s = _zone_seconds(match["zone"])
        far = zone_s is not None and abs(zone_s) > _FURTHEST_ZONE_S
        if hour > 24 or minute > 59 or second > 60 or far:
            return False
        fraction = (match["f"] or match["f2"] or "")[:9]
        fourth = bool(match["f"]) and text[match.start("f") - 1] == ":"
        self.row.append(row)
        self.date.append(NONE if match["date"] is None else self._date(match["date"], row))
        self.second_of_day.append(hour * 3600 + minute * 60 + second)
        self.fraction.append(int(fraction or 0))
        self.decimals.append(-len(fraction) if fourth else len(fraction))
        self.zone_s.append(NONE if zone_s is None else zone_s)
        return True

    def fractions_ns(self) -> NDArray[np.int64]:
        """Fractions of a second; a fourth field of uneven width counts milliseconds."""
        decimals = np.array(self.decimals, dtype=np.int64)
        fraction = np.array(self.fraction, dtype=np.int64)
        fourth = decimals < 0
        scale: NDArray[np.int64] = 10 ** (9 - np.abs(decimals))
        widths = np.unique(decimals[fourth])
        if widths.size > 1 and widths.min() >= -3:
            scale[fourth] = 1_000_000
        return fraction * scale


def _zone_seconds(text: str | None) -> int | None:
    if text is None:
        return None
    text = text.upper().replace("UTC", "").replace("GMT", "")
    if text in ("", "Z"):
        return 0
    sign = -1 if text[0] == "-" else 1
    digits = text[1:].replace(":", "").split(".")[0]
    if len(digits) % 2:
        digits = "0" + digits  # hours of one digit
    return sign * (int(digits[:2]) * 3600 + int(digits[2:4] or 0) * 60 + int(digits[4:6] or 0))
