"""Figures: that they can be drawn for every kind of session, stand beside others, and stay small."""

from __future__ import annotations

import csv
import io
import os
import re
import subprocess
import sys
from dataclasses import replace
from xml.etree import ElementTree as Xml

import numpy as np
import pytest
from make_analysis import KINDS, Kind, make_analysis

from analysis.plots.curves import COLOURS, Plot, report_plots, run_plots, speed_time_svg
from analysis.plots.files import plot_files
from analysis.plots.strips import curve_strip, joined_by_kind, run_strips, thinned
from analysis.plots.style import csv_text
from analysis.plots.svg import inline_svg
from analysis.runs.run import Phase, Run
from analysis.signals.smoothing import SpeedCurve
from analysis.text.numbers import Units
from logger.session.session import Display

_SVG = "{http://www.w3.org/2000/svg}"
_METRIC = Units.of(Display())
_KINDS = ("svg", "png", "csv")
_POWER = {"wheel-power", "budget-power"}
_EVERY = _POWER | {"road-load", "speed-time", "residuals", "slope", "budget-force"}


def _plots(kind: Kind) -> dict[str, Plot]:
    return {plot.name: plot for plot in report_plots(make_analysis(kind), _METRIC)}


@pytest.mark.parametrize(
    ("kind", "names"),
    [
        ("full", _EVERY),
        ("coasts_only", _EVERY - _POWER),
        ("narrow", _EVERY - _POWER),
        ("one_direction", _EVERY),
        ("gps_only", _EVERY),
    ],
)
def test_each_session_gets_the_figures_that_it_has_data_for(kind: Kind, names: set[str]) -> None:
    plots = _plots(kind)
    assert set(plots) == names
    for name, plot in plots.items():
        root = Xml.fromstring(plot.svg)
        assert root.find(f"{_SVG}title").text == plot.title  # type: ignore[union-attr]
        assert root.find(f"{_SVG}desc").text == plot.words  # type: ignore[union-attr]
        assert plot.aid.endswith(".")
        assert root.get("role") == "img"
        # an axis that is not named with its unit cannot be read
        texts = ["".join(text.itertext()) for text in root.iter(f"{_SVG}text")]
        assert any("[" in text for text in texts), name
        assert not re.search(r"\bnan\b", plot.svg)
        # a page of some 150 kB opens at once on a phone
        assert len(plot.svg) < 80_000, name


def test_ids_of_figures_do_not_clash_and_all_references_hold() -> None:
    ids: list[str] = []
    for plot in report_plots(make_analysis(), _METRIC):
        root = Xml.fromstring(plot.svg)
        own = [element.get("id") for element in root.iter() if element.get("id")]
        ids += [name for name in own if name]
        used = [
            value.split("#", 1)[1].rstrip(")")
            for element in root.iter()
            for value in element.attrib.values()
            if value.startswith(("#", "url(#"))
        ]
        assert used
        assert set(used) <= set(own)
    assert len(ids) == len(set(ids))


def test_page_figures_take_colours_and_fonts_from_the_page() -> None:
    for plot in report_plots(make_analysis(), _METRIC):
        for colour in COLOURS.values():
            assert colour not in plot.svg
        assert "var(--c-" in plot.svg
        assert "font-family" not in plot.svg
        assert "<style" not in plot.svg  # it would hold for the whole page


def test_no_two_colours_are_alike_so_that_each_can_become_a_variable() -> None:
    assert len(set(COLOURS.values())) == len(COLOURS)


def test_the_words_tell_the_figures() -> None:
    plots = _plots("full")
    # 77.9 kW, 92 km/h (0.8 x 32 m/s) and the road load F(100 km/h) = 150 + 33.3 + 324.1 N as built
    assert "77.9 kW at 92 km/h" in plots["wheel-power"].words
    assert "at 100 km/h it is 507 N" in plots["road-load"].words
    assert "8 runs with 8 pulls, 8 coast-downs" in plots["speed-time"].words


def test_units_of_the_display_reach_the_axes() -> None:
    units = Units.of(Display(power="hp", speed="mph"))
    plots = {plot.name: plot for plot in report_plots(make_analysis(), units)}
    assert "wheel power [hp]" in plots["wheel-power"].svg
    assert "speed [mph]" in plots["wheel-power"].svg
    # 77.9 kW / 745.7 W (mechanical horsepower, 550 ft lbf/s)
    assert "peak 104.5 hp" in plots["wheel-power"].svg


def test_sessions_without_runs_or_residuals_still_draw() -> None:
    bare = replace(
        make_analysis("coasts_only"),
        runs=(),
        curves=(),
        residuals=(),
        coast_forces=np.zeros((0, 3)),
    )
    assert {plot.name for plot in report_plots(bare, _METRIC)} == {
        "road-load",
        "slope",
        "budget-force",
    }


def test_a_hundred_runs_make_a_figure_that_says_how_many_it_shows() -> None:
    plots = {plot.name: plot for plot in report_plots(make_analysis(logs=100), _METRIC)}
    assert "first 24 of 100" in plots["speed-time"].aid
    assert len(plots["speed-time"].svg) < 200_000


def test_speed_time_svg_stands_alone_and_takes_odd_file_names() -> None:
    outcome = make_analysis(logs=2)
    labels = ["run $x_1^2$ <a> & \\frac.csv", "second.csv"]
    text = speed_time_svg(outcome.curves, outcome.runs, labels, _METRIC)
    root = Xml.fromstring(text)
    texts = ["".join(item.itertext()) for item in root.iter(f"{_SVG}text")]
    assert labels[0] in texts
    assert "var(--" not in text  # a file of its own has no page to ask for colours


def test_speed_time_svg_of_one_log_without_runs_or_with_holes() -> None:
    curve = make_analysis(logs=1).curves[0]
    speed = curve.speed_mps.copy()
    speed[100:400] = np.nan
    text = speed_time_svg([replace(curve, speed_mps=speed)], [], ["a.csv"], _METRIC)
    assert Xml.fromstring(text).tag == f"{_SVG}svg"
    none = np.zeros(0)
    empty = SpeedCurve(
        log=0,
        time_s=none,
        speed_mps=none,
        speed_sd_mps=none,
        accel_mps2=none,
        accel_sd_mps2=none,
        place_m=none,
    )
    assert "svg" in speed_time_svg([empty], [], ["empty.csv"], _METRIC)


def test_strips_cut_runs_out_of_long_logs_and_keep_their_phases() -> None:
    curve = make_analysis(logs=1).curves[0]
    runs = [
        Run(
            log=0,
            number=0,
            direction=1,
            phases=(
                Phase(kind="pull", start_s=5.0, end_s=9.0, from_mps=0.0, to_mps=9.0),
                Phase(kind="coast", start_s=9.0, end_s=20.0, from_mps=9.0, to_mps=5.0),
            ),
        ),
        Run(
            log=0,
            number=1,
            direction=-1,
            phases=(Phase(kind="coast", start_s=40.0, end_s=50.0, from_mps=9.0, to_mps=5.0),),
        ),
        Run(
            log=3,
            number=2,
            direction=None,
            phases=(Phase(kind="coast", start_s=0.0, end_s=5.0, from_mps=9.0, to_mps=5.0),),
        ),  # a log without a curve
    ]
    strips = run_strips([curve], runs)
    assert [strip.label for strip in strips] == ["1 up", "2 down"]
    assert strips[0].time_s[0] == 0.0
    assert strips[0].time_s[-1] == pytest.approx(15.0)
    assert strips[0].kinds[0] == "pull"
    assert set(strips[1].kinds[:-1]) == {"coast"}


def test_joined_strips_break_between_runs() -> None:
    outcome = make_analysis(logs=2)
    strips = [curve_strip(c, outcome.runs, "x") for c in outcome.curves]
    joined = {kind: time for kind, time, _, _ in joined_by_kind(strips, [1.0, 0.0])}
    # the coast-down of the second run is not used
    assert set(joined) == {"stand", "pull", "coast", "left out", "brake"}
    gaps = {kind: int(np.isnan(time).sum()) for kind, time in joined.items()}
    assert gaps == {"stand": 2, "pull": 2, "coast": 1, "left out": 1, "brake": 2}


@pytest.mark.parametrize(("count", "most"), [(0, 5), (1, 5), (5, 5), (1000, 160)])
def test_thinning_keeps_both_ends(count: int, most: int) -> None:
    kept = thinned(count, most)
    assert len(kept) <= most
    assert len(set(kept.tolist())) == len(kept)
    if count:
        assert (kept[0], kept[-1]) == (0, count - 1)


def test_inline_svg_escapes_what_it_is_told() -> None:
    svg = inline_svg('<?xml?><svg viewBox="0 0 1 1"><g id="a"/></svg>', "n", "a<b", "c&d", {})
    assert "a&lt;b" in svg
    assert "c&amp;d" in svg
    assert 'id="a"' not in svg


def test_the_data_of_each_figure_is_what_is_drawn() -> None:
    for plot in report_plots(make_analysis(), _METRIC):
        rows = list(csv.reader(io.StringIO(plot.csv)))
        assert len(rows) > 3, plot.name
        assert {len(row) for row in rows} == {len(rows[0])}, plot.name
        assert any("[" in head for head in rows[0]), plot.name
        assert "nan" not in plot.csv, plot.name
    shares = list(csv.DictReader(io.StringIO(_plots("full")["budget-power"].csv)))
    # noise 700 of sqrt(700^2 + 500^2 + 400^2 + 600^2 + 300^2) W: 49 of 135
    assert shares[0]["cause"] == "noise of the sensors"
    assert float(shares[0]["share of variance [%]"]) == pytest.approx(100 * 49 / 135, rel=1e-5)
    slope = list(csv.DictReader(io.StringIO(_plots("full")["slope"].csv)))
    assert float(slope[0]["slope [%]"]) == pytest.approx(0.2)


def test_tables_for_spreadsheets_hold_no_formulas() -> None:
    text = csv_text(["=1+1", "x"], ["@SUM(A1)", "+cmd", "-1+2"], [1.0, -2.0, float("inf")])
    cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
    assert cells == ["'=1+1", "x", "'@SUM(A1)", "1", "'+cmd", "-2", "'-1+2", ""]


@pytest.mark.parametrize("kind", ["full", "coasts_only", "gps_only"])
def test_every_run_has_its_figure_with_what_was_used_and_why_the_rest_was_not(kind: Kind) -> None:
    outcome = make_analysis(kind)
    plots = run_plots(outcome, _METRIC)
    assert [plot.title for plot in plots[:2]] == ["Run 1 up", "Run 2 down"]
    assert len(plots) == len(outcome.runs)
    assert "run0.csv" in plots[0].aid
    assert "used" in plots[0].aid
    if kind == "full":
        assert "left out: the vehicle slows down more than its road load can" in plots[-1].aid
    # all to one scale, and at most 30 even of many
    assert len({re.findall(r">(\d+)</text>", plot.svg)[-1] for plot in plots}) == 1
    assert len(run_plots(make_analysis(logs=40), _METRIC)) == 30


def test_figures_as_files_are_the_same_each_time_and_stand_alone() -> None:
    made = [plot_files(report_plots(make_analysis(), _METRIC)[:2]) for _ in range(2)]
    assert made[0] == made[1]
    names = {f"{name}.{kind}" for name in ("wheel-power", "road-load") for kind in _KINDS}
    assert set(made[0]) == names
    svg, png = made[0]["wheel-power.svg"], made[0]["wheel-power.png"]
    assert isinstance(svg, str)
    assert isinstance(png, bytes)
    root = Xml.fromstring(svg)
    texts = ["".join(text.itertext()) for text in root.iter(f"{_SVG}text")]
    assert "Wheel power over speed" in texts
    assert "var(--" not in svg
    assert png.startswith(b"\x89PNG")


def test_files_are_drawn_of_figures_that_already_have_their_title() -> None:
    plots = report_plots(make_analysis(), _METRIC)[:1]
    assert plot_files(plots)["wheel-power.csv"] == plot_files(plots)["wheel-power.csv"]
    again = plot_files(plots)["wheel-power.svg"]
    assert isinstance(again, str)
    assert again.count("Wheel power over speed") == 1


def test_drawing_never_loads_pyplot() -> None:
    # pyplot doubles the start-up time and wants a display's backend
    code = "import analysis.plots.curves, analysis.plots.files, sys; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_without_a_home_drawing_says_nothing() -> None:
    """Services and containers have no home folder; where fonts are listed instead is no news."""
    own = {k: v for k, v in os.environ.items() if not k.startswith(("XDG_", "MPL"))}
    for module in ("curves", "runs", "files", "comparison"):
        done = subprocess.run(
            [sys.executable, "-c", f"import analysis.plots.{module}, matplotlib.font_manager"],
            env={**own, "HOME": "/dev/null/nobody"},  # not even root can make a folder there
            capture_output=True,
            text=True,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, "")


def test_kinds_are_all_drawn() -> None:
    assert set(KINDS) == {"full", "coasts_only", "narrow", "one_direction", "gps_only"}
