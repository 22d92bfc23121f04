"""Power above the speeds that were coasted through is told, and said to lean on a continued curve."""

from __future__ import annotations

from dataclasses import replace

import pytest
from make_analysis import make_analysis

from analysis.plots.curves import report_plots
from analysis.results.limits import continued_above
from analysis.text.numbers import Units

_MADE = make_analysis()


@pytest.mark.parametrize(
    ("high_mps", "severity"),
    [
        # the pulls reach 32 m/s, the peak lies at 25.6 m/s
        (31.8, None),
        (28.0, "note"),
        (24.0, "warning"),
    ],
)
def test_what_is_continued_is_said_and_a_peak_there_is_a_warning(
    high_mps: float, severity: str | None
) -> None:
    assert _MADE.road_load is not None
    load = replace(_MADE.road_load, speed_range_mps=(5.0, high_mps))
    above_mps, findings = continued_above(load, _MADE.power)
    assert [finding.severity for finding in findings] == ([] if severity is None else [severity])
    assert above_mps == (None if severity is None else high_mps)
    if findings:
        assert f"Above {3.6 * high_mps:.0f} km/h nothing was coasted through" in findings[0].text


def test_without_a_curve_there_is_nothing_to_continue() -> None:
    assert continued_above(None, _MADE.power) == (None, ())
    assert continued_above(_MADE.road_load, None) == (None, ())


def test_the_figure_of_power_shows_both_limits_and_says_what_they_mean() -> None:
    assert _MADE.power is not None
    power = replace(_MADE.power, lower_bound_below_mps=8.0, continued_above_mps=28.0)
    units = Units.of(_MADE.session.display)
    plots = {plot.name: plot for plot in report_plots(replace(_MADE, power=power), units)}
    aid = plots["wheel-power"].aid
    assert "Thin line at 29 km/h: below it tyres may slip" in aid
    assert "Thin line at 101 km/h: above it nothing was coasted through" in aid
