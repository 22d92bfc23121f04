"""Moist air against published figures and independent equations of state."""

from __future__ import annotations

import math

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from analysis.physics.air import (
    ASSUMED_DENSITY_KG_M3,
    air_state,
    isa_pressure_hpa,
    isa_temperature_c,
    moist_air_density_kg_m3,
    saturation_vapour_pressure_pa,
)
from logger.session.session import Air

# Densities that CoolProp 8.0.0 (humid air, an independent equation of state) computes for the given
# temperature [C], pressure [hPa] and relative humidity [%]. Drag needs no more than 0.1 %.
DENSITIES = [
    (20.0, 1013.25, 50.0, 1.19936),
    (20.0, 1013.25, 0.0, 1.20460),
    (25.0, 990.0, 0.0, 1.15716),
    (35.0, 950.0, 50.0, 1.06227),
    (5.0, 1020.0, 20.0, 1.27741),
    (15.0, 1013.25, 0.0, 1.22557),
    (20.0, 1000.0, 0.0, 1.18885),
    (30.0, 900.0, 80.0, 1.01984),
    (20.0, 982.1, 0.0, 1.16756),
    (-5.0, 1013.25, 70.0, 1.31592),
]


@pytest.mark.parametrize(("temperature_c", "pressure_hpa", "humidity", "density"), DENSITIES)
def test_density_against_an_independent_equation_of_state(
    temperature_c: float, pressure_hpa: float, humidity: float, density: float
) -> None:
    found = moist_air_density_kg_m3(temperature_c, pressure_hpa, humidity)
    assert found == pytest.approx(density, rel=1e-3)


def _equation_of_state(temperature_c: float, pressure_hpa: float, humidity: float) -> float:
    """Density of humid air by CoolProp [kg/m3]."""
    state = ("T", temperature_c + 273.15, "P", 100.0 * pressure_hpa, "R", humidity / 100.0)
    return 1.0 / float(HAPropsSI("Vha", *state))


@pytest.mark.parametrize("humidity", [0.0, 50.0, 100.0])
@pytest.mark.parametrize("pressure_hpa", [700.0, 1013.25, 1100.0])
def test_heat_and_vapour_change_density_as_an_equation_of_state_has_it(
    pressure_hpa: float, humidity: float
) -> None:
    """What is not ideal in air (attraction of molecules, more vapour in denser air) to a millionth.

    Molar mass and gas constant of the two differ by 0.004 %, which drops out beside dry air of 20 C.
    """
    ours = moist_air_density_kg_m3(20.0, pressure_hpa, 0.0)
    other = _equation_of_state(20.0, pressure_hpa, 0.0)
    assert ours == pytest.approx(other, rel=5e-5)
    for temperature_c in (5.0, 15.0, 20.0, 27.0, 35.0):
        found = moist_air_density_kg_m3(temperature_c, pressure_hpa, humidity) / ours
        expected = _equation_of_state(temperature_c, pressure_hpa, humidity) / other
        assert found == pytest.approx(expected, rel=5e-6)


def test_density_of_two_regulations() -> None:
    # UN GTR No. 15, 3.2.11: dry air of 293 K and 100 kPa has 1.189 kg/m3 (rounded there)
    assert moist_air_density_kg_m3(20.0, 1000.0, 0.0) == pytest.approx(1.189, abs=5e-4)
    # 40 CFR 1066.310: 1.17 kg/m3, the air of SAE J2263's 20 C and 98.21 kPa (rounded there)
    assert moist_air_density_kg_m3(20.0, 982.1, 0.0) == pytest.approx(1.17, abs=5e-3)


# Saturation pressure over water after IAPWS, as CoolProp 8.0.0 computes it [Pa]. 0.1 %: the vapour
# is at most 6 % of the air, so this is worth less than 0.01 % of the density.
@pytest.mark.parametrize(
    ("temperature_c", "pressure_pa"),
    [(5.0, 872.6), (15.0, 1705.8), (20.0, 2339.3), (25.0, 3169.9), (35.0, 5629.0), (40.0, 7384.9)],
)
def test_saturation_vapour_pressure(temperature_c: float, pressure_pa: float) -> None:
    assert saturation_vapour_pressure_pa(temperature_c) == pytest.approx(pressure_pa, rel=1e-3)


# ISO 2533, standard atmosphere: altitude [m], temperature [K], pressure [Pa], density [kg/m3].
ISA = [
    (0.0, 288.150, 101325.0, 1.22500),
    (500.0, 284.900, 95460.8, 1.16727),
    (1000.0, 281.650, 89874.6, 1.11164),
    (1500.0, 278.400, 84556.0, 1.05807),
    (2000.0, 275.150, 79495.2, 1.00649),
]


@pytest.mark.parametrize(("altitude_m", "kelvin", "pressure_pa", "density"), ISA)
def test_standard_atmosphere(
    altitude_m: float, kelvin: float, pressure_pa: float, density: float
) -> None:
    temperature_c = isa_temperature_c(altitude_m)
    pressure_hpa = isa_pressure_hpa(altitude_m)
    assert temperature_c + 273.15 == pytest.approx(kelvin, abs=1e-9)
    # the table has six figures
    assert pressure_hpa * 100.0 == pytest.approx(pressure_pa, rel=1e-6)
    # ideal gas in the table, real gas here: 0.1 %
    dry = moist_air_density_kg_m3(temperature_c, pressure_hpa, 0.0)
    assert dry == pytest.approx(density, rel=1e-3)


def test_measured_air() -> None:
    state, findings = air_state(
        Air(temperature_c=20.0, pressure_hpa=1013.25, relative_humidity_percent=50.0)
    )
    assert state.source == "measured"
    assert state.density_kg_m3 == pytest.approx(1.19936, rel=1e-3)
    assert (state.temperature_c, state.pressure_hpa) == (20.0, 1013.25)
    assert findings == ()
    # by hand for an ideal gas with vapour lighter than air by 0.378: 1 K of 293 K is 0.341 %, and
    # 0.027 % for the 0.73 hPa of vapour that it adds; 2 hPa of 1013 are 0.197 %; 20 % of humidity,
    # 4.68 hPa of vapour, 0.175 %; in squares 0.453 %, good to its last figure
    assert state.density_sd_kg_m3 / state.density_kg_m3 == pytest.approx(0.00453, rel=0.01)


def test_pressure_from_altitude_is_estimated_and_wider() -> None:
    measured, _ = air_state(
        Air(temperature_c=20.0, pressure_hpa=898.7, relative_humidity_percent=50.0)
    )
    state, findings = air_state(
        Air(
            temperature_c=20.0, pressure_hpa=None, relative_humidity_percent=50.0, altitude_m=1000.0
        )
    )
    assert state.source == "estimated"
    assert state.pressure_hpa == pytest.approx(898.746, abs=1e-3)  # ISO 2533
    assert state.density_kg_m3 == pytest.approx(measured.density_kg_m3, rel=1e-4)
    assert state.density_sd_kg_m3 > 2.0 * measured.density_sd_kg_m3
    assert [finding.kind for finding in findings] == ["air_pressure_estimated"]


@pytest.mark.parametrize("air", [None, Air(), Air(relative_humidity_percent=80.0)])
def test_nothing_known_is_assumed(air: Air | None) -> None:
    state, findings = air_state(air)
    # the contract: 1.2 kg/m3 with sd 0.05 without [air]
    assert (state.density_kg_m3, state.density_sd_kg_m3) == (1.2, 0.05)
    assert ASSUMED_DENSITY_KG_M3 == 1.2
    assert state.source == "assumed"
    assert (state.temperature_c, state.pressure_hpa) == (None, None)
    assert [finding.kind for finding in findings] == ["air_assumed"]


def test_temperature_missing_gives_a_wide_estimate() -> None:
    state, findings = air_state(Air(temperature_c=None, pressure_hpa=1002.0))
    assert state.source == "estimated"
    assert state.temperature_c is None
    assert state.pressure_hpa == 1002.0
    # 8 K of 288 K
    assert state.density_sd_kg_m3 / state.density_kg_m3 == pytest.approx(8 / 288, rel=0.1)
    assert [finding.kind for finding in findings] == ["air_temperature_missing"]


def test_temperature_alone_leaves_the_pressure_unknown() -> None:
    state, findings = air_state(Air(temperature_c=20.0))
    assert state.source == "estimated"
    assert state.pressure_hpa is None
    # weather moves the pressure by 10 hPa (common practice, no source), the unknown 250 m of altitude
    # by half of what it falls in 500 m (ISO 2533); one percent for temperature and humidity
    share = ((10.0**2 + (0.5 * (1013.25 - 954.6)) ** 2) / 983.6**2 + 0.01**2) ** 0.5
    assert state.density_sd_kg_m3 / state.density_kg_m3 == pytest.approx(share, rel=0.1)
    # at sea level and at 500 m (ISO 2533) alike the truth lies within two standard deviations
    for pressure_hpa in (1013.25, 954.6):
        truth = moist_air_density_kg_m3(20.0, pressure_hpa, 50.0)
        assert abs(truth - state.density_kg_m3) < 2.0 * state.density_sd_kg_m3
    assert [finding.kind for finding in findings] == ["air_pressure_estimated"]


@pytest.mark.parametrize(
    ("pressure_hpa", "altitude_m", "kinds"),
    [
        (1013.0, 500.0, ["pressure_reduced_to_sea_level"]),
        (1020.0, 2000.0, ["pressure_reduced_to_sea_level"]),
        (995.0, 500.0, ["pressure_reduced_to_sea_level"]),
        (955.0, 500.0, []),
        (970.0, 500.0, []),
        (1040.0, 0.0, []),
        (985.0, 0.0, []),
        (1002.0, 120.0, []),
        (800.0, 500.0, ["pressure_against_altitude"]),
        (1080.0, 0.0, ["pressure_against_altitude"]),
    ],
)
def test_pressure_reduced_to_sea_level_is_noticed(
    pressure_hpa: float, altitude_m: float, kinds: list[str]
) -> None:
    state, findings = air_state(
        Air(
            temperature_c=20.0,
            pressure_hpa=pressure_hpa,
            relative_humidity_percent=50.0,
            altitude_m=altitude_m,
        )
    )
    assert [finding.kind for finding in findings] == kinds
    assert state.pressure_hpa == pressure_hpa  # never corrected in silence
    if kinds:
        usual = moist_air_density_kg_m3(20.0, isa_pressure_hpa(altitude_m), 50.0)
        assert abs(usual - state.density_kg_m3) < 1.1 * state.density_sd_kg_m3
        assert all(finding.severity == "warning" for finding in findings)


def test_a_pressure_taken_from_an_altitude_is_good_to_the_weather_and_the_map() -> None:
    """10 hPa of weather and 20 m of altitude, at sea level 12.01 Pa/m (1.225 kg/m3 times g, ISO 2533);
    a stated pressure is good to 2 hPa. Temperature and humidity are the same in both."""
    stated, _ = air_state(
        Air(temperature_c=15.0, pressure_hpa=1013.25, relative_humidity_percent=50.0)
    )
    taken, _ = air_state(
        Air(temperature_c=15.0, pressure_hpa=None, relative_humidity_percent=50.0, altitude_m=0.0)
    )
    per_hpa = moist_air_density_kg_m3(15.0, 1014.25, 50.0) - stated.density_kg_m3
    more = (taken.density_sd_kg_m3**2 - stated.density_sd_kg_m3**2) / per_hpa**2
    assert math.sqrt(more + 2.0**2) == pytest.approx(math.hypot(10.0, 20.0 * 0.1201), rel=1e-3)


def test_without_pressure_and_altitude_most_places_are_within_what_is_taken() -> None:
    """250 m up within 250 m: 983.6 hPa there (ISO 2533), and 29 hPa for the altitude beside 10."""
    state, (finding,) = air_state(Air(temperature_c=15.0))
    assert "984 hPa within 31 is taken for want of an altitude" in finding.text
    assert state.density_kg_m3 == pytest.approx(
        moist_air_density_kg_m3(15.0, 983.6, 50.0), rel=1e-4
    )


def test_the_limits_of_what_weather_does_to_a_pressure() -> None:
    """At 400 m (966.1 hPa, ISO 2533): 30 hPa more are a fine day no more, 50 less no storm has."""
    for pressure_hpa, kinds in (
        (966.1 + 29.0, []),
        (966.1 + 31.0, ["pressure_reduced_to_sea_level"]),
        (966.1 - 49.0, []),
        (966.1 - 51.0, ["pressure_against_altitude"]),
    ):
        _, findings = air_state(
            Air(
                temperature_c=20.0,
                pressure_hpa=pressure_hpa,
                relative_humidity_percent=50.0,
                altitude_m=400.0,
            )
        )
        assert [finding.kind for finding in findings] == kinds


def test_how_wrong_a_reduced_pressure_makes_the_density_is_said() -> None:
    """1013 instead of 899 hPa at 1000 m: an eighth too much."""
    _, (finding,) = air_state(
        Air(
            temperature_c=20.0,
            pressure_hpa=1013.0,
            relative_humidity_percent=50.0,
            altitude_m=1000.0,
        )
    )
    assert "13 % too high" in finding.text


def test_values_that_look_like_another_unit_are_told() -> None:
    # 25 F are -3.9 C, below the 5 C from which UN GTR No. 15, Annex 4, 4.1 tests
    cold = Air(temperature_c=(25.0 - 32.0) / 1.8, pressure_hpa=1002.0)
    _, findings = air_state(cold)
    assert [finding.kind for finding in findings] == ["air_cold"]
    assert "25 C" in findings[0].text
    _, findings = air_state(
        Air(temperature_c=14.0, pressure_hpa=1002.0, relative_humidity_percent=0.6)
    )
    assert [finding.kind for finding in findings] == ["humidity_low"]
    assert "60 %" in findings[0].text
    # a frost in which nobody mistakes F for C, and dry air as a definition
    for air in (
        Air(temperature_c=-20.0, pressure_hpa=1002.0),
        Air(temperature_c=5.0, pressure_hpa=1002.0, relative_humidity_percent=0.0),
    ):
        assert air_state(air)[1] == ()
