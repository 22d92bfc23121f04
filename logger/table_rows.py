"""Delimited bytes -> `Grid`: rows counted, cut-off and blank ones left out and named."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np

from logger.errors import ReadError
from logger.grid import Grid
from logger.layout import Layout, layout_of
from logger.ragged import KeptLines, judge, lost_its_end, short_rows
from logger.source import decode

__all__ = ["grid_of"]

#: From this size on the C reader of pandas is faster although importing it costs a third of a
#: second (measured: numpy 1 us per row of four numbers, pandas 0.1 us).
_PANDAS_BYTES = 12_000_000


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
    if len(data) >= _PANDAS_BYTES:
        grid = _large(path, data)
        if grid is not None:
            return grid
    text = decode(path, data)
    first = text[: 1 << 16]
    layout = _need_layout(path, first, complete=len(first) == len(text))
    body = text[layout.offset :]
    return _quoted(path, body, layout) if '"' in body else _plain(path, body, layout)


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


def _large(path: str, data: bytes) -> Grid | None:
    """Lay out a large file as bytes, its rows only counted; None where it needs a closer look."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in data[:4096]:
        return None
    if b"\r" in data[:4096]:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    layout = _need_layout(path, decode(path, data[: 1 << 16]), complete=False)
    start = 0
    for _ in range(layout.first_line - 1):
        start = data.index(b"\n", start) + 1
    if b'"' in data[start : start + 4096] or data.find(b'"', start) >= 0:
        return None
    layout = replace(layout, offset=start)
    ends = _count(data, b"\n", start)
    delimiters = _count(data, layout.delimiter.encode(), start)
    if data.endswith(b"\n") and delimiters == ends * (layout.width - 1):
        lines = range(layout.first_line, layout.first_line + ends)
        return Grid(path, layout.header, layout.header_line, lines, (), layout, data)
    return _mended(path, data.rstrip(b"\x00"), layout)


def _mended(path: str, data: bytes, layout: Layout) -> Grid | None:
    """Take a few odd rows out of a large file; None where there are many."""
    start, delimiter, first = layout.offset, layout.delimiter, layout.first_line
    whole = data.endswith(b"\n")
    if not whole:
        data += b"\n"
    codes = np.frombuffer(data, dtype=np.uint8, offset=start)
    ends = np.flatnonzero(codes == ord("\n"))
    before = np.searchsorted(np.flatnonzero(codes == ord(delimiter)), ends)
    wrong = np.flatnonzero(np.diff(before, prepend=0) != layout.width - 1)
    if wrong.size > 1000:
        return None
    edges = np.concatenate(([0], ends + 1)) + start

    def cells(row: int) -> list[str]:
        return data[edges[row] : edges[row + 1] - 1].decode(errors="replace").split(delimiter)

    rows = wrong.tolist()
    odd = [(first + row, cells(row)) for row in rows]
    last = ends.size - 1
    kept, findings = judge(path, layout, odd, ends.size, first + last)
    out = {row: kept.get(first + row) for row in rows}
    if not whole and out.get(last, ()) is not None:
        tail = range(max(0, last - 1000), last)
        others = [cells(k)[: len(layout.header)] for k in tail if k not in out]
        if lost_its_end(layout, cells(last), others):
            out[last] = None
            findings.append(short_rows(path, [first + last], ends.size, first + last))
    pieces = []
    at = 0
    for row, row_cells in sorted(out.items()):
        pieces.append(data[at : edges[row]])
        at = int(edges[row + 1])
        if row_cells is not None:
            extra = delimiter if layout.trailing else ""
            pieces.append((delimiter.join(row_cells) + extra + "\n").encode())
    pieces.append(data[at:])
    left_out = sorted(first + row for row, row_cells in out.items() if row_cells is None)
    lines = KeptLines(first, ends.size, left_out)
    body = b"".join(pieces)
    return Grid(path, layout.header, layout.header_line, lines, tuple(findings), layout, body)


def _count(data: bytes, byte: bytes, start: int) -> int:
    """Count a byte; in pieces of 1 MB this is several times faster than `bytes.count`."""
    codes = np.frombuffer(data, dtype=np.uint8, offset=start)
    piece = 1 << 20
    wanted = byte[0]
    return sum(
        int(np.count_nonzero(codes[at : at + piece] == wanted))
        for at in range(0, codes.size, piece)
    )


def _plain(path: str, body: str, layout: Layout) -> Grid:
    """Lay out a text without quotation marks: every line is a row."""
    delimiter, first, width = layout.delimiter, layout.first_line, layout.width
    names = len(layout.header)
    whole = body.endswith("\n")
    lines = body.removesuffix("\n").split("\n") if body else []
    blank = delimiter * (width - 1)
    odd: list[int] = []
    even = {line.count(delimiter) for line in lines} == {width - 1} and blank not in lines
    if not even or layout.trailing:
        odd = [
            row
            for row, line in enumerate(lines)
            if line.count(delimiter) != width - 1
            or line == blank
            or (layout.trailing and line[-1] != delimiter)
        ]
    if not odd and whole:
        every = range(first, first + len(lines))
        return Grid(path, layout.header, layout.header_line, every, (), layout, body)
    rows = [(first + row, lines[row].split(delimiter)) for row in odd]
    last = first + len(lines) - 1
    kept, findings = judge(path, layout, rows, len(lines), last)
    out = {row: kept.get(first + row) for row in odd}
    if not whole and lines and out.get(len(lines) - 1, ()) is not None:
        others = (
            line.split(delimiter)[:names] for k, line in enumerate(lines[:-1]) if k not in out
        )
        if lost_its_end(layout, lines[-1].split(delimiter), others):
            out[len(lines) - 1] = None
            findings.append(short_rows(path, [last], len(lines), last))
    extra = delimiter if layout.trailing else ""
    text = "\n".join(
        line if row not in out else delimiter.join(out[row] or []) + extra
        for row, line in enumerate(lines)
        if row not in out or out[row] is not None
    )
    left_out = sorted(first + row for row, cells in out.items() if cells is None)
    numbers = KeptLines(first, len(lines), left_out)
    return Grid(
        path, layout.header, layout.header_line, numbers, tuple(findings), layout, text + "\n"
    )


def _quoted(path: str, body: str, layout: Layout) -> Grid:
    """Lay out a text whose quoted cells may hold delimiters and line ends."""
    reader = csv.reader(io.StringIO(body), delimiter=layout.delimiter)
    rows: list[tuple[int, list[str]]] = []
    before = 0
    try:
        for row in reader:
            rows.append((layout.first_line + before, row))
            before = reader.line_num
    except csv.Error as error:
        raise ReadError(
            path,
            f"quoting is broken ({error})",
            "closed quotation marks",
            "Correct the line",
            line=layout.first_line + before,
        ) from error
    names = len(layout.header)
    odd = [(line, row) for line, row in rows if len(row) != names or not any(row)]
    last = rows[-1][0] if rows else layout.first_line
    kept, findings = judge(path, layout, odd, len(rows), last)
    lost = {line for line, _ in odd if line not in kept}
    cells = [(line, kept.get(line, row)) for line, row in rows if line not in lost]
    if not body.endswith("\n") and cells and cells[-1][0] == last:
        others = (row for _, row in cells[:-1])
        if lost_its_end(layout, rows[-1][1], others):
            cells.pop()
            findings.append(short_rows(path, [last], len(rows), last))
    return Grid(
        path,
        layout.header,
        layout.header_line,
        [line for line, _ in cells],
        tuple(findings),
        layout,
        "",
        [row for _, row in cells],
    )
