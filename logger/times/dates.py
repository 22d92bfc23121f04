"""Dates with times, and times of day, as text -> exact stamps in seconds."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from itertools import islice, pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.rows import Stamps
from logger.times.time_texts import NONE, TimeParts

__all__ = ["text_stamps"]

_EPOCH_DAY = date(1970, 1, 1).toordinal()

_MONTHS = {
    name: number
    for number, name in enumerate(
        ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"),
        start=1,
    )
}
#: Nanoseconds of 285 years fit into 64 bits.
_LONGEST_S = 9.0e9
#: Texts that are looked at together.
_BLOCK = 4096


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
        A cell that is no time, or a day and month that cannot be told apart.
    """

    def refuse(row: int, text: str) -> ReadError:
        return ReadError(
            path,
            f"{text.strip()[:40]!r} in column {header!r} is no time that is understood",
            "a time such as 2024-03-09T10:15:30.250Z",
            "Correct the line, or choose another time column",
            line=line_of(row),
            column=column,
        )

    parts = TimeParts()
    source = iter(texts)
    while block := list(islice(source, _BLOCK)):
        parts.add_block(block, refuse)
    t_s = np.full(parts.count, np.nan)
    if not parts.row:
        return Stamps(t_s, 0, "elapsed", header), []
    findings: list[Finding] = []
    dated = parts.date[0] != NONE
    zone_known = _check_zones(parts, path, header, line_of, column) or in_utc
    days, settled = _days(parts, path, header, line_of, column, findings)
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
    kind: Literal["epoch", "elapsed", "time_of_day"] = "epoch" if dated else "time_of_day"
    if dated and not settled:
        kind = "elapsed"
    return Stamps(t_s, origin_ns, kind, header, zone_known), findings


def _since_first(
    parts: TimeParts, days: Sequence[int], *, dated: bool
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


def _check_zones(
    parts: TimeParts, path: str, header: str, line_of: Callable[[int], int], column: int | None
) -> bool:
    """Tell whether times name their zone; refuse a column where some do and some do not."""
    zoned = np.array(parts.zone_s) != NONE
    if parts.date[0] != NONE and zoned.any() and not zoned.all():
        odd = int(np.argmax(zoned != (zoned.mean() > 0.5)))
        raise ReadError(
            path,
            f"some times in {header!r} have a zone and some have none",
            "a zone on every time, or on none",
            "Correct the line",
            line=line_of(parts.row[odd]),
            column=column,
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
        month = _MONTHS.get(month_text[:3].lower()) or int(month_text)
        year = int(year_text) + (2000 if len(year_text) <= 2 else 0)
        return date(year, month, int(day_text)).toordinal() - _EPOCH_DAY
    except ValueError:
        return None


def _days(
    parts: TimeParts,
    path: str,
    header: str,
    line_of: Callable[[int], int],
    column: int | None,
    findings: list[Finding],
) -> tuple[list[int], bool]:
    """Day numbers of all dates; one date order for the whole column, never row by row."""
    if not parts.dates:
        return [], True
    first_row = dict(zip(parts.dates, parts.first_row, strict=True))
    without = np.array(parts.date) == NONE
    if without.any():
        first_has = not without[0]
        odd = int(np.argmax(without == first_has))
        raise ReadError(
            path,
            f"the time in {header!r} has no date although others have"
            if first_has
            else f"the time in {header!r} has a date although others have none",
            "a date with every time" if first_has else "a date with every time, or with none",
            "Correct the line",
            line=line_of(parts.row[odd]),
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
    return list(readings[order].values()), settled


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
