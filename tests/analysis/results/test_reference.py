"""Reference conditions against the formula of a regulation, evaluated apart from this project."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.physics.air import AirState, air_state, moist_air_density_kg_m3
from analysis.results.reference import (
    drag_coefficient,
    reference_coefficients,
    reference_road_load,
    resistance_figures,
)
from analysis.results.road_load import RoadLoad
from logger.session.session import Air, Vehicle


def road_load(*, separable: bool = True) -> RoadLoad:
    return RoadLoad(
        f0_n=150.0,
        f1_n_per_mps=0.5,
        f2_n_per_mps2=0.42,
        covariance=np.diag([4.0, 0.01, 1e-5]),
        speed_range_mps=(5.0, 33.0),
        separable=separable,
        why_not_separable=None if separable else "too narrow",
        budget_n={},
        budget_speed_mps=27.78,
    )


# UN GTR No. 15, Annex 4, 4.5: F* = ((f0 - w1 - K1) + f1 v)(1 + K0 (T - 293)) + K2 f2 v^2 in km/h, with
# f0 120 N, f1 0.6, f2 0.030, 283 K, 98 kPa, wind 2 m/s, 1500 kg to be simulated, 1530 kg as driven:
# speed [km/h], F* [N] by arithmetic.
@pytest.mark.parametrize(
    ("speed_kmh", "force_n"),
    [(50, 207.447), (80, 339.212), (100, 456.623), (120, 597.687), (130, 677.090)],
)
def test_regulation_formula(speed_kmh: float, force_n: float) -> None:
    k2 = (283.0 / 293.0) * (100.0 / 98.0)
    f0, f1, f2 = reference_coefficients(
        120.0,
        0.6 * 3.6,
        0.030 * 12.96,
        warmer_k=283.0 - 293.0,
        density_ratio=k2,
        wind_mps=2.0,
        mass_ratio=1500.0 / 1530.0,
    )
    v = speed_kmh / 3.6
    assert f0 + f1 * v + f2 * v * v == pytest.approx(force_n, abs=5.1e-4)


def test_session_road_load_at_reference_air() -> None:
    # 5 C: rolling resistance falls by 15 x 0.86 % = 12.9 % on the way to 20 C (UN GTR No. 15); 150 N
    # become 130.65 N. Density 1.06223 to 1.18880 kg/m3 make 0.42 into 0.470045, by division.
    air = AirState(
        density_kg_m3=1.06223,
        density_sd_kg_m3=0.003,
        source="measured",
        temperature_c=5.0,
        pressure_hpa=850.0,
    )
    found = reference_road_load(road_load(), air)
    assert found is not None
    assert (found.temperature_c, found.pressure_kpa) == (20.0, 100.0)
    assert found.f0_n == pytest.approx(130.65, abs=1e-9)
    assert found.f1_n_per_mps == pytest.approx(0.4355, abs=1e-9)
    # 1.1888 has five figures
    assert found.f2_n_per_mps2 == pytest.approx(0.470045, rel=4e-5)


def test_reference_air_changes_nothing() -> None:
    state, _ = air_state(
        Air(temperature_c=20.0, pressure_hpa=1000.0, relative_humidity_percent=0.0)
    )
    found = reference_road_load(road_load(), state)
    assert found is not None
    assert (found.f0_n, found.f1_n_per_mps, found.f2_n_per_mps2) == pytest.approx(
        (150.0, 0.5, 0.42), rel=1e-12
    )


def test_dense_air_gives_a_smaller_reference_drag() -> None:
    state, _ = air_state(
        Air(temperature_c=5.0, pressure_hpa=1020.0, relative_humidity_percent=50.0)
    )
    found = reference_road_load(road_load(), state)
    assert found is not None
    # by division of the two densities
    ratio = moist_air_density_kg_m3(20.0, 1000.0, 0.0) / moist_air_density_kg_m3(5.0, 1020.0, 50.0)
    assert found.f2_n_per_mps2 == pytest.approx(0.42 * ratio, rel=1e-12)
    assert found.f2_n_per_mps2 < 0.42


@pytest.mark.parametrize(
    "air", [None, Air(), Air(temperature_c=14.0), Air(pressure_hpa=1002.0), Air(altitude_m=120.0)]
)
def test_nothing_is_normalised_without_temperature_and_pressure(air: Air | None) -> None:
    state, _ = air_state(air)
    assert reference_road_load(road_load(), state) is None


def test_altitude_stands_in_for_the_pressure() -> None:
    state, _ = air_state(Air(temperature_c=14.0, altitude_m=120.0))
    assert reference_road_load(road_load(), state) is not None


def test_coefficients_that_cannot_be_told_apart_are_not_normalised() -> None:
    state, _ = air_state(Air(temperature_c=14.0, pressure_hpa=1002.0))
    assert reference_road_load(road_load(separable=False), state) is None


def test_drag_coefficient_of_a_regulation() -> None:
    # 40 CFR 1037.528(h)(10), equation 16: high and low force 4645.5 and 1005.0 N less 77.0 and
    # 187.4 N of spin loss and tyres, squares of air speed 933.4 and 43.12 m2/s2, 285.97 K, 101727 Pa,
    # R = 287.058 J/(kg K); drag area 6.120 m2 by arithmetic
    f2 = (4645.5 - 1005.0 - 77.0 - 187.4) / (933.4 - 43.12)
    density = 101727.0 / (287.058 * 285.97)
    assert drag_coefficient(f2, density, 1.0) == pytest.approx(6.120, abs=0.001)


def test_carrying_over_has_its_share_in_the_uncertainty() -> None:
    air = AirState(
        density_kg_m3=1.06223,
        density_sd_kg_m3=0.003,
        source="measured",
        temperature_c=5.0,
        pressure_hpa=850.0,
    )
    found = reference_road_load(road_load(), air)
    assert found is not None
    assert found.covariance is not None
    # by hand: sd of F0 is 2 N x 0.871; the 0.26 %/K by which UN GTR No. 15 (0.86) and 40 CFR 1037.528
    # (0.6) differ, over 15 K, is 3.9 % of 150 N; 1 K of thermometer at 0.86 %/K is 0.86 % of it
    f0_sd = np.sqrt((2.0 * 0.871) ** 2 + 150.0**2 * (0.039**2 + 0.0086**2))
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(f0_sd, rel=1e-9)
    # F2: its own share, and the density's 0.003 of 1.06223
    f2_sd = 0.470045 * np.hypot(np.sqrt(1e-5) / 0.42, 0.003 / 1.06223)
    assert np.sqrt(found.covariance[2, 2]) == pytest.approx(f2_sd, rel=1e-4)
    # F0 and F1 err together by the tyres, and neither with F2
    assert found.covariance[0, 1] > 0.0
    assert found.covariance[0, 2] == 0.0


def test_coefficients_in_other_words() -> None:
    air = AirState(
        density_kg_m3=1.2,
        density_sd_kg_m3=0.006,
        source="measured",
        temperature_c=15.0,
        pressure_hpa=1000.0,
    )
    vehicle = Vehicle(
        mass_kg=1500.0,
        mass_sd_kg=10.0,
        rotating_mass_kg=45.0,
        rotating_mass_sd_kg=7.0,
        frontal_area_m2=2.0,
    )
    found = resistance_figures(road_load(), air, vehicle)
    assert found is not None
    # 2 F2 / rho = 0.84 / 1.2; F0 / (m g) = 150 / (1500 x 9.80665)
    assert found.drag_area_m2 == pytest.approx(0.7)
    assert found.drag_coefficient == pytest.approx(0.35)
    assert found.rolling_coefficient == pytest.approx(0.0101972, rel=1e-5)
    assert found.rolling_coefficient_sd == pytest.approx(2.0 / 14709.975)
    area_sd = 0.7 * np.hypot(np.sqrt(1e-5) / 0.42, 0.006 / 1.2)
    assert found.drag_area_sd_m2 == pytest.approx(area_sd)
    assert found.drag_coefficient_sd == pytest.approx(area_sd / 2.0)
    # US EPA test car list of model year 2022, 1st and 99th percentile
    assert (found.rolling_usual, found.f2_usual) == ((0.0047, 0.0151), (0.27, 1.02))
    assert resistance_figures(road_load(separable=False), air, vehicle) is None
    bare = resistance_figures(
        road_load(),
        air,
        Vehicle(mass_kg=1500.0, mass_sd_kg=10.0, rotating_mass_kg=45.0, rotating_mass_sd_kg=7.0),
    )
    assert bare is not None
    assert (bare.drag_coefficient, bare.drag_coefficient_sd) == (None, None)
