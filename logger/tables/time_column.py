"""Which of a table's columns is the time, and in which unit."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.rows import NUMBER, Stamps
from logger.tables.cells import Grid
from logger.tables.headers import FOREIGN, Meaning
from logger.tables.time_numbers import TimeCandidate, all_numbers, best_numbers, steps_back
from logger.times.clock_cells import (
    is_clock_digits,
    is_minutes,
    minutes_are_meant,
    with_colons,
    with_hours,
)
from logger.times.dates import text_stamps
from logger.times.time_parts import is_clock_text, is_compact

__all__ = ["choose_time"]

_DATE_ONLY = re.compile(r"\d{1,4}[-/.](?:\d{1,2}|[A-Za-z]{3,9})[-/.]\d{1,4}|\d{8}")
_DATED = re.compile(r".*\d[-/.](?:\d{1,2}|[A-Za-z]{3,9})[-/.]\d.*|\d{8}T.*")


def choose_time(
    grid: Grid,
    candidates: list[tuple[int, Meaning, bool]],
    values: dict[int, NDArray[np.float64]],
    whole: dict[int, NDArray[np.int64]],
    *,
    fast_rows: bool,
) -> tuple[Stamps, list[Finding]]:
    """Choose and read the time column.

    The order: the user's choice; ``time_s``; numbers (named UTC, then unnamed, then local);
    dates with times in the same order; a date column with a time-of-day column; time of day alone.
    A column whose stamps rise in fewer than half as many rows as those of a later one is passed
    over: whole seconds beside milliseconds.

    Parameters
    ----------
    grid : Grid
        The table.
    candidates : list of (column index, Meaning, unit stated by the user)
        Columns named like times or dates.
    values : dict of int to array of shape (n,)
        Columns already read; those of `numeric_times` must be among them unless unreadable.
    whole : dict of int to array of int of shape (n,)
        Those of them that were read as whole numbers.
    fast_rows : bool
        True where rows hold accelerations, which come many times a second.

    Returns
    -------
    Stamps
        Of all rows.
    list of Finding
        What was assumed.

    Raises
    ------
    ReadError
        No time column, or a unit that nothing shows.
    """
    own = [c for c in candidates if c[1].score > FOREIGN]
    dates = [c for c in candidates if _cells_are(grid, c[0], _DATE_ONLY.fullmatch)]
    for group in (own, [c for c in candidates if c not in own]):
        kinds = _kinds(grid, group, values, dated=bool(dates))
        if group is not own and len(kinds.all) > 1:
            kinds = _only_rising(grid, kinds, values)
        stamps = _stamps_of(grid, kinds, dates, values, whole, fast_rows)
        if stamps is not None:
            return stamps
    raise _no_time(grid, candidates)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kinds:
    """Columns that may be the time: numbers, and texts, the best named first."""

    numbers: list[TimeCandidate]
    texts: list[TimeCandidate]

    @property
    def all(self) -> list[TimeCandidate]:
        """Both kinds."""
        return [*self.numbers, *self.texts]


def _cells_are(grid: Grid, index: int, test: Callable[[str], object]) -> bool:
    """Return whether the first cells of a column pass a test, but for a bad one among ten."""
    cells = grid.peek(index)
    return bool(cells) and 10 * sum(not test(cell) for cell in cells) <= len(cells)


def _kinds(
    grid: Grid,
    candidates: list[tuple[int, Meaning, bool]],
    values: dict[int, NDArray[np.float64]],
    *,
    dated: bool,
) -> _Kinds:
    """Sort columns named like times into numbers and texts."""
    numbers: list[TimeCandidate] = []
    texts: list[TimeCandidate] = []
    for index, meaning, stated in candidates:
        cells = grid.peek(index)
        if not cells:
            continue
        if meaning.role == "time" and all_numbers(cells, meaning):
            if index in values:
                numbers.append(TimeCandidate(index=index, meaning=meaning, stated=stated))
        elif _cells_are(grid, index, lambda cell: is_clock_text(cell) or is_minutes(cell)):
            first = next(cell for cell in cells if is_clock_text(cell) or is_minutes(cell))
            has_date = _DATED.fullmatch(first) is not None or is_compact(first)
            texts.append(TimeCandidate(index=index, meaning=meaning, stated=stated, dated=has_date))
        elif meaning.score >= 9 and not _cells_are(grid, index, _DATE_ONLY.fullmatch):
            # refused with its line below
            texts.append(TimeCandidate(index=index, meaning=meaning, stated=stated))
    clock_like = [
        c
        for c in numbers
        if c.meaning.unit is None
        and is_clock_digits(grid.peek(c.index), values[c.index], beside_dates=dated)
    ]
    numbers = [c for c in numbers if c not in clock_like]
    texts += [replace(c, dated=False, digits=True) for c in clock_like]
    numbers.sort(key=lambda c: -c.meaning.score)
    texts.sort(key=lambda c: (c.meaning.score < 9, not c.dated, -c.meaning.score))
    return _Kinds(numbers=numbers, texts=texts)


def _only_rising(grid: Grid, kinds: _Kinds, values: dict[int, NDArray[np.float64]]) -> _Kinds:
    """Of columns that are times of something, keep the one that rises in every row; else refuse."""
    steps = {c.index: np.diff(values[c.index]) for c in kinds.numbers}
    good = [c for c in kinds.numbers if (steps[c.index] > 0).all()]
    if len(good) == 1:
        return _Kinds(numbers=good, texts=[])
    a, b = kinds.all[:2]
    odd = ""
    for c in kinds.numbers:
        back = np.flatnonzero(steps[c.index] < 0)
        if back.size:
            odd = f"; {grid.name(c.index)!r} steps back in line {grid.lines[int(back[0]) + 1]}"
            break
    raise ReadError(
        grid.path,
        f"columns {grid.name(a.index)!r} and {grid.name(b.index)!r} (columns {a.index + 1} and "
        f"{b.index + 1}) could both be the time{odd}",
        "one of them",
        f'Choose: --column time_s="{grid.name(a.index)}"',
        line=grid.header_line,
        column=b.index + 1,
    )


def _stamps_of(
    grid: Grid,
    kinds: _Kinds,
    dates: list[tuple[int, Meaning, bool]],
    values: dict[int, NDArray[np.float64]],
    whole: dict[int, NDArray[np.int64]],
    fast_rows: bool,
) -> tuple[Stamps, list[Finding]] | None:
    """Return the stamps of the best of these columns, None where there are none."""
    texts = kinds.texts
    if texts and texts[0].meaning.score >= 9:
        return _from_texts(grid, texts[0], dates)
    best = best_numbers(grid, kinds.numbers, values, whole, fast_rows) if kinds.numbers else None
    if best is not None and (not texts or not steps_back(best[0].t_s)):
        return best
    read = (_from_texts(grid, text, dates) for text in texts)
    first = next(read, None)
    if first is None or not steps_back(first[0].t_s):
        return first
    return next((other for other in read if not steps_back(other[0].t_s)), best or first)


def _no_time(grid: Grid, candidates: list[tuple[int, Meaning, bool]]) -> ReadError:
    for index, _, _ in candidates:
        cells = grid.peek(index)
        wrong = next((c for c in cells if not (NUMBER.fullmatch(c) or is_clock_text(c))), None)
        if wrong is not None:
            marks = re.fullmatch(r"\d{1,3}(?:[.,'\u2019\s]\d{3})+(?:[.,]\d*)?", wrong) is not None
            return ReadError(
                grid.path,
                f"column {grid.name(index)!r} holds {wrong[:40]!r}"
                + (": a number with thousands marks" if marks else ""),
                "a number, or a time such as 2024-03-09T10:15:30.250Z",
                "Export the numbers without thousands marks"
                if marks
                else 'Choose another time column: --column time_s="NAME"',
                line=grid.lines[grid.texts(index).index(wrong)],
                column=index + 1,
            )
    names = ", ".join(repr(name.strip()) for name in grid.header if name.strip())[:300]
    return ReadError(
        grid.path,
        f"no time column; the columns are {names or 'without names'}",
        "a column such as time_s, timestamp_ms or a date with time",
        'Say which it is: --column time_s="NAME" --unit time_s=ms; or, where rows come at an even '
        "rate and nothing else is known, state it: --rate-hz 50",
        line=grid.header_line,
    )


def _from_texts(
    grid: Grid, chosen: TimeCandidate, dates: list[tuple[int, Meaning, bool]]
) -> tuple[Stamps, list[Finding]]:
    cells: Iterator[str] = chain.from_iterable(grid.pieces(chosen.index))
    header = grid.name(chosen.index).strip()
    if chosen.digits:
        cells = (with_colons(cell) for cell in cells)
    notes = []
    if not chosen.dated and _cells_are(grid, chosen.index, is_minutes):
        if minutes_are_meant(grid.texts(chosen.index), header):
            cells = (with_hours(cell) for cell in cells)
            notes.append(_minutes_read(grid, header))
    elif not chosen.dated and dates:
        date = min(dates, key=lambda c: -c[1].score)[0]
        days = chain.from_iterable(grid.pieces(date))
        cells = (f"{day} {cell}" if cell else "" for day, cell in zip(days, cells, strict=True))
        header = f"{grid.name(date).strip()} and {header}"
    stamps, more = text_stamps(
        cells,
        grid.path,
        header,
        lambda row: grid.lines[row],
        column=chosen.index + 1,
        in_utc=chosen.meaning.utc,
    )
    return stamps, [*notes, *more]


def _minutes_read(grid: Grid, header: str) -> Finding:
    return grid.finding(
        "minutes_and_seconds",
        "note",
        f"Column {header!r} is read as minutes and seconds: as hours and minutes its rows would come "
        "60 times as slowly as any receiver's.",
    )
