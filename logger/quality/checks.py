"""What is wrong with the data of one file: codes left out, doubtful samples marked, holes named.

Nothing is repaired. A sample is left out only where the file itself says that it is none (a code,
a second row of one fix, a value held over many rows); everything else that is no measurement of
its moment stays in its channel and is marked suspect. Thresholds come from measured logs: a fix
repeats in up to 22 % of a phone's fixes, doublets come 1-6 ms apart, false spikes in 0.1 %.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding, are_few, counted
from logger.formats.speed_units import IMPLAUSIBLE_MPS, IMPLAUSIBLE_MPS2, hardest_of_samples
from logger.quality.doubtful_fixes import mark_repeats, mark_spikes, mark_zeros
from logger.quality.fixes import FIX_NAMES, drop_doublets, drop_stale_start, unhold
from logger.rows import Column, Rows, Samples
from logger.scans import all_finite, extremes
from logger.times.stamps import looks_like_epoch
from logger.units import find_unit

__all__ = ["MISSING_CODES", "examine", "leave_out_codes", "leave_out_stray_dates"]

#: Numbers that mean "unknown", in the file's own unit. A phone platform gives speed, heading and
#: accuracies so when it has none (Core Location: a negative value is invalid).
MISSING_CODES = {
    "speed_mps": -1.0,
    "heading_deg": -1.0,
    "position_accuracy_m": -1.0,
    "speed_accuracy_mps": -1.0,
}
#: No sensor of a vehicle or phone gives more than this, in any unit kept.
_HUGE = 1e7
#: Rows at the start this far before the others carry a date that was not set yet [s]: two years.
#: Dates of receivers that heard nothing yet (1980, 1999, a count of weeks that began anew after 19.6
#: years) are further off; a file of several outings has holes of weeks or months.
_STRAY_S = 2 * 365 * 86_400.0
_STRAY_SHARE = 0.5
_HOLE_S = 1.5
_ACCEL_HOLE_S = 0.5


def leave_out_codes(rows: Rows) -> Rows:
    """Turn the codes of `MISSING_CODES`, and positions at 0 N 0 E, into missing values.

    Parameters
    ----------
    rows : Rows
        As parsed.

    Returns
    -------
    Rows
        The same with NaN for codes, and a finding for each kind.

    Raises
    ------
    ReadError
        Another negative speed, or a position off the earth.
    """
    findings: list[Finding] = []
    columns = [_without_code(rows, column, findings) for column in rows.columns]
    by_name = {column.name: column for column in columns}
    if "latitude_deg" in by_name and "longitude_deg" in by_name:
        columns = _without_null_island(rows, by_name, columns, findings)
    if not findings:
        return rows
    return replace(rows, columns=tuple(columns), findings=(*rows.findings, *findings))


def leave_out_stray_dates(rows: Rows) -> Rows:
    """Take the stamps off rows at the start whose clock was not set yet.

    Receivers start with a date of their own (1980, 1999) until they hear the satellites, and
    programs write 0 or the time since boot until the first fix.

    Parameters
    ----------
    rows : Rows
        As parsed.

    Returns
    -------
    Rows
        Without the stamps that lie more than two years before the rest, and with a finding.
    """
    if all_finite(rows.stamps.t_s) and np.diff(rows.stamps.t_s).max(initial=0.0) <= _STRAY_S:
        return rows
    index = np.flatnonzero(np.isfinite(rows.stamps.t_s))
    t = rows.stamps.t_s[index]
    jumps = np.flatnonzero(np.diff(t) > _STRAY_S)
    if not jumps.size or jumps[0] + 1 > _STRAY_SHARE * t.size:
        return rows
    last = int(jumps[jumps + 1 <= _STRAY_SHARE * t.size][-1])
    if not (t[: last + 1] < t[last + 1] - _STRAY_S).all():
        return rows
    lost = index[: last + 1]
    shift_s = float(t[last + 1])  # counted from the first stamp that holds
    kept = rows.stamps.t_s - shift_s
    kept[lost] = np.nan
    origin_ns = rows.stamps.origin_ns + round(shift_s * 1e9)
    arrived_s = None if rows.arrived_s is None else rows.arrived_s - shift_s
    finding = rows.finding(
        "stray_date",
        "warning",
        f"Left out: {counted(int(lost.size), 'row')} at the start whose time lies "
        f"{(t[last + 1] - t[last]) / 86_400:.0f} days before the rest (first: line "
        f"{rows.lines[int(lost[0])]}); the clock was not set yet.",
        lost,
    )
    kind = "epoch" if looks_like_epoch(origin_ns * 1e-9) else rows.stamps.kind
    stamps = replace(rows.stamps, t_s=kept, origin_ns=origin_ns, kind=kind)
    findings = (*rows.findings, finding)
    return replace(rows, stamps=stamps, arrived_s=arrived_s, findings=findings)


def _without_code(rows: Rows, column: Column, findings: list[Finding]) -> Column:
    column = _without_impossible(rows, column, findings)
    least = extremes(column.values)[0]
    code = MISSING_CODES.get(column.name)
    if code is None or least >= 0.0:
        return column
    negative = np.flatnonzero(column.values < 0)
    if column.name == "heading_deg":
        # other negative headings are headings: -90 is west
        negative = np.flatnonzero(column.values == code)
    if not negative.size:
        return column
    speed_unit = find_unit(column.unit, "speed") if column.name == "speed_mps" else None
    factor = speed_unit.factor if speed_unit is not None else 1.0
    coded = code * factor
    values = column.values[negative]
    # the code as written, or converted with the rest: -3.6 km/h
    other = (np.abs(values - coded) > 1e-9) & (np.abs(values - code) > 1e-6)
    kept = column.values.copy()
    kept[negative] = np.nan
    if other.any() and column.name == "speed_mps":
        below = negative[other]
        _refuse_or_name(
            rows,
            column,
            below,
            f"a speed of {column.values[below[0]]:.4g} m/s",
            "speeds from 0 up (-1 alone means unknown)",
            findings,
        )
        negative = negative[~other]
        if not negative.size:
            return replace(column, values=kept)
    what = column.name.rpartition("_")[0].replace("_", " ")
    findings.append(
        rows.finding(
            "unknown_code",
            "warning" if column.name == "speed_mps" else "note",
            f"Left out: {counted(int(negative.size), 'value')} of {what} at "
            f"{column.values[negative[0]] / factor:g}, which means unknown (line "
            f"{rows.line_list(negative)}).",
            negative,
        )
    )
    return replace(column, values=kept)


def _without_impossible(rows: Rows, column: Column, findings: list[Finding]) -> Column:
    """Leave out a few values that no sensor gives, or positions off the earth; refuse more."""
    limit = {"latitude_deg": 90.0, "longitude_deg": 360.0}.get(column.name)
    least, most = extremes(column.values)
    if max(-least, most) <= (limit or _HUGE):
        return column
    off = np.flatnonzero(np.abs(column.values) > (limit or _HUGE))
    first = column.values[off[0]]
    if limit is None:
        found, expected = f"{first:.3g} as {column.name}", "a value that a sensor can give"
    else:
        found = f"{column.name.partition('_')[0]} {first:g} degrees"
        expected = f"at most {limit:g}"
    _refuse_or_name(rows, column, off, found, expected, findings)
    kept = column.values.copy()
    kept[off] = np.nan
    return replace(column, values=kept)


def _refuse_or_name(
    rows: Rows,
    column: Column,
    wrong: NDArray[np.intp],
    found: str,
    expected: str,
    findings: list[Finding],
) -> None:
    """Name a few wrong values of a channel, which are left out; refuse more than that."""
    if not are_few(int(wrong.size), int(np.count_nonzero(np.isfinite(column.values)))):
        raise ReadError(
            rows.path,
            found,
            expected,
            "Correct the line, or choose another column and its unit",
            line=rows.lines[int(wrong[0])],
        )
    text = (
        f"Left out: {counted(int(wrong.size), 'value')} that cannot be, as {found}, where {expected} "
        f"is expected (line {rows.line_list(wrong)})."
    )
    findings.append(rows.finding("impossible_value", "warning", text, wrong))


def _without_null_island(
    rows: Rows, by_name: dict[str, Column], columns: list[Column], findings: list[Finding]
) -> list[Column]:
    nowhere = (by_name["latitude_deg"].values == 0) & (by_name["longitude_deg"].values == 0)
    if not nowhere.any():
        return columns
    index = np.flatnonzero(nowhere)
    findings.append(
        rows.finding(
            "no_position",
            "warning",
            f"{counted(int(index.size), 'row')} at 0 N 0 E, which means no fix (line "
            f"{rows.line_list(index)}); position and speed are left out.",
            index,
        )
    )
    return [
        replace(column, values=np.where(nowhere, np.nan, column.values))
        if column.name in FIX_NAMES
        else column
        for column in columns
    ]


def examine(rows: Rows, samples: dict[str, Samples]) -> tuple[dict[str, Samples], list[Finding]]:
    """Look for what general experience says goes wrong.

    Parameters
    ----------
    rows : Rows
        The file, for line numbers.
    samples : dict of str to Samples
        In order, by channel name.

    Returns
    -------
    dict of str to Samples
        Without second rows of one fix, doubtful samples marked.
    list of Finding
        One for each kind of trouble.
    """
    findings: list[Finding] = []
    samples = dict(samples)
    for step in (unhold, drop_stale_start, drop_doublets, mark_zeros, mark_spikes, mark_repeats):
        samples = step(rows, samples, findings)
    _implausible(rows, samples, findings)
    _holes(rows, samples, findings)
    return samples, findings


def _implausible(rows: Rows, samples: dict[str, Samples], findings: list[Finding]) -> None:
    """Doubt the unit of a speed that no road vehicle has."""
    speed = samples.get("speed_mps")
    if speed is None:
        return
    t_s, values = speed.t_s, speed.values
    if speed.suspect is not None:
        t_s, values = t_s[~speed.suspect], values[~speed.suspect]
    if not values.size:
        return
    top = float(values.max())
    pull = hardest_of_samples(t_s, values)
    if top <= IMPLAUSIBLE_MPS and pull <= IMPLAUSIBLE_MPS2:
        return
    unit = speed.unit or "m/s"
    what = (
        f"reaches {top:.0f} m/s" if top > IMPLAUSIBLE_MPS else f"gains {pull:.1f} m/s in a second"
    )
    findings.append(
        Finding(
            kind="unit_suspect",
            severity="warning",
            text=f"Read as {unit}, the speed in {speed.header!r} starts at {speed.values[0]:.0f} m/s and "
            f"{what}. No road vehicle does that: the numbers look like km/h. If so, state it with "
            "--unit speed_mps=km/h.",
            path=rows.path,
            line=rows.lines[speed.row(int(np.argmax(speed.values)))],
            time_s=float(speed.t_s[int(np.argmax(speed.values))]),
        )
    )


def _holes(rows: Rows, samples: dict[str, Samples], findings: list[Finding]) -> None:
    fix = samples.get("speed_mps") or samples.get("latitude_deg")
    accel = next((samples[n] for n in samples if n.startswith("accel")), None)
    for found, kind, what, least in (
        (fix, "hole", "fixes", _HOLE_S),
        (accel, "accel_hole", "acceleration samples", _ACCEL_HOLE_S),
    ):
        if found is None or found.t_s.size < 3:
            continue
        steps = np.diff(found.t_s)
        if steps.max() <= least:
            continue
        usual = float(np.median(steps))
        at = np.flatnonzero(steps > max(3.0 * usual, least))
        if not at.size:
            continue
        findings.append(_hole(rows, found, kind, what, at, steps))


def _hole(
    rows: Rows,
    found: Samples,
    kind: str,
    what: str,
    at: NDArray[np.intp],
    steps: NDArray[np.float64],
) -> Finding:
    named = ", ".join(
        f"{steps[k]:.1f} s after line {rows.lines[found.row(k)]} (at {found.t_s[k]:.1f} s)"
        for k in at[:4].tolist()
    )
    longest = int(at[int(np.argmax(steps[at]))])
    if at.size == 1:
        text = f"A hole in the {what}: {named}."
    else:
        text = (
            f"{at.size} holes in the {what}: {named}{', ...' if at.size > 4 else ''}; "
            f"{steps[at].sum():.1f} s in all, the longest {steps[longest]:.1f} s."
        )
    return Finding(
        kind=kind,
        severity="warning",
        text=text + " Nothing is filled in; a pull or coast-down ends there.",
        path=rows.path,
        line=rows.lines[found.row(int(at[0]))],
        time_s=float(found.t_s[int(at[0])]),
        count=int(at.size),
    )
