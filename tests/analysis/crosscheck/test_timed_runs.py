"""Timed runs as they are written, and stopwatch arithmetic against worked examples in print."""

from __future__ import annotations

import pytest

from analysis.crosscheck.timed_runs import (
    GateInterval,
    kinetic_mean_power_w,
    mean_force_n,
    parse_timed_runs,
    two_interval_road_load,
)
from analysis.physics.vehicle import heavy_effective_mass_kg
from analysis.results.reference import drag_coefficient
from logger.errors import SessionError

KMH = 1.0 / 3.6


def test_heavy_duty_example_with_grade() -> None:
    # 40 CFR 1037.528(h)(4), equation 7: 17129 kg effective, 16108 kg, 31.28 to 26.77 m/s between
    # 3.05 and 19.11 s, 0.044 to 0.547 m of height between 215.4 and 697.8 m; printed: 4645.5 N
    force_n = mean_force_n(
        17129.0,
        GateInterval(from_mps=31.28, to_mps=26.77, duration_s=19.11 - 3.05),
        mass_kg=16108.0,
        rise_m=0.547 - 0.044,
        distance_m=697.8 - 215.4,
        gravity_mps2=9.8061,  # at 45 degrees, 40 CFR 1065.630: 9.8061992
    )
    assert force_n == pytest.approx(4645.5, abs=0.05)
    # the example's effective mass: 18 tyres, printed as 17129 kg
    assert heavy_effective_mass_kg(16108.0, 18) == pytest.approx(17129.0, abs=0.5)


def test_light_duty_mean_force() -> None:
    # UN GTR No. 15, Annex 4, 4.3.1.4.4: (m_av + m_r) / 3.6 * 2 dv / dt; 1530 kg, 42.75 kg, 10 km/h
    # in 5.0 s are 873.75 N by arithmetic
    force_n = mean_force_n(
        1530.0 + 42.75, GateInterval(from_mps=85 * KMH, to_mps=75 * KMH, duration_s=5.0)
    )
    assert force_n == pytest.approx(873.75, abs=1e-9)


def test_handbook_two_speed_method() -> None:
    # Bosch Automotive Handbook (from memory): 1450 kg, 2.2 m2; 60 to 55 km/h in 6.5 s, 15 to 10 km/h
    # in 10.5 s; printed with rounded decelerations: c_d 0.36, f 0.013. Its formula uses 1.2 kg/m3 and
    # no rotating mass.
    mass_kg, area_m2, density = 1450.0, 2.2, 1.2
    fast = GateInterval(from_mps=60 * KMH, to_mps=55 * KMH, duration_s=6.5)
    slow = GateInterval(from_mps=15 * KMH, to_mps=10 * KMH, duration_s=10.5)
    f0, f2 = two_interval_road_load(mass_kg, fast, slow)
    # the handbook's own formulas, unrounded: 6 m (a1 - a2) / (A (v1^2 - v2^2)) in km/h and seconds,
    # and 28.2e-3 (a2 v1^2 - a1 v2^2) / (v1^2 - v2^2)
    a1, a2, v1, v2 = 5 / 6.5, 5 / 10.5, 57.5, 12.5
    c_d = 6 * mass_kg * (a1 - a2) / (area_m2 * (v1**2 - v2**2))
    f = 28.2e-3 * (a2 * v1**2 - a1 * v2**2) / (v1**2 - v2**2)
    assert drag_coefficient(f2, density, area_m2) == pytest.approx(c_d, rel=1e-9)
    # 28.2e-3 is 1 / (3.6 g) rounded to three figures
    assert f0 / (mass_kg * 9.80665) == pytest.approx(f, rel=5e-3)
    # the printed values, which come from decelerations rounded to 0.77 and 0.48 km/h/s: half a unit
    # of 0.01 in each is 0.017 in c_d
    assert drag_coefficient(f2, density, area_m2) == pytest.approx(0.36, abs=0.017)
    assert f0 / (mass_kg * 9.80665) == pytest.approx(0.013, abs=0.0005)


def test_opposite_directions_average_as_forces() -> None:
    # by arithmetic: F0 + F2 (v + d w)^2 + d m g s averages to F0 + F2 v^2 + F2 w^2, whatever s
    f0, f2, v, w, mass_kg, slope, g = 160.0, 0.40, 25.0, 2.0, 1500.0, 0.005, 9.80665
    forces = []
    for d in (1.0, -1.0):
        truth_n = f0 + f2 * (v + d * w) ** 2 + d * mass_kg * g * slope
        gates = GateInterval(from_mps=v + 0.5, to_mps=v - 0.5, duration_s=mass_kg * 1.0 / truth_n)
        forces.append(
            mean_force_n(mass_kg, gates, mass_kg=mass_kg, rise_m=d * slope * 100, distance_m=100)
        )
    assert sum(forces) / 2.0 == pytest.approx(f0 + f2 * v**2 + f2 * w**2, rel=1e-12)


@pytest.mark.parametrize(
    ("gates", "words"),
    [
        ((30.0, 20.0, 0.0), "longer than 0 s"),
        ((30.0, 20.0, float("nan")), "longer than 0 s"),
        ((-1.0, 20.0, 1.0), "not negative"),
        ((1.0, float("nan"), 1.0), "not negative"),
    ],
)
def test_gates_that_make_no_sense(gates: tuple[float, float, float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        GateInterval(from_mps=gates[0], to_mps=gates[1], duration_s=gates[2])
    with pytest.raises(ValueError, match=words):
        kinetic_mean_power_w(1500.0, *gates)


def test_a_rise_needs_mass_and_distance() -> None:
    gates = GateInterval(from_mps=30.0, to_mps=20.0, duration_s=10.0)
    for options in ({"mass_kg": 1500.0}, {"distance_m": 100.0}, {}):
        with pytest.raises(ValueError, match="a rise needs"):
            mean_force_n(1545.0, gates, rise_m=1.0, **options)
    with pytest.raises(ValueError, match="a rise needs"):
        mean_force_n(1545.0, gates, rise_m=1.0, mass_kg=1500.0, distance_m=0.0)


def test_two_stretches_must_differ() -> None:
    slow = GateInterval(from_mps=15 * KMH, to_mps=10 * KMH, duration_s=10.5)
    with pytest.raises(ValueError, match="the fast stretch has a mean"):
        two_interval_road_load(1450.0, slow, slow)


@pytest.mark.parametrize(
    ("pull", "coast", "message"),
    [
        (["9.8"], [], "--pull: '9.8'; expected start-end=seconds"),
        (["70-20=6"], [], "--pull: '70-20=6'; expected a speed that rises"),
        ([], ["20-70=6"], "--coast: '20-70=6'; expected a speed that falls"),
        ([], ["70-70=6"], "a speed that falls"),
        (["20-70=0"], [], "a time above 0 s"),
        (["20-70=-3"], [], "start-end=seconds"),
    ],
)
def test_texts_that_are_no_timed_run(pull: list[str], coast: list[str], message: str) -> None:
    with pytest.raises(SessionError, match=message):
        parse_timed_runs(pull, coast, "km/h", 0.2, 1.0)


def test_units_of_gates() -> None:
    (run,) = parse_timed_runs(["0-60=9 s"], [], "mph", 0.2, 1.0)
    assert run.gates.to_mps == pytest.approx(26.8224)  # 60 mph, exact by the mile
    assert run.speed_sd_mps == pytest.approx(0.44704)
