"""Delimited text -> header and cells: delimiter, decimal comma, comments, short and long rows."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.layout import MISSING_WORDS, NUMBER, Layout, layout_of
from logger.source import decode

__all__ = ["Grid", "grid_of"]

#: From this size on the C reader of pandas is faster although importing it costs a third of a
#: second (measured: numpy 1 us per row of four numbers, pandas 0.1 us).
_PANDAS_BYTES = 12_000_000
#: Stands for a blank cell on its way through numpy's reader; no sensor gives it.
_BLANK = "-7.25e-291"
_BLANK_VALUE = float(_BLANK)


@dataclass(frozen=True, slots=True)
class Grid:
    """A table before its cells are numbers.

    Parameters
    ----------
    path : str
        For messages.
    header : tuple of str
        Column names as written; "" throughout where the file has none.
    header_line : int or None
        Line of the names; None where the file has none.
    lines : sequence of int
        Line of each data row.
    """

    path: str
    header: tuple[str, ...]
    header_line: int | None
    lines: Sequence[int]
    findings: tuple[Finding, ...]
    _layout: Layout
    _body: str | bytes
    _rows: list[list[str]] | None = field(default=None)

    def texts(self, index: int) -> list[str]:
        """Return the cells of one column as text, stripped."""
        if self._rows is not None:
            return [row[index].strip() for row in self._rows]
        delimiter = self._layout.delimiter
        return [row.split(delimiter)[index].strip() for row in self._body_lines()]

    def _body_lines(self) -> list[str]:
        return self._start(len(self._body)).removesuffix("\n").split("\n")

    def _start(self, size: int) -> str:
        """Return the first rows as text; a large file is held as bytes with its header."""
        if isinstance(self._body, str):
            return self._body[:size]
        offset = self._layout.offset
        return self._body[offset : offset + size].decode("ascii")

    def peek(self, index: int, count: int = 40) -> list[str]:
        """Return the first cells of a column that are not blank, at most `count`, stripped."""
        if self._rows is not None:
            cells = [row[index].strip() for row in self._rows[:2000]]
        else:
            text = self._start(1 << 17)
            rows = text.split("\n")[:2000]
            rows = rows[:-1] if not text.endswith("\n") and len(rows) > 1 else rows
            rows = [row for row in rows if row]
            delimiter = self._layout.delimiter
            cells = [row.split(delimiter)[index].strip() for row in rows]
        return [cell for cell in cells if cell and cell.lower() not in MISSING_WORDS][:count]

    def numbers(
        self, indices: Sequence[int], optional: Collection[int] = ()
    ) -> tuple[dict[int, NDArray[np.float64]], list[Finding]]:
        """Return columns as floats, NaN where a cell is blank or a missing word.

        Parameters
        ----------
        indices : sequence of int
            Columns wanted.
        optional : collection of int
            Those of them that are left out, with a finding, rather than refused.

        Returns
        -------
        dict of int to array of shape (n,)
            Values by column.
        list of Finding
            Words found and columns left out.

        Raises
        ------
        ReadError
            A cell that is neither a number nor missing, or is infinite; all such cells are named.
        """
        wanted = sorted(set(indices))
        if not wanted or not len(self.lines):
            return {index: np.zeros(0) for index in wanted}, []
        fast = self._fast(wanted)
        if fast is not None:
            return fast, []
        return self._careful(wanted, optional)

    def _fast(self, wanted: list[int]) -> dict[int, NDArray[np.float64]] | None:
        if self._rows is not None:
            return None
        reader = _with_pandas if isinstance(self._body, bytes) else _with_numpy
        columns = reader(self._body, wanted, self._layout)
        if columns is None or any(c.size != len(self.lines) for c in columns.values()):
            return None
        return columns

    def _careful(
        self, wanted: list[int], optional: Collection[int]
    ) -> tuple[dict[int, NDArray[np.float64]], list[Finding]]:
        bad: list[tuple[int, int, str]] = []
        findings: list[Finding] = []
        missing: dict[tuple[int, ...], list[int]] = {}
        columns: dict[int, NDArray[np.float64]] = {}
        for index in wanted:
            values, words, wrong = self._column(index)
            if wrong and index in optional:
                findings.append(
                    Finding(
                        "column_unreadable",
                        "note",
                        f"Column {self.name(index)!r} is left out: {wrong[0][2][:20]!r} in line "
                        f"{wrong[0][0]} is no number.",
                        path=self.path,
                        line=wrong[0][0],
                        count=len(wrong),
                    )
                )
                continue
            bad += wrong
            columns[index] = values
            if words and np.isfinite(values).any():
                missing.setdefault(tuple(words), []).append(index)
        if bad:
            raise self._not_numbers(sorted(bad))
        findings += [self._missing(group, rows) for rows, group in missing.items()]
        return columns, findings

    def _column(
        self, index: int
    ) -> tuple[NDArray[np.float64], list[int], list[tuple[int, int, str]]]:
        """Return a column cell by cell: values, rows holding a missing word, cells that are wrong."""
        comma = self._layout.decimal_comma
        cells = self.texts(index)
        quick = None if comma else _plain_numbers(cells)
        if quick is not None:
            return quick, [], []
        values = np.full(len(self.lines), np.nan)
        words: list[int] = []
        wrong: list[tuple[int, int, str]] = []
        for row, cell in enumerate(cells):
            if cell == "":
                continue
            if cell.lower() in MISSING_WORDS:
                words.append(row)
                continue
            value = np.nan
            if NUMBER.fullmatch(cell) and ("," not in cell or comma):
                value = float(cell.replace(",", "."))
            if not np.isfinite(value):
                wrong.append((self.lines[row], index, cell))
            values[row] = value
        return values, words, wrong

    def _missing(self, indices: list[int], rows: tuple[int, ...]) -> Finding:
        lines = ", ".join(str(self.lines[row]) for row in rows[:5])
        more = ", ..." if len(rows) > 5 else ""
        names = ", ".join(repr(self.name(index)) for index in indices)
        return Finding(
            "missing_value",
            "note",
            f"Column {names}: {len(rows)} rows hold a word for 'not measured' (line {lines}{more}); "
            "they are left out.",
            path=self.path,
            line=self.lines[rows[0]],
            count=len(rows),
        )

    def _not_numbers(self, bad: list[tuple[int, int, str]]) -> ReadError:
        named = ", ".join(
            f"{cell[:20]!r} in line {line}, column {self.name(index)!r}"
            for line, index, cell in bad[:8]
        )
        more = f" and {len(bad) - 8} more" if len(bad) > 8 else ""
        return ReadError(
            self.path,
            f"no finite number: {named}{more}",
            "numbers, blank cells, or a word such as 'nan' for not measured",
            "Correct these lines, or choose another column",
            line=bad[0][0],
            column=bad[0][1] + 1,
        )

    def name(self, index: int) -> str:
        """Return a column's name, or its number where it has none."""
        return self.header[index] or f"number {index + 1}"


def _plain_numbers(cells: list[str]) -> NDArray[np.float64] | None:
    """Return cells as floats if all are blank or plain numbers, else None."""
    joined = "".join(cells)
    if not joined.isascii() or "_" in joined:
        return None  # Python reads 1_000 and digits of other scripts as numbers
    try:
        values = np.array([float(cell) if cell else np.nan for cell in cells])
    except ValueError:
        return None
    return values if int(np.isfinite(values).sum()) == len(cells) - cells.count("") else None


def _with_numpy(
    body: str | bytes, wanted: list[int], layout: Layout
) -> dict[int, NDArray[np.float64]] | None:
    """Read with numpy's C tokenizer; None where anything is not a plain number or blank."""
    assert isinstance(body, str)
    text = body
    delimiter = layout.delimiter
    if layout.decimal_comma:
        text = text.replace(",", ".")
    if delimiter * 2 in text:
        filled = f"{delimiter}{_BLANK}{delimiter}"
        text = text.replace(delimiter * 2, filled).replace(delimiter * 2, filled)
    text = text.replace(f"{delimiter}\n", f"{delimiter}{_BLANK}\n")
    text = text.replace(f"\n{delimiter}", f"\n{_BLANK}{delimiter}")
    if text.startswith(delimiter):
        text = _BLANK + text
    if text.endswith(delimiter):
        text += _BLANK
    lines = text.removesuffix("\n").split("\n")
    try:
        array = np.loadtxt(
            lines, delimiter=delimiter, usecols=wanted, comments=None, ndmin=2, quotechar=None
        )
    except ValueError:
        return None
    if not np.isfinite(array).all():
        return None
    columns = {index: np.ascontiguousarray(array[:, k]) for k, index in enumerate(wanted)}
    for values in columns.values():
        values[values == _BLANK_VALUE] = np.nan
    return columns


def _with_pandas(
    body: str | bytes, wanted: list[int], layout: Layout
) -> dict[int, NDArray[np.float64]] | None:
    """Read with the C reader of pandas; None where anything is not a plain number or blank."""
    import pandas as pd

    assert isinstance(body, bytes)
    for na_filter in (False, True):
        try:
            source = io.BytesIO(body)  # shares the bytes, does not copy them
            source.seek(layout.offset)
            frame = pd.read_csv(
                source,
                sep=layout.delimiter,
                header=None,
                usecols=wanted,
                dtype=np.float64,
                decimal="," if layout.decimal_comma else ".",
                na_filter=na_filter,
                keep_default_na=False,
                na_values=[""] if na_filter else None,
                skip_blank_lines=False,
                quoting=csv.QUOTE_NONE,
            )
        except (ValueError, OverflowError):
            continue
        columns = {
            index: np.ascontiguousarray(frame[index].to_numpy(dtype=np.float64)) for index in wanted
        }
        del frame
        if any(np.isinf(values).any() for values in columns.values()):
            return None
        return columns
    return None


def grid_of(path: str, data: bytes) -> Grid:
    """Lay a text file out as a table.

    Parameters
    ----------
    path : str
        For messages.
    data : bytes
        Whole file.

    Returns
    -------
    Grid
        Header, lines, and access to columns.

    Raises
    ------
    ReadError
        No table, or rows whose number of fields is wrong in more places than a cut-off end.
    """
    head = decode(path, data[: 1 << 16]) if len(data) >= _PANDAS_BYTES else ""
    if head and head.isascii() and b'"' not in data:
        layout = _need_layout(path, head, complete=False)
        grid = _large(path, data, layout)
        if grid is not None:
            return grid
    text = decode(path, data)
    first = text[: 1 << 16]
    layout = _need_layout(path, first, complete=len(first) == len(text))
    body = text[layout.offset :]
    if '"' not in body:
        grid = _plain(path, body, layout)
        if grid is not None:
            return grid
    return _checked(path, body, layout)


def _need_layout(path: str, head: str, *, complete: bool) -> Layout:
    layout = layout_of(path, head, complete=complete)
    if layout is None:
        first = head.strip().split("\n")[0][:60]
        raise ReadError(
            path,
            f"no table found; the file begins {first!r}",
            "a delimited table, GPX or NMEA sentences",
            "Export the recording as a table with one header row",
            line=1,
        )
    return layout


def _large(path: str, data: bytes, layout: Layout) -> Grid | None:
    """Grid of a large clean file, its rows only counted; None where a closer look is needed."""
    start = layout.offset
    ends = _count(data, b"\n", start)
    delimiters = _count(data, layout.delimiter.encode(), start)
    if not data.endswith(b"\n") or delimiters != ends * (layout.width - 1):
        return None
    if b"\r" in data or not data.isascii():
        return None
    lines = range(layout.first_line, layout.first_line + ends)
    return Grid(path, layout.header, layout.header_line, lines, (), layout, data)


def _count(data: bytes, byte: bytes, start: int) -> int:
    """Count a byte; in pieces of 1 MB this is several times faster than `bytes.count`."""
    codes = np.frombuffer(data, dtype=np.uint8, offset=start)
    piece = 1 << 20
    wanted = byte[0]
    return sum(
        int(np.count_nonzero(codes[at : at + piece] == wanted))
        for at in range(0, codes.size, piece)
    )


def _plain(path: str, body: str, layout: Layout) -> Grid | None:
    """Grid of a file whose rows all have the same number of fields; None where they do not."""
    if not body.endswith("\n"):
        return None
    lines = body.removesuffix("\n").split("\n")
    if {line.count(layout.delimiter) for line in lines} != {layout.width - 1}:
        return None
    blank = layout.delimiter * (layout.width - 1)
    if blank in lines or (layout.trailing and any(line[-1:] != layout.delimiter for line in lines)):
        return None
    numbers = range(layout.first_line, layout.first_line + len(lines))
    return Grid(path, layout.header, layout.header_line, numbers, (), layout, body)


def _rows(path: str, body: str, layout: Layout) -> list[tuple[int, list[str]]]:
    """All rows with the line each begins on; quoted cells may hold delimiters and line ends."""
    if '"' not in body:
        return [
            (layout.first_line + k, line.split(layout.delimiter))
            for k, line in enumerate(body.removesuffix("\n").split("\n"))
        ]
    csv.field_size_limit(min(sys.maxsize, 1 << 20))
    reader = csv.reader(io.StringIO(body), delimiter=layout.delimiter)
    out: list[tuple[int, list[str]]] = []
    before = 0
    try:
        for row in reader:
            out.append((layout.first_line + before, row))
            before = reader.line_num
    except csv.Error as error:
        raise ReadError(
            path,
            f"quoting is broken ({error})",
            "closed quotation marks",
            "Correct the line",
            line=layout.first_line + before,
        ) from error
    return out


def _checked(path: str, body: str, layout: Layout) -> Grid:
    """Grid of a file with blank, short, long or cut-off rows, each counted and named."""
    names = len(layout.header)
    blank: list[int] = []
    short: list[tuple[int, int]] = []
    kept: list[tuple[int, list[str]]] = []
    rows = _rows(path, body, layout) if body else []
    for line, row in rows:
        if not any(cell.strip() for cell in row):
            blank.append(line)
        elif len(row) < names:
            short.append((line, len(row)))
        elif len(row) > names and any(cell.strip() for cell in row[names:]):
            guess = ": decimal commas?" if len(row) == 2 * names and layout.delimiter == "," else ""
            raise ReadError(
                path,
                f"{len(row)} fields where the header has {names}{guess}",
                "as many fields as names",
                "Correct the line",
                line=line,
            )
        else:
            kept.append((line, row[:names]))
    findings: list[Finding] = []
    if short and (len(short) > max(3, 0.01 * len(rows)) or not kept):
        raise ReadError(
            path,
            f"{short[0][1]} fields, expected {names}; {len(short)} such rows",
            "as many fields as names",
            "Correct the lines, or record again",
            line=short[0][0],
        )
    cut = _cut_off(body, kept, short)
    if cut is not None:
        kept.pop()
        short.append((cut, names))
    if short:
        ends = " The last line was cut off." if rows and short[-1][0] == rows[-1][0] else ""
        findings.append(
            Finding(
                "short_row",
                "warning",
                f"{len(short)} of {len(rows)} rows left out: incomplete (line "
                f"{', '.join(str(line) for line, _ in short[:5])}).{ends}",
                path=path,
                line=short[0][0],
                count=len(short),
            )
        )
    inside = [line for line in blank if kept and line < kept[-1][0]]
    if inside:
        findings.append(
            Finding(
                "blank_row",
                "note",
                f"{len(inside)} rows without any value left out (first: line {inside[0]}).",
                path=path,
                line=inside[0],
                count=len(inside),
            )
        )
    lines = [line for line, _ in kept]
    cells = [row for _, row in kept]
    return Grid(path, layout.header, layout.header_line, lines, tuple(findings), layout, "", cells)


def _cut_off(
    body: str, kept: list[tuple[int, list[str]]], short: list[tuple[int, int]]
) -> int | None:
    """Line of a last row that lost the end of its last number, or None.

    A full number of fields proves nothing: ``1.5,2`` may be what is left of ``1.5,22.8``. The row
    is taken for cut off when no line end follows it and its last cell is shorter than the last
    cell of every other row.
    """
    if body.endswith("\n") or len(kept) < 3 or (short and short[-1][0] > kept[-1][0]):
        return None
    others = min(len(row[-1].strip()) for _, row in kept[:-1])
    return kept[-1][0] if len(kept[-1][1][-1].strip()) < others else None
