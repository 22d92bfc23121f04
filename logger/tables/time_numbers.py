"""A numeric time column: its unit, and its stamps; or stamps of rows that come at a stated rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.rows import NUMBER, Stamps
from logger.scans import all_finite, any_finite, extremes
from logger.tables.cells import Grid
from logger.tables.headers import Meaning
from logger.times.stamps import looks_like_epoch, numeric_stamps, since_2001
from logger.times.time_parts import is_compact
from logger.units import find_unit

__all__ = [
    "TimeCandidate",
    "all_numbers",
    "best_numbers",
    "even_times",
    "long_whole_times",
    "numeric_times",
    "steps_back",
]

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
class TimeCandidate:
    """A column named like a time; `dated` where its texts hold a date, `digits` for hhmmss."""

    index: int
    meaning: Meaning
    stated: bool
    dated: bool = True
    digits: bool = False


def numeric_times(grid: Grid, candidates: list[tuple[int, Meaning, bool]]) -> list[int]:
    """Return the columns among `candidates` that begin with numbers: to be read with the others."""
    return [
        index
        for index, meaning, _ in candidates
        if meaning.role == "time" and all_numbers(grid.peek(index), meaning)
    ]


def all_numbers(cells: list[str], meaning: Meaning) -> bool:
    """Return whether the first cells of a column are numbers, and no date in digits alone."""
    if meaning.unit is None and len(cells) > 1 and all(is_compact(cell) for cell in cells):
        return False
    wrong = sum(NUMBER.fullmatch(cell) is None for cell in cells)
    return bool(cells) and 10 * wrong <= len(cells)


def long_whole_times(grid: Grid, indices: Sequence[int]) -> list[int]:
    """Return those columns that begin with whole numbers of more digits than a float holds."""
    return [
        index
        for index in indices
        if (cells := grid.peek(index))
        and all(c.isdecimal() and 16 <= len(c) <= 19 and int(c) < _LARGEST for c in cells)
    ]


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


def _decimals(cells: list[str]) -> int | None:
    """Return the most digits behind a decimal mark; None where cells have an exponent."""
    most = 0
    for cell in cells:
        whole, _, fraction = cell.lstrip("+-").replace(",", ".").partition(".")
        if not (whole + fraction).isdecimal():
            return None
        most = max(most, len(fraction))
    return most


def steps_back(t_s: NDArray[np.float64]) -> bool:
    """Return whether a stamp lies before the one above it."""
    known = t_s[np.isfinite(t_s)]
    return bool((known[1:] < known[:-1]).any())


def _rising(t_s: NDArray[np.float64]) -> int:
    known = t_s[np.isfinite(t_s)]
    return int((known[1:] > known[:-1]).sum())


def best_numbers(
    grid: Grid,
    numbers: list[TimeCandidate],
    values: dict[int, NDArray[np.float64]],
    whole: dict[int, NDArray[np.int64]],
    fast_rows: bool,
) -> tuple[Stamps, list[Finding]] | None:
    """Return the stamps of the best of these columns, the best named first; None for blank ones."""
    known = [c for c in numbers if any_finite(values[c.index])]
    if not known:
        return None
    finest = max(_rising(values[c.index]) for c in known) if len(known) > 1 else 0
    fine = [c for c in known if c.meaning.score >= 9 or 2 * _rising(values[c.index]) >= finest]
    chosen = next(
        (c for c in fine if c.meaning.score >= 9 or not steps_back(values[c.index])), fine[0]
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
    grid: Grid, chosen: TimeCandidate, raw: NDArray[np.float64], factor_s: float
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
    chosen: TimeCandidate,
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
