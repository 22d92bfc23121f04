"""Delimited logs: header words and units -> `Rows`, by the table in `headers.py`."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.grid import Grid
from logger.headers import OWN_COLUMNS, Meaning, quantity_of, read_header
from logger.layout import layout_of
from logger.motion import AxisColumn, choose_accel
from logger.recording import CHANNEL_NAMES
from logger.rows import Column, Mark, Rows
from logger.source import decode_head
from logger.speeds import (
    IMPLAUSIBLE_MPS,
    IMPLAUSIBLE_MPS2,
    hardest_pull,
    speed_ratio,
    unit_of_ratio,
)
from logger.table_rows import grid_of
from logger.table_time import choose_time, numeric_times
from logger.units import find_unit, known_units, to_si

__all__ = ["ColumnChoice", "header_fits", "header_names", "parse_table"]

#: Roles of which a file may have only one candidate; others take the first.
_CRITICAL = ("latitude_deg", "longitude_deg", "speed_mps")


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """A user's word on one column: the header (or 1-based number) and the unit it is in."""

    header: str | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Picked:
    """One column of the table with what it means."""

    index: int
    header: str
    meaning: Meaning
    stated: bool = False


def parse_table(path: str, data: bytes, columns: Mapping[str, ColumnChoice] | None = None) -> Rows:
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
    grid = grid_of(path, data)
    picked = _pick(grid, columns or {})
    if not len(grid.lines):
        has_accel = any(p.meaning.role.startswith("accel") for p in picked)
        has_speed = any(p.meaning.role in _CRITICAL for p in picked)
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
    values, notes = grid.numbers([*clocks, *(p.index for p in numeric)], optional)
    numeric = [p for p in numeric if p.index in values]
    findings = [*grid.findings, *notes]
    faster = any(p.meaning.role.startswith("accel") for p in numeric)
    stamps, time_notes = choose_time(grid, times, values, fast_rows=faster)
    findings += time_notes
    numeric = _one_each(grid, numeric, values)
    accel, accel_notes = _accel(grid, numeric, values, stamps.t_s)
    findings += accel_notes
    measured = [*_channels(grid, numeric, values, stamps.t_s, findings), *accel]
    if not measured:
        raise _nothing(grid)
    findings += _interval(grid, numeric, values, stamps.t_s)
    arrived = _arrived(grid, numeric, values, stamps.origin_ns, findings, stamps.t_s)
    order = {name: k for k, name in enumerate(CHANNEL_NAMES)}
    return Rows(
        path,
        "table",
        stamps,
        tuple(sorted(measured, key=lambda column: order[column.name])),
        grid.lines,
        arrived,
        tuple(_marks(grid, picked)),
        tuple(findings),
    )


def _is_optional(picked: Picked) -> bool:
    role = picked.meaning.role
    return not picked.stated and role not in _CRITICAL and not role.startswith("accel")


def _pick(grid: Grid, columns: Mapping[str, ColumnChoice]) -> list[Picked]:
    """Return every column that means something, the user's choices first."""
    picked: list[Picked] = []
    units: dict[str, str] = {}
    settled: set[str] = set()
    for role, choice in columns.items():
        _check_choice(grid.path, role, choice)
        if choice.header is None:
            if choice.unit is not None:
                units[role] = choice.unit
            continue
        index = _index_of(grid, choice.header)
        if index is None:
            continue
        base = read_header(role) or Meaning(role, None)
        heard = read_header(grid.header[index])
        named = heard.unit if heard is not None and heard.role == base.role else None
        # a chosen column of an unknown name is in the own column's unit unless said otherwise
        unit = choice.unit or named or (base.unit if not grid.header[index] else None)
        meaning = replace(base, unit=unit, score=10)
        picked.append(Picked(index, grid.name(index), meaning, stated=choice.unit is not None))
        settled.add(base.role)
    taken = {p.index for p in picked}
    found: list[Picked] = []
    for index, header in enumerate(grid.header):
        heard = read_header(header) if header else None
        if heard is not None and index not in taken and heard.role not in settled:
            found.append(Picked(index, header, heard))
    found += _bare_axes(grid, found, taken)
    if grid.header_line is None and not picked:
        raise ReadError(
            grid.path,
            f"the table has no header ({len(grid.header)} columns of numbers)",
            "a row of column names",
            "Say which column is which, counted from 1: --column time_s=1 --column speed_mps=2 "
            "--unit speed_mps=km/h",
            line=grid.lines[0] if len(grid.lines) else None,
        )
    out = []
    for p in [*picked, *found]:
        name = {"time": "time_s", "received": "received_s"}.get(p.meaning.role, p.meaning.role)
        if name in units:
            p = replace(p, meaning=replace(p.meaning, unit=units[name]), stated=True)
        out.append(p)
    return out


def _check_choice(path: str, role: str, choice: ColumnChoice) -> None:
    if role not in OWN_COLUMNS:
        raise ReadError(
            path,
            f"{role!r} is no column that can be chosen",
            ", ".join(OWN_COLUMNS),
            "Correct the name",
        )
    quantity = quantity_of(role)
    if choice.unit is not None and (quantity is None or find_unit(choice.unit, quantity) is None):
        known = ", ".join(known_units(quantity)) if quantity else "no unit"
        raise ReadError(path, f"unit {choice.unit!r} for {role}", known, "Give one of these units")


def header_names(path: str, data: bytes) -> tuple[str, ...]:
    """Return a table's column names without reading its rows; () where there is no table."""
    try:
        layout = layout_of(path, decode_head(data, 1 << 16), complete=False)
    except ReadError:
        return ()
    return layout.header if layout is not None else ()


def header_fits(header: str, names: tuple[str, ...]) -> bool:
    """Tell whether a chosen header, or column number, is one of `names`."""
    wanted = header.strip().lower()
    if any(name.strip().lower() == wanted for name in names):
        return True
    return wanted.isdecimal() and 1 <= int(wanted) <= len(names)


def _index_of(grid: Grid, header: str) -> int | None:
    """Find a column by its name, or by its number from 1 where no name is that number."""
    wanted = header.strip()
    exact = [k for k, name in enumerate(grid.header) if name.strip() == wanted]
    alike = [k for k, name in enumerate(grid.header) if name.strip().lower() == wanted.lower()]
    found = exact or alike
    if len(found) > 1:
        raise _twice(grid, grid.header[found[0]], found[:2])
    if found:
        return found[0]
    if wanted.isdecimal() and 1 <= int(wanted) <= len(grid.header):
        return int(wanted) - 1
    return None


def _twice(grid: Grid, name: str, indices: list[int]) -> ReadError:
    places = " and ".join(str(k + 1) for k in indices)
    return ReadError(
        grid.path,
        f"column name {name} occurs twice (line {grid.header_line}, columns {places})",
        "one column of that name",
        f"Choose one by its number: --column speed_mps={indices[0] + 1}, and its unit if needed",
        line=grid.header_line,
        column=indices[1] + 1,
    )


def _bare_axes(grid: Grid, found: list[Picked], taken: set[int]) -> list[Picked]:
    """Read columns called just x, y and z as acceleration where nothing else is that."""
    if any(p.meaning.role.startswith(("accel", "rotation")) for p in found):
        return []
    axes: dict[str, Picked] = {}
    for index, header in enumerate(grid.header):
        match = re.fullmatch(r"([xyz])\s*(?:[(\[](.*)[)\]])?", header.strip().lower())
        if match and index not in taken:
            unit = match[2] if match[2] and find_unit(match[2], "acceleration") else None
            if match[2] and unit is None:
                return []
            meaning = Meaning(f"accel_{match[1]}_mps2", unit)
            axes[match[1]] = Picked(index, header, meaning)
    return list(axes.values()) if len(axes) == 3 else []


def _one_each(
    grid: Grid, numeric: list[Picked], values: dict[int, NDArray[np.float64]]
) -> list[Picked]:
    """Keep one column for each role; refuse where two are equally good and it matters."""
    out: list[Picked] = []
    roles: dict[tuple[str, str], list[Picked]] = {}
    for p in numeric:
        roles.setdefault((p.meaning.role, p.meaning.flavour), []).append(p)
    for (role, _), group in roles.items():
        filled = [p for p in group if np.isfinite(values[p.index]).any()]
        if not filled:
            out.append(group[0])
            continue
        best = max(p.meaning.score for p in filled)
        top = [p for p in filled if p.meaning.score == best]
        if len(top) > 1 and (role in _CRITICAL or role.startswith("accel")):
            a, b = top[0], top[1]
            if a.header == b.header:
                raise _twice(grid, a.header, [a.index, b.index])
            raise ReadError(
                grid.path,
                f"columns {a.header!r} and {b.header!r} (columns {a.index + 1} and {b.index + 1}) "
                f"could both be {role}",
                "one of them",
                f'Choose: --column {role}="{a.header}"',
                line=grid.header_line,
                column=b.index + 1,
            )
        out.append(top[0])
    return out


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
            unit = "m/s" if quantity == "speed" else "m"
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
            " --unit speed_mps=km/h.",
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


def _marks(grid: Grid, picked: list[Picked]) -> list[Mark]:
    out: list[Mark] = []
    for p in picked:
        if p.meaning.role == "mark":
            out += [Mark(k, "mark", text) for k, text in enumerate(grid.texts(p.index)) if text]
        elif p.meaning.role == "event":
            out += [Mark(k, "event", text) for k, text in enumerate(grid.texts(p.index)) if text]
    return sorted(out, key=lambda mark: mark.row)
