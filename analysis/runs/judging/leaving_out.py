"""Runs and logs that the user does not want: marked as not used, with the others' numbers kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis.runs.run import Run
from logger.errors import SessionError
from logger.findings import Finding, counted
from logger.session.session import LogEntry

__all__ = ["leave_out_runs"]

_WISH = "it is left out by wish (leave_out)"


def leave_out_runs(
    runs: Sequence[Run], leave_out: Sequence[int | str], logs: Sequence[LogEntry]
) -> tuple[tuple[Run, ...], tuple[Finding, ...]]:
    """Mark runs that the user wants left out as not used; their numbers and the others' stay.

    Parameters
    ----------
    runs : sequence of Run
        All runs, numbered.
    leave_out : sequence of int or str
        Numbers of runs from 1, and names of files of logs.
    logs : sequence of LogEntry
        The session's, for the names.

    Returns
    -------
    runs : tuple of Run
        The same, with what is left out not used.
    findings : tuple of Finding
        One that lists what was left out; none where nothing was.

    Raises
    ------
    SessionError
        A number or a name that the session does not have.
    """
    gone: set[int] = set()
    for item in leave_out:
        if isinstance(item, int):
            chosen = {run.number for run in runs if run.number + 1 == item}
            expected = f"a run from 1 to {len(runs)}, as the report numbers them"
        else:
            named = {
                log
                for log, entry in enumerate(logs)
                if any(file.name == item or str(file).endswith(f"/{item}") for file in entry.files)
            }
            chosen = {run.number for run in runs if run.log in named}
            expected = "the name of a log that holds a run"
        if not chosen:
            key = "leave_out"
            raise SessionError(key, "", f"no such run or log: {item!r}", expected)
        gone |= chosen
    if not gone:
        return tuple(runs), ()
    kept = tuple(_unused(run) if run.number in gone else run for run in runs)
    numbers = ", ".join(str(number + 1) for number in sorted(gone))
    text = (
        f"Left out by wish: {counted(len(gone), 'run')} ({numbers}). Nothing of {'it' if len(gone) == 1 else 'them'} "
        "is in the result."
    )
    return kept, (Finding(kind="left_out", severity="note", text=text, count=len(gone)),)


def _unused(run: Run) -> Run:
    """Return the run with nothing of it used."""
    phases = tuple(
        replace(phase, used=False, why_not=_WISH) if phase.kind in ("pull", "coast") else phase
        for phase in run.phases
    )
    return replace(run, phases=phases)
