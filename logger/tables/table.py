"""Delimited logs: header words and units -> `Rows`, by the table in `headers.py`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.formats.speed_units import clock_ratio
from logger.recording import CHANNEL_NAMES
from logger.rows import Column, Mark, Rows, Stamps
from logger.scans import any_finite
from logger.tables.cells import Grid, grid_of
from logger.tables.channels import accel_channels, other_channels
from logger.tables.columns import (
    CRITICAL,
    ColumnChoice,
    Picked,
    header_fits,
    header_names,
    looks_like_speed,
    one_each,
    pick,
)
from logger.tables.time_column import choose_time
from logger.tables.time_numbers import even_times, long_whole_times, numeric_times
from logger.units import find_unit

__all__ = ["ColumnChoice", "header_fits", "header_names", "parse_table"]

#: Marks are set by hand, a few in a run.
_MOST_MARKS = 10_000
#: Between the widest of units (3.6 fold) and minutes for seconds (60 fold).
_CLOCK_FOLD = 30.0


def parse_table(
    path: str,
    data: bytes,
    columns: Mapping[str, ColumnChoice] | None = None,
    *,
    rate_hz: float | None = None,
    advance: Callable[[int], None] | None = None,
) -> Rows:
    """Parse a delimited log.

    Parameters
    ----------
    path : str
        For messages.
    data : bytes
        Whole file.
    columns : mapping, optional
        Own-table column name -> the user's choice; a choice whose header this table lacks is
        ignored here.
    rate_hz : float, optional
        Rows per second, for a table without a time column [Hz].
    advance : callable, optional
        Called with the bytes that are done.

    Returns
    -------
    Rows
        In SI units; nothing filtered, filled or sorted.

    Raises
    ------
    ReadError
        No table, no rows, two columns for one thing, cells that are no numbers, units
        that nothing shows.
    """
    by_number = any((c.header or "").strip().isdecimal() for c in (columns or {}).values())
    single = rate_hz is not None or by_number
    grid = grid_of(path, data, single=single)
    picked = pick(grid, columns or {})
    if not len(grid.lines):
        if not picked:
            raise _nothing(grid)
        has_accel = any(p.meaning.role.startswith("accel") for p in picked)
        has_speed = any(p.meaning.role in CRITICAL for p in picked)
        what = "acceleration samples" if has_accel and not has_speed else "samples"
        raise ReadError(
            path,
            f"no {what} in this file: a header and no rows",
            "at least one row of values",
            "Check that the recording program had permission to use the sensors, and record again",
            line=grid.header_line,
        )
    numeric = [p for p in picked if p.meaning.role not in ("mark", "event", "time", "date")]
    times = [(p.index, p.meaning, p.stated) for p in picked if p.meaning.role in ("time", "date")]
    clocks = numeric_times(grid, times)
    optional = {p.index for p in numeric if _is_optional(p)}
    if len(clocks) > 1:
        optional |= set(clocks)
    values, whole, notes = grid.numbers(
        [*clocks, *(p.index for p in numeric)],
        optional,
        long_whole_times(grid, clocks),
        advance=advance,
    )
    numeric = [p for p in numeric if p.index in values]
    findings = [*grid.findings, *notes]
    faster = any(p.meaning.role.startswith("accel") for p in numeric)
    if rate_hz is not None and not times:
        stamps, time_notes = even_times(grid, rate_hz)
    else:
        stamps, time_notes = choose_time(grid, times, values, whole, fast_rows=faster)
        if rate_hz is not None:
            time_notes = [*time_notes, _rate_unused(grid, rate_hz)]
    findings += time_notes
    numeric = one_each(grid, numeric, values)
    accel, accel_notes = accel_channels(grid, numeric, values, stamps.t_s)
    findings += accel_notes
    measured = [*other_channels(grid, numeric, values, stamps.t_s, findings), *accel]
    if not measured:
        raise _nothing(grid)
    _refuse_other_clock(grid, stamps, measured)
    findings += _interval(grid, numeric, values, stamps.t_s)
    findings += _passed_over(grid, picked)
    arrived = _arrived(grid, numeric, values, stamps.origin_ns, findings, stamps.t_s)
    marks = _marks(grid, picked, findings)
    order = {name: k for k, name in enumerate(CHANNEL_NAMES)}
    return Rows(
        path=path,
        format="table",
        stamps=stamps,
        columns=tuple(sorted(measured, key=lambda column: order[column.name])),
        lines=grid.lines,
        arrived_s=arrived,
        marks=tuple(marks),
        findings=tuple(findings),
    )


def _passed_over(grid: Grid, picked: Sequence[Picked]) -> list[Finding]:
    """Name columns that carry a unit of speed and were not recognised, where no other has the speed."""
    if any(p.meaning.role == "speed_mps" for p in picked):
        return []
    taken = {p.index for p in picked}
    return [
        Finding(
            kind="looks_like_speed",
            severity="warning",
            text=f"Column {name.strip()!r} looks like speed and was not recognised, so that it is not "
            f'used: --column speed_mps="{name.strip()}" takes it.',
            path=grid.path,
            line=grid.header_line,
        )
        for index, name in enumerate(grid.header)
        if index not in taken and looks_like_speed(name)
    ]


def _refuse_other_clock(grid: Grid, stamps: Stamps, measured: Sequence[Column]) -> None:
    """Refuse times that positions and speeds deny sixty-fold: minutes taken for hours, or so."""
    of = {column.name: column.values for column in measured}
    if not {"speed_mps", "latitude_deg", "longitude_deg"} <= of.keys():
        return
    ratio = clock_ratio(stamps.t_s, of["speed_mps"], of["latitude_deg"], of["longitude_deg"])
    if ratio is None or 1.0 / _CLOCK_FOLD < ratio < _CLOCK_FOLD:
        return
    often = f"{ratio:.0f} times" if ratio > 1.0 else f"1/{1.0 / ratio:.0f} of"
    raise ReadError(
        grid.path,
        f"with the times in {stamps.described!r} the speeds give {often} the way along the positions",
        "a way that agrees with the positions",
        "Minutes and seconds may stand where hours and minutes are read: write the times in full, or "
        'choose another time column: --column time_s="NAME"',
        line=grid.header_line,
    )


def _rate_unused(grid: Grid, rate_hz: float) -> Finding:
    return grid.finding(
        "rate_unused",
        "note",
        f"This table has time stamps; the stated rate of {rate_hz:g} Hz is not used.",
    )


def _is_optional(picked: Picked) -> bool:
    role = picked.meaning.role
    return not picked.stated and role not in CRITICAL and not role.startswith("accel")


def _nothing(grid: Grid) -> ReadError:
    names = ", ".join(repr(name.strip()) for name in grid.header if name.strip())[:300]
    return ReadError(
        grid.path,
        f"no column is known as speed, position or acceleration; the columns are {names}",
        "a speed, or latitude and longitude, or acceleration on three axes",
        'Say which column is which: --column speed_mps="NAME" --unit speed_mps=km/h',
        line=grid.header_line,
    )


def _interval(
    grid: Grid,
    numeric: list[Picked],
    values: dict[int, NDArray[np.float64]],
    t_s: NDArray[np.float64],
) -> list[Finding]:
    """Compare a column of stated intervals with the stamps; the stamps are what is used."""
    p = next((p for p in numeric if p.meaning.role == "interval"), None)
    if p is None:
        return []
    steps = np.diff(t_s[np.isfinite(t_s)])
    if steps.size == 0 or not any_finite(values[p.index]):
        return []
    stated = float(np.nanmedian(values[p.index]))
    true_s = float(np.median(steps))
    unit = find_unit(p.meaning.unit, "time") if p.meaning.unit else None
    as_ms = stated * (unit.factor if unit else 1e-3)
    if abs(as_ms - true_s) <= 0.1 * true_s:
        return []
    seconds = unit is None and abs(stated - true_s) <= 0.1 * true_s
    read = "reads as seconds, not milliseconds" if seconds else "disagrees with them"
    return [
        grid.finding(
            "interval_disagrees",
            "warning",
            f"Column {p.header!r} says {stated:g} while the time stamps come every "
            f"{1000 * true_s:.4g} ms: it {read}. Only the time stamps are used.",
        )
    ]


def _arrived(
    grid: Grid,
    numeric: list[Picked],
    values: dict[int, NDArray[np.float64]],
    origin_ns: int,
    findings: list[Finding],
    t_s: NDArray[np.float64],
) -> NDArray[np.float64] | None:
    p = next((p for p in numeric if p.meaning.role == "received"), None)
    if p is None or not any_finite(values[p.index]):
        return None
    unit = find_unit(p.meaning.unit or "s", "time")
    factor = unit.factor if unit else 1.0
    arrived = values[p.index] * factor - origin_ns * 1e-9
    late = arrived - t_s
    known = np.isfinite(late)
    if not known.any() or abs(float(np.median(late[known]))) > 600.0:
        findings.append(
            grid.finding(
                "arrival_unused",
                "note",
                f"The arrival stamps in {p.header!r} are on another clock than the time stamps; "
                "they are not used.",
            )
        )
        return None
    return np.asarray(arrived, dtype=np.float64)


def _marks(grid: Grid, picked: list[Picked], findings: list[Finding]) -> list[Mark]:
    out: list[Mark] = []
    for p in picked:
        kind: Literal["mark", "event"] | None = None
        if p.meaning.role == "mark":
            kind = "mark"
        elif p.meaning.role == "event":
            kind = "event"
        if kind is None:
            continue
        texts = grid.texts(p.index)
        count = len(texts) - texts.count("")
        if count > _MOST_MARKS:
            findings.append(
                grid.finding(
                    "marks_left_out",
                    "note",
                    f"Left out: column {p.header!r}, which has a text in {count} rows; nobody sets "
                    "so many marks.",
                    count=count,
                )
            )
            continue
        out += [Mark(row=k, kind=kind, text=text) for k, text in enumerate(texts) if text]
    return sorted(out, key=lambda mark: mark.row)
