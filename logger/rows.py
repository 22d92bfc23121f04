"""`Rows`: what a parser hands over - stamps, columns, line numbers - before anything is decided."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.findings import Finding, Severity

__all__ = ["MISSING_WORDS", "NUMBER", "Column", "Mark", "Rows", "Samples", "Stamps"]

#: Cells that mean "not measured", lower case; a blank cell means it too.
MISSING_WORDS = frozenset(
    {"nan", "null", "none", "na", "n/a", "nil", "undefined", "-", "--", "---", "?", "\u2014"}
)
#: A finite decimal number, with a point or a comma.
NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamps:
    """Time stamps of the rows, exact to the nanosecond although held as floats.

    Parameters
    ----------
    t_s : array of shape (n,)
        Seconds since `origin_ns`; NaN where a row has no stamp.
    origin_ns : int
        Nanoseconds from the clock's own zero to ``t_s == 0``.
    kind : {"epoch", "elapsed", "time_of_day"}
        As in `logger.recording.Clock`.
    zone_known : bool
        False for a date and time without a zone: an epoch clock that may be hours off.
    described : str
        The source's own words.
    """

    t_s: NDArray[np.float64]
    origin_ns: int
    kind: Literal["epoch", "elapsed", "time_of_day"]
    described: str
    zone_known: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One quantity of a file in SI units; NaN where a row does not have it."""

    name: str
    values: NDArray[np.float64]
    header: str = ""
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A text in a row: column ``mark`` or ``event``."""

    row: int
    kind: Literal["mark", "event"]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """One file as parsed.

    Parameters
    ----------
    path, format : str
        File and the reader's name.
    stamps : Stamps
        Of shape (n,).
    columns : tuple of Column
        Each of shape (n,).
    lines : sequence of int
        Line of each row, counted from 1; a range where rows follow each other.
    arrived_s : array of shape (n,) or None
        Arrival stamps on the same clock and origin.
    marks : tuple of Mark
        Texts.
    findings : tuple of Finding
        What the parser had to say.
    """

    path: str
    format: str
    stamps: Stamps
    columns: tuple[Column, ...]
    lines: Sequence[int]
    arrived_s: NDArray[np.float64] | None = None
    marks: tuple[Mark, ...] = ()
    findings: tuple[Finding, ...] = ()

    def line_list(self, rows: Iterable[int], most: int = 5) -> str:
        """Return the lines of some rows as text, runs as ``2-4``."""
        runs: list[list[int]] = []
        for row in rows:
            line = self.lines[int(row)]
            if runs and line == runs[-1][1] + 1:
                runs[-1][1] = line
            else:
                runs.append([line, line])
        named = [str(a) if a == b else f"{a}-{b}" for a, b in runs[:most]]
        return ", ".join(named) + (", ..." if len(runs) > most else "")

    def finding(
        self,
        kind: str,
        severity: Severity,
        text: str,
        rows: NDArray[np.intp],
        *,
        count: int | None = None,
        time_s: float | None = None,
    ) -> Finding:
        """Return a finding on some rows: the line is the first one's, the count is theirs."""
        return Finding(
            kind=kind,
            severity=severity,
            text=text,
            path=self.path,
            line=self.lines[int(rows[0])],
            time_s=time_s,
            count=int(rows.size) if count is None else count,
        )

    def column(self, name: str) -> Column | None:
        """Return the column called `name`, or None."""
        for column in self.columns:
            if column.name == name:
                return column
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """One quantity of one file with its rows left out: what becomes a `Channel`.

    Parameters
    ----------
    name : str
        Channel name.
    t_s, values : array of shape (n,)
        Times strictly increasing [s] and finite values in SI.
    rows : array of int of shape (n,) or None
        Row of each sample in the file; None where every row is a sample.
    suspect : array of bool of shape (n,) or None
        As in `Channel`; None where no sample is suspect.
    header, unit : str
        The source's own words.
    arrived_s : array of shape (n,) or None
        Arrival of each sample [s].
    """

    name: str
    t_s: NDArray[np.float64]
    values: NDArray[np.float64]
    rows: NDArray[np.intp] | None = None
    suspect: NDArray[np.bool_] | None = None
    header: str = ""
    unit: str = ""
    arrived_s: NDArray[np.float64] | None = None

    def row(self, index: int) -> int:
        """Return the row of sample `index`."""
        return int(index if self.rows is None else self.rows[index])

    @property
    def row_numbers(self) -> NDArray[np.intp]:
        """Row of each sample, rising."""
        return np.arange(self.t_s.size) if self.rows is None else self.rows

    def take(self, keep: NDArray[np.bool_] | NDArray[np.intp]) -> Samples:
        """Return only the samples in `keep`."""
        return replace(
            self,
            t_s=self.t_s[keep],
            values=self.values[keep],
            rows=self.row_numbers[keep],
            suspect=None if self.suspect is None else self.suspect[keep],
            arrived_s=None if self.arrived_s is None else self.arrived_s[keep],
        )

    def doubted(self, suspect: NDArray[np.bool_]) -> Samples:
        """Return a copy with `suspect` samples added to those already so."""
        both = suspect if self.suspect is None else self.suspect | suspect
        return replace(self, suspect=both)
