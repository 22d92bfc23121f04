"""How an oscilloscope's table is laid out: settings, names and units, columns and rows of samples."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

from logger.errors import ReadError
from logger.findings import Finding
from logger.rows import NUMBER
from logger.units import Unit, find_unit

__all__ = [
    "COUNT_KEYS",
    "COUNT_NAMES",
    "INCREMENT_KEYS",
    "RATE_KEYS",
    "START_KEYS",
    "WITH_UNIT",
    "check_rows",
    "first_row",
    "names_and_units",
    "number_with_unit",
    "plain_word",
    "sample_columns",
    "sample_value",
    "settings_of",
    "split_rows",
]

#: A number with what stands behind it.
WITH_UNIT = re.compile(rf"({NUMBER.pattern})\s*([A-Za-z\u00b5\u03bc%/]*)")
#: Cells that mean "outside what could be measured" or "nothing", lower case.
_OVERLOAD = {"\u221e", "-\u221e", "+\u221e", "inf", "-inf", "+inf", "ol", "overload", "****", "---"}
#: Units of what is no voltage, and what such a column is taken for: nothing that is looked at.
_OTHER_UNITS = {"a", "ma", "amp", "ampere", "amperes", "db", "dbm", "hz", "khz", "w", "watt", "ohm"}
_NO_VOLTAGE = Unit(quantity="power", factor=1.0)
_BRACKETS = re.compile(r"[\[(]\s*([^\])]*?)\s*[\])]\s*$")
COUNT_NAMES = {"x", "sequence", "index", "sample", "point", "no", "no.", "n", "#", "samplenumber"}
INCREMENT_KEYS = {
    "increment", "sampleinterval", "samplinginterval", "samplingperiod", "sampleperiod", "interval",
    "deltat", "dt", "clock", "clockperiod", "timepersample", "xincrement", "horizontalinterval",
    "timeincrement", "timeinterval", "period", "tinc", "xinc",
}  # fmt: skip
RATE_KEYS = {"samplerate", "samplingrate", "samplingfrequency", "samplefrequency", "rate"}
START_KEYS = {"start", "starttime", "xorigin", "firstsample", "tstart", "xzero", "timestart"}
COUNT_KEYS = {"recordlength", "points", "samples", "size", "memorylength", "numberofsamples"}
_TIME_UNIT_KEYS = {"horizontalunits", "horizontalunit", "xunits", "xunit", "timeunit", "timeunits"}
_VALUE_UNIT_KEYS = {"verticalunits", "verticalunit", "yunits", "yunit"}
_NAME_KEYS = {"source", "channel", "signal"}


def split_rows(lines: Sequence[str]) -> list[list[str]]:
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
    return NUMBER.fullmatch(cell) is not None


def _is_sample(cell: str) -> bool:
    return _is_number(cell) or cell.lower() in _OVERLOAD or cell.lower() in {"nan"}


def sample_value(cell: str) -> float:
    """Return a cell as a number, nan where it is none: an overload."""
    return float(cell.replace(",", ".")) if _is_number(cell) else float("nan")


def sample_columns(rows: list[list[str]]) -> list[int]:
    """Return the columns that hold numbers in nearly all of the later half of the lines."""
    filled = [row for row in rows if any(row)]
    tail = filled[len(filled) // 2 :]
    if not tail:
        return []
    width = max(len(row) for row in tail)
    counts = [sum(len(row) > c and _is_sample(row[c]) for row in tail) for c in range(width)]
    return [c for c in range(width) if counts[c] >= 0.8 * len(tail)]


def first_row(rows: list[list[str]], columns: list[int]) -> int:
    """Return the index of the first of three rows of samples in a row."""
    good = [_is_row(row, columns) for row in rows]
    for at in range(len(rows)):
        if all(good[at : at + 3]):
            return at
    return len(rows)


def _is_row(row: list[str], columns: list[int]) -> bool:
    return len(row) > max(columns) and all(_is_sample(row[c]) for c in columns)


def check_rows(
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
            findings.append(
                Finding(
                    kind="scope_truncated", severity="warning", text=text, path=path, line=at + 1
                )
            )
            continue
        bad = next((c for c in columns if len(row) <= c or not _is_sample(row[c])), columns[0])
        found = f"{row[bad]!r}" if len(row) > bad else f"{len(row)} fields"
        raise ReadError(
            path, found, "a number among the samples", "Correct the line, or export again",
            line=at + 1, column=bad + 1,
        )  # fmt: skip
    return kept, findings


def plain_word(text: str) -> str:
    """Return a name in small letters and digits alone, without its unit in brackets."""
    return re.sub(r"[^a-z0-9.#]", "", _BRACKETS.sub("", text).lower())


def settings_of(head: list[list[str]], beside: list[list[str]]) -> dict[str, tuple[str, ...]]:
    """Return plain key -> the cells behind it; for a row of keys above a row of values as well."""
    found: dict[str, tuple[str, ...]] = {}
    known = (
        INCREMENT_KEYS | RATE_KEYS | START_KEYS | COUNT_KEYS | _TIME_UNIT_KEYS
        | _VALUE_UNIT_KEYS | _NAME_KEYS
    )  # fmt: skip
    for number, row in enumerate([*head, *beside]):
        cells = row
        if len([cell for cell in row if cell]) == 1:  # Key: value, Key = value in one cell
            cells = re.split(r"[=:]", next(cell for cell in row if cell), maxsplit=1)
        key = plain_word(cells[0]) if cells else ""
        rest = tuple(cell.strip() for cell in cells[1:] if cell.strip())
        if key in known and rest:
            unit = _BRACKETS.search(cells[0])
            found.setdefault(key, (*rest, unit[1]) if unit else rest)
        if number + 1 < len(head):
            below = head[number + 1]
            for c, cell in enumerate(row[1:], start=1):
                if plain_word(cell) in known and len(below) > c and WITH_UNIT.fullmatch(below[c]):
                    unit = _BRACKETS.search(cell)
                    found.setdefault(plain_word(cell), (below[c], unit[1]) if unit else (below[c],))
    return found


def number_with_unit(text: str, quantity: Literal["time"]) -> tuple[float | None, Unit | None]:
    """Return a number and the unit behind it, None for what is not there."""
    match = WITH_UNIT.fullmatch(text.strip())
    if match is None:
        return None, None
    return float(match[1].replace(",", ".")), find_unit(match[5], quantity) if match[5] else None


def _unit_word(cell: str) -> Unit | None:
    text = cell.strip()
    inner = _BRACKETS.fullmatch(text)
    word = inner[1] if inner else text
    return _NO_VOLTAGE if word.lower() in _OTHER_UNITS else find_unit(word)


def names_and_units(
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
        known = [_unit_word(cell) for cell in cells]
        if any(known) and all(
            unit or plain_word(cell) in COUNT_NAMES for unit, cell in zip(known, cells, strict=True)
        ):
            units = [unit or old for unit, old in zip(known, units, strict=True)]
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
