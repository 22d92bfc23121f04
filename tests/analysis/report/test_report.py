"""The report's page: what a person meets first, what follows, and that no text can spoil it."""

from __future__ import annotations

import base64
import functools
import hashlib
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_analysis import KINDS, Kind, make_analysis, with_comparisons, with_extras
from make_written import Page

from analysis.report.html import render, report_html
from analysis.report.json_text import ResultError
from analysis.results.corrections import AmbientCorrection, CrankEstimate
from analysis.results.road_load import ReferenceRoadLoad
from analysis.text.summary import summary
from logger.findings import Finding
from logger.recording import Channel
from logger.session.session import Display


@functools.cache
def _html(kind: Kind) -> str:
    return report_html(make_analysis(kind))


@pytest.mark.parametrize("kind", KINDS)
def test_page_is_whole_and_loads_nothing(kind: Kind) -> None:
    html = _html(kind)
    page = Page(html)
    assert page.open == []
    assert len(page.ids) == len(set(page.ids))
    # only references inside the page, and tables that the page itself holds (RFC 2397); namespaces
    # are names, no addresses
    inside = [source for source in page.sources if source.startswith("#")]
    assert all(source.removeprefix("#") in page.ids for source in inside)
    others = set(page.sources) - set(inside)
    assert others
    assert all(source.startswith("data:text/csv;") for source in others)
    assert set(re.findall(r"https?://[^\"'\s)]+", html)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert "@import" not in html
    # the page's own script, which its policy knows by its hash, and no other
    (script,) = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in html
    assert len(script.encode()) < 5000
    assert not re.search(r"\b(nan|inf|None)\b", page.text)
    for heading in ("Cautions", "How it was worked out", "Sensors", "Where the uncertainty"):
        assert heading in page.text


def test_headline_says_figure_speed_interval_and_trust() -> None:
    text = Page(_html("full")).text
    # 77.9 kW with sd sqrt(700^2+500^2+400^2+600^2+300^2) = 1162 W: 77.9 -/+ 1.96 x 1.162
    assert "77.9 kW at 92 km/h" in text
    assert "75.6 to 80.2 kW with 95 % probability" in text
    # 150 + 1.2 x 27.78 + 0.42 x 27.78^2 = 507.4 N
    assert "Road load at 100 km/h 507 N" in text
    # F0 as made: 150 N with an sd of 9 N; 1.96 of these are 17.6 N
    assert "F0 150 ± 18 N" in text
    assert text.count("always hold the truth with 95 % probability") == 1
    assert "standard deviation" not in text.replace(
        "every uncertainty is one standard deviation", ""
    )
    # force times speed: 507.4 N x 27.78 m/s = 14.09 kW
    assert "It takes 14.09 kW to hold 100 km/h" in text
    assert "Good The peak wheel power within 2.9 % and the road load within 1.8 % (95 %)." in text


def test_the_first_screen_answers_four_questions_before_anything_else() -> None:
    text = Page(_html("full")).text
    parts = ("Peak wheel power", "Road load at", "How far to trust it", "What would make it better")
    places = [text.index(part) for part in (*parts, "Wheel power over speed")]
    assert places == sorted(places)
    assert "✓ Driven both ways, 4 up and 4 down" in text
    # the longest part of both budgets: noise, 49 of 135, against wind, 0.55^2 of 0.99
    better = text[text.index("What would make it better") : text.index("Wheel power over speed")]
    assert "1 More runs, all made in the same way" in better
    assert "2 warnings below" in text


def test_sections_stand_in_the_order_of_reading() -> None:
    html = report_html(with_comparisons(make_analysis()))
    order = re.findall(r'<(?:div class="body"|section) id="(\w+)"', html)
    wanted = "warnings power runs load limits site sensors compare noticed method cautions"
    assert order == wanted.split()


def test_bars_of_the_first_screen_end_where_the_intervals_do() -> None:
    # 77.9 kW, 75.6 to 80.2: of a bar that ends 3 % beyond the upper end
    outcome = make_analysis()
    assert outcome.power is not None
    low, high = outcome.power.peak_ci95_w
    found = re.search(r'class="known" y="2" width="([\d.]+)"', _html("full"))
    assert found is not None
    assert float(found[1]) == pytest.approx(100 * low / (1.03 * high), abs=0.006)


def test_what_was_left_out_is_listed_once_with_its_reason() -> None:
    outcome = make_analysis()
    why = "it was snowing"
    runs = tuple(
        replace(run, phases=tuple(replace(p, used=False, why_not=why) for p in run.phases))
        for run in outcome.runs[:2]
    )
    text = Page(report_html(replace(outcome, runs=(*runs, *outcome.runs[2:])))).text
    assert "1 up, 2 down: pull, not used: it was snowing." in text
    assert text.count("snowing") == 2  # of both, pull and coast-down


def test_power_is_told_at_round_speeds_in_the_gear_that_gives_most() -> None:
    text = Page(_html("full")).text
    table = text[text.index("Power at round speeds") :]
    # first gear as made: 6200 N at 20 km/h are 34.4 kW
    assert "20 km/h 1 34.4" in table
    # overlap from 12 m/s on: at 45 km/h the second gear is the stronger, at 60 km/h alone
    assert "60 km/h 2" in table


def test_a_full_report_has_every_run_and_says_when_not_all() -> None:
    text = Page(report_html(make_analysis(logs=2), full=True)).text
    assert "Each run by itself" in text
    assert "Run 2 down" in text
    assert "Shown are the first" not in text
    assert "Each run by itself" not in Page(_html("full")).text


def test_page_says_what_is_missing_and_why() -> None:
    coasts = Page(_html("coasts_only")).text
    assert "Peak wheel power not measured" in coasts
    narrow = Page(_html("narrow")).text
    assert "No coefficients F0, F1 and F2 are given: the coast-downs cover only 23 to 27" in narrow
    one = Page(_html("one_direction")).text
    assert "Only one direction was driven" in one
    gps = Page(_html("gps_only")).text
    assert "not used: no acceleration in this log" in gps
    full = Page(_html("full")).text
    assert "not used: the vehicle slows down more than its road load can" in full


def test_nobody_is_given_a_crank_figure_or_a_correction_unasked() -> None:
    text = Page(_html("full")).text
    assert "Corrections and crank estimate" not in text
    assert "crank" not in text.replace("not at the crank", "").replace("power at the crank", "")
    outcome = with_extras(
        make_analysis(),
        crank=CrankEstimate(
            peak_w=92_000.0, low_w=88_500.0, high_w=95_000.0, loss_percent=(12.0, 18.0)
        ),
        corrections=(
            AmbientCorrection(
                standard="SAE J1349", factor=1.012, valid=True, why_not=None, peak_w=78_800.0
            ),
            AmbientCorrection(
                standard="ISO 1585",
                factor=None,
                valid=False,
                why_not="the engine is turbocharged",
                peak_w=None,
            ),
        ),
        reference_road_load=ReferenceRoadLoad(
            temperature_c=20.0,
            pressure_kpa=100.0,
            f0_n=147.0,
            f1_n_per_mps=1.18,
            f2_n_per_mps2=0.41,
        ),
    )
    asked = Page(report_html(outcome)).text
    assert "driveline loss of 12 to 18 %, which was not measured" in asked
    assert "88 to 95 kW" in asked or "88.5 to 95.0 kW" in asked
    assert "SAE J1349 78.8 kW factor 1.012" in asked
    assert "ISO 1585 not corrected the engine is turbocharged" in asked
    assert "carried over to 20 °C, 100 kPa" in asked


def test_what_can_be_compared_stands_in_one_place() -> None:
    text = Page(report_html(with_comparisons(make_analysis()))).text
    # once among the links at the top, once as a heading
    assert text.count("To compare with") == 2
    start, end = text.rindex("To compare with"), text.rindex("Everything noticed")
    part = text[start:end]
    assert "0 to 100 km/h 9.81 s 9.58 to 10.05" in part
    assert "top speed not told not reached" in part
    assert "reference air (20 °C, 100 kPa)" in part
    # 554 J/m are 15.39 kWh per 100 km: 1 kWh is 3.6 MJ
    assert "15.39 kWh per 100 km" in part
    assert "F2 as a drag coefficient" in part
    assert "w1 is zero" in part
    assert "K1 is zero" in part
    assert "Within 3 %?" in part
    assert "Slow steady test" in part
    # the made-up first gear turns 13.3 times for the stated 13.2
    assert "+0.8 %" in part
    # without any of it there is no empty section
    assert "To compare with" not in Page(_html("full")).text


def test_crank_figure_says_what_it_is() -> None:
    crank = CrankEstimate(
        peak_w=92_000.0, low_w=88_500.0, high_w=95_000.0, loss_percent=(12.0, 18.0)
    )
    text = Page(report_html(with_extras(make_analysis(), crank=crank))).text
    assert "common practice with no source" in text
    assert "Coasting in neutral already holds the drag of wheel bearings" in text


def test_text_from_files_cannot_become_markup() -> None:
    outcome = make_analysis()
    vehicle = replace(outcome.session.vehicle, name='<script>alert("x")</script>', state="<b>")
    evil = replace(
        outcome,
        session=replace(outcome.session, vehicle=vehicle),
        findings=(Finding(kind="x", severity="warning", text="<img src=x onerror=y> & so on"),),
    )
    html = report_html(evil)
    assert html.count("<script") == 1
    assert "<img" not in html
    assert '<script>alert("x")</script>' in Page(html).text


def test_page_shows_no_positions() -> None:
    outcome = make_analysis(logs=1)
    recording = outcome.recordings[0]
    t_s = recording.channels[0].t_s
    places = tuple(
        Channel(name=name, t_s=t_s, values=np.full(t_s.size, value))
        for name, value in (("latitude_deg", 47.123456), ("longitude_deg", 128.654321))
    )
    placed = replace(recording, channels=(*recording.channels, *places))
    texts = render(replace(outcome, recordings=(placed,)))
    assert all("47.123" not in text and "128.654" not in text for text in texts.values())


def test_findings_come_worst_first_with_the_name_of_their_file() -> None:
    text = Page(_html("full")).text
    error, warning, note = (text.rindex(word) for word in ("Error.", "Warning.", "Note."))
    assert error < warning < note
    assert "The coast-down at 37 s was not used. (run7.csv)" in text


def test_warnings_of_one_kind_are_told_once_at_the_top_and_in_full_below() -> None:
    many = tuple(
        Finding(kind="hole", severity="warning", text=f"Hole number {log}.", log=log)
        for log in range(5)
    )
    whole = Finding(kind="one_direction", severity="warning", text="All of it one way.")
    outcome = replace(make_analysis(), findings=(*many, whole))
    text = Page(report_html(outcome)).text
    top, below = text.split("Everything noticed in the data")
    assert top.index("All of it one way.") < top.index("Hole number 0.")
    assert "(run0.csv, and the like in 4 other logs)" in top
    assert "Hole number 1." not in top
    assert all(f"Hole number {log}." in below for log in range(5))
    assert "Hole number 0. (The like in 4 other logs.)" in summary(outcome, Path("r"), ())


def test_display_units_reach_every_place_but_the_files() -> None:
    outcome = make_analysis()
    shown = replace(
        outcome, session=replace(outcome.session, display=Display(power="PS", speed="mph"))
    )
    # 77.9 kW / 735.49875 W; 25.6 m/s / 0.44704
    text = Page(report_html(shown)).text
    assert "105.9 PS at 57 mph" in text
    assert "km/h" not in text
    assert "105.9 PS at 57 mph" in summary(shown, Path("out"), ())
    assert render(shown)["results.json"] == render(outcome)["results.json"]


def test_negative_figures_have_a_true_minus_and_no_minus_zero() -> None:
    outcome = make_analysis()
    assert outcome.road_load is not None
    falling = replace(
        outcome,
        road_load=replace(outcome.road_load, f1_n_per_mps=-2.4),
        site=replace(outcome.site, slope=-0.004, wind_mps=-2.0),
    )
    text = Page(report_html(falling)).text
    assert "F1 \u22122.4 ± 2.2 N/(m/s)" in text
    assert "0.40 ± 0.08 % falling in the direction called up" in text
    assert "along the direction called up" in text


def test_a_bad_number_stops_the_rendering_of_all_files() -> None:
    outcome = make_analysis()
    bad = replace(outcome.pulls[0], duration_sd_s=float("nan"))
    with pytest.raises(ResultError, match=r"pulls\[0\]\.duration_sd_s = nan"):
        render(replace(outcome, pulls=(bad,)))
