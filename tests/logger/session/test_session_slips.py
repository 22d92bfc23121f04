"""Every slip in a session.toml is named: file, key, what was found, what is expected."""

from __future__ import annotations

from pathlib import Path

import pytest
from make_toml import make_folder, minimal, refuse

from logger.errors import SessionError
from logger.session.session import read_session


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make_folder(tmp_path / "outing")


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
