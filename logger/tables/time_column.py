"""Which of a table's columns is the time, and in which unit."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.rows import NUMBER, Stamps
from logger.scans import all_finite, any_finite, extremes
from logger.tables.cells import Grid
from logger.tables.headers import Meaning
from logger.times.dates import is_clock_text, is_compact, text_stamps
from logger.times.stamps import looks_like_epoch, numeric_stamps, since_2001
from logger.units import find_unit

__all__ = ["choose_time", "even_times", "long_whole_times", "numeric_times"]

_DATE_ONLY = re.compile(r"\d{1,4}[-/.](?:\d{1,2}|[A-Za-z]{3,9})[-/.]\d{1,4}|\d{8}")
_DATED = re.compile(r".*\d[-/.](?:\d{1,2}|[A-Za-z]{3,9})[-/.]\d.*|\d{8}T.*")
_CLOCK_DIGITS = re.compile(r"(\d{1,6})(?:[.,]\d*)?", re.ASCII)
_UNITS = (("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9))
#: Longest plausible median step [s]: of rows with an accelerometer, and of GPS alone.
_LONGEST_STEP_S = (2.0, 30.0)
#: Shortest plausible mean step [s]: the fastest phone sensors give 500 samples a second.
_SHORTEST_STEP_S = 1e-4
#: The year 2288 in seconds since 1970: nothing counts further.
_LATEST_S = 1e10
#: Nearly the largest whole number of 64 bits.
_LARGEST = 9_200_000_000_000_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    index: int
    meaning: Meaning
    stated: bool
    dated: bool = True
    digits: bool = False  # a time of day as hhmmss


def numeric_times(grid: Grid, candidates: list[tuple[int, Meaning, bool]]) -> list[int]:
    """Return the columns among `candidates` that begin with numbers: to be read with the others."""
    return [
        index
        for index, meaning, _ in candidates
        if meaning.role == "time" and _all_numbers(grid.peek(index), meaning)
    ]


def _all_numbers(cells: list[str], meaning: Meaning) -> bool:
    if meaning.unit is None and len(cells) > 1 and all(is_compact(cell) for cell in cells):
        return False
    return bool(cells) and all(NUMBER.fullmatch(cell) for cell in cells)


def long_whole_times(grid: Grid, indices: Sequence[int]) -> list[int]:
    """Return those columns that begin with whole numbers of more digits than a float holds."""
    return [
        index
        for index in indices
        if (cells := grid.peek(index))
        and all(c.isdecimal() and 16 <= len(c) <= 19 and int(c) < _LARGEST for c in cells)
    ]


def _decimals(cells: list[str]) -> int | None:
    """Return the most digits behind a decimal mark; None where cells have an exponent."""
    most = 0
    for cell in cells:
        whole, _, fraction = cell.lstrip("+-").replace(",", ".").partition(".")
        if not (whole + fraction).isdecimal():
            return None
        most = max(most, len(fraction))
    return most


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
    numbers: list[_Candidate] = []
    texts: list[_Candidate] = []
    dates: list[_Candidate] = []
    for index, meaning, stated in candidates:
        cells = grid.peek(index)
        if not cells:
            continue
        if meaning.role == "time" and _all_numbers(cells, meaning):
            if index in values:
                numbers.append(_Candidate(index=index, meaning=meaning, stated=stated))
        elif all(is_clock_text(cell) for cell in cells):
            dated = _DATED.fullmatch(cells[0]) is not None or is_compact(cells[0])
            texts.append(_Candidate(index=index, meaning=meaning, stated=stated, dated=dated))
        elif all(_DATE_ONLY.fullmatch(cell) for cell in cells):
            dates.append(_Candidate(index=index, meaning=meaning, stated=stated))
        elif meaning.score >= 9:
            texts.append(
                _Candidate(index=index, meaning=meaning, stated=stated)
            )  # refused with its line below
    clock_like = [c for c in numbers if _is_clock_digits(grid, c, values[c.index], bool(dates))]
    numbers = [c for c in numbers if c not in clock_like]
    texts += [replace(c, dated=False, digits=True) for c in clock_like]
    numbers.sort(key=lambda c: -c.meaning.score)
    texts.sort(key=lambda c: (c.meaning.score < 9, not c.dated, -c.meaning.score))
    if texts and texts[0].meaning.score >= 9:
        return _from_texts(grid, texts[0], dates)
    if numbers:
        best = _best_numbers(grid, numbers, values, whole, fast_rows)
        if best is not None:
            return best
    if texts:
        return _from_texts(grid, texts[0], dates)
    raise _no_time(grid, candidates)


def _is_clock_digits(
    grid: Grid, chosen: _Candidate, values: NDArray[np.float64], beside_dates: bool
) -> bool:
    """Return whether numbers such as 101530.25 are times of day, hhmmss, and no count of seconds.

    No minute or second of theirs is above 59, and they leap from 59 to 100 as no count does; a date
    beside them says as much where they do not last so long.
    """
    found = [_CLOCK_DIGITS.fullmatch(cell) for cell in grid.peek(chosen.index)]
    if chosen.meaning.unit is not None or None in found:
        return False
    known = values[np.isfinite(values)]
    minutes, seconds = known // 100 % 100, known % 100
    if known.max() >= 240_000 or minutes.max() >= 60 or seconds.max() >= 60:
        return False
    steps = np.diff(known)
    true_s = np.diff(known // 10_000 * 3600 + minutes * 60 + seconds) % 86_400
    leaps = (np.abs(steps) >= 40) & (true_s <= _LONGEST_STEP_S[1])
    if leaps.any():
        return True
    return beside_dates and all(match is not None and len(match[1]) == 6 for match in found)


def even_times(grid: Grid, rate_hz: float) -> tuple[Stamps, list[Finding]]:
    """Return stamps of a table without any, whose rows come at a stated rate.

    Parameters
    ----------
    grid : Grid
        The table.
    rate_hz : float
        Rows per second [Hz].

    Returns
    -------
    Stamps
        Elapsed, the first row at zero; a row that was left out leaves its time free.
    list of Finding
        What rests on the user's word.
    """
    lines = np.array(grid.lines, dtype=np.int64)
    usual = max(int(np.median(np.diff(lines))), 1) if lines.size > 1 else 1
    t_s = (lines - lines[0]) / (usual * rate_hz)
    note = grid.finding(
        "rate_stated",
        "note",
        f"This table has no time column; its rows are taken to come {rate_hz:g} times a second, as "
        "stated. A row that the recording lost would shift all later ones unseen.",
    )
    return Stamps(
        t_s=t_s, origin_ns=0, kind="elapsed", described=f"row number at {rate_hz:g} Hz"
    ), [note]


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


def _rising(t_s: NDArray[np.float64]) -> int:
    known = t_s[np.isfinite(t_s)]
    return int((known[1:] > known[:-1]).sum())


def _best_numbers(
    grid: Grid,
    numbers: list[_Candidate],
    values: dict[int, NDArray[np.float64]],
    whole: dict[int, NDArray[np.int64]],
    fast_rows: bool,
) -> tuple[Stamps, list[Finding]] | None:
    known = [c for c in numbers if any_finite(values[c.index])]
    if not known:
        return None
    finest = max(_rising(values[c.index]) for c in known) if len(known) > 1 else 0
    chosen = next(
        c for c in known if c.meaning.score >= 9 or 2 * _rising(values[c.index]) >= finest
    )
    raw = values[chosen.index]
    findings: list[Finding] = []
    _refuse_far_times(grid, chosen, raw, 1e-9)
    unit = _unit(grid, chosen, raw, fast_rows, findings)
    factor = find_unit(unit, "time")
    assert factor is not None
    _refuse_far_times(grid, chosen, raw, factor.factor)
    stamps = numeric_stamps(
        raw,
        factor.factor,
        f"{grid.name(chosen.index).strip()} ({unit})",
        lambda: grid.texts(chosen.index),
        decimals=_decimals(grid.peek(chosen.index)),
        whole=whole.get(chosen.index),
    )
    warning = since_2001(stamps, grid.path)
    if warning is not None:
        findings.append(warning)
    return stamps, findings


def _refuse_far_times(
    grid: Grid, chosen: _Candidate, raw: NDArray[np.float64], factor_s: float
) -> None:
    """Refuse a time that no unit of `factor_s` or more can mean."""
    least, most = extremes(raw)
    if max(-least, most) * factor_s <= _LATEST_S:
        return
    row = int(np.nanargmax(np.abs(raw)))
    raise ReadError(
        grid.path,
        f"column {grid.name(chosen.index)!r} holds the time {raw[row]:.6g}",
        "times of a recording",
        "Correct the line, or state the unit: --unit time_s=ms",
        line=grid.lines[row],
        column=chosen.index + 1,
    )


def _unit(
    grid: Grid,
    chosen: _Candidate,
    raw: NDArray[np.float64],
    fast_rows: bool,
    findings: list[Finding],
) -> str:
    """Return the unit of a numeric time: the header's word checked, or from size and steps."""
    known = raw if all_finite(raw) else raw[np.isfinite(raw)]
    first = float(known[0])
    steps = np.diff(known[:20_000])
    steps = steps[steps > 0]
    step = float(np.median(steps)) if steps.size else 0.0
    longest = _LONGEST_STEP_S[0] if fast_rows else _LONGEST_STEP_S[1]
    as_epoch = next((unit for unit, factor in _UNITS if looks_like_epoch(first * factor)), None)
    named = chosen.meaning.unit
    if named is not None:
        found = find_unit(named, "time")
        assert found is not None
        contradicts = (
            as_epoch is not None
            and find_unit(as_epoch, "time") != found
            and not chosen.stated
            and not looks_like_epoch(first * found.factor)
            and not 1e-3 <= step * found.factor <= longest
            and step * dict(_UNITS)[as_epoch] <= longest
        )
        if contradicts:
            raise ReadError(
                grid.path,
                f"column {grid.name(chosen.index)!r} begins with {first:.0f}: {as_epoch} since "
                f"1970, not {named}",
                f"times in {named}",
                f"State the true unit: --unit time_s={as_epoch}",
                line=grid.lines[0],
                column=chosen.index + 1,
            )
        return named
    if as_epoch is not None:
        return as_epoch
    least, most = extremes(known)
    mean = (most - least) / max(known.size - 1, 1)
    for unit, factor in _UNITS:
        if 0.0 < mean < _SHORTEST_STEP_S:
            break  # days, or a fraction of something
        if step * factor <= longest or step == 0.0:
            findings.append(
                grid.finding(
                    "time_unit_assumed",
                    "note" if unit == "s" and step <= _LONGEST_STEP_S[0] else "warning",
                    f"Column {grid.name(chosen.index).strip()!r} names no unit; with a usual step "
                    f"of {step:g} it is read as {unit}. If that is wrong, state it with "
                    "--unit time_s=ms (or s, us, ns).",
                )
            )
            return unit
    raise ReadError(
        grid.path,
        f"column {grid.name(chosen.index)!r} steps by {step:g}: no unit of time fits",
        "times in s, ms, us or ns",
        "State the unit: --unit time_s=ms",
        line=grid.lines[0],
        column=chosen.index + 1,
    )


def _from_texts(
    grid: Grid, chosen: _Candidate, dates: list[_Candidate]
) -> tuple[Stamps, list[Finding]]:
    cells: Iterator[str] = chain.from_iterable(grid.pieces(chosen.index))
    header = grid.name(chosen.index).strip()
    if chosen.digits:
        cells = (_with_colons(cell) for cell in cells)
    if not chosen.dated and dates:
        days = chain.from_iterable(grid.pieces(dates[0].index))
        cells = (f"{day} {cell}" if cell else "" for day, cell in zip(days, cells, strict=True))
        header = f"{grid.name(dates[0].index).strip()} and {header}"
    return text_stamps(
        cells,
        grid.path,
        header,
        lambda row: grid.lines[row],
        column=chosen.index + 1,
        in_utc=chosen.meaning.utc,
    )


def _with_colons(cell: str) -> str:
    """Return 101530.25 as 10:15:30.25."""
    whole, mark, fraction = cell.replace(",", ".").partition(".")
    if not whole.isdecimal():
        return cell
    whole = whole.zfill(6)
    return f"{whole[:-4]}:{whole[-4:-2]}:{whole[-2:]}{mark if fraction else ''}{fraction}"
