"""Runs of different days in one session are said; clocks without a date say nothing."""

from __future__ import annotations

import numpy as np

from analysis.runs.positions import as_one_way
from analysis.runs.road import RunPlace
from analysis.runs.run import Phase, Run
from analysis.runs.survey import day_findings
from logger.findings import Finding
from logger.recording import Clock, Recording

#: 2026-05-02 09:00 UTC, as seconds since 1970: from memory of the calendar, checked below by the text.
_MAY_2 = 1_777_712_400.0


def recording(epoch_s: float | None) -> Recording:
    kind = "elapsed" if epoch_s is None else "epoch"
    return Recording(
        channels=(),
        clocks=(Clock(kind=kind, epoch_s=epoch_s, described="made"),),  # type: ignore[arg-type]  # one of the words
    )


def run(log: int, *, used: bool = True, direction: int = 1) -> Run:
    coast = Phase(kind="coast", start_s=10.0, end_s=60.0, from_mps=30.0, to_mps=9.0, used=used)
    return Run(log=log, number=log, direction=direction, phases=(coast,))


def test_two_days_are_named_with_their_runs() -> None:
    logs = [recording(_MAY_2), recording(_MAY_2 + 3600.0), recording(_MAY_2 + 86_400.0)]
    (finding,) = day_findings(logs, [run(0), run(1), run(2)])
    assert finding.kind == "several_days"
    assert "2026-05-02: 1, 2; 2026-05-03: 3" in finding.text


def test_one_day_no_date_and_what_is_not_used_say_nothing() -> None:
    logs = [recording(_MAY_2), recording(None), recording(_MAY_2 + 86_400.0)]
    assert day_findings(logs, [run(0), run(1), run(2, used=False)]) == ()


def test_runs_of_two_roads_are_judged_as_of_one_direction() -> None:
    runs = (run(0), run(1, direction=-1))
    places = (RunPlace(t_s=np.arange(3.0), place_m=np.arange(3.0)),) * 2
    assert as_one_way(runs, places, ()) == (runs, places)
    apart = Finding(kind="roads_differ", severity="warning", text="two roads")
    found, nowhere = as_one_way(runs, places, [apart])
    assert [one.direction for one in found] == [1, 1]
    assert [place.t_s.size for place in nowhere] == [0, 0]
