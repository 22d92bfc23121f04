"""`Grid`: a delimited text as a table, whose columns `pandas.read_csv` reads as numbers or texts."""

from __future__ import annotations

import csv
import io
import re
from array import array
from bisect import bisect_left
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding, Severity, are_few, counted, first_few
from logger.rows import MISSING_WORDS, NUMBER
from logger.scans import any_finite
from logger.source import utf8_text
from logger.tables.bad_cells import CellColumn
from logger.tables.even_rows import JOINT, NEW_LINE, cuts, even_rows
from logger.tables.layout import Layout, has_decimal_commas, layout_of, refuse_thousands

__all__ = ["Grid", "grid_of"]

#: Characters in which delimiter and header are looked for.
_HEAD = 1 << 16
#: Pieces of a text that pandas reads one by one, and their bytes: no copy of all columns is ever
#: made, and where a cell is no number, only its piece is read as text.
_PIECES, _SMALLEST, _LARGEST = 8, 1 << 17, 1 << 21
#: Bytes from which it pays to keep freed memory.
_LARGE = 1 << 23
#: Bytes and rows from which the first cells of a column are taken.
_PEEK, _PEEK_ROWS = 1 << 17, 2000
#: Wrong cells that a message names.
_NAMED = 8


def _pandas() -> Any:
    """Return pandas, loaded with the first table."""
    import pandas as pd

    return pd


def grid_of(path: str, data: bytes, *, single: bool = False) -> Grid:
    """Lay a text file out as a table.

    Parameters
    ----------
    path : str
        For messages.
    data : bytes
        Whole file.
    single : bool
        Whether one column alone is a table as well.

    Returns
    -------
    Grid
        Header, lines, and access to columns.

    Raises
    ------
    ReadError
        No table, or rows whose number of fields is wrong in more places than a cut-off end.
    """
    text = utf8_text(path, data)
    head = text[: 4 * _HEAD].decode(errors="ignore")[:_HEAD]
    complete = len(text) == len(head.encode())
    layout = layout_of(path, head, complete=complete, single=single)
    if layout is None:
        lone = layout_of(path, head, complete=complete, single=True) is not None
        raise ReadError(
            path,
            f"no table found; the file begins {head.strip().split(chr(10))[0][:60]!r}",
            "a delimited table, GPX or NMEA sentences",
            "If it is one column whose rows come at an even rate, state it: --rate-hz 50"
            if lone and not single
            else "Export the recording as a table with one header row",
            line=1,
        )
    layout = replace(layout, offset=len(head[: layout.offset].encode()))
    if has_decimal_commas(layout, text):
        layout = replace(layout, decimal_comma=True)
        refuse_thousands(path, layout, text)
    rows = even_rows(path, text, layout)
    return Grid(
        path=path,
        header=layout.header,
        header_line=layout.header_line,
        lines=rows.lines,
        findings=rows.findings,
        size=len(data),
        _layout=rows.layout,
        _text=rows.text,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
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
    findings : tuple of Finding
        Rows that were left out.
    size : int
        Bytes of the file.
    """

    path: str
    header: tuple[str, ...]
    header_line: int | None
    lines: Sequence[int]
    findings: tuple[Finding, ...]
    size: int
    _layout: Layout
    _text: bytes

    def name(self, index: int) -> str:
        """Return a column's name, or its number where it has none."""
        return self.header[index][:80] or f"number {index + 1}"

    def finding(self, kind: str, severity: Severity, text: str, *, count: int = 1) -> Finding:
        """Return a finding on the table as a whole, at its header."""
        return Finding(
            kind=kind,
            severity=severity,
            text=text,
            path=self.path,
            line=self.header_line,
            count=count,
        )

    def texts(self, index: int) -> list[str]:
        """Return the cells of one column as text, stripped."""
        return [cell for piece in self.pieces(index) for cell in piece]

    def pieces(self, index: int) -> Iterator[list[str]]:
        """Yield the cells of one column as text, stripped, some thousand rows at a time."""
        for piece in self._pieces():
            cells = self._frame(piece, {index: object})[index].tolist()
            yield [self._as_written(cell) for cell in cells]

    def peek(self, index: int, count: int = 40) -> list[str]:
        """Return the first cells of a column that are not blank, at most `count`, stripped."""
        rows = next(self._pieces(_PEEK), b"").split(b"\n", _PEEK_ROWS)[:-1]
        cells = (self._cells(row)[index] for row in rows)
        filled = (cell for cell in cells if cell and cell.lower() not in MISSING_WORDS)
        return list(islice(filled, count))

    def row(self, line: int) -> list[str]:
        """Return the cells of the row in line `line`, stripped."""
        wanted = bisect_left(self.lines, line)
        for piece in self._pieces():
            rows = piece.split(b"\n")[:-1]
            if wanted < len(rows):
                return self._cells(rows[wanted])
            wanted -= len(rows)
        return []

    def _pieces(self, size: int | None = None) -> Iterator[bytes]:
        if size is None:
            size = min(max(len(self._text) // _PIECES, _SMALLEST), _LARGEST)
        return (self._text[a:b] for a, b in cuts(self._text, size, self._layout.offset))

    def _cells(self, row: bytes) -> list[str]:
        cells = row.decode().split(self._layout.delimiter)[: len(self.header)]
        return [self._as_written(cell) for cell in cells]

    def _as_written(self, cell: str) -> str:
        cell = cell.strip()
        return cell.replace(NEW_LINE, "\n") if self._layout.delimiter == JOINT else cell

    def _frame(self, piece: bytes, kinds: Mapping[int, type]) -> Any:
        """Return columns of some rows as a DataFrame; blank numbers are NaN, texts as they stand."""
        return _pandas().read_csv(
            io.BytesIO(piece),
            sep=self._layout.delimiter,
            header=None,
            names=range(self._layout.width),
            index_col=False,
            usecols=list(kinds),
            dtype=kinds,
            decimal="," if self._layout.decimal_comma else ".",
            na_filter=object not in kinds.values(),
            keep_default_na=False,
            na_values=[""],
            skip_blank_lines=False,
            quoting=csv.QUOTE_NONE,
            low_memory=False,  # each piece is small; else it is copied once more
        )

    def numbers(
        self,
        indices: Sequence[int],
        optional: Collection[int] = (),
        whole: Collection[int] = (),
        *,
        advance: Callable[[int], None] | None = None,
    ) -> tuple[dict[int, NDArray[np.float64]], dict[int, NDArray[np.int64]], list[Finding]]:
        """Return columns as floats, NaN where a cell is blank or a missing word.

        Parameters
        ----------
        indices : sequence of int
            Columns wanted.
        optional : collection of int
            Those of them that are left out, with a finding, rather than refused.
        whole : collection of int
            Those that may be whole numbers of more digits than a float holds.
        advance : callable, optional
            Called with the bytes that are done.

        Returns
        -------
        dict of int to array of shape (n,)
            Values by column.
        dict of int to array of int of shape (n,)
            Those in `whole`, exactly, where all cells wanted are plain numbers.
        list of Finding
            Words found and columns left out.

        Raises
        ------
        ReadError
            A cell that is neither a number nor missing, or is infinite; all such cells are named.
        """
        count = len(self.lines)
        columns = {index: CellColumn(values=np.empty(count)) for index in sorted(set(indices))}
        exact = {index: np.empty(count, dtype=np.int64) for index in whole}
        first = 0
        if len(self._text) > _LARGE:
            # The C library of Linux gives freed blocks above a size back to the system, and fresh
            # ones cost more than reading numbers into them. That size grows to the largest block
            # freed so far, up to 32 MiB (mallopt(3), M_MMAP_THRESHOLD); elsewhere this does nothing.
            np.empty(31 << 20, dtype=np.uint8)
        for piece in self._pieces() if columns else ():
            kinds = {index: np.int64 if index in exact else np.float64 for index in columns}
            rows = self._plain_numbers(piece, kinds, columns, exact, first)
            if rows is None:
                exact.clear()
                rows = self._odd_numbers(piece, columns, first)
            first += rows
            if advance is not None:
                advance(self.size * first // count)
        findings = self._judge(columns, optional)
        return {index: column.values for index, column in columns.items()}, exact, findings

    def _plain_numbers(
        self,
        piece: bytes,
        kinds: Mapping[int, type],
        columns: Mapping[int, CellColumn],
        exact: Mapping[int, NDArray[np.int64]],
        first: int,
    ) -> int | None:
        """Read rows of nothing but numbers and blanks; return how many, None where others are."""
        try:
            frame = self._frame(piece, kinds)
        except (ValueError, OverflowError):
            return None
        for index, column in columns.items():
            values = frame[index].to_numpy()
            if np.isinf(values).any():
                return None
            column.values[first : first + len(frame)] = values
            if index in exact:
                exact[index][first : first + len(frame)] = values
        return len(frame)

    def _odd_numbers(self, piece: bytes, columns: Mapping[int, CellColumn], first: int) -> int:
        """Read rows as text; a cell that pandas makes no number of is a blank, a word, or wrong."""
        comma = self._layout.decimal_comma
        frame = self._frame(piece, dict.fromkeys(columns, object))
        for index, column in columns.items():
            cells = frame.pop(index).to_numpy()
            plain = [cell.replace(",", ".") for cell in cells] if comma else cells
            values = np.array(_pandas().to_numeric(plain, errors="coerce"), dtype=np.float64)
            for row in map(int, np.flatnonzero(~np.isfinite(values))):
                cell = self._as_written(cells[row])
                values[row] = np.nan
                if not cell:
                    continue
                if cell.lower() in MISSING_WORDS:
                    column.words.append(first + row)
                    continue
                if NUMBER.fullmatch(cell) and ("," not in cell or comma):
                    values[row] = float(cell.replace(",", "."))
                if not np.isfinite(values[row]):
                    values[row] = np.nan
                    column.count += 1
                    if len(column.wrong) < _NAMED:
                        column.wrong.append((self.lines[first + row], index, cell))
            column.values[first : first + len(values)] = values
        return len(frame)

    def _judge(self, columns: dict[int, CellColumn], optional: Collection[int]) -> list[Finding]:
        """Leave out a few wrong cells, and optional columns with more; refuse others; report words."""
        findings = []
        missing: dict[bytes, list[int]] = {}
        for index, column in list(columns.items()):
            if column.wrong and self._are_slips(column):
                findings.append(column.left_out(self.path, self.name(index)))
                column.wrong.clear()
            elif column.wrong and index in optional:
                findings.append(column.unreadable(self.path, self.name(index)))
                del columns[index]
            elif column.words and any_finite(column.values):
                missing.setdefault(column.words.tobytes(), []).append(index)
        bad = sorted(cell for column in columns.values() for cell in column.wrong)
        if bad:
            total = sum(column.count for column in columns.values() if column.wrong)
            raise self._not_numbers(bad, total)
        findings += [self._missing(group, columns[group[0]].words) for group in missing.values()]
        return findings

    def _are_slips(self, column: CellColumn) -> bool:
        """Return whether a column's wrong cells are few, and none belongs to a second header."""
        filled = int(np.count_nonzero(np.isfinite(column.values))) + column.count
        return are_few(column.count, filled) and not any(
            self._second_header(line) for line, _, _ in column.wrong
        )

    def _missing(self, indices: list[int], rows: array[int]) -> Finding:
        lines = first_few([self.lines[row] for row in rows[:6]])
        names = ", ".join(repr(self.name(index)) for index in indices)
        return Finding(
            kind="missing_value",
            severity="note",
            text=f"Column {names}: {counted(len(rows), 'row')} with a word for 'not measured' (line "
            f"{lines}), left out.",
            path=self.path,
            line=self.lines[rows[0]],
            count=len(rows),
        )

    def _not_numbers(self, bad: list[tuple[int, int, str]], total: int) -> ReadError:
        again = self._second_header(bad[0][0])
        if again is not None:
            return again
        named = ", ".join(
            f"{cell[:20]!r} in line {line}, column {self.name(index)!r}"
            for line, index, cell in bad[:_NAMED]
        )
        more = f" and {total - _NAMED} more" if total > _NAMED else ""
        return ReadError(
            self.path,
            f"no finite number: {named}{more}",
            "numbers, blank cells, or a word such as 'nan' for not measured",
            "Correct these lines, or choose another column",
            line=bad[0][0],
            column=bad[0][1] + 1,
        )

    def _second_header(self, line: int) -> ReadError | None:
        """Return the refusal of a row of names in mid-file, None where `line` is none."""
        cells = [cell for cell in self.row(line) if cell]
        if len(cells) < 2 or any(any(c.isdecimal() for c in cell) for cell in cells):
            known = {name.strip() for name in self.header if name.strip()}
            if not cells or not known.issuperset(cells):
                return None
        words = all(re.search(r"[A-Za-z]{2}", cell) for cell in cells)
        if not words or any(cell.lower() in MISSING_WORDS for cell in cells):
            return None
        same = cells == [name.strip() for name in self.header if name.strip()]
        what = "the column names stand there again" if same else "other column names begin there"
        return ReadError(
            self.path,
            f"{what}: {', '.join(cells)[:120]}",
            "one header, in the first line of the table",
            "Two recordings follow each other in this file: cut it before this line and give each "
            "part as a file and log of its own",
            line=line,
        )
