"""A comparison as compare.json, as a page, as text, out of an earlier results.json, and by the command."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from make_days import TRUE, session, side
from make_several import sample_days
from make_written import Page, valid

from analysis.cli.main import main
from analysis.report.comparison import compare_text, render_comparison
from analysis.report.json_text import json_text
from analysis.report.read_results import side_of_results
from analysis.report.results_json import results_dict
from analysis.sessions.compare import Comparison, compare, compare_all
from analysis.sessions.side import side_of
from analysis.text.comparison import figures
from analysis.text.numbers import Units
from logger.errors import ReadError
from logger.session.session import Display


def made() -> tuple[Comparison, ...]:
    return compare_all(
        [
            side("before"),
            side("after <b>", peak_w=86_000.0),
            side("coasts", TRUE * 1.1, peak_w=None, state="<script>rack"),
        ]
    )


def test_compare_json_fits_its_schema_and_says_what_was_found() -> None:
    comparisons = made()
    found = valid(render_comparison(comparisons)["compare.json"])
    after, coasts = found["comparisons"]
    peak = comparisons[0].peak_w
    assert peak is not None
    assert after["peak_wheel_power"]["difference_W"] == peak.value
    assert after["peak_wheel_power"]["difference_sd_W"] == peak.sd
    assert after["peak_wheel_power"]["verdict"] == "more"
    assert coasts["peak_wheel_power"] is None
    assert coasts["wheel_power"] == []
    speeds = [row["speed_mps"] for row in coasts["road_load"]["curve"]]
    assert (speeds[0], speeds[-1], speeds[1] - speeds[0]) == (5.0, 32.0, 0.5)
    assert [one["name"] for one in found["sessions"]] == ["before", "after <b>", "coasts"]
    assert next(cause["name"] for cause in after["causes"] if cause["cancelled"]) == "mass"


def test_sentences_claim_no_more_than_the_figures() -> None:
    units = Units.of(Display())
    more, coasts = made()
    first = figures(more, units)[0]
    assert first.sentence.startswith("after <b> has 8.1 +/- 3.9 kW")
    alike = figures(compare(side("a"), side("b", peak_w=78_700.0)), units)[0]
    assert alike.sentence.startswith(
        "No difference in peak wheel power can be shown: 0.8 +/- 3.8 kW"
    )
    peak = made()[0].peak_w
    assert peak is not None
    almost = 77_900.0 + 1.8 * peak.sd  # claimed one-sided, and 0 inside the two-sided interval
    probably = figures(compare(side("a"), side("b", peak_w=almost)), units)[0]
    assert probably.sentence.startswith("b probably has")
    assert next(one.name for one in figures(coasts, units)) == "Road load at 50 km/h"
    mph = Units.of(Display(speed="mph"))
    assert figures(coasts, mph)[0].name == "Road load at 30 mph"


def test_page_escapes_names_loads_nothing_and_says_the_claims() -> None:
    html = render_comparison(made())["compare.html"]
    page = Page(html)
    assert [link for link in page.sources if not link.startswith(("#", "data:text/csv"))] == []
    assert len(page.ids) == len(set(page.ids))
    assert "<b>'" not in html
    assert "after <b>" not in html
    assert "<script" not in html
    for word in (
        "Cautions",
        "What may be claimed",
        "What the sessions have in common",
        "side by side",
    ):
        assert word in page.text
    assert "after <b> has 8.1 ± 3.9 kW" in page.text
    assert len(html) < 400_000


def test_text_fits_a_terminal() -> None:
    text = compare_text(made(), Path("out"), ("compare.json", "compare.html"))
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "Peak wheel power" in text
    assert "In common and taken out: mass" in text
    assert text.endswith("Written to out:\n  compare.json compare.html")


# --- an earlier results.json -----------------------------------------------------------------


def results_of(tmp_path: Path, *, named: bool = True) -> Path:
    """Write a results.json; without `named` as it was before it told the vehicle."""
    results = results_dict(session("early", TRUE))
    if not named:
        for key in ("vehicle", "kind", "state"):
            del results["session"][key]
    file = tmp_path / "results.json"
    file.write_text(json_text(results), encoding="utf-8")
    return file


def test_an_earlier_result_gives_the_same_figures_but_cancels_less(tmp_path: Path) -> None:
    fresh, early = side("a"), side_of_results("early", results_of(tmp_path, named=False))
    again = side_of("early", session("early", TRUE))
    read, whole = compare(fresh, early), compare(fresh, again)
    assert read.peak_w is not None
    assert whole.peak_w is not None
    assert read.peak_w.value == pytest.approx(whole.peak_w.value)
    assert read.peak_w.sd > whole.peak_w.sd
    assert {c.name for c in read.causes if c.cancelled} == {"tyres' temperature coefficient"}
    assert "vehicle_unknown" in {finding.kind for finding in read.findings}
    assert len(read.power) == len(whole.power)
    # results.json holds no temperature but in its road load in reference air, which is not there
    assert early.air.temperature_c is None
    assert valid(render_comparison((read,))["compare.json"])["sessions"][1]["vehicle"] is None


def test_a_results_file_that_names_its_vehicle_cancels_the_mass(tmp_path: Path) -> None:
    found = compare(side("a"), side_of_results("early", results_of(tmp_path)))
    assert "mass" in {c.name for c in found.causes if c.cancelled}
    assert "mean slope of the road" not in {c.name for c in found.causes if c.cancelled}


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("session", "mass_kg"), None, "session.mass_kg is null"),
        (("session", "mass_kg"), -1.0, "session.mass_kg is -1"),
        (("wheel_power", "peak_sd_W"), 0.0, "wheel_power.peak_sd_W is 0"),
        (("wheel_power", "curve"), [1], r"wheel_power.curve\[0\] is not an object"),
        (("air", "density_kg_m3"), True, "air.density_kg_m3 is true"),
        (("site",), 3, "site is not an object"),
        (("wheel_power",), [], "wheel_power is not an object"),
    ],
)
def test_a_damaged_results_file_is_refused_by_its_key(
    tmp_path: Path, path: tuple[str, ...], value: Any, said: str
) -> None:
    file = results_of(tmp_path)
    results = json.loads(file.read_text())
    holder = results
    for key in path[:-1]:
        holder = holder[key]
    holder[path[-1]] = value
    file.write_text(json.dumps(results))
    with pytest.raises(ReadError, match=said):
        side_of_results("early", file)


# --- the command -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with two small sessions and the results of the first."""
    folder = sample_days(tmp_path_factory.mktemp("days"))
    assert main(["report", str(folder / "monday")]) == 0
    return folder


def test_command_compares_prints_and_writes(
    days: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    both = [str(days / "monday"), str(days / "friday")]
    assert main(["compare", *both, "--out", str(out), "--power", "hp"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("friday against monday")
    assert " hp " in said
    assert sorted(path.name for path in out.iterdir()) == ["compare.html", "compare.json"]
    assert main(["compare", *both, "--json", "--power", "hp"]) == 0
    streams = capsys.readouterr()
    assert valid(streams.out) == valid((out / "compare.json").read_text())
    assert "friday against monday" in streams.err


def test_command_takes_earlier_results_and_folders_of_them(
    days: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = tmp_path / "kept"
    shutil.copytree(days / "monday" / "results", kept)
    for early in (days / "monday" / "results" / "results.json", kept):
        assert main(["compare", str(early), str(days / "friday")]) == 0
        said = " ".join(capsys.readouterr().out.split())
        assert said.startswith("friday against ")
        assert "In common and taken out: tyres' temperature coefficient." in said


def test_command_refuses_what_it_cannot_compare(
    days: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monday, copy = str(days / "monday"), tmp_path / "copy"
    shutil.copytree(days / "monday", copy)
    assert main(["compare", monday, str(copy)]) == 2
    assert "log 1 holds the same drive as log 1 of monday" in capsys.readouterr().err
    assert main(["compare", monday, str(tmp_path / "no")]) == 2
    assert "does not exist" in capsys.readouterr().err
    (tmp_path / "empty").mkdir()
    assert main(["compare", monday, str(tmp_path / "empty")]) == 2
    assert "has no session.toml" in capsys.readouterr().err
    assert main(["compare", monday]) == 2


def test_command_says_when_nothing_is_in_common(
    days: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    results = json.loads((days / "monday" / "results" / "results.json").read_text())
    results |= {"wheel_power": None, "road_load": None}
    file = tmp_path / "results.json"
    file.write_text(json.dumps(results))
    assert main(["compare", str(file), str(days / "friday")]) == 1
    assert "have no figure in common" in capsys.readouterr().err


def test_first_session_decides_the_units() -> None:
    display = Display(power="PS", speed="mph")
    first = replace(side("a"), display=display)
    assert " PS " in compare_text(compare_all([first, side("b")]), None, ())
