"""Rows with too few or too many fields: left out and named, or the reason to refuse a table."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import overload

from logger.errors import ReadError
from logger.findings import Finding, counted
from logger.tables.layout import Layout

__all__ = ["KeptLines", "blank_rows", "judge", "lost_its_end", "merge", "short_rows"]


class KeptLines(Sequence[int]):
    """Line numbers of consecutive rows of which some were left out.

    Parameters
    ----------
    first : int
        Line of the first row in the file.
    total : int
        Rows in the file.
    left_out : iterable of (int, int)
        Runs of rows that are not there any more, rising: first line and number of lines.
    """

    def __init__(self, first: int, total: int, left_out: Iterable[tuple[int, int]] = ()) -> None:
        self._first = first
        self._before = array("q")  # row from which on the lines of a run are missing
        self._missing = array("q", [0])  # lines missing before and with each run
        for line, count in left_out:
            self._before.append(line - first - self._missing[-1])
            self._missing.append(self._missing[-1] + count)
        self._count = total - self._missing[-1]

    def __len__(self) -> int:
        return self._count

    @overload
    def __getitem__(self, row: int) -> int: ...
    @overload
    def __getitem__(self, row: slice) -> Sequence[int]: ...
    def __getitem__(self, row: int | slice) -> int | Sequence[int]:
        if isinstance(row, slice):
            return [self[k] for k in range(*row.indices(self._count))]
        if row < 0:
            row += self._count
        if not 0 <= row < self._count:
            msg = f"row {row} of {self._count}"
            raise IndexError(msg)
        return self._first + row + self._missing[bisect_right(self._before, row)]


def judge(
    path: str, layout: Layout, odd: Sequence[tuple[int, list[str]]], total: int, last_line: int
) -> tuple[dict[int, list[str]], list[Finding]]:
    """Decide about the rows whose number of fields is not the usual one.

    Parameters
    ----------
    path : str
        For messages.
    layout : Layout
        The header.
    odd : sequence of (line, cells)
        The rows in question, rising.
    total : int
        Rows in the whole file.
    last_line : int
        Line of the file's last row.

    Returns
    -------
    dict of int to list of str
        Rows that are whole after all (blank fields too many), by line, cut to the header's width.
    list of Finding
        Blank and short rows, which are left out.

    Raises
    ------
    ReadError
        A row with more values than names; short rows beyond three and 1 %.
    """
    names = len(layout.header)
    blank: list[int] = []
    short: list[tuple[int, int]] = []
    kept: dict[int, list[str]] = {}
    for line, row in odd:
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
            kept[line] = row[:names]
    if short and (len(short) > max(3, 0.01 * total) or len(short) == total):
        raise ReadError(
            path,
            f"{short[0][1]} fields, expected {names}; {len(short)} such rows",
            "as many fields as names",
            "Correct the lines, or record again",
            line=short[0][0],
        )
    findings: list[Finding] = []
    if short:
        findings.append(short_rows(path, [line for line, _ in short], total, last_line))
    findings += blank_rows(path, [(line, 1) for line in blank], last_line)
    return kept, findings


def merge(
    one: Sequence[tuple[int, int]], other: Sequence[tuple[int, int]]
) -> list[tuple[int, int]]:
    """Return two lists of runs of lines as one that rises."""
    return sorted([*one, *other])


def blank_rows(path: str, runs: Sequence[tuple[int, int]], last_line: int) -> list[Finding]:
    """Return the finding for rows without any value; none for those that end the file.

    Parameters
    ----------
    path : str
        For messages.
    runs : sequence of (int, int)
        First line and number of lines of each run, rising.
    last_line : int
        Line of the file's last row.
    """
    inside = list(runs)
    end = last_line
    while inside and sum(inside[-1]) - 1 == end:  # empty lines end many files
        end = inside.pop()[0] - 1
    if not inside:
        return []
    total = sum(count for _, count in inside)
    return [
        Finding(
            "blank_row",
            "note",
            f"Left out: {counted(total, 'row')} without any value (first: line {inside[0][0]}).",
            path=path,
            line=inside[0][0],
            count=total,
        )
    ]


def short_rows(path: str, lines: list[int], total: int, last_line: int) -> Finding:
    """Return the finding for incomplete rows that are left out."""
    ends = " The last line was cut off." if lines[-1] == last_line else ""
    named = ", ".join(str(line) for line in lines[:5])
    return Finding(
        "short_row",
        "warning",
        f"Left out as incomplete: {len(lines)} of {counted(total, 'row')} (line {named}).{ends}",
        path=path,
        line=lines[0],
        count=len(lines),
    )


def lost_its_end(layout: Layout, last: Sequence[str], others: Iterable[Sequence[str]]) -> bool:
    """Tell whether a last row without a line end lost the end of its last number.

    A full number of fields proves nothing: ``1.5,2`` may be what is left of ``1.5,22.8``. The row
    is taken for cut off when it lacks the delimiter that ends every other row, or when its last
    cell is shorter, or has fewer decimals, than the last cell of every other row.
    """
    if len(last) < layout.width:
        return True
    cells = [row[-1].strip() for row in others]
    if len(cells) < 2:
        return False
    own = last[len(layout.header) - 1].strip()
    return len(own) < min(map(len, cells)) or _decimals(own) < min(map(_decimals, cells))


def _decimals(cell: str) -> int:
    return (
        len(cell) - 1 - max(cell.rfind("."), cell.rfind(",")) if "." in cell or "," in cell else 0
    )
