"""Dates with times, and times of day, as text -> exact stamps in seconds."""

from __future__ import annotations

import re
from array import array
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice, pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.rows import Stamps

__all__ = ["is_clock_text", "is_compact", "text_stamps"]

_EPOCH_DAY = date(1970, 1, 1).toordinal()
_MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
#: Nanoseconds of 285 years fit into 64 bits.
_LONGEST_S = 9.0e9
#: Texts that are looked at together.
_BLOCK = 4096
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where a column of times stands, for messages."""

    path: str
    header: str
    line_of: Callable[[int], int]
    column: int | None

    def error(self, row: int, found: str, expected: str, remedy: str) -> ReadError:
        """Return the refusal of a row."""
        return ReadError(
            self.path, found, expected, remedy, line=self.line_of(row), column=self.column
        )


def text_stamps(
    texts: Iterable[str],
    path: str,
    header: str,
    line_of: Callable[[int], int],
    *,
    column: int | None = None,
    in_utc: bool = False,
) -> tuple[Stamps, list[Finding]]:
    """Turn dates with times, or times of day, into exact stamps.

    Parameters
    ----------
    texts : iterable of str
        One cell per row; "" where the row has none.
    path, header, line_of, column
        For messages: file, column name, line of a row, column number.
    in_utc : bool
        True when the header says that times without a zone are UTC.

    Returns
    -------
    Stamps
        Epoch for dates, time of day otherwise.
    list of Finding
        Unknown zone, date order that does not matter.

    Raises
    ------
    ReadError
        A cell that is no time, or days that may as well be months.
    """
    place = _Place(path=path, header=header, line_of=line_of, column=column)
    parts = _TimeParts()
    source = iter(texts)
    while block := list(islice(source, _BLOCK)):
        row = parts.add_block(block)
        if row is not None:
            cell = block[row - parts.count].strip()[:40]
            raise place.error(
                row,
                f"{cell!r} in column {header!r} is no time that is understood",
                "a time such as 2024-03-09T10:15:30.250Z",
                "Correct the line, or choose another time column",
            )
    t_s = np.full(parts.count, np.nan)
    if not parts.row:
        return Stamps(t_s=t_s, origin_ns=0, kind="elapsed", described=header), []
    findings: list[Finding] = []
    dated = parts.date[0] != NONE
    zone_known = _check_zones(parts, place) or in_utc
    days, settled = _days(parts, place, findings)
    if dated and not zone_known:
        findings.append(
            Finding(
                "zone_unknown",
                "warning",
                f"The times in {header!r} name no time zone. The times between samples are used; "
                "another file cannot be lined up with this one by its date and time.",
                path=path,
                line=line_of(parts.row[0]),
                count=len(parts.row),
            )
        )
    since_s, fraction_ns, origin_ns = _since_first(parts, days, dated=dated)
    rows = np.array(parts.row, dtype=np.intp)
    if np.abs(since_s).max() < _LONGEST_S:
        t_s[rows] = (since_s * 1_000_000_000 + fraction_ns) * 1e-9
    else:
        t_s[rows] = since_s + fraction_ns * 1e-9
    kind: Literal["epoch", "elapsed", "time_of_day"] = "time_of_day"
    if dated:
        kind = "epoch" if settled else "elapsed"
    return Stamps(
        t_s=t_s, origin_ns=origin_ns, kind=kind, described=header, zone_known=zone_known
    ), findings


def _since_first(
    parts: _TimeParts, days: Sequence[int], *, dated: bool
) -> tuple[NDArray[np.int64], NDArray[np.int64], int]:
    """Return whole seconds and nanoseconds since the first stamp, and the first's own nanoseconds."""
    zones = np.array(parts.zone_s, dtype=np.int64)
    zones[zones == NONE] = 0
    seconds = np.array(parts.second_of_day, dtype=np.int64) - zones
    if dated:
        seconds += np.array(days, dtype=np.int64)[np.array(parts.date)] * 86_400
    elif seconds.size > 1:  # a day more wherever a time of day falls by more than half a day
        seconds[1:] += np.cumsum(np.diff(seconds) < -43_200) * 86_400
    fraction_ns = parts.fractions_ns()
    origin_ns = int(seconds[0]) * 1_000_000_000 + int(fraction_ns[0])
    return seconds - seconds[0], fraction_ns - fraction_ns[0], origin_ns


def _check_zones(parts: _TimeParts, place: _Place) -> bool:
    """Return whether times name their zone; refuse a column where some do and some do not."""
    zoned = np.array(parts.zone_s) != NONE
    if parts.date[0] != NONE and zoned.any() and not zoned.all():
        odd = int(np.argmax(zoned != (zoned.mean() > 0.5)))
        raise place.error(
            parts.row[odd],
            f"some times in {place.header!r} have a zone and some have none",
            "a zone on every time, or on none",
            "Correct the line",
        )
    return bool(zoned.any())


_Order = Literal["ymd", "dmy", "mdy"]


def _day_number(text: str, order: _Order) -> int | None:
    """Days since 1970 of a date text read in `order`, or None where that is no date."""
    if len(text) == 8 and text.isdecimal():
        fields = [text[:4], text[4:6], text[6:]]
        order = "ymd"
    else:
        fields = re.split(r"[-/.]", text)
    year_text, month_text, day_text = {
        "ymd": (fields[0], fields[1], fields[2]),
        "dmy": (fields[2], fields[1], fields[0]),
        "mdy": (fields[2], fields[0], fields[1]),
    }[order]
    try:
        word = month_text[:3].lower()
        month = _MONTHS.index(word) + 1 if word in _MONTHS else int(month_text)
        year = int(year_text) + (2000 if len(year_text) <= 2 else 0)
        return date(year, month, int(day_text)).toordinal() - _EPOCH_DAY
    except ValueError:
        return None


def _days(parts: _TimeParts, place: _Place, findings: list[Finding]) -> tuple[list[int], bool]:
    """Day numbers of all dates; one date order for the whole column, never row by row."""
    if not parts.dates:
        return [], True
    first_row = dict(zip(parts.dates, parts.first_row, strict=True))
    without = np.array(parts.date) == NONE
    if without.any():
        first_has = not without[0]
        odd = int(np.argmax(without == first_has))
        raise place.error(
            parts.row[odd],
            f"the time in {place.header!r} has no date although others have"
            if first_has
            else f"the time in {place.header!r} has a date although others have none",
            "a date with every time" if first_has else "a date with every time, or with none",
            "Correct the line",
        )
    readings: dict[_Order, dict[str, int]] = {}
    year_first = len(re.split(r"[-/.]", next(iter(first_row)))[0]) >= 3
    orders: tuple[_Order, ...] = ("ymd",) if year_first else ("dmy", "mdy")
    wrong: dict[_Order, str] = {}
    for order in orders:
        reading: dict[str, int] = {}
        for text in first_row:
            number = _day_number(text, order)
            if number is None:
                wrong.setdefault(order, text)
                break
            reading[text] = number
        else:
            readings[order] = reading
    if not readings:
        text = max(wrong.values(), key=lambda value: first_row[value])
        raise place.error(
            first_row[text],
            f"{text!r} in column {place.header!r} is no date in the order of the other rows",
            "one order of day, month and year in the whole column",
            "Correct the line",
        )
    order, settled = next(iter(readings)), True
    if len(readings) == 2:
        order, settled = _choose_order(readings, first_row, place)
        if not settled:
            findings.append(
                Finding(
                    "date_order_unknown",
                    "note",
                    f"The dates in {place.header!r} read as well day first as month first. All rows "
                    "carry one date, so the times between samples are right either way; the date "
                    "is not used.",
                    path=place.path,
                )
            )
    return list(readings[order].values()), settled


def _choose_order(
    readings: dict[_Order, dict[str, int]], first_row: dict[str, int], place: _Place
) -> tuple[_Order, bool]:
    """Of two orders that can both be read, take the one whose days follow each other."""
    day_first = list(readings["dmy"].values())
    month_first = list(readings["mdy"].values())
    if day_first == month_first:
        return "dmy", True
    if len(first_row) == 1:
        return "dmy", False
    fits, other_fits = (
        all(0 <= b - a <= 1 for a, b in pairwise(days)) for days in (day_first, month_first)
    )
    if fits != other_fits:
        return ("dmy" if fits else "mdy"), True
    second = list(first_row.values())[1]
    raise place.error(
        second,
        f"the dates in column {place.header!r} read as well day first as month first",
        "dates such as 2024-03-09, or a day above 12",
        "Choose another time column, or rewrite the dates",
    )


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


class _TimeParts:
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

    def add_block(self, texts: Sequence[str]) -> int | None:
        """Take in a block of texts; return the row of the first that is no time, if any."""
        if not self._add_even(texts):
            for row, text in enumerate(texts, start=self.count):
                if text and not self._add(row, text):
                    return row
        self.count += len(texts)
        return None

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
