"""The customary sum of segment powers, and the words that say what it is not."""

from __future__ import annotations

import pytest

from analysis.crosscheck.segments import explain_segment_sum, resisting_mean_power_w, segment_sum
from analysis.crosscheck.timed_runs import GateInterval
from analysis.physics.coasting import coast_time_s


def test_a_segment_gives_up_its_kinetic_energy_over_its_own_time() -> None:
    # by hand: 1200 kg from 20 to 10 m/s lose 180 kJ; over 15 s that is 12 kW
    assert resisting_mean_power_w(
        1200.0, GateInterval(from_mps=20.0, to_mps=10.0, duration_s=15.0)
    ) == pytest.approx(12e3)


def test_a_narrow_segment_is_road_load_times_speed() -> None:
    # closed form of m dv/dt = -(F0 + F2 v^2); 1550 kg, 160 N + 0.40 v^2: 410 N x 25 m/s = 10.25 kW
    time_s = coast_time_s(1550.0, 160.0, 0.0, 0.40, 25.05, 24.95)
    power_w = resisting_mean_power_w(
        1550.0, GateInterval(from_mps=25.05, to_mps=24.95, duration_s=time_s)
    )
    assert power_w == pytest.approx(410.0 * 25.0, rel=1e-4)  # second order in a width of 0.4 %


def test_the_sum_is_what_people_add_up() -> None:
    found = segment_sum(
        1200.0,
        GateInterval(from_mps=0.0, to_mps=20.0, duration_s=8.0),
        [
            GateInterval(from_mps=20.0, to_mps=10.0, duration_s=15.0),
            GateInterval(from_mps=10.0, to_mps=5.0, duration_s=18.0),
        ],
    )
    # by hand: 240 kJ / 8 s, 180 kJ / 15 s, 45 kJ / 18 s
    assert found.kinetic_mean_w == pytest.approx(30e3)
    assert found.segments_w == pytest.approx((12e3, 2.5e3))
    assert found.total_w == pytest.approx(44.5e3)


def test_the_explanation_names_mean_peak_and_where_it_lies() -> None:
    found = segment_sum(
        1200.0,
        GateInterval(from_mps=0.0, to_mps=20.0, duration_s=8.0),
        [GateInterval(from_mps=20.0, to_mps=10.0, duration_s=15.0)],
    )
    said = " ".join(
        explain_segment_sum(
            found, weighted_w=3e3, mean_w=33.4e3, mean_sd_w=600.0, peak_w=48e3, peak_at="61 km/h"
        )
    )
    for words in (
        "30.0 + 12.0 = 42.0 kW, is neither the mean nor the peak",
        "the segments take 3.0 kW, not 12.0 kW",
        "33.4 \u00b1 1.2 kW",
        "48.0 kW and lies at 61 km/h",
    ):
        assert words in said


def test_a_pull_alone_is_a_lower_bound_of_the_mean() -> None:
    found = segment_sum(1200.0, GateInterval(from_mps=0.0, to_mps=20.0, duration_s=8.0), [])
    said = explain_segment_sum(found)
    assert "below the mean wheel power" in said[0]
    assert "cannot be told from gates" in said[-1]
