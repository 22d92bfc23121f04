"""Oscilloscope tables: settings above or beside the samples, time stated or not -> `Scope`.

No program's layout is known by name, so one file knows them all and is long for it. The columns
that hold numbers to the end of the file are the samples; what stands above or beside them is read as
names, unit words and settings.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.source import decode, load, refuse_wrong_kind
from logger.units import Unit, find_unit

__all__ = ["Edge", "Scope", "Trace", "find_edges", "parse_scope", "read_scope"]

Array = NDArray[np.float64]

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
_WITH_UNIT = re.compile(rf"({_NUMBER.pattern})\s*([A-Za-z\u00b5\u03bc%/]*)")
#: Cells that mean "outside what could be measured" or "nothing", lower case.
_OVERLOAD = {"\u221e", "-\u221e", "+\u221e", "inf", "-inf", "+inf", "ol", "overload", "****", "---"}
#: Units of what is no voltage, and what such a column is taken for: nothing that is looked at.
_OTHER_UNITS = {"a", "ma", "amp", "ampere", "amperes", "db", "dbm", "hz", "khz", "w", "watt", "ohm"}
_NO_VOLTAGE = Unit("power", 1.0)
_BRACKETS = re.compile(r"[\[(]\s*([^\])]*?)\s*[\])]\s*$")

_TIME_NAMES = {"time", "t", "x-axis", "xaxis", "second", "seconds", "timebase", "time base"}
_COUNT_NAMES = {"x", "sequence", "index", "sample", "point", "no", "no.", "n", "#", "samplenumber"}
_INCREMENT_KEYS = {
    "increment", "sampleinterval", "samplinginterval", "samplingperiod", "sampleperiod", "interval",
    "deltat", "dt", "clock", "clockperiod", "timepersample", "xincrement", "horizontalinterval",
    "timeincrement", "timeinterval", "period", "tinc", "xinc",
}  # fmt: skip
_RATE_KEYS = {"samplerate", "samplingrate", "samplingfrequency", "samplefrequency", "rate"}
_START_KEYS = {"start", "starttime", "xorigin", "firstsample", "tstart", "xzero", "timestart"}
_COUNT_KEYS = {"recordlength", "points", "samples", "size", "memorylength", "numberofsamples"}
_TIME_UNIT_KEYS = {"horizontalunits", "horizontalunit", "xunits", "xunit", "timeunit", "timeunits"}
_VALUE_UNIT_KEYS = {"verticalunits", "verticalunit", "yunits", "yunit"}
_NAME_KEYS = {"source", "channel", "signal"}
_MOST_SHOWN = 40
#: This share of equal neighbours means that times were printed with too few digits.
_REPEATS = 0.02


@dataclass(frozen=True, slots=True)
class Trace:
    """One channel of an oscilloscope: `t_s` [s], strictly increasing, and `values` in V or %.

    Samples outside what could be measured are nan.
    """

    name: str
    unit: Literal["V", "%"]
    t_s: Array
    values: Array


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
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
    rows = _split(lines)
    columns = _sample_columns(rows)
    if not columns:
        raise ReadError(
            path, "no columns of samples", "a table of times and volts, or of volts alone",
            "Export the oscilloscope's samples as a delimited text (CSV)",
        )  # fmt: skip
    first = _first_row(rows, columns)
    kept, findings = _check_rows(path, lines, rows, columns, first)
    values = np.array([[_value(row[c]) for c in columns] for row in kept], dtype=np.float64)
    if len(values) < 3:
        found = f"{len(values)} samples" if len(values) != 1 else "1 sample"
        raise ReadError(path, found, "at least three", "Export the whole record")
    head = rows[:first]
    beside = min(columns) if first == 0 else 0  # settings left of the samples in the same rows
    settings = _settings(head, [row[:beside] for row in rows[:_MOST_SHOWN]] if beside > 1 else [])
    names, units = _names_and_units(head, columns, settings)
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
    stated = next((settings[key] for key in sorted(_COUNT_KEYS) if key in settings), None)
    count = _number_with_unit(stated[0], "time")[0] if stated else None
    if count is not None and count > len(values) + 1:
        text = f"{len(values)} samples where the settings say {count:.0f}: the file was cut off."
        findings.append(Finding("scope_truncated", "warning", text, path=path))
    return Scope(path, tuple(traces), tuple(findings))


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
    told = np.flatnonzero(state)
    turns = np.flatnonzero(np.diff(state[told]))
    middle = 0.5 * (low + high)
    edges = []
    for turn in turns:
        a, b = int(told[turn]), int(told[turn + 1])
        rising = bool(state[b] > 0)
        piece = v[a : b + 1]
        sides = piece >= middle if rising else piece <= middle
        k = a + int(np.flatnonzero(~sides)[-1])
        at = float(np.interp(0.0, [0.0, abs(v[k + 1] - v[k])], [t[k], t[k + 1]]))
        if v[k + 1] != v[k]:
            at = float(t[k] + (middle - v[k]) / (v[k + 1] - v[k]) * (t[k + 1] - t[k]))
        sd = float(max(t[b] - t[a], t[k + 1] - t[k])) / np.sqrt(12.0)
        edges.append(Edge(at, float(sd), rising))
    return tuple(edges)


def _split(lines: Sequence[str]) -> list[list[str]]:
    """Cut every line into cells at the delimiter that the last lines use."""
    tail = [line for line in lines[-200:] if line.strip()]
    delimiter: str | None = None
    for candidate in (";", "\t", ","):
        if sum(candidate in line for line in tail) > 0.5 * len(tail):
            delimiter = candidate
            break
    if delimiter == "," and all(re.fullmatch(r"\s*\S+,\d+\s+\S+,\d+\s*", s) for s in tail[:20]):
        delimiter = None  # decimal commas in columns parted by blanks
    rows = []
    for line in lines:
        # settings may be delimited in another way than the samples are
        keyed = line.lstrip().startswith("#") or (delimiter is None and not _starts_a_number(line))
        cells = re.split(r"[=,;:\t]", line.lstrip("# ")) if keyed else line.split(delimiter)
        rows.append([cell.strip().strip('"').strip() for cell in cells])
    return rows


def _starts_a_number(line: str) -> bool:
    cells = line.split()
    return bool(cells) and (_is_number(cells[0]) or cells[0].lower() in _OVERLOAD)


def _is_number(cell: str) -> bool:
    return _NUMBER.fullmatch(cell) is not None


def _is_sample(cell: str) -> bool:
    return _is_number(cell) or cell.lower() in _OVERLOAD or cell.lower() in {"nan"}


def _value(cell: str) -> float:
    return float(cell.replace(",", ".")) if _is_number(cell) else float("nan")


def _sample_columns(rows: list[list[str]]) -> list[int]:
    """Return the columns that hold numbers in nearly all of the later half of the lines."""
    told = [row for row in rows if any(row)]
    tail = told[len(told) // 2 :]
    if not tail:
        return []
    width = max(len(row) for row in tail)
    counts = [sum(len(row) > c and _is_sample(row[c]) for row in tail) for c in range(width)]
    return [c for c in range(width) if counts[c] >= 0.8 * len(tail)]


def _first_row(rows: list[list[str]], columns: list[int]) -> int:
    """Return the index of the first of three rows of samples in a row."""
    good = [_is_row(row, columns) for row in rows]
    for at in range(len(rows)):
        if all(good[at : at + 3]):
            return at
    return len(rows)


def _is_row(row: list[str], columns: list[int]) -> bool:
    return len(row) > max(columns) and all(_is_sample(row[c]) for c in columns)


def _check_rows(
    path: str, lines: list[str], rows: list[list[str]], columns: list[int], first: int
) -> tuple[list[list[str]], list[Finding]]:
    """Return the rows of samples; a last line that was cut off is left out and named."""
    kept: list[list[str]] = []
    findings: list[Finding] = []
    for at in range(first, len(rows)):
        row = rows[at]
        if _is_row(row, columns):
            kept.append(row)
            continue
        if not any(row):
            continue
        if at == len(rows) - 1:
            text = f"The last line ({lines[at]!r:.60}) was cut off and is left out."
            findings.append(Finding("scope_truncated", "warning", text, path=path, line=at + 1))
            continue
        bad = next((c for c in columns if len(row) <= c or not _is_sample(row[c])), columns[0])
        found = f"{row[bad]!r}" if len(row) > bad else f"{len(row)} fields"
        raise ReadError(
            path, found, "a number among the samples", "Correct the line, or export again",
            line=at + 1, column=bad + 1,
        )  # fmt: skip
    return kept, findings


def _plain(text: str) -> str:
    return re.sub(r"[^a-z0-9.#]", "", _BRACKETS.sub("", text).lower())


def _settings(head: list[list[str]], beside: list[list[str]]) -> dict[str, tuple[str, ...]]:
    """Return plain key -> the cells behind it; for a row of keys above a row of values as well."""
    found: dict[str, tuple[str, ...]] = {}
    known = (
        _INCREMENT_KEYS | _RATE_KEYS | _START_KEYS | _COUNT_KEYS | _TIME_UNIT_KEYS
        | _VALUE_UNIT_KEYS | _NAME_KEYS
    )  # fmt: skip
    for number, row in enumerate([*head, *beside]):
        cells = row
        if len([cell for cell in row if cell]) == 1:  # Key: value, Key = value in one cell
            cells = re.split(r"[=:]", next(cell for cell in row if cell), maxsplit=1)
        key = _plain(cells[0]) if cells else ""
        rest = tuple(cell.strip() for cell in cells[1:] if cell.strip())
        if key in known and rest:
            unit = _BRACKETS.search(cells[0])
            found.setdefault(key, (*rest, unit[1]) if unit else rest)
        if number + 1 < len(head):
            below = head[number + 1]
            for c, cell in enumerate(row[1:], start=1):
                if _plain(cell) in known and len(below) > c and _WITH_UNIT.fullmatch(below[c]):
                    unit = _BRACKETS.search(cell)
                    found.setdefault(_plain(cell), (below[c], unit[1]) if unit else (below[c],))
    return found


def _number_with_unit(text: str, quantity: Literal["time"]) -> tuple[float | None, Unit | None]:
    match = _WITH_UNIT.fullmatch(text.strip())
    if match is None:
        return None, None
    return float(match[1].replace(",", ".")), find_unit(match[5], quantity) if match[5] else None


def _unit_word(cell: str) -> Unit | None:
    text = cell.strip()
    inner = _BRACKETS.fullmatch(text)
    word = inner[1] if inner else text
    return _NO_VOLTAGE if word.lower() in _OTHER_UNITS else find_unit(word)


def _names_and_units(
    head: list[list[str]], columns: list[int], settings: dict[str, tuple[str, ...]]
) -> tuple[list[str], list[Unit | None]]:
    """Return each sample column's name and unit from the rows above the samples."""
    names, units = [""] * len(columns), [None] * len(columns)  # type: tuple[list[str], list[Unit | None]]
    above = [[row[c] if len(row) > c else "" for c in columns] for row in head]
    wide = [cells for cells in above if all(cells) and not any(_is_number(c) for c in cells)]
    if len(columns) == 1:  # a line of settings has something in its first column as well
        wide = [c for row, c in zip(head, above, strict=True) if len(list(filter(None, row))) == 1
                and c[0] and not _is_number(c[0])]  # fmt: skip
    wide += [
        [row[c] if len(row) > c else "" for c in columns]
        for row in head
        if "start" in [cell.lower() for cell in row] and len(columns) == 1
    ]
    for cells in wide[-2:]:
        told = [_unit_word(cell) for cell in cells]
        if any(told) and all(
            unit or _plain(cell) in _COUNT_NAMES for unit, cell in zip(told, cells, strict=True)
        ):
            units = [unit or old for unit, old in zip(told, units, strict=True)]
        else:
            names = list(cells)
    for at, name in enumerate(names):
        inner = _BRACKETS.search(name)
        if inner and units[at] is None:
            units[at] = _unit_word(inner[1])
            names[at] = _BRACKETS.sub("", name).strip()
    vertical = next((settings[k] for k in sorted(_VALUE_UNIT_KEYS) if k in settings), None)
    horizontal = next((settings[k] for k in sorted(_TIME_UNIT_KEYS) if k in settings), None)
    source = next((settings[k] for k in sorted(_NAME_KEYS) if k in settings), ())
    for at in range(len(columns)):
        last = at == len(columns) - 1
        if units[at] is None and at > 0 and vertical:
            units[at] = _unit_word(vertical[0])
        if units[at] is None and at == 0 and len(columns) > 1 and horizontal:
            units[at] = find_unit(horizontal[0], "time")
        if not names[at] and last and source:
            names[at] = source[0]
    return [name or f"column {c + 1}" for name, c in zip(names, columns, strict=True)], units


def _counts(name: str, values: Array, settings: dict[str, tuple[str, ...]]) -> bool:
    """Tell a column that only counts the samples."""
    steps = np.diff(values)
    even = bool(np.all(steps == 1.0))
    return even and (_plain(name) in _COUNT_NAMES or bool(settings.keys() & _INCREMENT_KEYS))


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
    return even, [Finding("scope_time_rebuilt", "note", text, path=path)]


def _stated_step(settings: dict[str, tuple[str, ...]]) -> tuple[float | None, float]:
    """Return the sample interval and the start that the settings state [s]."""

    def seconds(keys: set[str]) -> float | None:
        for key in sorted(keys):
            cells = settings.get(key, ())
            number, unit = _number_with_unit(cells[0], "time") if cells else (None, None)
            if number is None:
                continue
            later = find_unit(cells[1], "time") if len(cells) > 1 else None
            chosen = unit or later
            return number * (chosen.factor if chosen else 1.0)
        return None

    step = seconds(_INCREMENT_KEYS)
    for key in sorted(_RATE_KEYS):
        match = _WITH_UNIT.fullmatch(settings[key][0]) if key in settings else None
        if step is None and match is not None and _value(match[1]) > 0.0:
            word = (match[5] or (settings[key][1] if len(settings[key]) > 1 else "")).lower()
            factor = {"k": 1e3, "m": 1e6, "g": 1e9}.get(word[:1], 1.0)
            step = 1.0 / (_value(match[1]) * factor)
    return (step if step is not None and step > 0.0 else None), seconds(_START_KEYS) or 0.0


def _trace(
    path: str, name: str, unit: Unit | None, t_s: Array, raw: Array
) -> tuple[Trace | None, list[Finding]]:
    if unit is not None and unit.quantity not in ("voltage", "proportion"):
        return None, []
    findings = []
    if unit is None:
        text = f"Column {name!r} names no unit; volts are assumed. Only its levels matter."
        findings.append(Finding("scope_unit_assumed", "note", text, path=path))
    lost = int(np.sum(~np.isfinite(raw)))
    if lost == raw.size:
        return None, findings
    if lost:
        text = f"{lost} samples of {name!r} are outside the range measured and are left out."
        findings.append(Finding("scope_overload", "note", text, path=path, count=lost))
    if unit is not None and unit.quantity == "proportion":
        return Trace(name, "%", t_s, raw), findings
    return Trace(name, "V", t_s, raw * (unit.factor if unit else 1.0)), findings
