"""Lines of a delimited text -> rows that all have the header's fields; odd ones are left out and named."""

from __future__ import annotations

import csv
import io
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding, are_few, counted, first_few
from logger.tables.layout import Layout

__all__ = ["JOINT", "NEW_LINE", "EvenRows", "cuts", "even_rows"]

#: Stand for delimiters and line ends of a table whose quoted cells hold such.
JOINT, NEW_LINE = "\x1f", "\x1d"
#: Bytes whose rows are counted at a time: they stay in the processor's cache.
_PIECE = 1 << 18
#: Rows that may be short: so many, or this share of the file where that is more.
_FEW_SHORT, _SHORT_SHARE = 3, 0.01
#: Short rows from which on a file that has more to come is refused.
_MANY_SHORT = 50_000
#: What becomes of a row.
_KEPT, _BLANK, _SHORT, _CUT, _LONG = range(5)
_LINE_END, _SPACE = ord("\n"), ord(" ")


@dataclass(frozen=True, slots=True, kw_only=True)
class EvenRows:
    """Rows of text, each with the fields of `layout` and a line end; `lines` has their places."""

    text: bytes
    layout: Layout
    lines: Sequence[int]
    findings: tuple[Finding, ...]


def cuts(text: bytes, size: int, at: int) -> Iterator[tuple[int, int]]:
    """Yield where pieces of whole lines begin and end, each of about `size` bytes, from `at` on."""
    last = text.rfind(b"\n") + 1
    while at < last:
        end = text.find(b"\n", at + size - 1) + 1 or last
        yield at, end
        at = end


def even_rows(path: str, text: bytes, layout: Layout) -> EvenRows:
    r"""Leave out rows with too few fields or no value, and mend those with blank fields too many.

    Parameters
    ----------
    path : str
        For messages.
    text : bytes
        UTF-8 with ``\n`` as line end.
    layout : Layout
        Delimiter, header, and the byte at which data rows begin.

    Returns
    -------
    EvenRows
        Where quoted cells hold delimiters or line ends, others stand for these (`JOINT`, `NEW_LINE`).

    Raises
    ------
    ReadError
        A row with more values than names; short rows beyond three and 1 %; broken quoting.
    """
    numbers: Sequence[int] | None = None
    if text.find(b'"', layout.offset) >= 0:
        text = text[layout.offset :]
        layout = replace(layout, offset=0)
        if _quotes_are_plain(text, layout.delimiter):
            text = text.replace(b'"', b"")
        else:
            text, numbers = _unquoted(path, text, layout)
            layout = replace(layout, delimiter=JOINT)
    sorting = _Sorting(path, layout, numbers)
    view = memoryview(text)
    whole = max(text.rfind(b"\n") + 1, layout.offset)
    kept: list[bytes | memoryview] = []
    mended = whole < len(text)
    for start, end in cuts(text, _PIECE, layout.offset):
        codes = np.frombuffer(text, dtype=np.uint8, count=end - start, offset=start)
        if _are_even(codes, layout):
            kept.append(view[start:end])
            sorting.keep(int(np.count_nonzero(codes == _LINE_END)))
            continue
        rows = map(sorting.add, text[start : end - 1].decode().split("\n"))
        kept.append("".join(f"{row}\n" for row in rows if row is not None).encode())
        mended = True
        sorting.refuse_many_short(at_least=_MANY_SHORT, to_come=whole - end)
        sorting.refuse_many_long(at_least=_MANY_SHORT, to_come=whole - end)
    if whole < len(text):
        tail = text[whole:].decode()
        last = sorting.add(tail)
        if last is not None and not _lost_its_end(layout, tail, kept):
            kept.append(f"{last}\n".encode())
        else:
            sorting.cut_last()
    return EvenRows(
        text=b"".join(kept) if mended else text,
        layout=replace(layout, offset=0) if mended else layout,
        lines=sorting.lines(),
        findings=sorting.findings(),
    )


def _are_even(codes: NDArray[np.uint8], layout: Layout) -> bool:
    """Return whether every line has the fields of the layout, and something in them."""
    mark, width = ord(layout.delimiter), layout.width
    at = np.flatnonzero((codes == _LINE_END) | (codes == mark))
    if at.size % width:
        return False
    is_end = (codes[at] == _LINE_END).reshape(-1, width)
    if not is_end[:, -1].all() or is_end[:, :-1].any():
        return False
    ends = at[width - 1 :: width]
    starts = np.concatenate(([0], ends[:-1] + 1))
    first, last = codes[starts], codes[ends - 1]
    if layout.trailing and (last != mark).any():
        return False
    # a blank row begins and ends with a space or a delimiter: only then is each byte looked at
    blank = ((first <= _SPACE) | (first == mark)) & ((last <= _SPACE) | (last == mark))
    if not blank.any():
        return True
    filled = (codes > _SPACE) & (codes != mark)
    return bool(np.logical_or.reduceat(filled, starts).all())


class _Sorting:
    """Which rows, counted from 0, are kept: one byte each, as a file may have millions."""

    def __init__(self, path: str, layout: Layout, numbers: Sequence[int] | None) -> None:
        self._path = path
        self._layout = layout
        self._numbers = numbers
        self._states = bytearray()
        self._fields = 0  # of the first short row
        self._most = 0  # of the first row with a value too many
        self._cut: int | None = None  # the last row, where it lost its end

    def keep(self, rows: int) -> None:
        """Keep the next rows as they are."""
        self._states.extend(bytes([_KEPT]) * rows)

    def add(self, text: str) -> str | None:
        """Return the next row with the usual fields; None for one that is left out."""
        layout = self._layout
        delimiter, names = layout.delimiter, len(layout.header)
        cells = text.split(delimiter)
        if not any(cell.strip() for cell in cells):
            self._states.append(_BLANK)
            return None
        if len(cells) < names:
            self._fields = self._fields or len(cells)
            self._states.append(_SHORT)
            return None
        if any(cell.strip() for cell in cells[names:]):
            self._most = self._most or len(cells)
            self._states.append(_LONG)
            return None
        self._states.append(_KEPT)
        return delimiter.join(cells[:names]) + delimiter * layout.trailing

    def cut_last(self) -> None:
        """Leave out the last row, which lost its end, unless it is left out as short."""
        if self._states[-1] != _SHORT:
            self._states[-1] = _CUT
            self._cut = len(self._states) - 1

    def refuse_many_short(self, at_least: int = 1, to_come: int = 0) -> None:
        """Refuse a table of which more than a few rows are short; `to_come` have a byte at least."""
        short = self._states.count(_SHORT)
        total = len(self._states) - self._states.count(_BLANK) + to_come
        if short < at_least or (short <= max(_FEW_SHORT, _SHORT_SHARE * total) and short != total):
            return
        raise ReadError(
            self._path,
            f"{self._fields} fields, expected {len(self._layout.header)}; {short} such rows",
            "as many fields as names",
            "Correct the lines, or record again",
            line=self._line(self._states.index(_SHORT)),
        )

    def refuse_many_long(self, at_least: int = 1, to_come: int = 0) -> None:
        """Refuse a table of which more than a few rows have a value too many."""
        long = self._states.count(_LONG)
        total = len(self._states) - self._states.count(_BLANK) + to_come
        if long < at_least or are_few(long, total):
            return
        names = len(self._layout.header)
        commas = self._most == 2 * names and self._layout.delimiter == ","
        raise ReadError(
            self._path,
            f"{self._most} fields where the header has {names}"
            + (": decimal commas?" if commas else ""),
            "as many fields as names",
            "Correct the line",
            line=self._line(self._states.index(_LONG)),
        )

    def _line(self, row: int) -> int:
        """Return the line in the file at which a row begins."""
        return self._layout.first_line + row if self._numbers is None else self._numbers[row]

    def lines(self) -> Sequence[int]:
        """Return the lines of the rows that are kept."""
        first, rows = self._layout.first_line, len(self._states)
        states = np.frombuffer(self._states, dtype=np.uint8)
        if self._numbers is None and not states.any():
            return range(first, first + rows)
        kept = np.flatnonzero(states == _KEPT)
        lines = kept + first if self._numbers is None else np.array(self._numbers)[kept]
        return array("q", lines.astype(np.int64).tobytes())

    def findings(self) -> tuple[Finding, ...]:
        """Return what is left out; raise where it is too much."""
        self.refuse_many_long()
        self.refuse_many_short()
        found = []
        long = [row for row, state in enumerate(self._states) if state == _LONG]
        if long:
            lines = [self._line(row) for row in long]
            found.append(
                Finding(
                    kind="long_row",
                    severity="warning",
                    text=f"Left out: {counted(len(long), 'row')} with a value more than the header has "
                    f"names (line {first_few(lines)}).",
                    path=self._path,
                    line=lines[0],
                    count=len(long),
                )
            )
        # empty lines end many files
        blank = self._states.rstrip(bytes([_BLANK])).count(_BLANK)
        if blank:
            line = self._line(self._states.index(_BLANK))
            found.append(
                Finding(
                    kind="blank_row",
                    severity="note",
                    text=f"Left out: {counted(blank, 'row')} without any value (first: line {line}).",
                    path=self._path,
                    line=line,
                    count=blank,
                )
            )
        short = np.flatnonzero(np.frombuffer(self._states, dtype=np.uint8) == _SHORT)
        if short.size:
            found.append(self._incomplete(short))
        if self._cut is not None:
            found.append(self._incomplete(np.array([self._cut])))
        return tuple(found)

    def _incomplete(self, rows: NDArray[np.intp]) -> Finding:
        total = len(self._states) - self._states.count(_BLANK)
        ends = " The last line was cut off." if rows[-1] == len(self._states) - 1 else ""
        named = ", ".join(str(self._line(int(row))) for row in rows[:5])
        return Finding(
            kind="short_row",
            severity="warning",
            text=f"Left out as incomplete: {rows.size} of {counted(total, 'row')} (line {named}).{ends}",
            path=self._path,
            line=self._line(int(rows[0])),
            count=rows.size,
        )


def _lost_its_end(layout: Layout, tail: str, others: Sequence[bytes | memoryview]) -> bool:
    """Return whether a last row without a line end lost the end of its last number.

    A full number of fields proves nothing: ``1.5,2`` may be what is left of ``1.5,22.8``. The row
    is taken for cut off when it lacks the delimiter that ends every other row, or when its last
    cell is shorter, or has fewer decimals, than the last cell of every other row.
    """
    cells = tail.split(layout.delimiter)
    if len(cells) < layout.width:
        return True
    own = cells[len(layout.header) - 1].strip()
    shorter = coarser = True
    seen = 0
    for line in chain.from_iterable(bytes(piece).splitlines() for piece in others):
        if seen > 1 and not shorter and not coarser:
            return False
        cell = line.decode().split(layout.delimiter)[len(layout.header) - 1].strip()
        shorter = shorter and len(own) < len(cell)
        coarser = coarser and _decimals(own) < _decimals(cell)
        seen += 1
    return seen > 1 and (shorter or coarser)


def _decimals(cell: str) -> int:
    mark = max(cell.rfind("."), cell.rfind(","))
    return len(cell) - 1 - mark if mark >= 0 else 0


def _quotes_are_plain(text: bytes, delimiter: str) -> bool:
    """Return whether no quoted cell holds a delimiter, a line end or a quotation mark."""
    if b'""' in text:
        return False
    if text.count(b'"', text.rfind(b"\n") + 1):
        return False
    for start, end in cuts(text, _PIECE, 0):  # no line end stands in quotes: each begins outside
        codes = np.frombuffer(text, dtype=np.uint8, count=end - start, offset=start)
        inside = np.bitwise_xor.accumulate((codes == ord('"')).view(np.uint8)).view(np.bool_)
        ends = (codes == ord(delimiter)) | (codes == _LINE_END)
        if (ends & inside).any() or inside[-1:].any():
            return False
    return True


def _unquoted(path: str, text: bytes, layout: Layout) -> tuple[bytes, Sequence[int]]:
    """Return a text without quotation marks, its cells joined by `JOINT`; and the line of each row."""
    reader = csv.reader(io.StringIO(text.decode()), delimiter=layout.delimiter)
    out = io.StringIO()
    lines = array("q")
    line = layout.first_line
    try:
        for row in reader:
            lines.append(line)
            cells = [cell.replace(JOINT, " ").replace("\n", NEW_LINE) for cell in row]
            out.write(JOINT.join(cells) + "\n")
            line = layout.first_line + reader.line_num
    except csv.Error as error:
        raise ReadError(
            path,
            f"quoting is broken ({error})",
            "closed quotation marks",
            "Correct the line",
            line=line,
        ) from error
    rows = out.getvalue().encode()
    return rows if text.endswith(b"\n") else rows.removesuffix(b"\n"), lines
