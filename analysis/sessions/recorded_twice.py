"""A drive that two sessions hold: it would count twice in what they say together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.signals.copies import Copy, Trace, same_drive

__all__ = ["InBoth", "drive_in_both"]


@dataclass(frozen=True, slots=True, kw_only=True)
class InBoth:
    """A drive in a log of this session (counted from 0) and in log `other_log` of an earlier one."""

    log: int
    other: str
    other_log: int
    copy: Copy


def drive_in_both(
    earlier: Sequence[tuple[str, Sequence[Trace]]], traces: Sequence[Trace]
) -> InBoth | None:
    """Find a drive that a session shares with an earlier one.

    Parameters
    ----------
    earlier : sequence of (str, sequence of Trace)
        Names of the earlier sessions, and their recordings.
    traces : sequence of Trace
        Recordings of this session.

    Returns
    -------
    InBoth or None
        The first such drive.
    """
    for log, trace in enumerate(traces):
        for name, others in earlier:
            for other_log, other in enumerate(others):
                copy = same_drive(other, trace)
                if copy is not None:
                    return InBoth(log=log, other=name, other_log=other_log, copy=copy)
    return None
