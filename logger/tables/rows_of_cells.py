"""Delimited bytes -> `Grid`: rows counted, cut-off and blank ones left out and named."""

from __future__ import annotations

import csv
import io
import re
from array import array
from dataclasses import replace

import numpy as np

from logger.errors import ReadError
from logger.large_file import Contents, whole
from logger.source import LARGE_BYTES, decode, decode_piece, encoding_of
from logger.tables.grid import JOINT, NEW_LINE, Grid
from logger.tables.layout import Layout, layout_of
from logger.tables.quick_numbers import (
    byte_pieces,
    has_odd_marks,
    marks_of,
    pieces_of,
    rows_are_even,
)
from logger.tables.ragged import (
    KeptLines,
    blank_rows,
    judge,
    lost_its_end,
    merge,
    short_rows,
)

__all__ = ["grid_of"]

#: From this size on the C reader of pandas is faster although importing it costs a third of a
#: second (measured: numpy 1 us per row of four numbers, pandas 0.1 us).
_PANDAS_BYTES = LARGE_BYTES
#: Characters in which delimiter and header are looked for.
_HEAD = 1 << 16
#: More rows of a wrong width than these are not looked at: 1 % of them is refused anyway.
_MANY_ODD = 50_000
#: So many quoted decimal commas are no slip of one row.
_SOME = 3
_QUOTED_COMMA = re.compile(r'"[+-]?\d*,\d+"')
_QUOTED_POINT = re.compile(r'(?:^|[,\n"])[+-]?\d*\.\d+(?=[,\n"])')


def grid_of(path: str, data: Contents, *, single: bool = False, exact: bool = False) -> Grid:
    """Lay a text file out as a table.

    Parameters
    ----------
    path : str
        For messages.
    data : Contents
        Whole file.
    single : bool
        Whether one column alone is a table as well.
    exact : bool
        Whether each row of a large table is looked at here: what to do after `UnevenRows`.

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
        grid = _large(path, data, single=single, exact=exact)
        if grid is not None:
            return grid
    text = decode(path, whole(data))
    first = text[:_HEAD]
    layout = _need_layout(path, first, complete=len(first) == len(text), single=single)
    body = text[layout.offset :]
    del text
    layout = _with_commas(layout, body)
    if layout.decimal_comma:
        _refuse_thousands(path, body, layout)
    if '"' not in body:
        return _plain(path, body, layout)
    if _quotes_are_plain(body, layout.delimiter):
        return _plain(path, body.replace('"', ""), layout)
    return _quoted(path, body, layout)


def _with_commas(layout: Layout, body: str) -> Layout:
    """Look for decimal commas in the whole body: a long standstill has whole numbers alone."""
    if layout.decimal_comma or "," not in body:
        return layout
    if layout.delimiter == ",":
        commas = len(_QUOTED_COMMA.findall(body[: 1 << 16])) >= _SOME
        commas = commas and _QUOTED_POINT.search(body) is None
    else:
        ends = rf"[{re.escape(layout.delimiter)}\n\"]"
        commas = re.search(rf"(?:^|{ends})[+-]?\d*,\d+(?={ends}|$)", body) is not None
    return replace(layout, decimal_comma=commas)


def _refuse_thousands(path: str, body: str, layout: Layout) -> None:
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
        doubtful = re.search(rf"{start}([1-9]\d{{0,2}}(?:{mark}\d{{3}})+){end}", body)
        if doubtful is None:
            continue
        sure = rf"{start}(?:0{mark}\d+|\d+{mark}(?:\d{{1,2}}|\d{{4,}})|\d{{4,}}{mark}\d+){end}"
        if re.search(sure, body):
            continue
        line_start = body.rfind("\n", 0, doubtful.start()) + 1
        raise ReadError(
            path,
            f"{doubtful[1]!r} may be a decimal number or have a thousands mark",
            "numbers without thousands marks, of which at least one shows the decimal mark",
            "Export the table with decimal points and without thousands marks",
            line=layout.first_line + body.count("\n", 0, doubtful.start()),
            column=body.count(layout.delimiter, line_start, doubtful.start()) + 1,
        )


def _need_layout(path: str, head: str, *, complete: bool, single: bool = False) -> Layout:
    layout = layout_of(path, head, complete=complete, single=single)
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


def _large(path: str, data: Contents, *, single: bool, exact: bool) -> Grid | None:
    """Lay out a large file as bytes, its rows only counted; None where it needs a closer look."""
    if encoding_of(data[:4096]) != "utf-8-sig" or b"\x00" in data[:4096]:
        return None
    if data[-1:] == b"\x00":
        data = whole(data).rstrip(b"\x00")
    if b"\r" in data[:4096]:
        data = whole(data).replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    head = data[: 4 * _HEAD]
    complete = len(head) == len(data)
    if not complete:  # no character is cut
        head = head[: head.rfind(b"\n") + 1]
    first = decode_piece(head).removeprefix("\ufeff")
    complete = complete and len(first) <= _HEAD
    layout = _need_layout(path, first[:_HEAD], complete=complete, single=single)
    if layout.delimiter != "," and data.find(b",") >= 0:
        return None  # decimal commas, which want a look at every number
    start = 0
    for _ in range(layout.first_line - 1):
        start = data.find(b"\n", start) + 1
        if not start:
            return None
    layout = replace(layout, offset=start)
    if not exact and data[-1:] == b"\n":
        marks = marks_of(data, layout)
        start_piece = next(byte_pieces(data, start), b"\n")
        if marks is not None and rows_are_even([start_piece], layout):
            lines = range(layout.first_line, layout.first_line + marks.ends)
            return Grid(path, layout.header, layout.header_line, lines, (), layout, data, marks)
    if has_odd_marks(data, start):
        return None
    return _mended(path, whole(data), layout)


def _mended(path: str, data: bytes, layout: Layout) -> Grid | None:
    """Take a few odd rows out of a large file; None where there are many."""
    start, delimiter, first = layout.offset, layout.delimiter, layout.first_line
    whole = data.endswith(b"\n")
    if not whole:
        data += b"\n"
    codes = np.frombuffer(data, dtype=np.uint8, offset=start)
    ends = np.flatnonzero(codes == ord("\n"))
    before = np.searchsorted(np.flatnonzero(codes == ord(delimiter)), ends)
    edges = np.concatenate(([0], ends + 1))
    filled = np.logical_or.reduceat((codes > ord(" ")) & (codes != ord(delimiter)), edges[:-1])
    wrong = np.flatnonzero(
        (np.diff(before, prepend=0) != layout.width - 1)
        | ~filled
        | (layout.trailing & (codes[ends - 1] != ord(delimiter)))
    )
    if wrong.size > 1000:
        return None
    edges += start

    def cells(row: int) -> list[str]:
        return decode_piece(data[edges[row] : edges[row + 1] - 1]).split(delimiter)

    rows = wrong.tolist()
    odd = [(first + row, cells(row)) for row in rows]
    last = ends.size - 1
    blank = sum(not any(cell.strip() for cell in row) for _, row in odd)
    kept, findings = judge(path, layout, odd, ends.size - blank, first + last)
    out = {row: kept.get(first + row) for row in rows}
    if not whole and last in out and not filled[last]:
        findings.append(short_rows(path, [first + last], ends.size, first + last))
    elif not whole and out.get(last, ()) is not None:
        tail = range(max(0, last - 1000), last)
        rest = (out[k] if k in out else cells(k) for k in tail)
        others = [row[: len(layout.header)] for row in rest if row is not None]
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
    left_out = [(first + row, 1) for row, row_cells in sorted(out.items()) if row_cells is None]
    lines = KeptLines(first, ends.size, left_out)
    body = b"".join(pieces)
    return Grid(path, layout.header, layout.header_line, lines, tuple(findings), layout, body)


def _without_blank(body: str, delimiter: str, first: int) -> tuple[str, list[tuple[int, int]]]:
    """Take rows of nothing but delimiters and spaces out of a text; return their lines in runs."""
    pattern = re.compile(rf"^[{re.escape(delimiter)} \t\n]*\n", re.MULTILINE)
    runs: list[tuple[int, int]] = []
    pieces: list[str] = []
    at, line = 0, first
    for match in pattern.finditer(body):
        line += body.count("\n", at, match.start())
        count = body.count("\n", match.start(), match.end())
        runs.append((line, count))
        line += count
        pieces.append(body[at : match.start()])
        at = match.end()
    if not runs:
        return body, runs
    pieces.append(body[at:])
    return "".join(pieces), runs


def _is_even(body: str, layout: Layout) -> bool:
    """Tell whether every line of a text has the fields of the layout."""
    pieces = (piece.encode("utf-8", "replace") for piece in pieces_of(body))
    return bool(body) and rows_are_even(pieces, layout)


def _plain(path: str, body: str, layout: Layout) -> Grid:
    """Lay out a text without quotation marks: every line is a row."""
    delimiter, first, width = layout.delimiter, layout.first_line, layout.width
    names = len(layout.header)
    body, blank = _without_blank(body, delimiter, first)
    whole = body.endswith("\n")
    if whole and _is_even(body, layout):
        count = body.count("\n")
        total = count + sum(run for _, run in blank)
        kept_lines = KeptLines(first, total, blank) if blank else range(first, first + count)
        found = tuple(blank_rows(path, blank, first + total - 1))
        return Grid(path, layout.header, layout.header_line, kept_lines, found, layout, body)
    lines = body.removesuffix("\n").split("\n") if body else []
    total = len(lines) + sum(count for _, count in blank)
    numbers = KeptLines(first, total, blank)
    last = first + total - 1
    findings = blank_rows(path, blank, last)
    extra = delimiter if layout.trailing else ""
    last_as_written = lines[-1] if lines else ""
    odd: list[int] = []
    mended = False
    if layout.trailing or {line.count(delimiter) for line in lines} != {width - 1}:
        for row, line in enumerate(lines):
            fields = line.count(delimiter) + 1
            if fields == width and not (layout.trailing and line[-1] != delimiter):
                continue
            cells = line.split(delimiter)
            if fields > names and not any(cell.strip() for cell in cells[names:]):
                lines[row] = delimiter.join(cells[:names]) + extra  # blank fields too many
                mended = True
            else:
                odd.append(row)
    # a file of odd rows is refused by the first of them
    rows = [(numbers[row], lines[row].split(delimiter)) for row in odd[:_MANY_ODD]]
    kept, notes = judge(path, layout, rows, len(lines), last)
    findings += notes
    out = set()
    for row in odd:
        if numbers[row] in kept:
            lines[row] = delimiter.join(kept[numbers[row]]) + extra
            mended = True
        else:
            out.add(row)
    if not whole and lines and not any(c.strip() for c in last_as_written.split(delimiter)):
        out.add(len(lines) - 1)
        findings.append(short_rows(path, [last], len(lines), last))
    elif not whole and lines and len(lines) - 1 not in out:
        others = (
            line.split(delimiter)[:names] for k, line in enumerate(lines[:-1]) if k not in out
        )
        if lost_its_end(layout, last_as_written.split(delimiter), others):
            out.add(len(lines) - 1)
            findings.append(short_rows(path, [last], len(lines), last))
    if out or mended or not whole:
        lost = [(numbers[row], 1) for row in sorted(out)]
        body = "\n".join(line for row, line in enumerate(lines) if row not in out) + "\n"
        numbers = KeptLines(first, total, merge(blank, lost))
    return Grid(path, layout.header, layout.header_line, numbers, tuple(findings), layout, body)


def _quotes_are_plain(body: str, delimiter: str) -> bool:
    """Tell whether no quoted cell holds a delimiter, a line end or a quotation mark."""
    if '""' in body:
        return False
    for piece in pieces_of(body):  # no line end stands in quotes: each piece begins outside
        codes = np.frombuffer(piece.encode("utf-8", "replace"), dtype=np.uint8)
        inside = np.bitwise_xor.accumulate((codes == ord('"')).view(np.uint8)).view(np.bool_)
        ends = (codes == ord(delimiter)) | (codes == ord("\n"))
        if (ends & inside).any() or inside[-1:].any():
            return False
    return True


def _quoted(path: str, body: str, layout: Layout) -> Grid:
    """Lay out a text whose quoted cells may hold delimiters and line ends."""
    reader = csv.reader(io.StringIO(body), delimiter=layout.delimiter)
    names = len(layout.header)
    out = io.StringIO()
    lines = array("q")
    odd: list[tuple[int, list[str]]] = []
    blank: list[tuple[int, int]] = []
    before = layout.first_line
    last = before
    row: list[str] = []
    try:
        for row in reader:
            last, before = before, layout.first_line + reader.line_num
            if not any(row):
                blank.append((last, 1))
            elif len(row) < names or any(cell.strip() for cell in row[names:]):
                odd.append((last, row))
                if len(row) > names or len(odd) > _MANY_ODD:
                    break
            else:
                lines.append(last)
                cells = [cell.replace(JOINT, " ").replace("\n", NEW_LINE) for cell in row[:names]]
                out.write(JOINT.join(cells) + "\n")
    except csv.Error as error:
        raise ReadError(
            path,
            f"quoting is broken ({error})",
            "closed quotation marks",
            "Correct the line",
            line=before,
        ) from error
    _, notes = judge(path, layout, odd, len(lines) + len(odd), last)
    findings = [*blank_rows(path, blank, last), *notes]
    text = out.getvalue()
    if not body.endswith("\n") and lines and lines[-1] == last:
        others = (line.split(JOINT) for line in text.split("\n")[:-2])
        if lost_its_end(layout, row, others):
            lines.pop()
            text = text[: text.rstrip("\n").rfind("\n") + 1]
            findings.append(short_rows(path, [last], len(lines) + 1, last))
    joined = replace(layout, delimiter=JOINT, trailing=False)
    return Grid(path, layout.header, layout.header_line, lines, tuple(findings), joined, text)
