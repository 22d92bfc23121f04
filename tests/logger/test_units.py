"""Conversion factors against their definitions (NIST Special Publication 811, appendix B)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.units import (
    KNOT_MPS,
    SI_UNIT,
    STANDARD_GRAVITY_MPS2,
    UNITS,
    Quantity,
    convert,
    find_unit,
    known_units,
    plain_unit,
    to_si,
)

#: value, unit, SI value, relative tolerance (half of the last printed digit; 0: exact by definition)
PUBLISHED: list[tuple[float, str, Quantity, float, float]] = [
    (1, "lb", "mass", 0.45359237, 0),  # international pound, exact
    (1, "mph", "speed", 0.44704, 1e-15),  # exact
    (1, "kn", "speed", 0.5144444, 1e-7),
    (1, "km/h", "speed", 0.2777778, 2e-7),
    (1, "ft/s", "speed", 0.3048, 1e-15),  # exact
    (1, "g", "acceleration", 9.80665, 0),  # standard acceleration, exact
    (1, "hp", "power", 745.6999, 1e-7),  # 550 ft lbf/s
    (1, "PS", "power", 735.4988, 1e-7),  # metric horsepower
    (1, "inHg", "pressure", 3386.389, 0),  # conventional
    (1, "mbar", "pressure", 100, 0),
    (1, "bar", "pressure", 1e5, 0),
    (1, "deg/s", "angular_rate", 0.01745329, 2e-7),
    (1, "rad/s", "angular_rate", 1, 0),
    (1, "ft", "length", 0.3048, 0),
    (1, "mi", "length", 1609.344, 0),
    (32, "F", "temperature", 273.15, 1e-15),
    (212, "F", "temperature", 373.15, 1e-15),
    (20, "C", "temperature", 293.15, 0),
    (1, "ms", "time", 1e-3, 0),
    (1, "min", "time", 60, 0),
    (1, "rpm", "rotation_speed", 1, 0),
    (250, "mV", "voltage", 0.25, 0),
]


@pytest.mark.parametrize(
    ("value", "unit", "quantity", "si", "rtol"), PUBLISHED, ids=[row[1] for row in PUBLISHED]
)
def test_factors_are_the_published_ones(
    value: float, unit: str, quantity: Quantity, si: float, rtol: float
) -> None:
    assert to_si(value, unit, quantity) == pytest.approx(si, rel=max(rtol, 1e-15), abs=0)


def test_known_conversions_of_the_trade() -> None:
    # a handbook's table: 100 hp = 101.387 PS; 29.92 inHg is the standard atmosphere, 1013.2 hPa
    assert convert(100.0, "hp", "PS") == pytest.approx(101.387, rel=1e-5)
    assert convert(29.92, "inHg", "hPa") == pytest.approx(1013.2, abs=0.05)
    assert convert(59.0, "F", "C") == pytest.approx(15.0, abs=1e-12)
    assert convert(-40.0, "C", "F") == pytest.approx(-40.0, abs=1e-12)
    assert convert(60.0, "mph", "km/h") == pytest.approx(96.56064, rel=1e-12)


@pytest.mark.parametrize(
    ("written", "plain"),
    [
        ("m/s²", "m/s2"),
        ("m/s^2", "m/s2"),
        ("M / S 2", "m/s2"),
        ("m·s⁻²", "ms-2"),
        ("°/s", "deg/s"),
        ("µs", "us"),
        ("μs", "us"),
        ("Km/h", "km/h"),
        ("°", "deg"),
        ("°C", "degc"),
    ],
)
def test_spellings_fold_to_one(written: str, plain: str) -> None:
    assert plain_unit(written) == plain
    assert plain in UNITS


def test_a_unit_of_something_else_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"unknown unit of speed 'kg'; known: m/s, km/h, mph"):
        to_si(1.0, "kg", "speed")
    with pytest.raises(ValueError, match="furlong"):
        to_si(1.0, "furlong")
    with pytest.raises(ValueError, match="unknown unit of speed 'lb'"):
        convert(1.0, "km/h", "lb")


def test_words_with_two_meanings_need_the_quantity() -> None:
    angle, direction = find_unit("deg", "angle"), find_unit("deg", "direction")
    assert angle is not None
    assert direction is not None
    assert angle.factor == pytest.approx(np.pi / 180)
    assert direction.factor == 1.0
    assert find_unit("deg", "speed") is None


def test_arrays_are_converted_as_numbers_are() -> None:
    values = np.array([0.0, 36.0, 72.0])
    np.testing.assert_allclose(to_si(values, "km/h"), [0, 10, 20], rtol=1e-15)
    assert to_si(values, "m/s") is values


def test_every_quantity_has_its_own_unit_among_those_known() -> None:
    for quantity, unit in SI_UNIT.items():
        found = find_unit(unit, quantity)
        assert found is not None, quantity
        assert (found.factor, found.offset) == (1.0, 0.0)
        assert plain_unit(unit) in known_units(quantity)
    assert pytest.approx(1852) == KNOT_MPS * 3600
    assert STANDARD_GRAVITY_MPS2 == 9.80665


units_of_speed = st.sampled_from(known_units("speed"))


@given(value=st.floats(-1e6, 1e6), one=units_of_speed, other=units_of_speed)
def test_there_and_back_is_the_same(value: float, one: str, other: str) -> None:
    # two divisions and two products: a few units in the last place
    assert convert(convert(value, one, other), other, one) == pytest.approx(
        value, rel=1e-14, abs=1e-300
    )
