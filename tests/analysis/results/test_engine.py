"""Engine speed, torque and ratios against plain mechanics."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from make_analysis import make_analysis

from analysis.physics.vehicle import engine_speed_rpm, equivalent_mass_kg, rolling_radius_m
from analysis.results.engine import engine_side, slow_test_power_w, torque_nm
from logger.session.session import Vehicle

ANALYSIS = make_analysis()
VEHICLE = replace(ANALYSIS.session.vehicle, tyre="205/55 R16", overall_ratios=(13.2, 7.6, 5.1))


def test_torque_of_a_power() -> None:
    # P = 2 pi n M: 100 kW at 6000/min are 159.155 N m
    assert float(torque_nm(100e3, 6000.0)) == pytest.approx(100e3 / (2 * math.pi * 100.0))


def test_without_tyre_or_ratios_nothing_is_told() -> None:
    power, load = ANALYSIS.power, ANALYSIS.road_load
    for vehicle in (replace(VEHICLE, tyre=None), replace(VEHICLE, overall_ratios=())):
        assert engine_side(vehicle, power, load, {}, from_rest=True) is None
    assert engine_side(VEHICLE, None, load, {}, from_rest=True) is None


def test_power_over_engine_speed() -> None:
    found = engine_side(VEHICLE, ANALYSIS.power, ANALYSIS.road_load, {}, from_rest=True)
    assert found is not None
    assert found.why_not is None
    # 205/55 R16: 631.9 mm, rolling circumference 3.05 D (ETRTO, from memory): 306.7 mm
    assert found.rolling_radius_m == pytest.approx(0.3067, abs=1e-4)
    assert ANALYSIS.power is not None
    for side, curve, ratio in zip(
        found.gears, ANALYSIS.power.gears, VEHICLE.overall_ratios, strict=True
    ):
        assert side.overall_ratio == ratio
        assert side.gear == curve.gear
        # wheel turns per second times ratio times 60
        wheel_hz = curve.speed_mps / (2.0 * math.pi * found.rolling_radius_m)
        assert side.engine_speed_rpm == pytest.approx(wheel_hz * ratio * 60.0)
        # torque is the tractive force times the radius over the ratio: no loss is added
        force = curve.power_w / curve.speed_mps
        assert side.torque_nm == pytest.approx(force * found.rolling_radius_m / ratio)
        assert side.slow_peak_w is None


def test_pulls_that_roll_on_do_not_say_which_gear() -> None:
    found = engine_side(VEHICLE, ANALYSIS.power, ANALYSIS.road_load, {}, from_rest=False)
    assert found is not None
    assert found.gears == ()
    assert found.why_not is not None
    assert "engine_speed_rpm" in found.why_not
    # more pieces than stated gears
    two = replace(VEHICLE, overall_ratios=(13.2, 7.6))
    found = engine_side(two, ANALYSIS.power, ANALYSIS.road_load, {}, from_rest=True)
    assert found is not None
    assert [side.gear for side in found.gears] == [1, 2]
    assert found.why_not is not None
    assert "3 pieces" in found.why_not


def test_a_logged_engine_speed_names_the_gear_and_shows_slip() -> None:
    # 2 % more turns than 7.6 in the first piece of a rolling pull: second gear, slipping
    measured = {0: (7.6 * 1.02, 0.08), 1: (5.1, 0.05), 2: (9.9, 0.1)}
    found = engine_side(VEHICLE, ANALYSIS.power, ANALYSIS.road_load, measured, from_rest=False)
    assert found is not None
    first, second, third = found.gears
    assert (first.gear, second.gear, third.gear) == (2, 3, None)  # 9.9 is none of the stated ratios
    assert first.slip_percent == pytest.approx(2.0)
    assert second.slip_percent == pytest.approx(0.0)
    assert third.slip_percent is None
    assert third.overall_ratio == 9.9


def test_slow_steady_test_adds_what_spins_the_engine_up() -> None:
    # I (ratio / r)^2: 0.2 kg m2 at ratio 13 and r 0.30 m is 376 kg; at 3 m/s2 and 10 m/s that is
    # 11.27 kW, by the power of a turning mass: I alpha omega with alpha = a ratio / r
    extra = equivalent_mass_kg(0.2, 0.30, 13.0)
    slow = slow_test_power_w(np.array([50e3]), np.array([3.0]), np.array([10.0]), extra)
    alpha, omega = 3.0 * 13.0 / 0.30, 10.0 * 13.0 / 0.30
    assert slow[0] - 50e3 == pytest.approx(0.2 * alpha * omega)


def test_slow_test_matters_most_in_low_gears() -> None:
    with_engine = replace(VEHICLE, engine_inertia_kg_m2=0.2)
    found = engine_side(with_engine, ANALYSIS.power, ANALYSIS.road_load, {}, from_rest=True)
    assert found is not None
    gains = []
    for side in found.gears:
        assert side.slow_peak_w is not None
        gains.append(side.slow_peak_w / float(side.power_w.max()))
    assert gains[0] > gains[1] > gains[2] > 1.0


def test_four_wheels_as_a_mass() -> None:
    # FASTSim's default wheel: 0.815 kg m2 on 0.336 m; four are 28.88 kg
    assert 4.0 * equivalent_mass_kg(0.815, 0.336) == pytest.approx(28.88, abs=0.005)
    vehicle: Vehicle = VEHICLE
    assert engine_speed_rpm(10.0, 5.1, rolling_radius_m(vehicle.tyre or "")) > 0.0
