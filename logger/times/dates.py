"""Dates with times, and times of day, as text -> exact stamps in seconds."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice, pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding, are_few, counted, first_few
from logger.rows import Stamps
from logger.times.time_parts import NONE, TimeParts

__all__ = ["text_stamps"]

_EPOCH_DAY = date(1970, 1, 1).toordinal()
_MONTHS = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
#: Nanoseconds of 285 years fit into 64 bits.
_LONGEST_S = 9.0e9
#: Texts that are looked at together.
_BLOCK = 4096
#: Cells that are no time after which no more are read: the column is no time.
_MANY_WRONG = 100_000


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
    parts = TimeParts()
    source = iter(texts)
    while block := list(islice(source, _BLOCK)):
        parts.add_block(block)
        if len(parts.wrong) > _MANY_WRONG:
            break
    t_s = np.full(parts.count, np.nan)
    if not parts.row and not parts.wrong:
        return Stamps(t_s=t_s, origin_ns=0, kind="elapsed", described=header), []
    findings: list[Finding] = []
    _leave_out_wrong(parts, place, findings)
    dated = parts.date[0] != NONE
    zone_known = _check_zones(parts, place) or in_utc
    days, settled = _days(parts, place, findings)
    if dated and not zone_known:
        findings.append(
            Finding(
                kind="zone_unknown",
                severity="warning",
                text=f"The times in {header!r} name no time zone. The times between samples are used; "
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


def _leave_out_wrong(parts: TimeParts, place: _Place, findings: list[Finding]) -> None:
    """Name a few cells that are no time, or no date as the others, which are left out; refuse more."""
    total = len(parts.row) + len(parts.wrong)
    dateless = [k for k, date in enumerate(parts.date) if (date == NONE) != (parts.date[0] == NONE)]
    if dateless and are_few(len(dateless), total):
        parts.drop(dateless)
    number = _usual_order(parts)
    broken = [] if number is None else [k for k, date in enumerate(parts.date) if date in number]
    if broken and are_few(len(broken), total):
        parts.drop(broken)
    if not parts.wrong:
        return
    parts.wrong.sort()
    first, text = parts.wrong[0]
    cell = text.strip()[:40]
    if not parts.row or not are_few(len(parts.wrong), total):
        raise place.error(
            first,
            f"{cell!r} in column {place.header!r} is no time that is understood",
            "a time such as 2024-03-09T10:15:30.250Z",
            "Correct the line, or choose another time column",
        )
    lines = first_few([place.line_of(row) for row, _ in parts.wrong[:6]])
    findings.append(
        Finding(
            kind="bad_time",
            severity="warning",
            text=f"Left out: {counted(len(parts.wrong), 'row')} whose time in {place.header!r} is not "
            f"understood, as {cell!r} (line {lines}).",
            path=place.path,
            line=place.line_of(first),
            count=len(parts.wrong),
        )
    )


def _usual_order(parts: TimeParts) -> set[int] | None:
    """Return the numbers of dates that no order with most of the rows can read; None where all can."""
    texts = list(parts.dates)
    if not texts:
        return None
    counts = np.bincount([date for date in parts.date if date != NONE], minlength=len(texts))
    broken = [
        {k for k, text in enumerate(texts) if _day_number(text, order) is None}
        for order in ("ymd", "dmy", "mdy")
    ]
    best = min(broken, key=lambda group: sum(int(counts[k]) for k in group))
    return best or None


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


def _check_zones(parts: TimeParts, place: _Place) -> bool:
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


def _days(parts: TimeParts, place: _Place, findings: list[Finding]) -> tuple[list[int], bool]:
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
                    kind="date_order_unknown",
                    severity="note",
                    text=f"The dates in {place.header!r} read as well day first as month first. All rows "
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
