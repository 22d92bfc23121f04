"""Several sessions as shared.json, as a page, as text, and by the command."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from make_days import TRUE, session
from make_several import sample_days
from make_written import Page, valid

from analysis.cli.main import main
from analysis.report.json_text import ResultError
from analysis.report.shared import render_shared, shared_summary
from analysis.sessions.combine import combine
from analysis.sessions.shared import Shared


def made() -> Shared:
    return combine(
        [
            session("monday", TRUE),
            session("friday", TRUE * 1.01),
            session("rack", TRUE * 1.2, state="<roof> rack", peak_w=None),
        ]
    )


def test_shared_json_fits_its_schema_and_says_what_was_found() -> None:
    shared = made()
    found = valid(render_shared(shared, ["monday", "friday", "rack"])["shared.json"])
    assert [state["sessions"] for state in found["states"]] == [[0, 1], [2]]
    first, second = found["states"]
    state = shared.states[0]
    assert state.road_load is not None
    assert state.power is not None
    load = state.road_load.road_load
    assert first["road_load"]["F0_N"] == load.f0_n
    assert first["road_load"]["covariance"] == load.covariance.tolist()
    speeds = [row["speed_mps"] for row in first["road_load"]["curve"]]
    assert (speeds[0], speeds[-1], speeds[1] - speeds[0]) == (5.0, 32.0, 0.5)
    assert first["wheel_power"]["peak_W"] == state.power.peak_w
    assert len(first["road_load"]["deviations"]) == 2
    assert second["wheel_power"] is None
    assert second["state"] == "<roof> rack"
    assert "states_differ" in [finding["kind"] for finding in found["findings"]]


def test_a_narrow_shared_road_load_has_a_curve_but_no_coefficients() -> None:
    days = [session(name, TRUE, speeds=(23.0, 27.0)) for name in ("a", "b")]
    load = valid(render_shared(combine(days), ["a", "b"])["shared.json"])["states"][0]["road_load"]
    assert (load["F0_N"], load["covariance"]) == (None, None)
    assert "too narrow" in load["why_not"]
    assert load["curve"]


def test_a_number_that_must_not_be_shown_is_refused() -> None:
    days = [session("a", TRUE, peak_w=float("nan")), session("b", TRUE)]
    with (
        pytest.raises((ResultError, np.linalg.LinAlgError)) as caught,
        np.errstate(invalid="ignore"),
    ):
        render_shared(combine(days), ["a", "b"])
    assert "finite" in str(caught.value)


def test_page_leads_to_each_report_and_loads_nothing() -> None:
    html = render_shared(made(), ["monday", "friday 2", "rack"])["report.html"]
    page = Page(html)
    outside = [link for link in page.sources if not link.startswith("#")]
    assert outside == ["monday/report.html", "friday%202/report.html", "rack/report.html"]
    assert len(page.ids) == len(set(page.ids))
    assert "<roof>" not in html
    assert "<script" not in html
    for word in ("Cautions", "side by side", "Road load in reference air", "Session less shared"):
        assert word in page.text
    assert "<roof> rack" in page.text


def test_text_fits_a_terminal_and_gives_figure_and_interval() -> None:
    shared = made()
    text = shared_summary(shared, Path("out"), ("shared.json", "report.html"))
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "Together: estate: 3 sessions" in text
    assert "Peak wheel power  77.9 kW" in text
    assert "in reference air, 20 C and 100 kPa" in text
    assert text.endswith("Written to out:\n  shared.json report.html")


# --- the command -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with two small sessions."""
    return sample_days(tmp_path_factory.mktemp("days"))


def test_command_puts_sessions_together_and_goes_on_without_a_bad_one(
    days: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    out = tmp_path / "out"
    arguments = [str(days / "monday"), str(tmp_path / "missing"), str(days / "friday")]
    assert main(["report", *arguments, "--out", str(out)]) == 2
    captured = capsys.readouterr()
    assert sorted(path.name for path in out.iterdir()) == [
        "friday", "monday", "report.html", "shared.json",
    ]  # fmt: skip
    found = valid((out / "shared.json").read_text(encoding="utf-8"))
    assert [one["folder"] for one in found["sessions"]] == ["monday", "friday"]
    assert "sessions_missing" in [finding["kind"] for finding in found["findings"]]
    assert "Together:" in captured.out
    assert str(tmp_path / "missing") in captured.err
    for one in found["sessions"]:
        assert (out / one["folder"] / "report.html").is_file()


def test_fewer_than_two_usable_sessions_share_nothing_and_it_is_said(
    days: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "shared.json").write_text("old")
    assert main(["report", str(days / "monday"), str(tmp_path / "no"), "--out", str(out)]) == 2
    said = capsys.readouterr().out
    assert "Not put together: that takes two usable sessions, found 1." in said
    assert "shared.json is of an earlier time" in said
    assert (out / "shared.json").read_text() == "old"


def test_a_copy_of_a_session_is_no_second_one(
    days: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(days / "monday", copy)
    out = tmp_path / "out"
    assert main(["report", str(days / "monday"), str(copy), "--out", str(out)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "found 1. copy holds run01.csv, the same drive that monday holds in log 1" in said
    assert not (out / "shared.json").exists()


def test_a_road_load_from_elsewhere_is_not_shared(
    days: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It would count once for each session that leans on it."""
    first = tmp_path / "first"
    assert main(["report", str(days / "monday"), "--out", str(first)]) == 0
    out = tmp_path / "out"
    both = [str(days / "monday"), str(days / "friday")]
    results = str(first / "results.json")
    assert main(["report", *both, "--out", str(out), "--road-load", results]) == 0
    assert "would count once for each" in capsys.readouterr().out
    assert not (out / "shared.json").exists()


def test_without_a_place_above_them_nothing_is_put_together(
    days: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("monday", "friday"):
        shutil.copytree(days / name, tmp_path / name)
    assert main(["report", str(tmp_path / "monday"), str(tmp_path / "friday")]) == 0
    assert "With --out DIR the sessions are put together as well." in capsys.readouterr().out
    assert not list(tmp_path.rglob("shared.json"))
