"""What ``pullcoast crosscheck`` prints: timed runs held against a session, or alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from analysis.crosscheck.crosscheck import cross_check_alone
from analysis.crosscheck.session import (
    align_marks,
    check_runs,
    marks_by_hand,
    marks_of_scope,
    run_of,
    runs_of_marks,
    runs_of_texts,
    timing,
    units_of,
    vehicle_of_mass,
    with_alignment,
)
from analysis.report.json_text import json_text
from analysis.report.results_json import crosscheck_dict
from analysis.session_pipeline import analyse_session
from analysis.text.crosscheck import crosscheck_text
from logger.findings import Finding
from logger.session.overrides import apply_overrides, open_session

__all__ = ["check_timed"]


def check_timed(
    path: Path | None,
    *,
    mass: str | None,
    power: str | None,
    allow_outside: bool,
    quiet: bool,
    texts: tuple[Sequence[str], Sequence[str]],
    timed_as: tuple[str | None, str | None, str | None],
    scope: str | None,
    channel: str | None,
    marks: str | None,
    gates: str | None,
    start: str,
    run: int | None,
    as_json: bool,
) -> tuple[str, tuple[Finding, ...]]:
    """Hold timed runs against a session, or work out what they give alone.

    Parameters
    ----------
    path : Path or None
        Of the session; without one `mass` is needed.
    texts : pulls, coast-downs
        As ``20-70=6.3``; those of ``[crosscheck]`` where both are empty.
    timed_as : unit, sd of a time, sd of a gate
        As typed; None for what the session or the defaults say.
    scope, channel, marks, gates, start
        An oscilloscope's file or marks by hand, and the speeds they stand for.
    run : int or None
        Which run of the session was timed, from 1.

    Returns
    -------
    (text, findings)
        What to print, JSON where `as_json`; what was noticed in an oscilloscope's file.

    Raises
    ------
    PullcoastError
        Anything that cannot be read or used.
    """
    session = None
    if path is not None:
        session = apply_overrides(
            open_session(path, mass=mass, allow_outside=allow_outside), power=power
        )
    timed = timing(session, *timed_as)
    seen = None
    notes: tuple[Finding, ...] = ()
    if marks is not None:
        seen = marks_by_hand(marks)
    elif scope is not None:
        seen, notes = marks_of_scope(Path(scope), channel)
    if seen is not None and gates is not None:
        runs = runs_of_marks(seen, gates, start, timed, where=scope or "--marks")
    else:
        runs = runs_of_texts(*texts, session, timed)
    units = units_of(session, power, timed.unit)
    run = run_of(session, run)
    if session is None:
        found = cross_check_alone(runs, vehicle_of_mass(mass or ""), **units)
    else:
        outcome = analyse_session(session, quiet=quiet)
        aligned = None if seen is None else align_marks(outcome, seen, runs, run)
        found = check_runs(outcome, runs, units, run=run if aligned is None else aligned.run)
        if seen is not None:
            found = with_alignment(found, aligned)
    if as_json:
        return json_text(crosscheck_dict(found)), notes
    return crosscheck_text(found, units["speed_unit"], seen), notes
