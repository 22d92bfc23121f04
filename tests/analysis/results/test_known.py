"""The peak is taken where it is well known; a thin spike is none. The figures are made up."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from analysis.results.known import well_known
from analysis.results.power import PowerCurve


def fit_with(fixes: tuple[int, int]) -> Any:
    """Return what a fit holds of two gears of 10 s each, with so many fixes in each."""
    edge_s = np.arange(0.0, 20.5, 0.5)
    fix_s = np.concatenate([np.linspace(0.1, 9.9, fixes[0]), np.linspace(10.1, 19.9, fixes[1])])
    data = SimpleNamespace(
        edge_s=edge_s,
        drive=np.repeat([0, 1], 20),
        fix_s=fix_s,
        lag_s=0.0,
        force_mps2=np.full(40, np.nan),
    )
    return SimpleNamespace(states=[SimpleNamespace(data=data)])


def curve(power_w: float, sd_w: float) -> tuple[Any, Any, Any]:
    return np.linspace(5.0, 10.0, 4), np.full(4, power_w), np.full(4, sd_w)


def test_a_gear_with_three_fixes_holds_no_peak() -> None:
    known = well_known(fit_with((3, 12)), [curve(88e3, 3e3), curve(67e3, 3e3)], [0, 1])
    assert known.tolist() == [False] * 4 + [True] * 4


def test_a_spike_known_much_less_than_the_rest_holds_no_peak() -> None:
    known = well_known(fit_with((12, 12)), [curve(88e3, 20e3), curve(67e3, 3e3)], [0, 1])
    assert known.tolist() == [False] * 4 + [True] * 4


def test_where_all_is_thin_or_all_is_known_all_counts() -> None:
    for fixes in ((3, 3), (12, 12)):
        assert well_known(fit_with(fixes), [curve(88e3, 5e3), curve(67e3, 3e3)], [0, 1]).all()


def test_a_rough_peak_is_a_range() -> None:
    plain: dict[str, Any] = {"gears": (), "peak_speed_mps": 30.0, "budget_w": {}}
    for half, rough in ((7e3, False), (9e3, True)):
        power = PowerCurve(
            peak_w=66e3, peak_sd_w=half / 1.96, peak_ci95_w=(66e3 - half, 66e3 + half), **plain
        )
        assert power.rough is rough
