"""`Grid`: a table whose cells are not numbers yet, and the readers that make them so."""

from __future__ import annotations

import re
from array import array
from bisect import bisect_left
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding, counted
from logger.large_file import Contents
from logger.scans import all_finite, any_finite
from logger.source import decode_piece
from logger.tables.layout import MISSING_WORDS, NUMBER, Layout
from logger.tables.quick_numbers import (
    Columns,
    Marks,
    byte_pieces,
    pieces_of,
    rows_are_even,
    with_numpy,
    with_pandas,
)

__all__ = ["JOINT", "NEW_LINE", "Grid", "UnevenRows"]


#: Stand for delimiters and line ends of a table whose quoted cells hold such.
JOINT, NEW_LINE = "\x1f", "\x1d"
#: Wrong cells that a message names.
_NAMED = 8


class UnevenRows(Exception):
    """Rows of a large table have different numbers of fields, or nothing in them."""


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

    The marks of a large table say how many fields it has in all; that each row has its share is
    found out when its numbers are read.
    """

    path: str
    header: tuple[str, ...]
    header_line: int | None
    lines: Sequence[int]
    findings: tuple[Finding, ...]
    _layout: Layout
    _body: str | Contents
    _marks: Marks | None = None

    def texts(self, index: int) -> list[str]:
        """Return the cells of one column as text, stripped."""
        return [cell for piece in self.pieces(index) for cell in piece]

    def pieces(self, index: int) -> Iterator[list[str]]:
        """Yield the cells of one column as text, stripped, some thousand rows at a time."""
        delimiter = self._layout.delimiter
        after = self._layout.width - 1 - index
        blank = delimiter * (after + 1)  # marks stand last and are nearly always blank
        for rows in self._body_lines():
            if after < index:  # split only as far as the column, from the nearer end
                cells = [
                    "" if row.endswith(blank) else row.rsplit(delimiter, after + 1)[1].strip()
                    for row in rows
                ]
            else:
                cells = [row.split(delimiter, index + 1)[index].strip() for row in rows]
            if delimiter == JOINT:
                cells = [cell.replace(NEW_LINE, "\n") for cell in cells]
            yield cells

    def _body_lines(self) -> Iterator[list[str]]:
        """Yield the rows in pieces, so that a column is never held together with all rows."""
        for text in self.body_pieces():
            yield text.removesuffix("\n").split("\n")

    def body_pieces(self) -> Iterator[str]:
        """Yield the text of the rows, some thousand at a time."""
        body = self._body
        if isinstance(body, str):
            yield from pieces_of(body)
            return
        for piece in byte_pieces(body, self._layout.offset):
            yield decode_piece(piece)

    def peek(self, index: int, count: int = 40) -> list[str]:
        """Return the first cells of a column that are not blank, at most `count`, stripped."""
        rows = next(self._body_lines(), [])[:2000]
        delimiter = self._layout.delimiter
        cells = [row.split(delimiter)[index].strip() for row in rows if row]
        if delimiter == JOINT:
            cells = [cell.replace(NEW_LINE, "\n") for cell in cells]
        return [cell for cell in cells if cell and cell.lower() not in MISSING_WORDS][:count]

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
            Told the bytes that are done.

        Returns
        -------
        dict of int to array of shape (n,)
            Values by column.
        dict of int to array of int of shape (n,)
            Of the columns in `whole`, those that could be read so in one go, exactly.
        list of Finding
            Words found and columns left out.

        Raises
        ------
        ReadError
            A cell that is neither a number nor missing, or is infinite; all such cells are named.
        UnevenRows
            The fields of a large table make up its number of rows, but not row by row; or a row
            has nothing in it.
        """
        wanted = sorted(set(indices))
        if not wanted:
            self._need_even_rows()
        if not wanted or not len(self.lines):
            return {index: np.zeros(0) for index in wanted}, {}, []
        try:
            fast = self._fast(wanted, whole, advance)
        except (ValueError, OverflowError):  # a long number among them is no whole one
            fast = None
        if fast is None and whole:
            fast = self._fast(wanted, (), advance)
        if fast is not None:
            self._need_filled_rows(fast[0])
            return *fast, []
        self._need_even_rows()
        values, findings = self._careful(wanted, optional, advance)
        self._need_filled_rows(values)
        return values, {}, findings

    def _need_even_rows(self) -> None:
        """Raise `UnevenRows` where a row has too many fields and another too few."""
        if self._marks is None or isinstance(self._body, str):
            return
        pieces = byte_pieces(self._body, self._layout.offset)
        if not rows_are_even(pieces, self._layout):
            raise UnevenRows

    def _need_filled_rows(self, columns: dict[int, NDArray[np.float64]]) -> None:
        """Raise `UnevenRows` where a row of a large table has no number in any of its columns."""
        if self._marks is None:
            return
        blank: NDArray[np.bool_] | None = None
        for values in columns.values():
            if all_finite(values):
                return
            here = np.isnan(values)
            blank = here if blank is None else blank & here
        if blank is not None and blank.any():
            raise UnevenRows

    def _fast(
        self,
        wanted: list[int],
        whole: Collection[int],
        advance: Callable[[int], None] | None,
    ) -> Columns | None:
        rows = len(self.lines)
        if not isinstance(self._body, str):
            return with_pandas(self._body, wanted, self._layout, rows, whole, advance, self._marks)
        columns = with_numpy(self._body, wanted, self._layout, rows)
        return None if columns is None else (columns, {k: self._whole(k) for k in whole})

    def _whole(self, index: int) -> NDArray[np.int64]:
        """Return a column of nothing but whole numbers."""
        pieces = [np.array(cells).astype(np.int64) for cells in self.pieces(index)]
        return np.concatenate(pieces)

    def _careful(
        self,
        wanted: list[int],
        optional: Collection[int],
        advance: Callable[[int], None] | None,
    ) -> tuple[dict[int, NDArray[np.float64]], list[Finding]]:
        bad: list[tuple[int, int, str]] = []
        total = 0
        findings: list[Finding] = []
        missing: dict[bytes, list[int]] = {}
        columns: dict[int, NDArray[np.float64]] = {}
        for index in wanted:
            values, words, wrong, count = self._column(index)
            if advance is not None:
                advance(len(self._body) * (len(columns) + 1) // (len(wanted) + 1))
            if wrong and index in optional:
                findings.append(
                    Finding(
                        "column_unreadable",
                        "note",
                        f"Column {self.name(index)!r} is left out: {wrong[0][2][:20]!r} in line "
                        f"{wrong[0][0]} is no number.",
                        path=self.path,
                        line=wrong[0][0],
                        count=count,
                    )
                )
                continue
            bad += wrong
            total += count
            columns[index] = values
            if words and any_finite(values):
                missing.setdefault(words.tobytes(), []).append(index)
        if bad:
            raise self._not_numbers(sorted(bad), total)
        findings += [self._missing(group, array("q", rows)) for rows, group in missing.items()]
        return columns, findings

    def _column(
        self, index: int
    ) -> tuple[NDArray[np.float64], array[int], list[tuple[int, int, str]], int]:
        """Return a column cell by cell.

        Values, rows holding a missing word, the first cells that are wrong, how many are.
        """
        comma = self._layout.decimal_comma
        values = np.full(len(self.lines), np.nan)
        words = array("q")
        wrong: list[tuple[int, int, str]] = []
        count = 0
        first = 0
        for cells in self.pieces(index):
            quick = None if comma else _plain_numbers(cells)
            if quick is not None:
                values[first : first + quick.size] = quick
                first += quick.size
                continue
            for row, cell in enumerate(cells, start=first):
                if cell == "":
                    continue
                if cell.lower() in MISSING_WORDS:
                    words.append(row)
                    continue
                value = np.nan
                if NUMBER.fullmatch(cell) and ("," not in cell or comma):
                    value = float(cell.replace(",", "."))
                if not np.isfinite(value):
                    count += 1
                    if len(wrong) < _NAMED:
                        wrong.append((self.lines[row], index, cell))
                values[row] = value
            first += len(cells)
        return values, words, wrong, count

    def _missing(self, indices: list[int], rows: array[int]) -> Finding:
        lines = ", ".join(str(self.lines[row]) for row in rows[:5])
        more = ", ..." if len(rows) > 5 else ""
        names = ", ".join(repr(self.name(index)) for index in indices)
        return Finding(
            "missing_value",
            "note",
            f"Column {names}: {counted(len(rows), 'row')} with a word for 'not measured' (line "
            f"{lines}{more}), left out.",
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

    def row(self, line: int) -> list[str]:
        """Return the cells of the row in line `line`, stripped."""
        wanted = bisect_left(self.lines, line)
        for rows in self._body_lines():
            if wanted < len(rows):
                cells = rows[wanted].split(self._layout.delimiter)
                return [cell.strip() for cell in cells[: len(self.header)]]
            wanted -= len(rows)
        return []

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

    def name(self, index: int) -> str:
        """Return a column's name, or its number where it has none."""
        return self.header[index][:80] or f"number {index + 1}"


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
