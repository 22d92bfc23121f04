"""Ambient corrections and the crank estimate: figures of the standards, and refusals."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.physics.air import AirState
from analysis.physics.ambient import AMBIENT_FACTORS, AmbientAir, factor_at
from analysis.results.corrections import (
    STANDARD_FACTORS,
    ambient_corrections,
    correction_findings,
    crank_estimate,
)
from analysis.results.power import PowerCurve
from logger.session.keys import CORRECTION_STANDARDS, DRIVES, Drive
from logger.session.session import Air, Session, Vehicle

NAMES = (
    "SAE J1349 (1990)",
    "SAE J1349 (2004)",
    "ISO 1585 (spark ignition)",
    "DIN 70020 (dry pressure)",
    "DIN 70020 (total pressure)",
    "SAE J607",
    "ISO 1585 (diesel, naturally aspirated)",
    "ISO 1585 (diesel, turbocharged)",
)

# Temperature [C], pressure [hPa], humidity [%] -> vapour pressure [hPa] and the factors of NAMES,
# worked out apart from this project from the formulas: SAE J1349 from two articles of the trade,
# J607 and the exponents of ISO 1585 likewise, its diesel factors and DIN 70020 from memory.
TABLE = [
    (25, 990, 0, 0.0, (1.00000, 1.00000, 1.00000, 1.03193, 1.03193, 1.04009, 1.00000, 1.00000)),
    (35, 950, 50, 28.144, (1.10831, 1.10798, 1.11114, 1.12665, 1.09327, 1.13555, 1.09902, 1.10454)),
    (5, 1020, 20, 1.745, (0.92809, 0.92832, 0.92732, 0.96904, 0.96738, 0.97672, 0.92610, 0.88346)),
    (
        20,
        1013.25,
        50,
        11.696,
        (0.97656, 0.97664, 0.97621, 1.01143, 0.99975, 1.01943, 0.97682, 0.96705),
    ),
    (15, 1013.25, 0, 0.0, (0.95341, 0.95356, 0.95281, 0.99119, 0.99119, 0.99904, 0.95399, 0.93478)),
    (30, 850, 30, 12.740, (1.22692, 1.22624, 1.23500, 1.23037, 1.21193, 1.24010, 1.19628, 1.15287)),
    (
        25,
        1005,
        36,
        11.411,
        (0.99574, 0.99575, 0.99567, 1.02820, 1.01652, 1.03633, 0.99639, 0.99747),
    ),
]


@pytest.mark.parametrize(("temperature", "pressure", "humidity", "vapour", "factors"), TABLE)
def test_factors_of_the_standards(
    temperature: float, pressure: float, humidity: float, vapour: float, factors: tuple[float, ...]
) -> None:
    air = AmbientAir(
        temperature_c=temperature, pressure_hpa=pressure, relative_humidity_percent=humidity
    )
    assert air.vapour_hpa == pytest.approx(vapour, abs=5.1e-4)  # stated to three digits
    found = [factor_at(name, air).factor for name in NAMES]
    # stated to five digits; 273 against 273.15 for 0 C is worth 1e-4 at most
    assert found == pytest.approx(factors, abs=1.1e-4)
    # from memory: JIS D 1001 is today the same as ISO 1585
    assert factor_at("JIS D 1001", air).factor == factor_at(NAMES[2], air).factor


@pytest.mark.parametrize(
    ("row", "valid"), [(0, True), (1, False), (2, False), (5, False), (6, True)]
)
def test_validity_of_the_factors(row: int, valid: bool) -> None:
    """Rows 1, 2 and 5 lie outside the limits of every standard for spark ignition (from memory)."""
    temperature, pressure, humidity, *_ = TABLE[row]
    air = AmbientAir(
        temperature_c=temperature, pressure_hpa=pressure, relative_humidity_percent=humidity
    )
    for name in (*NAMES[:6], "JIS D 1001"):
        found = factor_at(name, air)
        assert found.valid is valid, name
        assert (found.why_not is None) is valid


def test_a_published_example_of_j607() -> None:
    # an article of the trade: 85 F, 85 %, 28.85 inHg give 1.1005, and 55 F, 35 %, 30.10 inHg 0.994;
    # 0.1 % since the article takes another vapour pressure
    for fahrenheit, humidity, inches, factor in ((85, 85, 28.85, 1.1005), (55, 35, 30.10, 0.994)):
        air = AmbientAir(
            temperature_c=(fahrenheit - 32) / 1.8,
            pressure_hpa=inches * 33.863886,
            relative_humidity_percent=humidity,
        )
        assert factor_at("SAE J607", air).factor == pytest.approx(factor, rel=1e-3)


def test_din_is_one_in_its_own_air() -> None:
    air = AmbientAir(
        temperature_c=20.0, pressure_hpa=1013.0, relative_humidity_percent=0.0
    )  # DIN 70020: 20 C, 1013 hPa
    assert factor_at("DIN 70020 (total pressure)", air).factor == pytest.approx(1.0, abs=1e-12)


def test_every_standard_that_may_be_asked_for_has_its_factors() -> None:
    assert set(STANDARD_FACTORS) == set(CORRECTION_STANDARDS)
    assert {name for names in STANDARD_FACTORS.values() for name in names} <= set(AMBIENT_FACTORS)


def power(peak_w: float = 100e3, sd_w: float = 2e3) -> PowerCurve:
    return PowerCurve(
        gears=(),
        peak_w=peak_w,
        peak_sd_w=sd_w,
        peak_ci95_w=(peak_w - 1.96 * sd_w, peak_w + 1.96 * sd_w),
        peak_speed_mps=25.0,
        budget_w={},
    )


def session(
    drive: Drive = "naturally aspirated",
    standard: str | None = "SAE J1349",
    loss: tuple[float, float] | None = None,
    humidity: float = 36.0,
) -> Session:
    vehicle = Vehicle(
        mass_kg=1480.0,
        mass_sd_kg=8.0,
        rotating_mass_kg=44.0,
        rotating_mass_sd_kg=7.0,
        drive=drive,
        driveline_loss_percent=loss,
    )
    air = Air(temperature_c=25.0, pressure_hpa=1005.0, relative_humidity_percent=humidity)
    return Session(
        path=Path("x"), name="x", vehicle=vehicle, logs=(), air=air, correction_standard=standard
    )


AIR = AirState(
    density_kg_m3=1.17,
    density_sd_kg_m3=0.004,
    source="measured",
    temperature_c=25.0,
    pressure_hpa=1005.0,
)


def test_no_correction_unless_asked_for() -> None:
    assert ambient_corrections(session(standard=None), AIR, power()) == ()


@pytest.mark.parametrize("standard", CORRECTION_STANDARDS)
def test_corrected_power_is_the_factor_times_the_measured(standard: str) -> None:
    found = ambient_corrections(session(standard=standard), AIR, power())
    assert found
    for each in found:
        assert each.valid
        assert each.factor is not None
        assert each.peak_w == pytest.approx(each.factor * 100e3)
    assert correction_findings(session(standard=standard), found) == ()


def test_one_correction_in_figures() -> None:
    newer, older = ambient_corrections(session(), AIR, power())
    # the last row of TABLE
    assert newer.peak_w == pytest.approx(99_575.0, abs=1.0)
    assert older.peak_w == pytest.approx(99_574.0, abs=1.0)


@pytest.mark.parametrize("drive", DRIVES)
def test_which_engines_are_refused(drive: Drive) -> None:
    """UN R85 as amended: boost-controlled engines are not corrected; electric ones do not breathe."""
    asked = session(drive)
    found = ambient_corrections(asked, AIR, power())
    notes = correction_findings(asked, found)
    if drive in ("naturally aspirated", "unknown"):
        assert all(each.valid for each in found)
        kinds = [] if drive == "naturally aspirated" else ["correction_drive_unknown"]
        assert [note.kind for note in notes] == kinds
    else:
        for each in found:
            assert (each.valid, each.factor, each.peak_w) == (False, None, None)
            assert each.why_not is not None
            assert drive in each.why_not
        assert [note.kind for note in notes] == ["correction_refused"]


def test_outside_its_validity_no_corrected_power_is_given() -> None:
    cold = AirState(
        density_kg_m3=1.27,
        density_sd_kg_m3=0.004,
        source="measured",
        temperature_c=5.0,
        pressure_hpa=1020.0,
    )
    for each in ambient_corrections(session(humidity=20.0), cold, power()):
        assert (each.valid, each.factor, each.peak_w) == (False, None, None)
        assert each.why_not is not None
        assert "temperature 5 C is outside 15 to 35 C" in each.why_not
        assert "would be 0.928" in each.why_not  # third row of TABLE


def test_without_weather_or_pull_the_reason_is_told() -> None:
    unknown = AirState(density_kg_m3=1.2, density_sd_kg_m3=0.05, source="assumed")
    for each in ambient_corrections(replace(session(), air=None), unknown, power()):
        assert each.why_not is not None
        assert "[air]" in each.why_not
    for each in ambient_corrections(session(), AIR, None):
        assert (each.valid, each.why_not) == (False, "no pull tells the power")


def test_no_crank_figure_without_a_stated_loss() -> None:
    assert crank_estimate(power(), session(loss=None).vehicle) is None
    assert crank_estimate(None, session(loss=(12.0, 18.0)).vehicle) is None


def test_crank_estimate_under_one_loss() -> None:
    found = crank_estimate(power(), session(loss=(20.0, 20.0)).vehicle)
    assert found is not None
    assert found.peak_w == pytest.approx(125e3)
    # a scaled normal distribution: 1.959964 sd either way
    half = 1.959964 * 2e3 / 0.8
    assert (found.low_w, found.high_w) == pytest.approx((125e3 - half, 125e3 + half), rel=1e-6)


def test_crank_interval_carries_the_range_of_losses() -> None:
    found = crank_estimate(power(), session(loss=(10.0, 20.0)).vehicle)
    assert found is not None
    assert found.loss_percent == (10.0, 20.0)
    # drawn: a million powers and losses; their quantiles are known to about 10 W
    rng = np.random.default_rng(5)
    drawn = rng.normal(100e3, 2e3, 10**6) / (1.0 - rng.uniform(0.10, 0.20, 10**6))
    assert found.low_w == pytest.approx(float(np.quantile(drawn, 0.025)), abs=50.0)
    assert found.high_w == pytest.approx(float(np.quantile(drawn, 0.975)), abs=50.0)
    assert found.peak_w == pytest.approx(100e3 / 0.85)
    sure = crank_estimate(power(), session(loss=(15.0, 15.0)).vehicle)
    assert sure is not None
    assert found.high_w - found.low_w > 1.3 * (sure.high_w - sure.low_w)
    assert math.isfinite(found.low_w)
