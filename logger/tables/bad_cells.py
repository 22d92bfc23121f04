"""A column while its cells become numbers: its values, its missing words, its wrong cells."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from logger.findings import Finding, counted

__all__ = ["CellColumn"]


@dataclass(slots=True, kw_only=True)
class CellColumn:
    """A column while it is read: values, rows with a word, the first wrong cells and their number."""

    values: NDArray[np.float64]
    words: array[int] = field(default_factory=lambda: array("q"))
    wrong: list[tuple[int, int, str]] = field(default_factory=list)
    count: int = 0

    def left_out(self, path: str, name: str) -> Finding:
        """Return the finding on a few wrong cells, which are left out."""
        named = ", ".join(f"{cell[:20]!r} in line {line}" for line, _, cell in self.wrong[:5])
        more = ", ..." if self.count > 5 else ""
        return Finding(
            kind="bad_cell",
            severity="warning",
            text=f"Column {name!r}: left out {counted(self.count, 'cell')} without a finite number "
            f"({named}{more}).",
            path=path,
            line=self.wrong[0][0],
            count=self.count,
        )

    def unreadable(self, path: str, name: str) -> Finding:
        """Return the finding on a column that is left out for its wrong cells."""
        line, _, cell = self.wrong[0]
        return Finding(
            kind="column_unreadable",
            severity="note",
            text=f"Column {name!r} is left out: {cell[:20]!r} in line {line} is no number.",
            path=path,
            line=line,
            count=self.count,
        )
