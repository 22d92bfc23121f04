"""Sessions without session.toml, and command-line options that win over it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from logger.errors import SessionError
from logger.reading import read_log
from logger.session.keys import AIR, VEHICLE
from logger.session.overrides import (
    apply_overrides,
    column_choices,
    open_session,
    session_from_folder,
)
from logger.session.quantities import parse_mass, parse_quantity
from logger.session.session import Air, read_session
from logger.tables.table import ColumnChoice

POUND_KG = 0.45359237  # exact: international pound


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with three logs and what else lies about in such a folder."""
    folder = tmp_path / "evening"
    folder.mkdir()
    for name in ("run10.csv", "run2.gpx.gz", "run1.NMEA", "photo.jpg", "README.txt", ".hidden.csv"):
        (folder / name).write_bytes(b"")
    # what an earlier report wrote, in its usual place and straight into the folder
    (folder / "results").mkdir()
    (folder / "results" / "curves.csv").write_bytes(b"")
    (folder / "curves.csv").write_bytes(b"")
    return folder


@pytest.mark.parametrize(
    ("text", "mass_kg"),
    [
        ("1480kg", 1480.0),
        ("1480 kg", 1480.0),
        (" 1.48t ", 1480.0),
        ("3260lb", 3260 * POUND_KG),
        ("3260 LBS", 3260 * POUND_KG),
        ("1.48e3kg", 1480.0),
    ],
)
def test_mass_with_unit(text: str, mass_kg: float) -> None:
    assert parse_mass(text) == pytest.approx(mass_kg, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1480", "'1480' has no unit"),
        ("", "is no mass"),
        ("kg", "is no mass"),
        ("heavy", "is no mass"),
        ("nankg", "is no mass"),
        ("infkg", "is no mass"),
        ("1480,5kg", "decimal point and no separators"),
        ("1,480 lb", "decimal point and no separators"),
        ("1480 hPa", "unknown unit 'hPa'"),
        ("1480kgs2", "unknown unit"),
        ("1480%", "unknown unit '%'"),
        ("1.48kg", "from 30 to 60000 kg"),
        ("-1480kg", "from 30 to 60000 kg"),
        ("1e400kg", "from 30 to 60000 kg"),
    ],
)
def test_mass_that_cannot_be_read_is_refused(text: str, words: str) -> None:
    with pytest.raises(SessionError) as caught:
        parse_mass(text)
    assert words in str(caught.value)
    assert str(caught.value).startswith("--mass: ")


def test_other_quantities_with_unit() -> None:
    # definitions: 0 C = 273.15 K = 32 F; 1 kPa = 10 hPa; 1 ft = 0.3048 m
    assert parse_quantity("59F", AIR["temperature"], "--temperature") == pytest.approx(15.0)
    assert parse_quantity("\u22125C", AIR["temperature"], "--temperature") == pytest.approx(-5.0)
    assert parse_quantity("99.1 kPa", AIR["pressure"], "--pressure") == pytest.approx(991.0)
    assert parse_quantity("1000ft", AIR["altitude"], "--altitude") == pytest.approx(304.8)
    assert parse_quantity("60%", AIR["relative_humidity"], "--humidity") == 60.0
    rotating = VEHICLE["rotating_mass"]
    assert parse_quantity("3%", rotating, "--rotating-mass", mass_kg=1500.0) == pytest.approx(45.0)
    with pytest.raises(SessionError, match="from 0 to 450 kg"):
        parse_quantity("500kg", rotating, "--rotating-mass", mass_kg=1500.0)
    with pytest.raises(SessionError, match="from 0 to 30 %"):
        parse_quantity("44%", rotating, "--rotating-mass", mass_kg=1500.0)


def test_every_log_in_the_folder_is_one_recording(folder: Path) -> None:
    session = session_from_folder(folder, mass="1480kg")
    assert [[file.name for file in log.files] for log in session.logs] == [
        ["run1.NMEA"],
        ["run2.gpx.gz"],
        ["run10.csv"],
    ]
    assert session.name == "evening"
    assert session.vehicle.mass_kg == 1480.0
    assert session.vehicle.mass_sd_kg == pytest.approx(14.8)
    (finding,) = session.findings
    assert (finding.kind, finding.count) == ("file_left_out", 3)
    assert "photo.jpg" in finding.text
    assert "curves.csv" in finding.text


def test_folder_session_takes_every_option(folder: Path) -> None:
    session = session_from_folder(
        folder,
        mass="3260lb",
        kind="van",
        mass_uncertainty="20kg",
        rotating_mass="2.5%",
        rotating_mass_uncertainty="5kg",
    )
    vehicle = session.vehicle
    assert vehicle.kind == "van"
    assert vehicle.mass_kg == pytest.approx(3260 * POUND_KG)
    assert vehicle.mass_sd_kg == 20.0
    assert vehicle.rotating_mass_kg == pytest.approx(0.025 * 3260 * POUND_KG)
    assert vehicle.rotating_mass_sd_kg == 5.0


def test_folder_session_refusals(folder: Path) -> None:
    empty = folder / "empty"
    empty.mkdir()
    with pytest.raises(SessionError, match="an empty folder"):
        session_from_folder(empty, mass="1480kg")
    (empty / "photo.jpg").write_bytes(b"")
    with pytest.raises(SessionError, match=r"no logs among photo\.jpg"):
        session_from_folder(empty, mass="1480kg")
    with pytest.raises(SessionError, match="a file, not a folder"):
        session_from_folder(folder / "run10.csv", mass="1480kg")
    with pytest.raises(SessionError, match=r"no such file or folder.*did you mean evening"):
        session_from_folder(folder.parent / "evenin", mass="1480kg")
    with pytest.raises(SessionError, match=r"--kind: 'boat'.*motorcycle"):
        session_from_folder(folder, mass="1480kg", kind="boat")
    (folder / "away.csv").symlink_to("/dev/null")
    with pytest.raises(SessionError, match="out of the session folder through a link"):
        session_from_folder(folder, mass="1480kg")


def test_open_session_lets_the_command_line_win(folder: Path) -> None:
    without = open_session(folder, mass="1480kg")
    assert len(without.logs) == 3
    with pytest.raises(SessionError, match="--mass"):
        open_session(folder)
    (folder / "session.toml").write_text(
        '[vehicle]\nmass_kg = 1000\nmass_uncertainty_kg = 4\n[[log]]\nfile = "run10.csv"\n'
    )
    assert open_session(folder).vehicle.mass_kg == 1000.0
    changed = open_session(folder, mass="1200kg").vehicle
    # a stated uncertainty stays, what follows from the mass follows the new one
    assert (changed.mass_kg, changed.mass_sd_kg) == (1200.0, 4.0)
    assert changed.rotating_mass_kg == pytest.approx(36.0)
    assert open_session(folder, mass_uncertainty="9kg").vehicle.mass_sd_kg == 9.0
    assert len(open_session(folder, mass="1200kg").logs) == 1


def test_overrides_of_air_display_and_columns(folder: Path) -> None:
    (folder / "session.toml").write_text(
        "[vehicle]\nmass_kg = 1000\n[air]\ntemperature_C = 14\npressure_hPa = 990\n"
        '[[log]]\nfile = "run10.csv"\n[log.columns]\nspeed_mps = {unit = "mph"}\n'
        'heading_deg = {header = "course"}\n[[log]]\nfile = "run1.NMEA"\n'
    )
    session = read_session(folder)
    changed = apply_overrides(
        session,
        temperature="50F",
        humidity="70%",
        power="PS",
        speed="MPH",
        columns={"speed_mps": ColumnChoice(header="GPS", unit="km/h")},
    )
    assert changed.air is not None
    assert changed.air.temperature_c == pytest.approx(10.0)
    assert replace(changed.air, temperature_c=10.0) == Air(
        temperature_c=10.0, pressure_hpa=990.0, relative_humidity_percent=70.0, altitude_m=None
    )
    assert (changed.display.power, changed.display.speed) == ("PS", "mph")
    first, second = changed.logs
    assert first.columns == {
        "speed_mps": ColumnChoice(header="GPS", unit="km/h"),
        "heading_deg": ColumnChoice(header="course", unit=None),
    }
    assert second.columns == {"speed_mps": ColumnChoice(header="GPS", unit="km/h")}
    assert apply_overrides(session) == session
    with pytest.raises(SessionError, match=r"--power: 'bhp'.*kW, hp, PS"):
        apply_overrides(session, power="bhp")
    with pytest.raises(SessionError, match=r"--pressure: '29\.9hPa'.*500 to 1100 hPa"):
        apply_overrides(session, pressure="29.9hPa")


def test_overrides_make_air_where_the_file_has_none(folder: Path) -> None:
    session = session_from_folder(folder, mass="1480kg")
    changed = apply_overrides(session, pressure="29.92inHg", altitude="120m")
    assert changed.air is not None
    # 29.92 inHg at 33.86389 hPa each (conventional inch of mercury, NIST SP 811)
    assert changed.air.pressure_hpa == pytest.approx(1013.2076, abs=1e-3)
    assert changed.air.altitude_m == 120.0
    assert changed.air.temperature_c is None


def test_column_options() -> None:
    choices = column_choices(["speed_mps=GPS = speed", "time_s=1"], ["speed_mps=km/h"])
    assert choices == {
        "speed_mps": ColumnChoice(header="GPS = speed", unit="km/h"),
        "time_s": ColumnChoice(header="1", unit=None),
    }
    assert column_choices() == {}


@pytest.mark.parametrize(
    ("columns", "units", "words"),
    [
        (["speed_mps"], [], "NAME=VALUE"),
        (["=x"], [], "NAME=VALUE"),
        (["speed_mps="], [], "NAME=VALUE"),
        (["speed=GPS"], [], "did you mean speed_mps"),
        ([], ["zzz=GPS"], "unknown column 'zzz'"),
        (["speed_mps=a", "speed_mps=b"], [], "given twice"),
        ([], ["speed_mps=hPa"], "unknown unit 'hPa'"),
        ([], ["mark=s"], "a column that has none"),
    ],
)
def test_column_options_that_cannot_be_used(
    columns: list[str], units: list[str], words: str
) -> None:
    with pytest.raises(SessionError) as caught:
        column_choices(columns, units)
    assert words.lower() in str(caught.value).lower()


def test_what_to_leave_out_is_added_and_neutral_holds_for_every_log(tmp_path: Path) -> None:
    (tmp_path / "run1.csv").write_text("time_s,speed_mps\n0,1\n", encoding="utf-8")
    text = 'leave_out = [3]\n[vehicle]\nmass_kg = 1500\n[[log]]\nfile = "run1.csv"\n'
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    session = apply_overrides(read_session(tmp_path), leave_out=["6, run1.csv", "2"], neutral=True)
    assert session.leave_out == (3, 6, "run1.csv", 2)
    assert all(log.neutral for log in session.logs)


@pytest.mark.parametrize("wrong", ["", "0", "3,,4"])
def test_runs_to_leave_out_count_from_one(tmp_path: Path, wrong: str) -> None:
    (tmp_path / "run1.csv").write_text("time_s,speed_mps\n0,1\n", encoding="utf-8")
    session = open_session(tmp_path, mass="1500kg")
    with pytest.raises(SessionError, match="leave-out"):
        apply_overrides(session, leave_out=[wrong])


@pytest.mark.parametrize("wrong", ['"6"', "[0]", "[true]", "[1.5]"])
def test_leave_out_in_the_file_is_a_list_of_runs_and_logs(tmp_path: Path, wrong: str) -> None:
    (tmp_path / "run1.csv").write_text("time_s,speed_mps\n0,1\n", encoding="utf-8")
    text = f'leave_out = {wrong}\n[vehicle]\nmass_kg = 1500\n[[log]]\nfile = "run1.csv"\n'
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SessionError, match="leave_out"):
        read_session(tmp_path)


def test_a_factor_on_a_column_is_applied_and_kept_in_the_history(tmp_path: Path) -> None:
    rows = "".join(f"{t},{10 + 0.1 * t}\n" for t in range(20))
    (tmp_path / "run1.csv").write_text("time_s,speed_mps\n" + rows, encoding="utf-8")
    head = '[vehicle]\nmass_kg = 1500\n[[log]]\nfile = "run1.csv"\n[log.columns]\n'
    (tmp_path / "session.toml").write_text(
        f"{head}speed_mps = {{scale = 0.93}}\n", encoding="utf-8"
    )
    (entry,) = read_session(tmp_path).logs
    recording = read_log(entry.files, columns=entry.columns)
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert speed.values[:2] == pytest.approx([9.3, 9.393])
    assert recording.history[-1].settings == {"speed_mps": 0.93}
