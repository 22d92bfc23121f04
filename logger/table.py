"""Delimited logs: header words and units -> `Rows`, by the table in `headers.py`."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.grid import Grid
from logger.headers import quantity_of
from logger.motion import AxisColumn, choose_accel
from logger.recording import CHANNEL_NAMES
from logger.rows import Column, Mark, Rows
from logger.speeds import (
    IMPLAUSIBLE_MPS,
    IMPLAUSIBLE_MPS2,
    hardest_pull,
    speed_ratio,
    unit_of_ratio,
)
from logger.table_columns import (
    CRITICAL,
    ColumnChoice,
    Picked,
    header_fits,
    header_names,
    one_each,
    pick,
)
from logger.table_rows import grid_of
from logger.table_time import choose_time, even_times, long_whole_times, numeric_times
from logger.units import SI_UNIT, find_unit, to_si

__all__ = ["ColumnChoice", "header_fits", "header_names", "parse_table"]

#: Marks are set by hand, a few in a run.
_MOST_MARKS = 10_000


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
        Told the bytes that are done.

    Returns
    -------
    Rows
        In SI units; nothing filtered, filled or sorted.

    Raises
    ------
    ReadError
        No table, no rows, two columns for one thing, cells that are no numbers, units that
        cannot be told.
    """
    by_number = any((c.header or "").strip().isdecimal() for c in (columns or {}).values())
    grid = grid_of(path, data, single=rate_hz is not None or by_number)
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
    accel, accel_notes = _accel(grid, numeric, values, stamps.t_s)
    findings += accel_notes
    measured = [*_channels(grid, numeric, values, stamps.t_s, findings), *accel]
    if not measured:
        raise _nothing(grid)
    findings += _interval(grid, numeric, values, stamps.t_s)
    arrived = _arrived(grid, numeric, values, stamps.origin_ns, findings, stamps.t_s)
    marks = _marks(grid, picked, findings)
    order = {name: k for k, name in enumerate(CHANNEL_NAMES)}
    return Rows(
        path,
        "table",
        stamps,
        tuple(sorted(measured, key=lambda column: order[column.name])),
        grid.lines,
        arrived,
        tuple(marks),
        tuple(findings),
    )


def _rate_unused(grid: Grid, rate_hz: float) -> Finding:
    return Finding(
        "rate_unused",
        "note",
        f"This table has time stamps; the stated rate of {rate_hz:g} Hz is not used.",
        path=grid.path,
        line=grid.header_line,
    )


def _is_optional(picked: Picked) -> bool:
    role = picked.meaning.role
    return not picked.stated and role not in CRITICAL and not role.startswith("accel")


def _accel(
    grid: Grid,
    numeric: list[Picked],
    values: dict[int, NDArray[np.float64]],
    t_s: NDArray[np.float64],
) -> tuple[list[Column], list[Finding]]:
    axes = [p for p in numeric if re.fullmatch(r"accel_[xyz]_mps2", p.meaning.role)]
    if axes:
        stated = any(p.stated for p in axes)
        return choose_accel(
            [
                AxisColumn(
                    p.meaning.role[6], values[p.index], p.header, p.meaning.unit, p.meaning.flavour
                )
                for p in axes
            ],
            t_s,
            grid.path,
            stated=stated,
        )
    lone = next((p for p in numeric if p.meaning.role == "accel"), None)
    if lone is None:
        return [], []
    columns, notes = choose_accel(
        [AxisColumn("x", values[lone.index], lone.header, lone.meaning.unit, "")], t_s, grid.path
    )
    if columns:
        notes.append(
            Finding(
                "accel_axis_unnamed",
                "note",
                f"Column {lone.header!r} names no axis; it is kept as the x axis.",
                path=grid.path,
                line=grid.header_line,
            )
        )
    return columns, notes


def _channels(
    grid: Grid,
    numeric: list[Picked],
    values: dict[int, NDArray[np.float64]],
    t_s: NDArray[np.float64],
    findings: list[Finding],
) -> list[Column]:
    """Return all measured columns but accelerations, in SI units."""
    out: list[Column] = []
    turning: list[str] = []
    for p in numeric:
        role = p.meaning.role
        if role not in CHANNEL_NAMES or role.startswith("accel"):
            continue
        raw = values[p.index]
        quantity = quantity_of(role)
        unit = p.meaning.unit
        if not np.isfinite(raw).any():
            continue
        if role == "speed_mps":
            unit = _speed_unit(grid, p, numeric, values, t_s, findings)
        elif unit is None and quantity is not None:
            if quantity == "angular_rate":
                turning.append(p.header)
                continue
            # a height or accuracy without a unit is in metres; an accuracy of speed in m/s
            unit = SI_UNIT[quantity]
        if quantity is None or unit is None:
            out.append(Column(role, raw, p.header, unit or ""))
        else:
            out.append(Column(role, to_si(raw, unit, quantity), p.header, unit))
    if turning:
        findings.append(
            Finding(
                "rotation_unit_unknown",
                "note",
                f"The turning rates {', '.join(turning)} do not say whether they are in deg/s or "
                "rad/s; they are left out.",
                path=grid.path,
                line=grid.header_line,
                count=len(turning),
            )
        )
    return out


def _speed_unit(
    grid: Grid,
    p: Picked,
    numeric: list[Picked],
    values: dict[int, NDArray[np.float64]],
    t_s: NDArray[np.float64],
    findings: list[Finding],
) -> str:
    """Return the speed's unit: the header's word checked, or found from the positions."""
    raw = values[p.index]
    named = p.meaning.unit
    place = {
        q.meaning.role: values[q.index]
        for q in numeric
        if q.meaning.role in ("latitude_deg", "longitude_deg")
    }
    ratio = None
    if len(place) == 2:
        known = np.where(raw < 0, np.nan, raw)
        ratio = speed_ratio(t_s, known, place["latitude_deg"], place["longitude_deg"])
    shown = unit_of_ratio(ratio.ratio) if ratio is not None else None
    if named is None:
        if ratio is not None and shown is not None:
            findings.append(
                Finding(
                    "speed_unit_found",
                    "note",
                    f"Column {p.header!r} names no unit; its numbers are {ratio.ratio:.3f} times "
                    f"the speed in m/s that the positions give ({ratio.count} stretches), so it "
                    f"is read as {shown}.",
                    path=grid.path,
                    line=grid.header_line,
                )
            )
            return shown
        return _assumed_unit(grid, p, raw, t_s, findings)
    same = shown is not None and find_unit(shown, "speed") == find_unit(named, "speed")
    if ratio is not None and shown is not None and not same:
        text = (
            f"the numbers in column {p.header!r} are {ratio.ratio:.2f} times the speed in m/s that "
            f"the positions give: they are in {shown}, not {named}"
        )
        if not p.stated:
            raise ReadError(
                grid.path,
                text,
                f"numbers in {named}",
                f"State the true unit: --unit speed_mps={shown}",
                line=grid.header_line,
                column=p.index + 1,
            )
        findings.append(Finding("unit_suspect", "warning", text + ".", path=grid.path))
    return named


def _assumed_unit(
    grid: Grid,
    p: Picked,
    raw: NDArray[np.float64],
    t_s: NDArray[np.float64],
    findings: list[Finding],
) -> str:
    top = float(np.nanmax(raw))
    pull = hardest_pull(t_s, raw)
    if top > IMPLAUSIBLE_MPS or pull > IMPLAUSIBLE_MPS2:
        raise ReadError(
            grid.path,
            f"column {p.header!r} names no unit, and as m/s it would reach {top:.0f} m/s and "
            f"gain {pull:.1f} m/s each second",
            "a unit in the header",
            "State it: --unit speed_mps=km/h (or mph, kn, m/s)",
            line=grid.header_line,
            column=p.index + 1,
        )
    findings.append(
        Finding(
            "speed_unit_assumed",
            "warning",
            f"Column {p.header!r} names no unit and no positions settle it; m/s is assumed. If it is "
            "km/h, every power is wrong by a factor of about 13: state the unit with "
            "--unit speed_mps=km/h.",
            path=grid.path,
            line=grid.header_line,
        )
    )
    return "m/s"


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
    if steps.size == 0 or not np.isfinite(values[p.index]).any():
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
        Finding(
            "interval_disagrees",
            "warning",
            f"Column {p.header!r} says {stated:g} while the time stamps come every "
            f"{1000 * true_s:.4g} ms: it {read}. Only the time stamps are used.",
            path=grid.path,
            line=grid.header_line,
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
    if p is None or not np.isfinite(values[p.index]).any():
        return None
    unit = find_unit(p.meaning.unit or "s", "time")
    factor = unit.factor if unit else 1.0
    arrived = values[p.index] * factor - origin_ns * 1e-9
    late = arrived - t_s
    known = np.isfinite(late)
    if not known.any() or abs(float(np.median(late[known]))) > 600.0:
        findings.append(
            Finding(
                "arrival_unused",
                "note",
                f"The arrival stamps in {p.header!r} are on another clock than the time stamps; "
                "they are not used.",
                path=grid.path,
                line=grid.header_line,
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
                Finding(
                    "marks_left_out",
                    "note",
                    f"Left out: column {p.header!r}, which has a text in {count} rows; nobody sets "
                    "so many marks.",
                    path=grid.path,
                    line=grid.header_line,
                    count=count,
                )
            )
            continue
        out += [Mark(k, kind, text) for k, text in enumerate(texts) if text]
    return sorted(out, key=lambda mark: mark.row)
