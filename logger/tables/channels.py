"""From columns of a table to channels in SI units: the unit that a header says, or that the data show."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.formats.speed_units import (
    IMPLAUSIBLE_MPS,
    IMPLAUSIBLE_MPS2,
    hardest_pull,
    speed_ratio,
    unit_of_ratio,
)
from logger.recording import CHANNEL_NAMES
from logger.rows import Column
from logger.scans import any_finite
from logger.tables.acceleration import AxisColumn, choose_accel
from logger.tables.cells import Grid
from logger.tables.columns import Picked
from logger.tables.headers import quantity_of
from logger.units import SI_UNIT, find_unit, to_si

__all__ = ["accel_channels", "other_channels"]


def accel_channels(
    grid: Grid,
    numeric: list[Picked],
    values: dict[int, NDArray[np.float64]],
    t_s: NDArray[np.float64],
) -> tuple[list[Column], list[Finding]]:
    """Return the accelerations in m/s2 that are kept, and what was chosen and why."""
    axes = [p for p in numeric if re.fullmatch(r"accel_[xyz]_mps2", p.meaning.role)]
    if axes:
        stated = any(p.stated for p in axes)
        return choose_accel(
            [
                AxisColumn(
                    axis=p.meaning.role[6],
                    values=values[p.index],
                    header=p.header,
                    unit=p.meaning.unit,
                    flavour=p.meaning.flavour,
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
        [
            AxisColumn(
                axis="x",
                values=values[lone.index],
                header=lone.header,
                unit=lone.meaning.unit,
                flavour="",
            )
        ],
        t_s,
        grid.path,
    )
    if columns:
        notes.append(
            grid.finding(
                "accel_axis_unnamed",
                "note",
                f"Column {lone.header!r} names no axis; it is kept as the x axis.",
            )
        )
    return columns, notes


def other_channels(
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
        if not any_finite(raw):
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
            out.append(Column(name=role, values=raw, header=p.header, unit=unit or ""))
        else:
            out.append(
                Column(name=role, values=to_si(raw, unit, quantity), header=p.header, unit=unit)
            )
    if turning:
        findings.append(
            grid.finding(
                "rotation_unit_unknown",
                "note",
                f"The turning rates {', '.join(turning)} do not say whether they are in deg/s or "
                "rad/s; they are left out.",
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
                grid.finding(
                    "speed_unit_found",
                    "note",
                    f"Column {p.header!r} names no unit; its numbers are {ratio.ratio:.3f} times "
                    f"the speed in m/s that the positions give ({ratio.count} stretches), so it "
                    f"is read as {shown}.",
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
        findings.append(
            Finding(kind="unit_suspect", severity="warning", text=text + ".", path=grid.path)
        )
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
        grid.finding(
            "speed_unit_assumed",
            "warning",
            f"Column {p.header!r} names no unit and no positions settle it; m/s is assumed. If it is "
            "km/h, every power is wrong by a factor of about 13: state the unit with "
            "--unit speed_mps=km/h.",
        )
    )
    return "m/s"
