"""Delimited logs: header words and units -> channels, by one visible table."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ColumnChoice"]


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """A user's word on one column: the header (or 1-based number) and the unit it is in."""

    header: str | None = None
    unit: str | None = None
