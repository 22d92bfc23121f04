"""Oscilloscope tables: settings above or beside the samples, time stated or not -> `Scope`.

No program's layout is known by name: `scope_layout.py` finds which columns hold numbers to the end of
the file, and what stands above or beside them as names, unit words and settings.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from logger.arrays import Array
from logger.errors import ReadError
from logger.findings import Finding
from logger.source import decode, load, refuse_wrong_kind
from logger.tables.scope_layout import (
    COUNT_KEYS,
    COUNT_NAMES,
    INCREMENT_KEYS,
    RATE_KEYS,
    START_KEYS,
    WITH_UNIT,
    check_rows,
    first_row,
    names_and_units,
    number_with_unit,
    plain_word,
    sample_columns,
    sample_value,
    settings_of,
    split_rows,
)
from logger.units import Unit, find_unit

__all__ = ["Edge", "Scope", "Trace", "find_edges", "parse_scope", "read_scope"]

_TIME_NAMES = {"time", "t", "x-axis", "xaxis", "second", "seconds", "timebase", "time base"}
_MOST_SHOWN = 40
#: This share of equal neighbours means that times were printed with too few digits.
_REPEATS = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """One channel of an oscilloscope: `t_s` [s], strictly increasing, and `values` in V or %.

    Samples outside what could be measured are nan.
    """

    name: str
    unit: Literal["V", "%"]
    t_s: Array
    values: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Scope:
    """What one oscilloscope table holds: its voltages (or percentages) and what was noticed."""

    path: str
    traces: tuple[Trace, ...]
    findings: tuple[Finding, ...] = ()

    def trace(self, channel: str) -> Trace:
        """Return the channel called so (any case), or the one with that number from 1.

        Raises
        ------
        ReadError
            There is none; the text lists those there are.
        """
        for trace in self.traces:
            if trace.name.lower() == channel.strip().lower():
                return trace
        if channel.strip().isdigit() and 1 <= int(channel) <= len(self.traces):
            return self.traces[int(channel) - 1]
        names = ", ".join(trace.name for trace in self.traces)
        raise ReadError(self.path, f"no channel {channel!r}", f"one of {names}, or its number")


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """A change from below one level to above another or back: time, sd [s], and which way."""

    t_s: float
    sd_s: float
    rising: bool


def read_scope(path: Path) -> Scope:
    """Read an oscilloscope table.

    Parameters
    ----------
    path : Path
        A text file of any name, also packed with gzip.

    Returns
    -------
    Scope
        At least one trace of at least three samples.

    Raises
    ------
    ReadError
        Missing, empty, binary or no such table; the text names the line and what to do.
    """
    data = load(path)
    refuse_wrong_kind(str(path), data)
    return parse_scope(str(path), data)


def parse_scope(path: str, data: bytes) -> Scope:
    """Parse the bytes of an oscilloscope table; arguments and errors as in `read_scope`."""
    lines = decode(path, data).split("\n")
    while lines and not lines[-1].strip():
        lines.pop()
    rows = split_rows(lines)
    columns = sample_columns(rows)
    if not columns:
        raise ReadError(
            path, "no columns of samples", "a table of times and volts, or of volts alone",
            "Export the oscilloscope's samples as a delimited text (CSV)",
        )  # fmt: skip
    first = first_row(rows, columns)
    kept, findings = check_rows(path, lines, rows, columns, first)
    values = np.array([[sample_value(row[c]) for c in columns] for row in kept], dtype=np.float64)
    if len(values) < 3:
        found = f"{len(values)} samples" if len(values) != 1 else "1 sample"
        raise ReadError(path, found, "at least three", "Export the whole record")
    head = rows[:first]
    beside = min(columns) if first == 0 else 0  # settings left of the samples in the same rows
    settings = settings_of(head, [row[:beside] for row in rows[:_MOST_SHOWN]] if beside > 1 else [])
    names, units = names_and_units(head, columns, settings)
    time_at = _time_column(names, units, values, settings)
    t_s, notes = _times(path, values, time_at, units, settings)
    findings += notes
    traces = []
    for at, name in enumerate(names):
        if at == time_at or _counts(name, values[:, at], settings):
            continue
        trace, note = _trace(path, name, units[at], t_s, values[:, at])
        findings += note
        if trace is not None:
            traces.append(trace)
    if not traces:
        shown = ", ".join(repr(name) for name in names)
        raise ReadError(
            path, f"no voltage in this file: its columns are {shown}", "a channel in V, mV or %",
            "Export the channel that the throttle sensor is on",
        )  # fmt: skip
    stated = next((settings[key] for key in sorted(COUNT_KEYS) if key in settings), None)
    count = number_with_unit(stated[0], "time")[0] if stated else None
    if count is not None and count > len(values) + 1:
        text = f"{len(values)} samples where the settings say {count:.0f}: the file was cut off."
        findings.append(Finding(kind="scope_truncated", severity="warning", text=text, path=path))
    return Scope(path=path, traces=tuple(traces), findings=tuple(findings))


def find_edges(trace: Trace, low: float, high: float) -> tuple[Edge, ...]:
    """Find where a trace changes between below `low` and above `high`.

    Parameters
    ----------
    trace : Trace
        Samples that are nan are passed over.
    low, high : float
        Two levels in the trace's unit; what swings between them is no edge.

    Returns
    -------
    tuple of Edge
        In order of time, rising and falling in turn. The time is where the straight line through
        the samples last crosses the middle level; the sd is that of an even spread over the
        change from one level to the other, at least over one sample.
    """
    known = np.isfinite(trace.values)
    t, v = trace.t_s[known], trace.values[known]
    if v.size < 2:
        return ()
    state = np.where(v >= high, 1, np.where(v <= low, -1, 0))
    clear = np.flatnonzero(state)  # samples above one level or below the other
    turns = np.flatnonzero(np.diff(state[clear]))
    middle = 0.5 * (low + high)
    edges = []
    for turn in turns:
        a, b = int(clear[turn]), int(clear[turn + 1])
        rising = bool(state[b] > 0)
        piece = v[a : b + 1]
        sides = piece >= middle if rising else piece <= middle
        k = a + int(np.flatnonzero(~sides)[-1])
        at = float(np.interp(0.0, [0.0, abs(v[k + 1] - v[k])], [t[k], t[k + 1]]))
        if v[k + 1] != v[k]:
            at = float(t[k] + (middle - v[k]) / (v[k + 1] - v[k]) * (t[k + 1] - t[k]))
        sd = float(max(t[b] - t[a], t[k + 1] - t[k])) / np.sqrt(12.0)
        edges.append(Edge(t_s=at, sd_s=float(sd), rising=rising))
    return tuple(edges)


def _counts(name: str, values: Array, settings: dict[str, tuple[str, ...]]) -> bool:
    """Return whether a column only counts the samples."""
    steps = np.diff(values)
    even = bool(np.all(steps == 1.0))
    return even and (plain_word(name) in COUNT_NAMES or bool(settings.keys() & INCREMENT_KEYS))


def _time_column(
    names: list[str], units: list[Unit | None], values: Array, settings: dict[str, tuple[str, ...]]
) -> int | None:
    for at, name in enumerate(names):
        unit = units[at]
        if unit is not None and unit.quantity == "time":
            return at
        if name.strip().lower() in _TIME_NAMES and not _counts(name, values[:, at], settings):
            return at
    first = values[:, 0]
    rising = np.isfinite(first).all() and bool(np.all(np.diff(first) >= 0.0))
    if len(names) > 1 and units[0] is None and rising and first[-1] > first[0]:
        return None if _counts(names[0], first, settings) else 0
    return None


def _times(
    path: str,
    values: Array,
    time_at: int | None,
    units: list[Unit | None],
    settings: dict[str, tuple[str, ...]],
) -> tuple[Array, list[Finding]]:
    step_s, start_s = _stated_step(settings)
    count = len(values)
    if time_at is None:
        if step_s is None:
            raise ReadError(
                path, "no column of times, and no sample interval in the settings",
                "a time column, or a line such as increment,0.004",
                "Export the record with its times",
            )  # fmt: skip
        return start_s + step_s * np.arange(count, dtype=np.float64), []
    unit = units[time_at]
    t = values[:, time_at] * (unit.factor if unit else 1.0)
    if not np.isfinite(t).all():
        raise ReadError(path, "a time is missing", "a time in every row", "Export again")
    steps = np.diff(t)
    if np.any(steps < 0.0):
        row = int(np.flatnonzero(steps < 0.0)[0]) + 2
        raise ReadError(
            path, f"the time goes back at sample {row} (from {t[row - 2]:g} to {t[row - 1]:g} s)",
            "times that rise", "Export one record only",
        )  # fmt: skip
    if not np.any(steps == 0.0):
        return t, []
    if t[-1] <= t[0]:
        raise ReadError(path, "the time never moves", "times that rise", "Export again")
    even = np.asarray(np.linspace(t[0], t[-1], count), dtype=np.float64)
    rounding = float(np.min(steps[steps > 0.0]))
    if float(np.max(np.abs(even - t))) > 1.01 * rounding or np.mean(steps == 0.0) < _REPEATS:
        row = int(np.flatnonzero(steps == 0.0)[0]) + 2
        raise ReadError(
            path, f"sample {row} repeats the time before it, and the samples are not evenly spaced",
            "times that rise", "Export with more digits",
        )  # fmt: skip
    share = 100.0 * float(np.mean(steps == 0.0))
    text = (
        f"{share:.0f} % of the times repeat the one before: they were printed with too few digits. "
        f"They were rebuilt from the first, the last and the number of samples "
        f"({1000 * (even[1] - even[0]):.4g} ms apart)."
    )
    return even, [Finding(kind="scope_time_rebuilt", severity="note", text=text, path=path)]


def _stated_step(settings: dict[str, tuple[str, ...]]) -> tuple[float | None, float]:
    """Return the sample interval and the start that the settings state [s]."""

    def seconds(keys: set[str]) -> float | None:
        for key in sorted(keys):
            cells = settings.get(key, ())
            number, unit = number_with_unit(cells[0], "time") if cells else (None, None)
            if number is None:
                continue
            later = find_unit(cells[1], "time") if len(cells) > 1 else None
            chosen = unit or later
            return number * (chosen.factor if chosen else 1.0)
        return None

    step = seconds(INCREMENT_KEYS)
    for key in sorted(RATE_KEYS):
        match = WITH_UNIT.fullmatch(settings[key][0]) if key in settings else None
        if step is None and match is not None and sample_value(match[1]) > 0.0:
            word = (match[5] or (settings[key][1] if len(settings[key]) > 1 else "")).lower()
            factor = {"k": 1e3, "m": 1e6, "g": 1e9}.get(word[:1], 1.0)
            step = 1.0 / (sample_value(match[1]) * factor)
    return (step if step is not None and step > 0.0 else None), seconds(START_KEYS) or 0.0


def _trace(
    path: str, name: str, unit: Unit | None, t_s: Array, raw: Array
) -> tuple[Trace | None, list[Finding]]:
    if unit is not None and unit.quantity not in ("voltage", "proportion"):
        return None, []
    findings = []
    if unit is None:
        text = f"Column {name!r} names no unit; volts are assumed. Only its levels matter."
        findings.append(Finding(kind="scope_unit_assumed", severity="note", text=text, path=path))
    lost = int(np.sum(~np.isfinite(raw)))
    if lost == raw.size:
        return None, findings
    if lost:
        text = f"{lost} samples of {name!r} are outside the range measured and are left out."
        findings.append(
            Finding(kind="scope_overload", severity="note", text=text, path=path, count=lost)
        )
    if unit is not None and unit.quantity == "proportion":
        return Trace(name=name, unit="%", t_s=t_s, values=raw), findings
    return Trace(
        name=name, unit="V", t_s=t_s, values=raw * (unit.factor if unit else 1.0)
    ), findings
