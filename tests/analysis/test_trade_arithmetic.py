"""Figures that people of the trade work out by hand (common practice, no source)."""

from __future__ import annotations

import pytest

from analysis.crosscheck.segments import SegmentSum, explain_segment_sum
from analysis.crosscheck.timed_runs import kinetic_mean_power_w
from analysis.results.corrections import crank_power_w, wheel_power_w

POUND_KG = 0.45359237  # exact: international pound
HP_W = 745.69987  # 550 ft lbf/s
MPS_100_KMH = 100.0 / 3.6


def test_kinetic_mean_power_of_a_heavy_vehicle() -> None:
    # common practice, no source: 5000 lb from 0 to 100 km/h in 11 s take 107 hp on the mean
    power_w = kinetic_mean_power_w(5000.0 * POUND_KG, 0.0, MPS_100_KMH, 11.0)
    assert power_w / HP_W == pytest.approx(107.0, abs=0.5)  # stated to the horsepower


def test_energy_goes_with_the_difference_of_squares() -> None:
    # common slip: (v2 - v1)^2 instead of v2^2 - v1^2, 11 times too small from 25 to 30 m/s
    right_w = kinetic_mean_power_w(1329.0, 25.0, 30.0, 1.0)
    assert right_w / (1329.0 * (30.0 - 25.0) ** 2 / 2.0) == pytest.approx(11.0)


def test_parts_of_a_pull_weigh_by_their_time() -> None:
    # energies add, powers do not: the mean over both parts is neither their sum nor their plain mean
    parts = [(0.0, 15.0, 3.0), (15.0, 28.0, 6.0)]
    powers_w = [kinetic_mean_power_w(1500.0, *part) for part in parts]
    whole_w = kinetic_mean_power_w(1500.0, 0.0, 28.0, 9.0)
    assert (3.0 * powers_w[0] + 6.0 * powers_w[1]) / 9.0 == pytest.approx(whole_w)


def test_loss_between_crank_and_wheels() -> None:
    # common practice, no source: 20 % of 231 hp at the crank leave 185 hp at the wheels (four-wheel
    # drive, automatic); the share is one of the crank's power, not of the wheels'
    assert wheel_power_w(231.0, 20.0) == pytest.approx(185.0, abs=0.5)  # stated to the horsepower
    assert crank_power_w(wheel_power_w(231.0, 20.0), 20.0) == pytest.approx(231.0)
    assert crank_power_w(185.0, 20.0) == pytest.approx(231.0, abs=0.5)


def test_the_customary_sum_is_called_neither_mean_nor_peak() -> None:
    # common practice, no source: 107 hp of kinetic mean and segments of 42, 18 and 18 hp make 185 hp
    found = SegmentSum(
        kinetic_mean_w=107.0 * HP_W, segments_w=(42.0 * HP_W, 18.0 * HP_W, 18.0 * HP_W)
    )
    assert found.total_w / HP_W == pytest.approx(185.0)
    said = explain_segment_sum(found, unit="hp", unit_w=HP_W)
    assert "107.0 + 42.0 + 18.0 + 18.0 = 185.0 hp, is neither the mean nor the peak" in said[0]
    assert said[1].startswith("Energies add, powers do not")
