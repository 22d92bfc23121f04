"""When an outing took place: local time, duration, and nothing of it where nobody is to know."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_analysis import make_analysis
from make_written import Page

from analysis.cli.main import main
from analysis.pipeline import Analysis
from analysis.report.html import report_html
from analysis.text.occasion import made_text, outing_text
from logger.errors import SessionError
from logger.recording import Channel, Clock, Recording

#: 2025-05-17 07:30:00 UTC, by the `date` command.
_START = 1747467000.0


def _outing(*starts: float | None) -> Analysis:
    """Return an analysis of logs of ten minutes each that start then, or at an unknown time."""
    outcome = make_analysis(logs=1)
    t_s = np.arange(0.0, 601.0)
    channel = Channel(name="speed_mps", t_s=t_s, values=np.ones(t_s.size))
    recordings = tuple(
        Recording(
            sources=(),
            channels=(channel,),
            clocks=(
                Clock(kind="elapsed" if start is None else "epoch", epoch_s=start, described=""),
            ),
            findings=(),
            history=(),
        )
        for start in starts
    )
    return replace(outcome, recordings=recordings)


@pytest.fixture
def vienna(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two hours before UTC in May (tz database: Europe/Vienna, summer time)."""
    monkeypatch.delenv("SOURCE_DATE_EPOCH")
    monkeypatch.setenv("TZ", "Europe/Vienna")
    time.tzset()


@pytest.mark.usefixtures("vienna")
def test_outing_is_told_in_local_time_with_its_duration() -> None:
    text = outing_text(_outing(_START, _START + 1500.0))
    assert text == "17 May 2025, 09:30 to 10:05 UTC+2, 20 min recorded"
    assert outing_text(_outing(_START, None)) == (
        "17 May 2025, 09:30 to 09:40 UTC+2 (by the 1 of 2 logs with a date), 20 min recorded"
    )
    # over midnight in Vienna: 21:55 UTC
    assert outing_text(_outing(_START + 51900.0)).startswith(
        "17 May 2025, 23:55 to 18 May 2025, 00:05 UTC+2"
    )


def test_without_dates_only_the_duration_is_told() -> None:
    assert outing_text(_outing(None, None)) == "20 min recorded"
    assert outing_text(_outing(_START), dates=False) == "10 min recorded"
    # a clock that was never set counts from 1970
    assert outing_text(_outing(12.0)) == "10 min recorded"


def test_stated_moment_wins_over_now(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1747467000")
    assert made_text() == "17 May 2025, 07:30 UTC"
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "yesterday")
    with pytest.raises(
        SessionError, match="SOURCE_DATE_EPOCH: 'yesterday'; expected whole seconds"
    ):
        made_text()


def test_page_is_dated_unless_asked_not_to_be() -> None:
    outcome = _outing(_START)
    dated, bare = report_html(outcome), report_html(outcome, dates=False)
    assert "17 May 2025, 07:30 to 07:40 UTC, 10 min recorded" in Page(dated).text
    assert "Made by pullcoast on 15 June 2025" in Page(dated).text
    assert "2025" not in bare
    assert "10 min recorded" in bare


def test_no_dates_of_the_command_reaches_the_page(copied: Path) -> None:
    assert main(["report", str(copied), "--quiet"]) == 0
    page = copied / "results" / "report.html"
    assert "UTC" in page.read_text(encoding="utf-8")
    assert main(["report", str(copied), "--quiet", "--no-dates"]) == 0
    assert "UTC" not in page.read_text(encoding="utf-8")
