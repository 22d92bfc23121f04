"""Runs are left out by number or by log, and keep their numbers."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.runs.judging.leaving_out import leave_out_runs
from analysis.runs.run import Phase, Run
from logger.errors import SessionError
from logger.session.session import LogEntry

_LOGS = (LogEntry(files=(Path("/s/run1.csv"),)), LogEntry(files=(Path("/s/run2.csv"),)))
_RUNS = [
    Run(
        log=log,
        number=number,
        direction=1,
        phases=(Phase(kind="coast", start_s=0.0, end_s=30.0, from_mps=30.0, to_mps=10.0),),
    )
    for number, log in enumerate((0, 1, 1))
]


@pytest.mark.parametrize(
    ("leave_out", "kept"), [((1,), [2, 3]), (("run2.csv",), [1]), ((3, "run1.csv"), [2])]
)
def test_what_is_named_is_not_used(leave_out: tuple[int | str, ...], kept: list[int]) -> None:
    runs, findings = leave_out_runs(_RUNS, leave_out, _LOGS)
    assert [run.number + 1 for run in runs if run.used] == kept
    assert [run.number for run in runs] == [0, 1, 2]
    assert [finding.kind for finding in findings] == ["left_out"]


@pytest.mark.parametrize("wrong", [4, "run9.csv"])
def test_what_is_not_there_is_an_error_that_says_what_is(wrong: int | str) -> None:
    with pytest.raises(SessionError) as refused:
        leave_out_runs(_RUNS, (wrong,), _LOGS)
    assert str(wrong) in str(refused.value)
    assert "leave_out" in str(refused.value)
