"""Session folders: every key of session.toml is read with its unit, and every slip is named."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import SessionError
from logger.session import Session, read_session, session_from_document
from logger.session_keys import KNOWN_KEYS, ROTATING_MASS_DEFAULTS, VEHICLE_KINDS
from logger.table import ColumnChoice

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
    """Return a session folder that holds four empty logs and no session.toml."""
    folder = tmp_path / "outing"
    folder.mkdir()
    for name in ("run1_gps.gpx", "run1_motion.csv", "run2.csv.gz", "run3.csv"):
        (folder / name).write_bytes(b"")
    return folder


def write(folder: Path, text: str) -> Path:
    file = folder / "session.toml"
    file.write_text(text, encoding="utf-8")
    return file


def minimal(vehicle: str = "mass_kg = 1480", rest: str = "", log: str = "") -> str:
    log = log or '[[log]]\nfile = "run3.csv"\n'
    return f"[vehicle]\n{vehicle}\n{rest}\n{log}"


def refuse(folder: Path, text: str, **options: bool) -> SessionError:
    write(folder, text)
    with pytest.raises(SessionError) as caught:
        read_session(folder, **options)
    return caught.value


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
        "speed_mps": ColumnChoice("GPS speed", "km/h"),
        "accel_x_mps2": ColumnChoice("3", "g"),
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


SLIPS = [
    # what stands in the file, the key named, words of found and of expected/remedy
    (minimal("mass = 1480"), "vehicle.mass", "unknown key", "mean mass_kg or mass_lb?"),
    (minimal("mas_kg = 1480"), "vehicle.mas_kg", "unknown key", "mean mass_kg?"),
    (minimal("mass_kg = 1480\ncolour = 1"), "vehicle.colour", "unknown key", "one of name"),
    (minimal("mass_kg = 1480\npressure_hPa = 990"), "vehicle.pressure_hPa", "unknown", "[air]"),
    (minimal(rest="[weather]\nx = 1"), "weather", "unknown key", "air"),
    (minimal(rest="[air]\ntemperature_c = 14"), "air.temperature_c", "unknown", "temperature_C"),
    (minimal(rest="[air]\ntemperature = 14"), "air.temperature", "unknown", "temperature_"),
    (minimal(rest="[site]\nslope = 1"), "site.slope", "unknown key", "slope_percent"),
    (minimal(rest='[display]\nspeeds = "mph"'), "display.speeds", "unknown key", "speed"),
    (minimal(rest='[crosscheck]\npulls = ["0-9=9"]'), "crosscheck.pulls", "unknown", "pull"),
    (minimal(rest='[correction]\nstandart = "x"'), "correction.standart", "unknown", "standard"),
    (minimal(log='[[log]]\nfile = "run3.csv"\nnotes = "x"'), "log[1].notes", "unknown", "note"),
    (
        minimal(log='[[log]]\nfile="run3.csv"\n[log.columns]\nspeed = {unit = "mph"}'),
        "log[1].columns.speed",
        "unknown key",
        "speed_mps",
    ),
    (
        minimal(log='[[log]]\nfile="run3.csv"\n[log.columns]\nspeed_mps = {units = "mph"}'),
        "log[1].columns.speed_mps.units",
        "unknown key",
        "unit",
    ),
    # two keys for one quantity
    (minimal("mass_kg = 1480\nmass_lb = 3260"), "vehicle.mass_lb", "both", "at most one"),
    (
        minimal("mass_kg = 1000\nrotating_mass_kg = 30\nrotating_mass_percent = 3"),
        "vehicle.rotating_mass_percent",
        "both",
        "at most one",
    ),
    (
        minimal("mass_kg = 1000\nmass_uncertainty_kg = 3\nmass_uncertainty_lb = 6"),
        "vehicle.mass_uncertainty_lb",
        "both",
        "at most one",
    ),
    (
        minimal(rest="[air]\ntemperature_C = 14\ntemperature_F = 57"),
        "air.temperature_F",
        "both",
        "at most one",
    ),
    (
        minimal(rest="[air]\npressure_hPa = 990\npressure_kPa = 99\npressure_inHg = 29"),
        "air.pressure_inHg",
        "both",
        "at most one",
    ),
    # out of range: the range is stated in the key's own unit
    (minimal("mass_kg = 1.48"), "vehicle.mass_kg", "1.48 kg", "from 30 to 60000 kg"),
    (minimal("mass_kg = -1480"), "vehicle.mass_kg", "-1480 kg", "from 30"),
    (minimal("mass_kg = 0"), "vehicle.mass_kg", "0 kg", "from 30"),
    (minimal("mass_lb = 200000"), "vehicle.mass_lb", "200000 lb", "to 132277 lb"),
    (
        minimal("mass_kg = 1000\nmass_uncertainty_kg = 400"),
        "vehicle.mass_uncertainty_kg",
        "400 kg",
        "from 0 to 300 kg (0 to 30 % of the mass)",
    ),
    (
        minimal("mass_kg = 1000\nmass_uncertainty_kg = -1"),
        "vehicle.mass_uncertainty_kg",
        "-1 kg",
        "from 0",
    ),
    (
        minimal("mass_kg = 1000\nrotating_mass_percent = 44"),
        "vehicle.rotating_mass_percent",
        "44 %",
        "from 0 to 30 %",
    ),
    (
        minimal("mass_kg = 1000\nrotating_mass_uncertainty_percent = 16"),
        "vehicle.rotating_mass_uncertainty_percent",
        "16 %",
        "to 15 %",
    ),
    (minimal("mass_kg = 1000\nfrontal_area_m2 = 220"), "vehicle.frontal_area_m2", "220", "to 15"),
    (
        minimal(
            "mass_kg = 1000\noverall_ratios = [5.1]\nengine_inertia_kg_m2 = 150",
        ),
        "vehicle.engine_inertia_kg_m2",
        "150",
        "to 20",
    ),
    (
        minimal("mass_kg = 1000\ndriveline_loss_percent = 85"),
        "vehicle.driveline_loss_percent",
        "85",
        "from 0 to 50",
    ),
    (
        minimal("mass_kg = 1000\ndriveline_loss_percent = [18, 12]"),
        "vehicle.driveline_loss_percent",
        "[18, 12]",
        "[low, high]",
    ),
    (
        minimal("mass_kg = 1000\ndriveline_loss_percent = [10, 12, 14]"),
        "vehicle.driveline_loss_percent",
        "list of 3",
        "[low, high]",
    ),
    (
        minimal("mass_kg = 1000\noverall_ratios = [5.1, 7.6]"),
        "vehicle.overall_ratios",
        "gear 2 has 7.6 after 5.1",
        "falling",
    ),
    (minimal("mass_kg = 1\noverall_ratios = []"), "vehicle.mass_kg", "1 kg", "from 30"),
    (
        minimal("mass_kg = 1000\noverall_ratios = []"),
        "vehicle.overall_ratios",
        "an empty list",
        "first gear first",
    ),
    (minimal("mass_kg = 1000\noverall_ratios = [500]"), "vehicle.overall_ratios", "500", "to 200"),
    (
        minimal("mass_kg = 1000\nengine_inertia_kg_m2 = 0.15"),
        "vehicle.engine_inertia_kg_m2",
        "without overall_ratios",
        "overall_ratios",
    ),
    (minimal('mass_kg = 1000\ntyre = "big"'), "vehicle.tyre", "'big'", "205/55 R16"),
    (minimal('mass_kg = 1000\ntyre = "205/55"'), "vehicle.tyre", "'205/55'", "205/55 R16"),
    (minimal(rest="[air]\ntemperature_C = 57"), "air.temperature_C", "57 C", "-40 to 55 C"),
    (minimal(rest="[air]\ntemperature_F = 140"), "air.temperature_F", "140 F", "-40 to 131 F"),
    (minimal(rest="[air]\npressure_hPa = 29.9"), "air.pressure_hPa", "29.9", "500 to 1100 hPa"),
    (minimal(rest="[air]\npressure_kPa = 1002"), "air.pressure_kPa", "1002", "50 to 110 kPa"),
    (
        minimal(rest="[air]\nrelative_humidity_percent = 101"),
        "air.relative_humidity_percent",
        "101 %",
        "0 to 100 %",
    ),
    (
        minimal(rest="[air]\nrelative_humidity_percent = -1"),
        "air.relative_humidity_percent",
        "-1 %",
        "0 to 100 %",
    ),
    (minimal(rest="[air]\naltitude_m = 9000"), "air.altitude_m", "9000 m", "-450 to 6000 m"),
    (minimal(rest="[site]\nslope_percent = 40"), "site.slope_percent", "40 %", "-15 to 15 %"),
    (
        minimal(rest="[site]\nslope_uncertainty_percent = -0.5"),
        "site.slope_uncertainty_percent",
        "-0.5 %",
        "0 to 15 %",
    ),
    (minimal(rest="[site]\nwind_mps = 60"), "site.wind_mps", "60 m/s", "-25 to 25 m/s"),
    (
        minimal(rest="[site]\nwind_uncertainty_mps = -3"),
        "site.wind_uncertainty_mps",
        "-3 m/s",
        "0 to 25 m/s",
    ),
    (minimal(rest="[crosscheck]\ntime_sd = -1"), "crosscheck.time_sd", "-1 s", "0 to 10 s"),
    # wrong type
    (minimal('mass_kg = "1480"'), "vehicle.mass_kg", "the text '1480'", "without quotes"),
    (minimal("mass_kg = true"), "vehicle.mass_kg", "true", "a number"),
    (minimal("mass_kg = [1480]"), "vehicle.mass_kg", "a list of 1", "a number"),
    (minimal("mass_kg = 2024-05-01"), "vehicle.mass_kg", "a date", "a number"),
    (minimal("mass_kg = nan"), "vehicle.mass_kg", "nan", "finite"),
    (minimal("mass_kg = inf"), "vehicle.mass_kg", "inf", "finite"),
    (minimal("mass_kg = 1" + "0" * 400), "vehicle.mass_kg", "beyond 1e308", "finite"),
    (minimal("mass_kg = 1480\nname = 5"), "vehicle.name", "5", "text in quotes"),
    (minimal("mass_kg = 1480\nstate = false"), "vehicle.state", "false", "text in quotes"),
    (minimal("mass_kg = 1480\ntyre = 205"), "vehicle.tyre", "205", "text in quotes"),
    (minimal("mass_kg = 1480\noverall_ratios = 5"), "vehicle.overall_ratios", "5", "a list"),
    (
        minimal("mass_kg = 1480\noverall_ratios = [true]"),
        "vehicle.overall_ratios",
        "true",
        "a number",
    ),
    (
        minimal('mass_kg = 1480\ndriveline_loss_percent = "15"'),
        "vehicle.driveline_loss_percent",
        "text '15'",
        "a number",
    ),
    ('air = 5\n[vehicle]\nmass_kg = 1480\n[[log]]\nfile = "run3.csv"', "air", "5", "[air]"),
    ("vehicle = 5\n" + '[[log]]\nfile = "run3.csv"', "vehicle", "5", "[vehicle]"),
    (
        '[[vehicle]]\nmass_kg = 5\n[[log]]\nfile = "run3.csv"',
        "vehicle",
        "double brackets",
        "[vehicle] once",
    ),
    (minimal(rest="[crosscheck]\npull = 5"), "crosscheck.pull", "5", "a list of texts"),
    (minimal(rest="[crosscheck]\npull = [5]"), "crosscheck.pull", "5 in the list", "texts"),
    # words
    (minimal('mass_kg = 1480\nkind = "Car"'), "vehicle.kind", "'Car'", 'mean "car"'),
    (minimal('mass_kg = 1480\nkind = "boat"'), "vehicle.kind", "'boat'", '"motorcycle"'),
    (minimal('mass_kg = 1480\ndrive = "turbo"'), "vehicle.drive", "'turbo'", "turbocharged"),
    (minimal(rest='[display]\npower = "kw"'), "display.power", "'kw'", 'mean "kW"'),
    (minimal(rest='[display]\nspeed = "knots"'), "display.speed", "'knots'", '"mph"'),
    (minimal(rest='[correction]\nstandard = "SAE"'), "correction.standard", "'SAE'", "J1349"),
    (minimal(rest="[correction]"), "correction.standard", "missing", "SAE J1349"),
    (minimal(rest='[crosscheck]\npull = ["9.8"]'), "crosscheck.pull", "'9.8'", "0-90=9.8"),
    (minimal(rest='[crosscheck]\npull = ["90-0=9"]'), "crosscheck.pull", "'90-0=9'", "rises"),
    (minimal(rest='[crosscheck]\ncoast = ["0-90=9"]'), "crosscheck.coast", "'0-90=9'", "falls"),
    (minimal(rest='[crosscheck]\ncoast = ["9-9=9"]'), "crosscheck.coast", "'9-9=9'", "falls"),
    (minimal(rest='[crosscheck]\npull = ["0-9=0"]'), "crosscheck.pull", "'0-9=0'", "above 0 s"),
    # what is missing
    ('[[log]]\nfile = "run3.csv"', "vehicle.mass_kg", "missing", "mass_lb"),
    ('[vehicle]\nname = "x"\n[[log]]\nfile = "run3.csv"', "vehicle.mass_kg", "missing", "mass_lb"),
    ("", "vehicle.mass_kg", "missing", "mass_lb"),
    # logs
    ("log = []\n[vehicle]\nmass_kg = 1480", "log", "no [[log]]", "run1_motion.csv"),
    ("[vehicle]\nmass_kg = 1480", "log", "no [[log]]", "run1_motion.csv"),
    (minimal(log='[log]\nfile = "run3.csv"'), "log", "single brackets", "[[log]]"),
    ("log = 5\n[vehicle]\nmass_kg = 1480", "log", "5", "[[log]]"),
    ("log = [5]\n[vehicle]\nmass_kg = 1480", "log[1]", "5", "[[log]]"),
    (minimal(log='[[log]]\nnote = "x"'), "log[1].file", "missing", "files ="),
    (
        minimal(log='[[log]]\nfile = "run3.csv"\nfiles = ["run1_gps.gpx"]'),
        "log[1].files",
        "both",
        "one of the two",
    ),
    (minimal(log="[[log]]\nfiles = []"), "log[1].files", "an empty list", "at least one"),
    (minimal(log="[[log]]\nfiles = 5"), "log[1].files", "5", "a list of texts"),
    (minimal(log="[[log]]\nfiles = [5]"), "log[1].files", "5 in the list", "texts"),
    (minimal(log="[[log]]\nfile = 5"), "log[1].file", "5", "text in quotes"),
    (minimal(log='[[log]]\nfile = ""'), "log[1].file", "empty file name", "name of a log"),
    (minimal(log='[[log]]\nfile = "run4.csv"'), "log[1].file", "'run4.csv'", "mean run3.csv"),
    (minimal(log='[[log]]\nfile = "."'), "log[1].file", "is a folder", "a log file"),
    (minimal(log='[[log]]\nfile = "a\\u0000b"'), "log[1].file", "cannot be looked at", "a log"),
    (
        minimal(log=f'[[log]]\nfile = "{"x" * 5000}"'),
        "log[1].file",
        "cannot be looked at",
        "a log",
    ),
    (
        minimal(log='[[log]]\nfile = "run3.csv"\n[[log]]\nfile = "./run3.csv"'),
        "log[2].file",
        "in log[1] already",
        "one [[log]] only",
    ),
    (
        minimal(log='[[log]]\nfiles = ["run3.csv", "run3.csv"]'),
        "log[1].files",
        "named twice",
        "one [[log]] only",
    ),
    (
        minimal(log='[[log]]\nfile = "run3.csv"\ndirection = "north"'),
        "log[1].direction",
        "'north'",
        '"up", "down"',
    ),
    (
        minimal(log='[[log]]\nfile = "run3.csv"\ndirection = 1'),
        "log[1].direction",
        "1",
        "text in quotes",
    ),
    (minimal(log='[[log]]\nfile="run3.csv"\nnote = 5'), "log[1].note", "5", "text in quotes"),
    (minimal(log='[[log]]\nfile="run3.csv"\ncolumns = 5'), "log[1].columns", "5", "a table"),
    (
        minimal(log='[[log]]\nfile="run3.csv"\n[log.columns]\nspeed_mps = "GPS"'),
        "log[1].columns.speed_mps",
        "'GPS'",
        "a table",
    ),
    (
        minimal(log='[[log]]\nfile="run3.csv"\n[log.columns]\nspeed_mps = {}'),
        "log[1].columns.speed_mps",
        "empty table",
        "header",
    ),
    (
        minimal(log='[[log]]\nfile="run3.csv"\n[log.columns]\nspeed_mps = {unit = "hPa"}'),
        "log[1].columns.speed_mps.unit",
        "unknown unit 'hPa'",
        "km/h",
    ),
    (
        minimal(log='[[log]]\nfile="run3.csv"\n[log.columns]\nup_x = {unit = "g"}'),
        "log[1].columns.up_x.unit",
        "a column that has none",
        "no unit",
    ),
    (
        minimal(log='[[log]]\nfile="run3.csv"\n[log.columns]\nspeed_mps = {header = " "}'),
        "log[1].columns.speed_mps.header",
        "empty text",
        "header row",
    ),
    (
        minimal(log='[[log]]\nfile="run3.csv"\n[log.columns]\nspeed_mps = {header = 0}'),
        "log[1].columns.speed_mps.header",
        "0",
        "counted from 1",
    ),
    (
        minimal(log='[[log]]\nfile="run3.csv"\n[log.columns]\nspeed_mps = {header = true}'),
        "log[1].columns.speed_mps.header",
        "true",
        "text in quotes",
    ),
]


@pytest.mark.parametrize(("text", "key", "found", "expected"), SLIPS)
def test_slip_is_named_by_file_key_found_and_expected(
    folder: Path, text: str, key: str, found: str, expected: str
) -> None:
    error = refuse(folder, text)
    assert error.path == str(folder / "session.toml")
    assert error.key == key
    assert found in error.found
    assert expected in f"{error.expected} {error.remedy}"
    assert str(error).startswith(f"{error.path}, {key}: ")


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("[vehicle]\nmass_kg = 1480,5\n", "line 2, column 15", "decimal point"),
        ("[vehicle]\nmass_kg 1480\n", "line 2", "mass_kg 1480"),
        ("[vehicle]\nname = estate\n", "line 2", "quotes"),
        ("[vehicle]\nmass_kg = 1480\nmass_kg = 1500\n", "line 3", "mass_kg"),
        ('[vehicle]\nname = "C:\\Users"\n', "line 2", "forward slashes"),
        ("[vehicle\n", "line 1", "[vehicle"),
        ('[vehicle]\nname = "', "end of the file", "TOML"),
    ],
)
def test_syntax_error_shows_line_and_column(
    folder: Path, text: str, place: str, words: str
) -> None:
    message = str(refuse(folder, text))
    assert str(folder / "session.toml") in message
    assert place in message
    assert words in message


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b'[vehicle]\nname = "caf\xe9"\n', "line 2, column 12: byte 0xe9 is not UTF-8"),
        ("[vehicle]\nmass_kg = 1480\n".encode("utf-16"), "UTF-16"),
        (b"# " + b"x" * 1_000_001, "larger than"),
        (b"a = " + b"[" * 100_000, "nested too deeply"),
        (b"a = " + b"9" * 5_000, "not valid TOML"),
        (b"\x00\x01\x02", "line 1, column 1"),
    ],
)
def test_what_is_no_toml_text_is_refused(folder: Path, raw: bytes, words: str) -> None:
    (folder / "session.toml").write_bytes(raw)
    with pytest.raises(SessionError, match="session.toml") as caught:
        read_session(folder)
    assert words in str(caught.value)


def test_session_file_that_cannot_be_opened(folder: Path) -> None:
    (folder / "session.toml").mkdir()
    with pytest.raises(SessionError, match="cannot be read: is a directory"):
        read_session(folder)


def test_session_file_that_is_a_broken_link(folder: Path) -> None:
    (folder / "session.toml").symlink_to("gone.toml")
    with pytest.raises(SessionError, match="cannot be read: no such file"):
        read_session(folder)


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read everything"
)
def test_files_without_permission(folder: Path) -> None:
    file = write(folder, minimal())
    (folder / "run3.csv").chmod(0)
    with pytest.raises(SessionError, match="may not be read"):
        read_session(folder)
    file.chmod(0)
    with pytest.raises(SessionError, match="permission denied"):
        read_session(folder)


def test_log_that_may_not_be_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # the superuser may read everything, so the answer of the system is replaced
    monkeypatch.setattr("logger.session_files.os.access", lambda path, mode: False)
    assert "may not be read" in str(refuse(folder, minimal()))


def test_folder_without_session_file_names_the_mass_option(folder: Path) -> None:
    for path in (folder, folder / "session.toml"):
        with pytest.raises(SessionError, match=r"--mass 1480kg") as caught:
            read_session(path)
        assert caught.value.path == str(folder)


def test_what_is_no_folder(folder: Path) -> None:
    with pytest.raises(SessionError, match=r"a single file.*--mass"):
        read_session(folder / "run3.csv")
    with pytest.raises(SessionError, match=r"no such file or folder.*did you mean outing"):
        read_session(folder.parent / "outin")
    with pytest.raises(SessionError, match="cannot be looked at"):
        read_session(Path("x" * 5000))


OUTSIDE = ["../other.csv", "sub/../../other.csv", "link.csv", "linked_folder/other.csv", "ABSOLUTE"]


@pytest.mark.parametrize("name", OUTSIDE)
def test_paths_out_of_the_folder_need_permission(folder: Path, name: str) -> None:
    outside = folder.parent / "other.csv"
    outside.write_bytes(b"")
    (folder / "sub").mkdir()
    (folder / "link.csv").symlink_to(outside)
    (folder / "linked_folder").symlink_to(folder.parent)
    name = str(outside) if name == "ABSOLUTE" else name
    text = minimal(log=f'[[log]]\nfile = "{name}"')
    error = refuse(folder, text)
    assert error.key == "log[1].file"
    assert "leads out of the session folder" in error.found
    assert "--allow-outside" in error.remedy
    session = read_session(folder, allow_outside=True)
    assert session.logs[0].files[0].resolve() == outside.resolve()


def test_missing_file_outside_is_missing_even_with_permission(folder: Path) -> None:
    error = refuse(folder, minimal(log='[[log]]\nfile = "../gone.csv"'), allow_outside=True)
    assert "no file '../gone.csv'" in error.found


def test_links_and_subfolders_inside_the_folder_are_fine(folder: Path) -> None:
    (folder / "day1").mkdir()
    (folder / "day1" / "a.csv").write_bytes(b"")
    (folder / "b.csv").symlink_to("run3.csv")
    files = f'["day1/a.csv", "b.csv", "{folder / "run1_motion.csv"}"]'
    write(folder, minimal(log=f"[[log]]\nfiles = {files}"))
    assert [file.name for file in read_session(folder).logs[0].files] == [
        "a.csv",
        "b.csv",
        "run1_motion.csv",
    ]


def test_link_that_turns_in_a_circle(folder: Path) -> None:
    (folder / "loop.csv").symlink_to("loop.csv")
    error = refuse(folder, minimal(log='[[log]]\nfile = "loop.csv"'))
    assert "loop.csv" in error.found


def test_the_same_log_through_a_link_is_found_twice(folder: Path) -> None:
    (folder / "b.csv").symlink_to("run3.csv")
    error = refuse(folder, minimal(log='[[log]]\nfile = "run3.csv"\n[[log]]\nfile = "b.csv"'))
    assert "in log[1] already" in error.found


def test_two_thousand_logs(folder: Path) -> None:
    names = [f"r{number}.csv" for number in range(2000)]
    for name in names:
        (folder / name).write_bytes(b"")
    write(folder, minimal(log="".join(f'[[log]]\nfile = "{name}"\n' for name in names)))
    assert len(read_session(folder).logs) == 2000


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
