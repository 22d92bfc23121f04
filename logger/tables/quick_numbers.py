"""Columns of plain numbers, read by the fast readers of numpy and pandas."""

from __future__ import annotations

import csv
from bisect import bisect_left
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.large_file import Contents
from logger.scans import has_infinite
from logger.tables.layout import Layout

__all__ = [
    "Columns",
    "Marks",
    "byte_pieces",
    "has_odd_marks",
    "marks_of",
    "pieces_of",
    "rows_are_even",
    "with_numpy",
    "with_pandas",
]

#: Columns as floats, and those of long whole numbers exactly.
Columns = tuple[dict[int, NDArray[np.float64]], dict[int, NDArray[np.int64]]]
#: Stands for a blank cell on its way through numpy's reader; no sensor gives it.
_BLANK = "3e-99"
_BLANK_VALUE = float(_BLANK)
#: Characters of the body that are split into rows, or bytes whose marks are counted, at a time.
PIECE = 1 << 17
#: Rows that the C reader of pandas gives at a time.
_PANDAS_ROWS = 1 << 16


def pieces_of(text: str) -> Iterator[str]:
    """Yield whole lines of a text, some thousand at a time."""
    at = 0
    while at < len(text):
        end = text.find("\n", at + PIECE)
        end = len(text) if end < 0 else end + 1
        yield text[at:end]
        at = end


def with_numpy(
    body: str, wanted: list[int], layout: Layout, rows: int
) -> dict[int, NDArray[np.float64]] | None:
    """Read with numpy's C tokenizer; None where anything is not a plain number or blank."""
    columns: dict[int, NDArray[np.float64]] = {index: np.empty(rows) for index in wanted}
    at = 0
    for piece in pieces_of(body):
        try:
            array = np.loadtxt(
                _filled(piece, layout).removesuffix("\n").split("\n"),
                delimiter=layout.delimiter,
                usecols=wanted,
                comments=None,
                ndmin=2,
                quotechar=None,
            )
        except ValueError:
            return None
        end = at + len(array)
        if end > rows or not np.isfinite(array).all():
            return None
        array[array == _BLANK_VALUE] = np.nan
        for k, index in enumerate(wanted):
            columns[index][at:end] = array[:, k]
        at = end
    return columns if at == rows else None


def _filled(text: str, layout: Layout) -> str:
    """Return lines with decimal points and without blank cells, as numpy's reader wants them."""
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
    return text


@dataclass(frozen=True, slots=True)
class Marks:
    """How many rows a large table has, by its line ends and delimiters in all.

    Parameters
    ----------
    ends : int
        Line ends from the first data row on.
    before : list of int
        Line ends before each stretch of `PIECE` bytes.
    """

    ends: int
    before: list[int]

    def start_of(self, body: Contents, offset: int, row: int) -> int:
        """Return where data row `row`, counted from 0, begins; data rows begin at `offset`."""
        if row == 0:
            return offset
        stretch = bisect_left(self.before, row) - 1
        at = offset + stretch * PIECE
        codes = np.frombuffer(body[at : at + PIECE], dtype=np.uint8)
        ends = np.flatnonzero(codes == ord("\n"))
        place = row - self.before[stretch] - 1
        return at + int(ends[place]) + 1 if place < ends.size else len(body)


def marks_of(body: Contents, layout: Layout) -> Marks | None:
    """Count line ends and delimiters; None where they do not make up rows.

    In stretches that stay in the processor's cache this is several times faster than `bytes.count`.
    At first all characters up to the quotation mark are taken for line ends, as numbers have none
    of them: where one is something else, the reader of the numbers finds another number of rows.
    """
    delimiter = ord(layout.delimiter)
    for low in (True, False):
        ends = delimiters = 0
        before: list[int] = []
        for at in range(layout.offset, len(body), PIECE):
            part = np.frombuffer(body[at : at + PIECE], dtype=np.uint8)
            before.append(ends)
            fields = int(np.count_nonzero(part == delimiter))
            if low:
                ends += int(np.count_nonzero(part <= ord('"')))
                ends -= fields if delimiter <= ord('"') else 0
            else:
                ends += int(np.count_nonzero(part == ord("\n")))
            delimiters += fields
        if delimiters == ends * (layout.width - 1):
            return Marks(ends, before) if low or not has_odd_marks(body, layout.offset) else None
    return None


def has_odd_marks(body: Contents, offset: int) -> bool:
    """Tell whether a body has a quotation mark, a carriage return or a zero byte."""
    return any(body.find(odd, offset) >= 0 for odd in (b'"', b"\r", b"\x00"))


def rows_are_even(pieces: Iterable[bytes], layout: Layout) -> bool:
    """Tell whether every line has the fields of the layout, without splitting any.

    Parameters
    ----------
    pieces : iterable of bytes
        Whole lines.
    layout : Layout
        Says how many fields, and whether a delimiter ends each line.
    """
    delimiter, width = ord(layout.delimiter), layout.width
    for piece in pieces:
        codes = np.frombuffer(piece, dtype=np.uint8)
        marks = codes[(codes == ord("\n")) | (codes == delimiter)]
        if not marks.size or marks.size % width:
            return False
        rows = (marks == ord("\n")).reshape(-1, width)
        if not rows[:, -1].all() or rows[:, :-1].any():
            return False
        if layout.trailing and (codes[np.flatnonzero(codes == ord("\n")) - 1] != delimiter).any():
            return False
    return True


def byte_pieces(body: Contents, offset: int = 0) -> Iterator[bytes]:
    """Yield whole lines of bytes, some thousand at a time."""
    at = offset
    while at < len(body):
        end = body.find(b"\n", at + PIECE)
        end = len(body) if end < 0 else end + 1
        yield body[at:end]
        at = end


class _Source:
    """Bytes for the C reader, which would decode and encode again what comes from `io.BytesIO`."""

    def __init__(self, body: Contents, offset: int) -> None:
        self._body, self._at = body, offset

    def read(self, size: int) -> bytes:
        """Return the next `size` bytes, or those that are left."""
        piece = self._body[self._at : self._at + size]
        self._at += len(piece)
        return piece

    def __iter__(self) -> Iterator[bytes]:
        """Yield the lines that are left."""
        yield from self._body[self._at :].splitlines(keepends=True)


def with_pandas(
    body: Contents,
    wanted: list[int],
    layout: Layout,
    rows: int,
    whole: Collection[int],
    advance: Callable[[int], None] | None,
    marks: Marks | None,
) -> Columns | None:
    """Read with the C reader of pandas; None where anything is not a plain number or blank.

    It reads piece by piece into columns that are there already: neither its copy of all columns nor
    ours of its copy is ever made. None as well where a row has too many fields; with `marks`, which
    say that there are as many fields in all as there should be, no row then has too few.
    """
    import pandas as pd

    _keep_freed_memory()
    columns: dict[int, NDArray[np.float64]] = {index: np.empty(rows) for index in wanted}
    exact = {index: np.empty(rows, dtype=np.int64) for index in whole}
    # with all columns given, the reader counts the fields of all rows but the first of a piece
    kinds: dict[int, Any] = dict.fromkeys(range(layout.width), "S1")
    kinds |= {index: np.int64 if index in exact else np.float64 for index in wanted}
    head = body[layout.offset : layout.offset + PIECE]
    mark = layout.delimiter.encode()
    likely = any(pair in head for pair in (mark * 2, mark + b"\n", b"\n" + mark))
    for blanks in (True,) if likely else (False, True):
        source: Any = _Source(body, layout.offset)
        at = 0
        try:
            for frame in pd.read_csv(
                source,
                sep=layout.delimiter,
                header=None,
                dtype=kinds,
                decimal="," if layout.decimal_comma else ".",
                na_filter=blanks,
                keep_default_na=False,
                na_values=[""] if blanks else None,
                skip_blank_lines=False,
                quoting=csv.QUOTE_NONE,
                encoding_errors="replace",
                chunksize=_PANDAS_ROWS,
                low_memory=False,  # each piece is small; else it is copied once more
            ):
                end = at + len(frame)
                if end > rows or frame.shape[1] != layout.width:
                    return None
                if marks is not None:
                    start = marks.start_of(body, layout.offset, at)
                    row = body[start : body.find(b"\n", start)]
                    if row.count(mark) != layout.width - 1:
                        return None
                    if layout.trailing and frame[layout.width - 1].astype(bool).any():
                        return None
                for index in wanted:
                    read = frame[index].to_numpy()
                    columns[index][at:end] = read
                    if index in exact:
                        exact[index][at:end] = read
                    elif has_infinite(read):
                        return None
                at = end
                if advance is not None:
                    advance(len(body) * at // rows)
        except (ValueError, OverflowError):
            continue
        return (columns, exact) if at == rows else None
    return None


def _keep_freed_memory() -> None:
    """Let memory that a piece has used be used again for the next one.

    The C library of Linux gives blocks above a size back to the system when they are freed, and
    fresh ones cost more than reading numbers into them. That size grows to the largest block freed
    so far, up to 32 MiB (mallopt(3), M_MMAP_THRESHOLD); elsewhere this does nothing.
    """
    np.empty(31 << 20, dtype=np.uint8)
