"""Tyres, turning masses, engine speed, and what is called implausible."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from analysis.physics.plausible import ROAD_LOAD_WINDOWS, road_load_findings, vehicle_findings
from analysis.physics.vehicle import (
    coefficients_from_epa,
    effective_mass_kg,
    engine_speed_rpm,
    equivalent_mass_kg,
    heavy_effective_mass_kg,
    rolling_radius_m,
)
from logger.session.keys import VehicleKind
from logger.session.tyres import parse_tyre
from logger.session.vehicle import Vehicle, vehicle_masses

CAR = Vehicle(
    mass_kg=1480.0,
    mass_sd_kg=8.0,
    rotating_mass_kg=44.0,
    rotating_mass_sd_kg=7.0,
    stated=("rotating_mass",),
)


# D = 25.4 d + 2 w a / 100 by arithmetic; rolling radius from the 3.05 D convention (ETRTO, UN R30:
# from memory). 0.1 mm: the printed figures are rounded.
@pytest.mark.parametrize(
    ("size", "diameter_mm", "radius_mm"),
    [
        ("205/55 R16", 631.9, 306.7),
        ("205/55R16 91V", 631.9, 306.7),
        ("195/65 R15", 634.5, 308.0),
        ("225/45ZR17", 634.3, 307.9),
        ("245/40 R18", 653.2, 317.1),
        ("P215/65 R15", 660.5, 320.6),
    ],
)
def test_tyre_radius(size: str, diameter_mm: float, radius_mm: float) -> None:
    assert parse_tyre(size).outer_diameter_mm == pytest.approx(diameter_mm, abs=0.1)
    assert rolling_radius_m(size) * 1000.0 == pytest.approx(radius_mm, abs=0.1)


def test_other_markings() -> None:
    # by arithmetic: 622 + 2 x 28; 31 in; 22.5 in rim with two side walls of 252 mm; 17 in with 84 mm
    assert parse_tyre("28-622").outer_diameter_mm == pytest.approx(678.0)
    assert parse_tyre("31x10.50 R15").outer_diameter_mm == pytest.approx(787.4)
    assert parse_tyre("315/80 R22.5").outer_diameter_mm == pytest.approx(1075.5)
    assert parse_tyre("120/70 ZR 17").outer_diameter_mm == pytest.approx(599.8)


@pytest.mark.parametrize(
    "text",
    ["", "big", "205/55", "205 55 16", "R16", "205/55 R160", "9999/55 R16", "20-999", "1/1R1"],
)
def test_what_is_no_tyre(text: str) -> None:
    with pytest.raises(ValueError, match=r"is not a tyre size|outer diameter"):
        parse_tyre(text)


def test_equivalent_mass_of_wheels_and_engine() -> None:
    # FASTSim's default wheels (0.815 kg m2, 0.336 m), four of them: 28.88 kg by arithmetic
    assert 4 * equivalent_mass_kg(0.815, 0.336) == pytest.approx(28.88, abs=0.005)
    # by arithmetic: 0.2 kg m2 at overall ratios 5 and 13 on 0.30 m
    assert equivalent_mass_kg(0.2, 0.30, 5.0) == pytest.approx(55.56, abs=0.01)
    assert equivalent_mass_kg(0.2, 0.30, 13.0) == pytest.approx(375.56, abs=0.01)


def test_heavy_effective_mass() -> None:
    # 40 CFR 1037.528(h)(1): 16108 kg on 18 tyres; the example rounds the sum to 17129 kg
    assert heavy_effective_mass_kg(16108.0, 18) == pytest.approx(17129.0, abs=0.5)


def test_engine_speed() -> None:
    # by arithmetic: a wheel of 1 m circumference turns once per metre
    radius_m = 1.0 / (2.0 * math.pi)
    assert engine_speed_rpm(10.0, 3.0, radius_m) == pytest.approx(1800.0)


def test_effective_mass_and_its_sd() -> None:
    mass_kg, sd_kg = effective_mass_kg(CAR)
    assert mass_kg == 1524.0
    assert sd_kg == pytest.approx(math.sqrt(8.0**2 + 7.0**2))
    # a rotating mass of 3 % by default errs together with the mass
    mass_kg, sd_kg = effective_mass_kg(vehicle_masses("car", 1000.0))
    assert mass_kg == pytest.approx(1030.0)
    assert sd_kg == pytest.approx(math.sqrt(10.3**2 + 5.0**2))


# US EPA test car list, model year 2022 (US government data): a, b, c in lbf and mph, and the SI
# coefficients that follow from 1 lbf = 4.4482216 N and 1 mph = 0.44704 m/s; five figures.
@pytest.mark.parametrize(
    ("a", "b", "c", "expected"),
    [
        (31.795, 0.23925, 0.017549, (141.43, 2.3806, 0.39061)),  # a two-seat roadster
        (18.250, 0.21996, 0.016366, (81.18, 2.1887, 0.36428)),  # a compact saloon
        (30.510, 0.01520, 0.021510, (135.72, 0.1512, 0.47878)),  # a compact electric car
        (34.260, 0.31910, 0.014200, (152.40, 3.1752, 0.31607)),  # an electric estate
    ],
)
def test_epa_coefficients(
    a: float, b: float, c: float, expected: tuple[float, float, float]
) -> None:
    f0, f1, f2 = coefficients_from_epa(a, b, c)
    # the roundest of the printed figures, 0.1512, is good to 3.3e-4
    assert (f0, f1, f2) == pytest.approx(expected, rel=4e-4)
    # the same force at 50 mph in both systems; 1 lbf = 4.4482216 N
    v = 50.0 * 0.44704
    force_lbf = (f0 + f1 * v + f2 * v * v) / 4.4482216152605
    assert force_lbf == pytest.approx(a + b * 50.0 + c * 2500.0, rel=1e-12)


def test_epa_road_load_of_one_car_at_50_mph() -> None:
    # same list, roadster: 87.63 lbf and 11.68 hp at 50 mph (hp = lbf mph / 375)
    f0, f1, f2 = coefficients_from_epa(31.795, 0.23925, 0.017549)
    v = 50.0 * 0.44704
    force_n = f0 + f1 * v + f2 * v * v
    assert force_n / 4.4482216 == pytest.approx(87.63, abs=0.005)
    assert force_n * v / 745.69987 == pytest.approx(11.68, abs=0.005)


def force(coefficients: tuple[float, float, float], v: float) -> float:
    f0, f1, f2 = coefficients
    return f0 + f1 * v + f2 * v * v


def kinds_found(
    vehicle: Vehicle,
    coefficients: tuple[float, float, float],
    speeds: tuple[float, float] = (5.0, 30.0),
) -> list[str]:
    findings = road_load_findings(vehicle, lambda v: force(coefficients, v), speeds, coefficients)
    return [finding.kind for finding in findings]


# Target coefficients of real cars (same EPA list) and their test mass [kg]: none may be suspected.
@pytest.mark.parametrize(
    ("pounds", "coefficients"),
    [
        (2750, (141.43, 2.3806, 0.39061)),
        (3125, (81.18, 2.1887, 0.36428)),
        (3250, (104.80, 1.2080, 0.39553)),
        (3625, (113.82, 1.9590, 0.36439)),
        (4000, (198.00, 6.6600, 0.32270)),
        (3875, (135.72, 0.1512, 0.47878)),
        (4750, (152.40, 3.1752, 0.31607)),
    ],
)
def test_real_cars_are_not_suspected(
    pounds: float, coefficients: tuple[float, float, float]
) -> None:
    vehicle = replace(CAR, mass_kg=pounds * 0.45359237)
    assert kinds_found(vehicle, coefficients) == []


def test_regulation_trucks_and_motorcycles_are_not_suspected() -> None:
    # 40 CFR 1037.528's example: drag area 6.120 m2 at 1.24 kg/m3 and 1005 N at low speed
    truck = replace(CAR, kind="truck", mass_kg=16108.0)
    assert kinds_found(truck, (900.0, 0.0, 3.79)) == []
    # 40 CFR 86.529-98, 300 kg: A 17.43 N, C 0.0279 N/(km/h)^2
    motorcycle = replace(CAR, kind="motorcycle", mass_kg=300.0)
    assert kinds_found(motorcycle, (17.43, 0.0, 0.0279 * 12.96)) == []


def test_implausible_road_loads_are_named() -> None:
    good = (130.0, 1.0, 0.40)
    assert kinds_found(CAR, good) == []
    # in gear: F0 two to four times 1.2 % of the weight (common practice, no source)
    assert kinds_found(CAR, (4 * 0.012 * 1480 * 9.81, 1.0, 0.4)) == ["road_load_high", "f0_high"]
    # a fall of 1.6 % takes 208 N of 152 N away and leaves a negative rolling resistance
    assert kinds_found(CAR, (152.0 - 208.5, 1.1, 0.41)) == ["road_load_low", "f0_negative"]
    assert kinds_found(CAR, (40.0, 5.0, 0.40)) == ["f0_low"]
    # km/h taken for m/s: forces 3.6 times too large, F2 3.6 times too small
    f0, f1, f2 = good
    assert kinds_found(CAR, (3.6 * f0, f1, f2 / 3.6), (18.0, 108.0)) == ["f0_high", "f2_unusual"]
    # outside the speeds covered the force is not judged, and without coefficients nothing else is
    assert road_load_findings(CAR, lambda v: 5000.0, (5.0, 15.0)) == ()
    (finding,) = road_load_findings(CAR, lambda v: 5000.0, (5.0, 30.0))
    assert (finding.kind, finding.severity) == ("road_load_high", "warning")
    assert "5000 N" in finding.text


def test_every_window_has_a_source_and_is_open() -> None:
    for window in ROAD_LOAD_WINDOWS.values():
        assert window.source
        for low, high in (window.rolling_share, window.f2_n_per_mps2, window.force_n):
            assert 0.0 < low < high


@pytest.mark.parametrize(
    ("kind", "mass_kg", "kinds"),
    [
        ("car", 1480.0, []),
        ("car", 250.0, ["mass_unusual"]),
        ("car", 3300.0, ["mass_unusual"]),
        ("bicycle", 1480.0, ["mass_unusual"]),
        ("bicycle", 60.0, []),
        ("truck", 44_000.0, []),
        ("motorcycle", 260.0, []),
    ],
)
def test_mass_against_kind(kind: VehicleKind, mass_kg: float, kinds: list[str]) -> None:
    found = vehicle_findings(replace(CAR, kind=kind, mass_kg=mass_kg))
    assert [finding.kind for finding in found] == kinds


def test_vehicle_findings_name_what_is_assumed_or_unused() -> None:
    vehicle = replace(vehicle_masses("truck", 12_000.0), overall_ratios=(20.0, 10.0))
    ratios, rotating = vehicle_findings(vehicle)
    assert ratios.kind == "ratios_without_tyre"
    assert rotating.kind == "rotating_mass_default"
    # 40 CFR 1037.528: 56.7 kg per tyre; 6 tyres are 340 kg
    assert "340 kg for 6" in rotating.text
    assert vehicle_findings(replace(CAR, overall_ratios=(9.0,), tyre="205/55 R16")) == ()


def test_pounds_given_as_kilograms_are_suspected() -> None:
    # 3300 lb are 1497 kg (international pound, 0.45359237 kg): a small car
    heavy = vehicle_masses("car", 3300.0, rotating_mass_kg=40.0)
    (finding,) = vehicle_findings(heavy)
    assert "1497 kg" in finding.text
    assert "mass_lb" in finding.text
    # the lightest cars are no pounds: 400 kg would be 181 kg
    (finding,) = vehicle_findings(vehicle_masses("car", 400.0, rotating_mass_kg=10.0))
    assert "mass_lb" not in finding.text
