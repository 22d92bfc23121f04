"""Session folders: every key of session.toml is read with its unit, and defaults are those stated."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from make_toml import make_folder, minimal, refuse, write

from logger.errors import SessionError
from logger.session.keys import KNOWN_KEYS, ROTATING_MASS_DEFAULTS, VEHICLE_KINDS
from logger.session.session import Session, read_session, session_from_document
from logger.tables.table import ColumnChoice

# Exact: international pound; Fahrenheit's definition; conventional inch of mercury (NIST SP 811, B.8).
POUND_KG = 0.45359237
INCH_HG_HPA = 33.86389
FULL = """
[vehicle]
name = "estate, winter tyres"
kind = "car"
state = "stock"
mass_kg = 1480
mass_uncertainty_kg = 8
rotating_mass_kg = 44
rotating_mass_uncertainty_kg = 7
drive = "naturally aspirated"
driveline_loss_percent = [12, 18]
frontal_area_m2 = 2.2
tyre = "205/55 R16"
overall_ratios = [13.2, 7.6, 5.1]
engine_inertia_kg_m2 = 0.15

[air]
temperature_C = 14
pressure_hPa = 1002
relative_humidity_percent = 60
altitude_m = 120

[site]
slope_percent = 0.3
slope_uncertainty_percent = 0.2
wind_mps = -1.5
wind_uncertainty_mps = 2.0

[correction]
standard = "SAE J1349"

[crosscheck]
pull = ["0-90=9.8"]
coast = ["90-60=12.1", "60-30=19.5"]
speed_unit = "mph"
time_sd = 0.1
speed_sd = 0.5

[display]
power = "PS"
speed = "m/s"

[[log]]
files = ["run1_gps.gpx", "run1_motion.csv"]
direction = "up"
note = "towards the hangar"
[log.columns]
speed_mps = {header = "GPS speed", unit = "km/h"}
accel_x_mps2 = {header = 3, unit = "g"}

[[log]]
file = "run2.csv.gz"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make_folder(tmp_path / "outing")


def test_every_key_of_the_contract_is_read(folder: Path) -> None:
    write(folder, FULL)
    session = read_session(folder)
    vehicle = session.vehicle
    assert session.path == folder
    assert session.name == "outing"
    assert (vehicle.name, vehicle.kind, vehicle.state) == ("estate, winter tyres", "car", "stock")
    assert (vehicle.mass_kg, vehicle.mass_sd_kg) == (1480.0, 8.0)
    assert (vehicle.rotating_mass_kg, vehicle.rotating_mass_sd_kg) == (44.0, 7.0)
    assert vehicle.effective_mass_kg == 1524.0
    assert vehicle.drive == "naturally aspirated"
    assert vehicle.driveline_loss_percent == (12.0, 18.0)
    assert vehicle.frontal_area_m2 == 2.2
    assert vehicle.tyre == "205/55 R16"
    assert vehicle.overall_ratios == (13.2, 7.6, 5.1)
    assert vehicle.engine_inertia_kg_m2 == 0.15
    air = session.air
    assert air is not None
    assert (air.temperature_c, air.pressure_hpa) == (14.0, 1002.0)
    assert (air.relative_humidity_percent, air.altitude_m) == (60.0, 120.0)
    site = session.site
    assert (site.slope, site.slope_sd) == pytest.approx((0.003, 0.002), rel=1e-12)
    assert (site.wind_mps, site.wind_sd_mps) == (-1.5, 2.0)
    assert session.correction_standard == "SAE J1349"
    crosscheck = session.crosscheck
    assert crosscheck is not None
    assert crosscheck.pull == ("0-90=9.8",)
    assert crosscheck.coast == ("90-60=12.1", "60-30=19.5")
    assert (crosscheck.speed_unit, crosscheck.time_sd, crosscheck.speed_sd) == ("mph", 0.1, 0.5)
    assert (session.display.power, session.display.speed) == ("PS", "m/s")
    first, second = session.logs
    assert [file.name for file in first.files] == ["run1_gps.gpx", "run1_motion.csv"]
    assert all(file.is_absolute() and file.is_file() for file in first.files + second.files)
    assert (first.direction, first.note) == ("up", "towards the hangar")
    assert first.columns == {
        "speed_mps": ColumnChoice(header="GPS speed", unit="km/h"),
        "accel_x_mps2": ColumnChoice(header="3", unit="g"),
    }
    assert (second.direction, second.note, second.columns) == (None, "", {})


def test_folder_and_file_name_the_same_session(folder: Path) -> None:
    file = write(folder, FULL)
    assert read_session(file) == read_session(folder)


def test_defaults_of_the_contract(folder: Path) -> None:
    write(folder, minimal())
    session = read_session(folder)
    vehicle = session.vehicle
    # section 2 of the design: 1 % of the mass; 3 % and 0.5 % of it for what turns
    assert vehicle.mass_sd_kg == pytest.approx(14.8)
    assert vehicle.rotating_mass_kg == pytest.approx(44.4)
    assert vehicle.rotating_mass_sd_kg == pytest.approx(7.4)
    assert vehicle.stated == ()
    assert (vehicle.kind, vehicle.drive) == ("car", "unknown")
    assert vehicle.driveline_loss_percent is None
    assert session.air is None
    assert session.crosscheck is None
    assert session.correction_standard is None
    assert (session.site.slope, session.site.slope_sd) == (0.0, 0.005)
    assert (session.site.wind_mps, session.site.wind_sd_mps) == (0.0, 3.0)
    assert (session.display.power, session.display.speed) == ("kW", "km/h")


@pytest.mark.parametrize("kind", VEHICLE_KINDS)
def test_rotating_mass_by_kind_has_a_source(folder: Path, kind: str) -> None:
    write(folder, minimal(f'mass_kg = 1000\nkind = "{kind}"'))
    vehicle = read_session(folder).vehicle
    default = ROTATING_MASS_DEFAULTS[vehicle.kind]
    assert vehicle.rotating_mass_kg == pytest.approx(10.0 * default.percent)
    assert vehicle.rotating_mass_sd_kg == pytest.approx(10.0 * default.sd_percent)
    assert default.source


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ("mass_lb = 3260", {"mass_kg": 3260 * POUND_KG}),
        ("mass_kg = 1000\nmass_uncertainty_lb = 20", {"mass_sd_kg": 20 * POUND_KG}),
        ("mass_kg = 1000\nrotating_mass_lb = 90", {"rotating_mass_kg": 90 * POUND_KG}),
        ("mass_kg = 1000\nrotating_mass_percent = 4", {"rotating_mass_kg": 40.0}),
        ("mass_kg = 1000\nrotating_mass_kg = 0", {"rotating_mass_kg": 0.0}),
        ("mass_kg = 1000\nmass_uncertainty_kg = 0", {"mass_sd_kg": 0.0}),
        (
            "mass_kg = 1000\nrotating_mass_uncertainty_percent = 0.7",
            {"rotating_mass_sd_kg": 7.0},
        ),
        (
            "mass_kg = 1000\nrotating_mass_uncertainty_lb = 10",
            {"rotating_mass_sd_kg": 10 * POUND_KG},
        ),
        ("mass_kg = 1000\ndriveline_loss_percent = 15", {"driveline_loss_percent": (15.0, 15.0)}),
    ],
)
def test_each_unit_of_the_vehicle(folder: Path, keys: str, expected: dict[str, Any]) -> None:
    write(folder, minimal(keys))
    vehicle = read_session(folder).vehicle
    for name, value in expected.items():
        assert getattr(vehicle, name) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("key", "name", "expected"),
    [
        ("temperature_F = 59", "temperature_c", 15.0),
        ("temperature_F = -4", "temperature_c", -20.0),
        ("pressure_inHg = 29.92", "pressure_hpa", 29.92 * INCH_HG_HPA),
        ("pressure_kPa = 98.7", "pressure_hpa", 987.0),
        ("altitude_m = -420", "altitude_m", -420.0),
        ("relative_humidity_percent = 0", "relative_humidity_percent", 0.0),
        ("relative_humidity_percent = 100", "relative_humidity_percent", 100.0),
    ],
)
def test_each_unit_of_the_air(folder: Path, key: str, name: str, expected: float) -> None:
    write(folder, minimal(rest=f"[air]\n{key}"))
    # 1e-6: the inch of mercury is tabulated to seven figures
    assert getattr(read_session(folder).air, name) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(
    ("mass_kg", "kind"),
    [(60, "bicycle"), (95, "bicycle"), (250, "motorcycle"), (1480, "car"), (44_000, "truck")],
)
def test_every_road_vehicle_is_in_range(folder: Path, mass_kg: float, kind: str) -> None:
    write(folder, minimal(f'mass_kg = {mass_kg}\nkind = "{kind}"'))
    assert read_session(folder).vehicle.mass_kg == mass_kg


def test_zero_uncertainty_of_the_road_is_read_as_a_tiny_one(folder: Path) -> None:
    # a prior of width 0 would divide by zero in the model
    write(folder, minimal(rest="[site]\nslope_uncertainty_percent = 0\nwind_uncertainty_mps = 0"))
    site = read_session(folder).site
    assert 0.0 < site.slope_sd <= 1e-5
    assert 0.0 < site.wind_sd_mps <= 0.01


def test_correction_standard_is_known_however_it_is_spaced(folder: Path) -> None:
    write(folder, minimal(rest='[correction]\nstandard = "din70020"'))
    assert read_session(folder).correction_standard == "DIN 70020"


def test_byte_order_mark_and_windows_line_ends_are_no_obstacle(folder: Path) -> None:
    (folder / "session.toml").write_bytes(
        b"\xef\xbb\xbf" + minimal().replace("\n", "\r\n").encode()
    )
    assert read_session(folder).vehicle.mass_kg == 1480.0


_VALUES = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=12),
        st.sampled_from(["run3.csv", "up", "car", "kW", "km/h", "205/55 R16", "0-90=9.8"]),
    ),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from([key for keys in KNOWN_KEYS.values() for key in keys])
            | st.text(max_size=6),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    document=st.dictionaries(st.sampled_from(KNOWN_KEYS[""]), _VALUES, max_size=5),
    mass=st.floats(30, 60_000) | st.none(),
)
def test_whatever_the_document_holds_the_answer_is_a_session_or_a_session_error(
    tmp_path_factory: pytest.TempPathFactory, document: dict[str, Any], mass: float | None
) -> None:
    folder = tmp_path_factory.getbasetemp()
    (folder / "run3.csv").touch()
    if mass is not None and isinstance(document.get("vehicle", {}), dict):
        document.setdefault("vehicle", {})["mass_kg"] = mass
        document.setdefault("log", [{"file": "run3.csv"}])
    outcome: Session | SessionError
    try:
        outcome = session_from_document(document, folder, "session.toml")
    except SessionError as error:
        outcome = error
    if isinstance(outcome, SessionError):
        assert outcome.found
        assert str(outcome).startswith("session.toml")
    else:
        assert outcome.logs
        assert 30 <= outcome.vehicle.mass_kg <= 60_000


def test_rotating_mass_of_the_wheels(folder: Path) -> None:
    # m_r = 4 I / r^2 with r = 3.05 D / 2 pi; 205/55 R16: D 631.9 mm, r 306.7 mm (ETRTO, from memory):
    # 1.0 kg m2 gives 42.5 kg, by hand
    write(folder, minimal('mass_kg = 1416\nwheel_inertia_kg_m2 = 1.0\ntyre = "205/55 R16"'))
    vehicle = read_session(folder).vehicle
    assert vehicle.rotating_mass_kg == pytest.approx(4.0 / 0.3067**2, rel=1e-3)
    assert "rotating_mass" in vehicle.stated
    write(
        folder,
        minimal(
            'mass_kg = 260\nkind = "motorcycle"\nwheel_inertia_kg_m2 = 0.5\ntyre = "180/55 R17"'
        ),
    )
    # 17 in and 2 x 99 mm: D 629.8 mm, r 305.7 mm
    found = read_session(folder).vehicle.rotating_mass_kg
    assert found == pytest.approx(2.0 * 0.5 / 0.3057**2, rel=1e-3)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("wheel_inertia_kg_m2 = 1.0", "given without tyre"),
        (
            'wheel_inertia_kg_m2 = 1.0\nrotating_mass_kg = 40\ntyre = "205/55 R16"',
            "beside the rotating mass",
        ),
        (
            'wheel_inertia_kg_m2 = 1.0\nkind = "truck"\ntyre = "315/80 R22.5"',
            "any number of wheels",
        ),
        ('wheel_inertia_kg_m2 = 20.0\ntyre = "205/55 R16"', "850 kg for 4 wheels"),
        ('wheel_inertia_kg_m2 = 100.0\ntyre = "205/55 R16"', "from 0.01 to 30"),
    ],
)
def test_wheels_that_cannot_give_a_rotating_mass(folder: Path, lines: str, words: str) -> None:
    error = refuse(folder, minimal(f"mass_kg = 1400\n{lines}"))
    assert "wheel_inertia_kg_m2" in str(error)
    assert words in str(error)
