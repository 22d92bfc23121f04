"""Dates with times, and times of day, as text -> exact stamps in seconds."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.rows import Stamps

__all__ = ["is_clock_text", "is_compact", "text_stamps"]

_DAY_NS = 86_400_000_000_000
_EPOCH_DAY = date(1970, 1, 1).toordinal()

_MONTHS = {
    name: number
    for number, name in enumerate(
        ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"),
        start=1,
    )
}

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
#: Nanoseconds of 285 years fit into 64 bits.
_LONGEST_S = 9.0e9


def is_clock_text(text: str) -> bool:
    """Tell whether a cell is a date with time, or a time of day."""
    match = _TEXT.fullmatch(_spread(text))
    return match is not None and (match["h"] is not None or match["hms"] is not None)


def is_compact(text: str) -> bool:
    """Tell whether a cell is a date and time in digits alone: yyyymmddhhmmss, and milliseconds."""
    return _COMPACT.fullmatch(text) is not None


def _spread(text: str) -> str:
    match = _COMPACT.fullmatch(text)
    if match is None:
        return text
    return f"{match[1]}T{match[2]}.{match[3]}" if match[3] else f"{match[1]}T{match[2]}"


@dataclass(frozen=True, slots=True)
class _Parts:
    row: int
    date: str | None
    second_of_day: int
    fraction: str
    fourth_field: bool
    zone_s: int | None


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


def _parts(row: int, text: str) -> _Parts | None:
    text = _spread(text)
    match = _TEXT.fullmatch(text)
    if match is None:
        return None
    hms = match["hms"]
    if hms is not None:
        hour, minute, second = int(hms[:2]), int(hms[2:4]), int(hms[4:])
    elif match["h"] is not None:
        hour, minute, second = int(match["h"]), int(match["m"]), int(match["s"] or 0)
    else:
        return None
    if match["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if match["half"][0] in "Pp" else 0)
    if hour > 24 or minute > 59 or second > 60:
        return None
    fraction = match["f"] or match["f2"] or ""
    fourth = bool(match["f"]) and text[match.start("f") - 1] == ":"
    zone_s = _zone_seconds(match["zone"])
    if zone_s is not None and abs(zone_s) > _FURTHEST_ZONE_S:
        return None
    return _Parts(row, match["date"], hour * 3600 + minute * 60 + second, fraction, fourth, zone_s)


def text_stamps(
    texts: Sequence[str],
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
    texts : sequence of str
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
        A cell that is no time, or a day and month that cannot be told apart.
    """
    even = _even_utc(texts)
    if even is not None:
        return Stamps(*even, "epoch", header), []
    parts: list[_Parts] = []
    for row, text in enumerate(texts):
        if not text:
            continue
        part = _parts(row, text)
        if part is None:
            raise ReadError(
                path,
                f"{text.strip()[:40]!r} in column {header!r} is no time that is understood",
                "a time such as 2024-03-09T10:15:30.250Z",
                "Correct the line, or choose another time column",
                line=line_of(row),
                column=column,
            )
        parts.append(part)
    t_s = np.full(len(texts), np.nan)
    if not parts:
        return Stamps(t_s, 0, "elapsed", header), []
    findings: list[Finding] = []
    days, settled = _days(parts, path, header, line_of, column, findings)
    fraction_ns = _fractions_ns(parts)
    ns = [
        days[i] * _DAY_NS + (part.second_of_day - (part.zone_s or 0)) * 1_000_000_000 + fraction
        for i, (part, fraction) in enumerate(zip(parts, fraction_ns, strict=True))
    ]
    dated = parts[0].date is not None
    if not dated:
        ns = _over_midnight(ns)
    zoned = sum(part.zone_s is not None for part in parts)
    if dated and zoned not in (0, len(parts)):
        odd = next(p for p in parts if (p.zone_s is None) == (zoned > len(parts) / 2))
        raise ReadError(
            path,
            f"some times in {header!r} have a zone and some have none",
            "a zone on every time, or on none",
            "Correct the line",
            line=line_of(odd.row),
            column=column,
        )
    zone_known = zoned > 0 or in_utc
    if dated and not zone_known:
        findings.append(
            Finding(
                "zone_unknown",
                "warning",
                f"The times in {header!r} name no time zone. The times between samples are used; "
                "another file cannot be lined up with this one by its date and time.",
                path=path,
                line=line_of(parts[0].row),
                count=len(parts),
            )
        )
    origin_ns = ns[0]
    rows = np.fromiter((part.row for part in parts), dtype=np.intp, count=len(parts))
    t_s[rows] = np.array([value - origin_ns for value in ns], dtype=np.float64) * 1e-9
    kind: Literal["epoch", "elapsed", "time_of_day"] = "epoch" if dated else "time_of_day"
    if dated and not settled:
        kind = "elapsed"
    return Stamps(t_s, origin_ns, kind, header, zone_known), findings


def _even_utc(texts: Sequence[str]) -> tuple[NDArray[np.float64], int] | None:
    """Read a column of nothing but ISO 8601 date-times in UTC, many at a time; None for others.

    This is the usual shape; read one by one it would take most of the time and memory of a log.
    """
    if not texts or not all(map(_EVEN.fullmatch, texts)):
        return None
    try:
        seconds = np.array([text[:19] for text in texts], dtype="datetime64[s]").astype(np.int64)
    except ValueError:
        return None  # 30 February, 24:00:00, a leap second: told by the careful way
    fractions = np.array([int(text[20:-1].ljust(9, "0")) for text in texts], dtype=np.int64)
    if np.ptp(seconds) > _LONGEST_S:
        return None
    ns = (seconds - seconds[0]) * 1_000_000_000 + (fractions - fractions[0])
    origin_ns = int(seconds[0]) * 1_000_000_000 + int(fractions[0])
    return ns.astype(np.float64) * 1e-9, origin_ns


def _fractions_ns(parts: list[_Parts]) -> list[int]:
    """Fractions of a second; a fourth field after ':' without leading zeros counts milliseconds."""
    widths = {len(part.fraction) for part in parts if part.fourth_field}
    milliseconds = len(widths) > 1 and max(widths) <= 3
    return [
        int(part.fraction) * 1_000_000
        if milliseconds and part.fourth_field
        else int(part.fraction[:9].ljust(9, "0"))
        for part in parts
    ]


def _over_midnight(ns: list[int]) -> list[int]:
    """Add a day wherever a time of day falls by more than half a day."""
    out = []
    shift = 0
    last = ns[0]
    for value in ns:
        if value + shift < last - _DAY_NS // 2:
            shift += _DAY_NS
        out.append(value + shift)
        last = value + shift
    return out


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
        month = _MONTHS.get(month_text[:3].lower()) or int(month_text)
        year = int(year_text) + (2000 if len(year_text) <= 2 else 0)
        return date(year, month, int(day_text)).toordinal() - _EPOCH_DAY
    except ValueError:
        return None


def _days(
    parts: list[_Parts],
    path: str,
    header: str,
    line_of: Callable[[int], int],
    column: int | None,
    findings: list[Finding],
) -> tuple[list[int], bool]:
    """Day numbers of all rows; one date order for the whole column, never row by row."""
    first_row: dict[str, int] = {}
    for part in parts:
        if part.date is not None:
            first_row.setdefault(part.date, part.row)
        elif first_row:
            raise ReadError(
                path,
                f"the time in {header!r} has no date although others have",
                "a date with every time",
                "Correct the line",
                line=line_of(part.row),
                column=column,
            )
    if not first_row:
        return [0] * len(parts), True
    if parts[0].date is None:
        row = next(iter(first_row.values()))
        raise ReadError(
            path,
            f"the time in {header!r} has a date although others have none",
            "a date with every time, or with none",
            "Correct the line",
            line=line_of(row),
            column=column,
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
        raise ReadError(
            path,
            f"{text!r} in column {header!r} is no date in the order of the other rows",
            "one order of day, month and year in the whole column",
            "Correct the line",
            line=line_of(first_row[text]),
            column=column,
        )
    settled = True
    if len(readings) == 2:
        order, settled = _choose_order(readings, first_row, path, header, line_of, column)
        if not settled:
            findings.append(
                Finding(
                    "date_order_unknown",
                    "note",
                    f"The dates in {header!r} read as well day first as month first. All rows "
                    "carry one date, so the times between samples are right either way; the date "
                    "is not used.",
                    path=path,
                )
            )
    else:
        order = next(iter(readings))
    chosen = readings[order]
    return [chosen[part.date or ""] for part in parts], settled


def _choose_order(
    readings: dict[_Order, dict[str, int]],
    first_row: dict[str, int],
    path: str,
    header: str,
    line_of: Callable[[int], int],
    column: int | None,
) -> tuple[_Order, bool]:
    """Choose day first or month first where both read: the one whose days follow each other."""
    day_first = list(readings["dmy"].values())
    month_first = list(readings["mdy"].values())
    if day_first == month_first:
        return "dmy", True
    if len(first_row) == 1:
        return "dmy", False

    def fits(days: list[int]) -> bool:
        return all(0 <= b - a <= 1 for a, b in pairwise(days))

    if fits(day_first) != fits(month_first):
        return ("dmy" if fits(day_first) else "mdy"), True
    second = list(first_row.values())[1]
    raise ReadError(
        path,
        f"the dates in column {header!r} read as well day first as month first",
        "dates such as 2024-03-09, or a day above 12",
        "Choose another time column, or rewrite the dates",
        line=line_of(second),
        column=column,
    )
