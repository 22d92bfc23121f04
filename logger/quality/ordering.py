"""From rows to samples: stamps put in order, repeats and steps back left out, each named."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding, counted, first_few
from logger.rows import Rows, Samples
from logger.scans import all_finite, any_finite, is_rising

__all__ = ["settle_order"]

#: Rows left out because the clock stepped back: at most this share, and at most this far.
_BACK_SHARE = 0.02
_BACK_S = 5.0
#: Beyond this share of rows that contradict each other at one time, the clock is too coarse.
_CONFLICT_SHARE = 0.1
_CONFLICT_SHARE_OF_FEW = 0.4


def settle_order(rows: Rows) -> tuple[dict[str, Samples], list[Finding]]:
    """Split rows into samples with strictly increasing times.

    Parameters
    ----------
    rows : Rows
        One parsed file.

    Returns
    -------
    dict of str to Samples
        By channel name; channels without a finite value are absent.
    list of Finding
        Rows without a stamp, repeated rows, contradicting rows, steps back.

    Raises
    ------
    ReadError
        No samples; a large or frequent step back; stamps too coarse to part rows.
    """
    findings: list[Finding] = []
    t_s = rows.stamps.t_s
    columns = [column for column in rows.columns if any_finite(column.values)]
    if not columns or not any_finite(t_s):
        raise ReadError(
            rows.path,
            "no samples in this file: "
            + ("no row has a time" if columns else "every cell is blank"),
            "at least one row with a time and a value",
            "Record again",
            line=rows.lines[0] if len(rows.lines) else None,
        )
    clean = all_finite(t_s) and is_rising(t_s)
    if not clean:
        stamped = np.isfinite(t_s)
        _missing_stamps(rows, stamped, findings)
        _steps_back(rows, stamped, findings)
        _same_time(rows, stamped, findings)
    samples: dict[str, Samples] = {}
    for column in columns:
        if clean and all_finite(column.values):
            samples[column.name] = Samples(
                name=column.name,
                t_s=t_s,
                values=column.values,
                header=column.header,
                unit=column.unit,
                arrived_s=_arrivals(rows, None),
            )
            continue
        index = np.flatnonzero(np.isfinite(column.values))
        if not clean:
            index = _rising(t_s, index[stamped[index]])
        if index.size:
            samples[column.name] = Samples(
                name=column.name,
                t_s=t_s[index],
                values=column.values[index],
                rows=index,
                header=column.header,
                unit=column.unit,
                arrived_s=_arrivals(rows, index),
            )
    if not samples:
        raise ReadError(
            rows.path,
            "no samples in this file: no row has both a time and a value",
            "at least one row with a time and a value",
            "Record again",
            line=rows.lines[0] if len(rows.lines) else None,
        )
    return samples, findings


def _arrivals(rows: Rows, index: NDArray[np.intp] | None) -> NDArray[np.float64] | None:
    """Return the arrival of each sample; only where every sample has one."""
    if rows.arrived_s is None:
        return None
    arrived = rows.arrived_s if index is None else rows.arrived_s[index]
    return arrived if all_finite(arrived) else None


def _rising(t_s: NDArray[np.float64], index: NDArray[np.intp]) -> NDArray[np.intp]:
    """Keep the first of equal stamps and leave out those before an earlier one."""
    if index.size < 2:
        return index
    t = t_s[index]
    highest = np.maximum.accumulate(t)
    keep = np.ones(t.size, dtype=bool)
    keep[1:] = t[1:] > highest[:-1]
    return index[keep]


def _missing_stamps(rows: Rows, stamped: NDArray[np.bool_], findings: list[Finding]) -> None:
    filled = np.zeros(stamped.size, dtype=bool)
    for column in rows.columns:
        filled |= np.isfinite(column.values)
    lost = np.flatnonzero(filled & ~stamped)
    known = any(f.kind in ("time_missing", "stray_date") for f in rows.findings)
    if lost.size and not known:
        text = f"Left out for having no time: {counted(int(lost.size), 'row')} (first: line "
        text += f"{rows.lines[int(lost[0])]})."
        findings.append(rows.finding("time_missing", "warning", text, lost))


def _steps_back(rows: Rows, stamped: NDArray[np.bool_], findings: list[Finding]) -> None:
    """Name the rows whose time lies before that of an earlier row of the same quantity."""
    back = np.zeros(stamped.size, dtype=bool)
    deepest = 0.0
    for column in rows.columns:
        index = np.flatnonzero(np.isfinite(column.values) & stamped)
        if index.size < 2:
            continue
        t = rows.stamps.t_s[index]
        highest = np.maximum.accumulate(t)
        late = t[1:] < highest[:-1]
        back[index[1:][late]] = True
        if late.any():
            deepest = max(deepest, float((highest[:-1] - t[1:]).max()))
    lost = np.flatnonzero(back)
    if not lost.size:
        return
    first = int(lost[0])
    line = rows.lines[first]
    before = np.flatnonzero(stamped[:first])
    step = float(rows.stamps.t_s[before].max() - rows.stamps.t_s[first])
    if lost.size > max(1.0, _BACK_SHARE * stamped.size) or deepest > _BACK_S:
        raise ReadError(
            rows.path,
            f"time in {rows.stamps.described!r} steps back by {step:.3f} s, with "
            f"{counted(int(lost.size), 'row')} before earlier ones",
            "times that rise from row to row",
            "Put the parts in order, or give each part as a file and log of its own",
            line=line,
        )
    findings.append(
        rows.finding(
            "time_steps_back",
            "warning",
            f"Time steps back by {step:.3f} s in line {line}; left out: "
            f"{counted(int(lost.size), 'row')} before an earlier one.",
            lost,
            time_s=float(rows.stamps.t_s[first]),
        )
    )


def _same_time(rows: Rows, stamped: NDArray[np.bool_], findings: list[Finding]) -> None:
    """Name rows that carry the stamp of the row before: exact repeats, and contradictions."""
    index = np.flatnonzero(stamped)
    t = rows.stamps.t_s[index]
    at = np.flatnonzero(t[1:] == t[:-1])
    first, second = index[at], index[at + 1]
    shared = np.zeros(at.size, dtype=bool)
    differ = np.zeros(at.size, dtype=bool)
    for column in rows.columns:
        a, b = column.values[first], column.values[second]
        both = np.isfinite(a) & np.isfinite(b)
        shared |= both
        differ |= both & (a != b)
    repeats = second[shared & ~differ]
    if repeats.size:
        text = f"Left out: {counted(int(repeats.size), 'exact repeat')} of the row before (line "
        text += f"{first_few([rows.lines[int(k)] for k in repeats[:6]])})."
        findings.append(rows.finding("repeated_row", "warning", text, repeats))
    conflicts = np.flatnonzero(differ)
    if not conflicts.size:
        return
    line = rows.lines[int(second[conflicts[0]])]
    pairs = ", ".join(
        f"{rows.lines[int(first[k])]} and {rows.lines[int(second[k])]}" for k in conflicts[:5]
    )
    more = ", ..." if conflicts.size > 5 else ""
    few = min(20.0, _CONFLICT_SHARE_OF_FEW * index.size)
    if conflicts.size > max(few, _CONFLICT_SHARE * index.size):
        raise ReadError(
            rows.path,
            f"{conflicts.size} of {index.size} rows carry the time of the row before but other "
            f"values (lines {pairs}{more})",
            "a time for each row",
            'Choose a time column with fractions of a second: --column time_s="NAME"',
            line=line,
        )
    findings.append(
        rows.finding(
            "conflicting_rows",
            "warning",
            f"{counted(int(conflicts.size), 'row')} with the time of the row before but other values (lines "
            f"{pairs}{more}); the first of each is kept.",
            second[conflicts],
        )
    )
