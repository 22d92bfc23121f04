"""What was noticed in the data: counted, named, never silently acted on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

__all__ = ["Finding", "Severity", "are_few", "counted", "first_few"]

#: Share of a channel that may be wrong, and the values from which on a single one may.
_FEW_SHARE, _ONE_OF = 0.01, 20

Severity = Literal["note", "warning", "error"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing noticed, and what it means for the result.

    Parameters
    ----------
    kind : str
        Short key in snake case, for example ``hole``, ``repeated_fix``, ``one_direction``.
    severity : {"note", "warning", "error"}
        Note: for information. Warning: the result suffers. Error: something could not be used.
    text : str
        One or two plain sentences: what was found (with counts) and what it means.
    log : int or None
        Index of the ``[[log]]`` entry, None when it concerns the session.
    path : str
        File name, "" when none applies.
    line : int or None
        First line concerned, counted from 1.
    time_s : float or None
        Moment in the recording [s].
    count : int
        How many rows, fixes or events.
    run : int or None
        Number of the run that it concerns, counted from 1 as people see it.
    """

    kind: str
    severity: Severity
    text: str
    log: int | None = None
    path: str = ""
    line: int | None = None
    time_s: float | None = None
    count: int = 1
    run: int | None = None


def are_few(wrong: int, of: int) -> bool:
    """Return whether so few values are wrong that they are left out and named: 1 %, or a single one.

    >>> are_few(1, 30), are_few(2, 30), are_few(3, 300), are_few(1, 5)
    (True, False, True, False)
    """
    return wrong <= _FEW_SHARE * of or (wrong == 1 and of >= _ONE_OF)


def counted(count: int, noun: str, plural: str = "") -> str:
    """Return a number with its noun: ``1 row``, ``3 rows``.

    >>> counted(1, "row"), counted(0, "row"), counted(2, "fix", "fixes")
    ('1 row', '0 rows', '2 fixes')
    """
    return f"{count} {noun if count == 1 else plural or noun + 's'}"


def first_few(lines: Sequence[int]) -> str:
    """Return the first five line numbers as text.

    >>> first_few([2, 3, 7]), first_few(range(2, 9))
    ('2, 3, 7', '2, 3, 4, 5, 6, ...')
    """
    return ", ".join(map(str, lines[:5])) + (", ..." if len(lines) > 5 else "")
