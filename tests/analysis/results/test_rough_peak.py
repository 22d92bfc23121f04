"""A peak that is known roughly only is a range. The figures are made up."""

from __future__ import annotations

from typing import Any

from analysis.results.power import PowerCurve


def test_a_rough_peak_is_a_range() -> None:
    plain: dict[str, Any] = {"gears": (), "peak_speed_mps": 30.0, "budget_w": {}}
    for half, rough in ((7e3, False), (9e3, True)):
        power = PowerCurve(
            peak_w=66e3, peak_sd_w=half / 1.96, peak_ci95_w=(66e3 - half, 66e3 + half), **plain
        )
        assert power.rough is rough
