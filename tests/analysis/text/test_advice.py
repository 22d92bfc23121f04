"""What limits a result, what speaks for trusting it, and what is advised: from numbers made by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from make_analysis import KINDS, Kind, judged, make_analysis

from analysis.pipeline import Analysis
from analysis.text.advice import gain_text
from analysis.text.numbers import Units
from logger.session.session import Display

_METRIC = Units.of(Display())


def _with_budget(**sds: float) -> Analysis:
    """Return an analysis whose peak power has this budget [W] and whose road load has none."""
    made = make_analysis()
    assert made.power is not None
    assert made.road_load is not None
    return judged(
        made,
        power=replace(made.power, budget_w=sds),
        road_load=replace(made.road_load, budget_n={}),
    )


def test_shares_are_squares_and_the_longest_comes_first() -> None:
    (limit,) = _with_budget(noise=300.0, mass=400.0).verdict.limits
    assert [share.cause for share in limit.shares] == ["mass", "noise"]
    assert [share.share for share in limit.shares] == pytest.approx([0.64, 0.36])
    # 1.959964 is the normal distribution's two-sided 95 %; 3-4-5
    assert limit.half == pytest.approx(1.959964 * 500.0)


def test_more_runs_do_not_weigh_the_vehicle() -> None:
    (only_mass,) = _with_budget(mass=400.0).verdict.limits
    assert only_mass.half_twice == pytest.approx(only_mass.half)
    (only_noise,) = _with_budget(noise=400.0).verdict.limits
    # independent runs would leave 1/sqrt(2), and no less can be promised
    assert math.sqrt(0.5) <= only_noise.half_twice / only_noise.half < 1.0


def test_advice_names_the_largest_part_first_and_what_halving_it_brings() -> None:
    found = _with_budget(noise=300.0, mass=400.0, lag=10.0).verdict.advice
    assert [one.text.split()[0] for one in found] == ["Weigh", "More"]
    # sqrt(200^2 + 300^2) = 360.6 W, times 1.96; all together 500 W
    assert "64 % of the peak wheel power's uncertainty, in squares" in gain_text(found[0], _METRIC)
    assert "leave \u00b10.7 of \u00b11.0 kW" in gain_text(found[0], _METRIC)


@pytest.mark.parametrize(
    ("kind", "first"),
    [
        ("coasts_only", "Add full-throttle pulls"),
        ("one_direction", "Drive the other way too"),
        ("narrow", "Add full-throttle pulls"),
        ("gps_only", "Record the raw accelerometer"),
    ],
)
def test_what_is_missing_altogether_comes_first(kind: Kind, first: str) -> None:
    found = make_analysis(kind).verdict.advice
    assert found[0].text.startswith(first)
    assert len(found) <= 4


@pytest.mark.parametrize("kind", KINDS)
def test_checks_say_both_sides(kind: Kind) -> None:
    by_text = {check.text: check.good for check in make_analysis(kind).verdict.checks}
    assert any(good for text, good in by_text.items() if "both ways" in text) == (
        kind != "one_direction"
    )
    assert ("GPS alone" in " ".join(by_text)) == (kind == "gps_only")
    # no uncertainty of the mass is stated in these
    assert any("1 %" in text or "0.5 %" in text for text in by_text)


def test_scatter_beyond_noise_is_held_against_the_result() -> None:
    made = make_analysis()
    assert made.power is not None
    scattered = judged(made, power=replace(made.power, scatter_factor=1.7))
    (found,) = [c for c in scattered.verdict.checks if "scatter" in c.text]
    assert not found.good
    assert "1.7 times" in found.text
    few = judged(made, pulls=made.pulls[:2]).verdict.checks
    assert any("Only 2 pulls" in c.text and not c.good for c in few)


def test_the_accelerometer_counts_log_by_log() -> None:
    made = make_analysis()
    sensors = (replace(made.sensors[0], accel_used=False, why_not="moved"), *made.sensors[1:])
    texts = [check.text for check in judged(made, sensors=sensors).verdict.checks]
    assert "The accelerometer could be used in 7 of 8 logs only." in texts
    one = judged(made, sensors=made.sensors[:1]).verdict.checks
    assert any("in the only log" in check.text for check in one)
