"""How a delimited text is laid out: delimiter, header, first row, decimal comma."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

from logger.errors import ReadError
from logger.rows import MISSING_WORDS, NUMBER
from logger.units import find_unit

__all__ = [
    "MAX_COLUMNS",
    "Layout",
    "has_decimal_commas",
    "layout_of",
    "refuse_thousands",
    "sniff_table",
]

_DELIMITERS = (",", ";", "\t", "|")
_HEAD_LINES = 60
#: More columns than any recording has.
MAX_COLUMNS = 1000
#: So many quoted decimal commas are no slip of one row.
_SOME, _QUOTED_HEAD = 3, 1 << 16
_QUOTED_COMMA = re.compile(rb'"[+-]?\d*,\d+"')
_QUOTED_POINT = re.compile(rb'(?:(?<=[,\n"])|^)[+-]?\d*\.\d+(?=[,\n"])')


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How the text is laid out: found from its first lines."""

    delimiter: str
    header: tuple[str, ...]
    header_line: int | None
    first_line: int
    offset: int
    decimal_comma: bool
    trailing: bool

    @property
    def width(self) -> int:
        """Fields per data row, with the empty one after a trailing delimiter."""
        return len(self.header) + self.trailing


def sniff_table(head: str) -> bool:
    """Return whether a text can be a table: characters only, and no markup."""
    start = head[:2000]
    odd = sum(ord(c) < 32 and c not in "\t\n\f" for c in start)
    return not start.lstrip().startswith("<") and odd <= 0.02 * len(start)


def _fields(line: str, delimiter: str) -> list[str]:
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        rows = list(csv.reader([line], delimiter=delimiter))
    except csv.Error:
        return [line]
    return [cell.strip() for cell in rows[0]] if rows else [""]


def _is_number(cell: str) -> bool:
    return NUMBER.fullmatch(cell) is not None


def _is_value(cell: str) -> bool:
    return (
        cell == ""
        or _is_number(cell)
        or cell.lower() in MISSING_WORDS
        or bool(re.match(r"[+-]?(\d|inf)", cell, re.IGNORECASE))
    )


def _pick_delimiter(lines: list[str]) -> str | None:
    """Return the delimiter that most lines agree on; more fields win between equals."""
    best: tuple[float, int, str] | None = None
    for delimiter in _DELIMITERS:
        counts = [line.count(delimiter) for line in lines if line.strip()]
        usual = max(set(counts), key=lambda c: (counts.count(c), c)) if counts else 0
        if usual == 0:
            continue
        share = counts.count(usual) / len(counts)
        if best is None or (round(share, 1), usual) > (best[0], best[1]):
            best = (round(share, 1), usual, delimiter)
    # decimal commas count as often as semicolons do
    if best is not None and best[2] == "," and all(";" in s for s in lines if s.strip()):
        return ";"
    if best is not None and best[2] == "," and all("\t" in s for s in lines if s.strip()):
        return "\t"
    return best[2] if best else None


def layout_of(path: str, head: str, *, complete: bool, single: bool = False) -> Layout | None:
    """Find delimiter, header line and first data line in the first lines of a text.

    Parameters
    ----------
    path : str
        For messages.
    head : str
        Beginning of the file.
    complete : bool
        False where `head` may end inside a line.
    single : bool
        Whether one column alone is a table as well.

    Returns
    -------
    Layout or None
        None where there is no table.

    Raises
    ------
    ReadError
        A header whose number of names does not fit the rows, or too many columns.
    """
    lines = head.split("\n")
    if not complete and len(lines) > 1:
        lines = lines[:-1]
    plain = [line for line in lines if _speaks(line)][:_HEAD_LINES]
    delimiter = _pick_delimiter(plain)
    if delimiter is None and single and plain:
        delimiter = ","
    if delimiter is None:
        return None
    least = 1 if single else 2
    counts = [len(_fields(line, delimiter)) for line in plain]
    usual = max(set(counts), key=lambda c: (counts.count(c), c))
    if usual > MAX_COLUMNS:
        raise ReadError(
            path,
            f"a table of {usual} columns",
            f"at most {MAX_COLUMNS}",
            "Export fewer columns: time, speed, position, acceleration",
        )
    named: tuple[int, list[str]] | None = None
    offset = 0
    for number, line in enumerate(lines, start=1):
        start = offset
        offset += len(line) + 1
        if not _speaks(line):
            continue
        cells = _fields(line, delimiter)
        if not any(cells):
            continue
        if len(cells) == usual and len(cells) >= least and _is_data(cells, named):
            return _first_row(path, lines, delimiter, named, number, cells, start)
        if named is not None and len(named[1]) == len(cells) and _are_units(cells):
            joined = [f"{n} [{u.strip('[]()')}]" for n, u in zip(named[1], cells, strict=True)]
            named = (named[0], joined)
        else:
            named = (number, cells)
    if named is not None and len(named[1]) >= least:
        header = tuple(named[1])
        return Layout(
            delimiter=delimiter,
            header=header,
            header_line=named[0],
            first_line=len(lines) + 1,
            offset=min(offset, len(head)),
            decimal_comma=False,
            trailing=False,
        )
    return None


def _speaks(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _is_data(cells: list[str], named: tuple[int, list[str]] | None) -> bool:
    """Return whether a row has values, not names: half of its cells begin like numbers."""

    def share(row: list[str]) -> float:
        filled = [cell for cell in row if cell]
        return sum(_is_value(cell) for cell in filled) / len(filled) if filled else 0.0

    if share(cells) >= 0.5:
        return True
    return named is not None and len(named[1]) == len(cells) and share(cells) > share(named[1])


def _are_units(cells: list[str]) -> bool:
    known = [bool(find_unit(cell.strip("[]() "))) for cell in cells if cell.strip("[]() ")]
    return bool(known) and sum(known) >= 0.5 * len(known)


def _first_row(
    path: str,
    lines: list[str],
    delimiter: str,
    named: tuple[int, list[str]] | None,
    number: int,
    cells: list[str],
    offset: int,
) -> Layout:
    rows = [_fields(line, delimiter) for line in lines[number - 1 :] if line.strip()]
    commas = delimiter != "," and any(
        re.fullmatch(r"[+-]?\d*,\d+([eE][+-]?\d+)?", cell) for row in rows[:20] for cell in row
    )
    width = len(cells)
    if named is None:
        trailing = all(row[-1] == "" for row in rows) and width > 1
        header: tuple[str, ...] = ("",) * (width - trailing)
        return Layout(
            delimiter=delimiter,
            header=header,
            header_line=None,
            first_line=number,
            offset=offset,
            decimal_comma=commas,
            trailing=trailing,
        )
    names = list(named[1])
    if names[-1] == "" and len(names) > 1 and (len(names) == width or len(names) == width + 1):
        names.pop()  # the heading ends in a delimiter as well
    trailing = width == len(names) + 1 and cells[-1] == ""
    if not trailing and width != len(names) and not (width < len(names) and len(rows) == 1):
        guess = ": decimal commas?" if delimiter == "," and width == 2 * len(names) else ""
        raise ReadError(
            path,
            f"{width} fields where the header has {len(names)}{guess}",
            "as many fields as names",
            "Write decimal points, or separate the columns with semicolons"
            if guess
            else "Correct the line",
            line=number,
        )
    return Layout(
        delimiter=delimiter,
        header=tuple(names),
        header_line=named[0],
        first_line=number,
        offset=offset,
        decimal_comma=commas,
        trailing=trailing,
    )


def has_decimal_commas(layout: Layout, text: bytes) -> bool:
    """Return whether any data row has a decimal comma: a long standstill has whole numbers alone."""
    start = layout.offset
    if layout.decimal_comma or text.find(b",", start) < 0:
        return layout.decimal_comma
    if layout.delimiter == ",":
        commas = _QUOTED_COMMA.findall(text, start, start + _QUOTED_HEAD)
        return len(commas) >= _SOME and _QUOTED_POINT.search(text, start) is None
    ends = rf"[{re.escape(layout.delimiter)}\n\"]"
    pattern = rf"(?:^|{ends})[+-]?\d*,\d+(?={ends}|$)"
    return re.compile(pattern.encode()).search(text, max(start - 1, 0)) is not None


def refuse_thousands(path: str, layout: Layout, text: bytes) -> None:
    """Refuse numbers such as 1,234 or 1.234 where nothing shows which mark is the decimal one.

    A comma before one, two or four digits, or after a leading zero, is a decimal comma; so with
    points. Where all numbers with a mark have three digits behind it, they may as well be thousands.
    """
    d = re.escape(layout.delimiter)
    for mark in (",", r"\."):
        if mark == layout.delimiter:
            start, end = r'(?<=")[+-]?', '(?=")'
        else:
            start, end = rf'(?:(?<=[{d}\n"])|^)\s*[+-]?', rf'(?=\s*(?:[{d}\n"]|$))'
        thousands = rf"{start}([1-9]\d{{0,2}}(?:{mark}\d{{3}})+){end}"
        doubtful = re.compile(thousands.encode()).search(text, layout.offset)
        if doubtful is None:
            continue
        sure = rf"{start}(?:0{mark}\d+|\d+{mark}(?:\d{{1,2}}|\d{{4,}})|\d{{4,}}{mark}\d+){end}"
        if re.compile(sure.encode()).search(text, layout.offset):
            continue
        line_start = text.rfind(b"\n", 0, doubtful.start()) + 1
        raise ReadError(
            path,
            f"{doubtful[1].decode()!r} may be a decimal number or have a thousands mark",
            "numbers without thousands marks, of which at least one shows the decimal mark",
            "Export the table with decimal points and without thousands marks",
            line=layout.first_line + text.count(b"\n", layout.offset, doubtful.start()),
            column=text.count(layout.delimiter.encode(), line_start, doubtful.start()) + 1,
        )
