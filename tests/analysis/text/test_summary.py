"""The text on the terminal, and numbers as people read them."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from make_analysis import KINDS, Kind, judged, make_analysis

from analysis.text.numbers import Units, number
from analysis.text.summary import summary
from logger.findings import Finding
from logger.session.session import Display


@pytest.mark.parametrize(
    ("value", "sd", "text"),
    [
        (77.934, 1.13, "77.9"),
        (77.934, 0.4, "77.9"),
        (77.934, 0.034, "77.93"),
        (612.4, 12.0, "612"),
        (-0.0421, 0.3, "0.0"),  # no minus before a zero
        (-3.14159, 0.02, "-3.142"),
        (1234.5678, None, "1235"),
        (0.0, None, "0"),
        (0.0123456, None, "0.01235"),
        (5.0, 0.0, "5.0000"),  # an sd of 0 is refused elsewhere; the text must not break
        (float("nan"), 1.0, "unknown"),
    ],
)
def test_numbers_are_written_to_the_place_their_sd_allows(
    value: float, sd: float | None, text: str
) -> None:
    assert number(value, sd) == text


@pytest.mark.parametrize(
    ("half_w", "word"), [(2_000.0, "good"), (6_000.0, "fair"), (20_000.0, "rough")]
)
def test_trust_follows_the_width_of_the_interval(half_w: float, word: str) -> None:
    outcome = make_analysis()
    assert outcome.power is not None
    interval = (77_900.0 - half_w, 77_900.0 + half_w)
    power = replace(outcome.power, peak_ci95_w=interval)
    assert judged(outcome, power=power).verdict.trust.level == word


def test_trust_without_any_result_and_with_a_single_pull() -> None:
    outcome = make_analysis()
    assert judged(outcome, power=None, road_load=None).verdict.trust.level == "doubtful"
    single = judged(outcome, pulls=outcome.pulls[:1]).verdict.trust
    assert any("A single pull" in reason for reason in single.why)


_GOLDEN = """\
estate, winter tyres: 8 runs (4 up, 4 down), 1480 kg

  Peak wheel power  77.9 kW at 92 km/h  (95 %: 75.6 to 80.2 kW)
  Road load         507 N at 100 km/h  (95 %: 498 to 517 N)
                    14.09 kW to hold 100 km/h  (95 %: 13.84 to 14.35 kW)
                    F0 150 +/- 18 N
                    F1 1.2 +/- 2.2 N/(m/s)
                    F2 0.42 +/- 0.06 N/(m/s)^2
                    (+/- is 95 %; known from 18 km/h to 115 km/h)
  Trust             good. The peak wheel power within 2.9 % and the road load
                    within 1.8 % (95 %). What widens the peak wheel power most:
                    noise of the sensors. 2 findings need your eye.
                    No log can show: a wind that is the same ahead in both
                    directions; a dragging brake; the clutch pedal used in place
                    of neutral; part throttle in every pull; an error of the
                    mass beyond its stated uncertainty; whether the stated
                    directions are on one road: there are no positions.

error, run7.csv: The coast-down at 37 s was not used.
warning, run7.csv: The air was still going down the road but not up it: <gusts &
  all>.

Written to airfield/results:
  report.html results.json"""


def test_terminal_text() -> None:
    found = summary(make_analysis(), Path("airfield/results"), ("report.html", "results.json"))
    assert found == _GOLDEN


@pytest.mark.parametrize("kind", KINDS)
def test_terminal_text_fits_a_terminal(kind: Kind) -> None:
    many = tuple(
        Finding(kind=f"x{i}", severity="warning", text=f"Number {i} " + "word " * 60)
        for i in range(30)
    )
    outcome = replace(make_analysis(kind), findings=many)
    text = summary(outcome, Path("r"), ("report.html",))
    assert max(map(len, text.splitlines())) <= 80
    assert text.isascii()
    assert "and 22 more in the report" in text
    assert not re.search(r"\b(nan|inf|None)\b", text)


def test_units_know_their_size() -> None:
    units = Units.of(Display(power="hp", speed="mph"))
    # 550 ft lbf/s and 1609.344 m per hour: definitions
    assert units.power_w == pytest.approx(745.6998715822702, rel=1e-12)
    assert units.speed_mps == pytest.approx(0.44704, rel=1e-12)
