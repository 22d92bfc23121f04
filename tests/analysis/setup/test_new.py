"""`pullcoast new`: what is asked, what is written, and that nothing is written by half."""

from __future__ import annotations

import json
import os
import tomllib
from pathlib import Path

import pytest
from make_outing import FIXES, make_outing

from analysis.cli.main import main
from analysis.cli.new import cautions
from analysis.setup.draft import draft_text, toml_text
from analysis.setup.questions import QUESTIONS, read_answer
from logger.errors import SessionError
from logger.session.session import read_session


@pytest.fixture
def outing(tmp_path: Path) -> Path:
    return make_outing(tmp_path / "outing")


# --- what is written can be read ---------------------------------------------------------------


def test_what_options_say_comes_back_from_the_file(outing: Path) -> None:
    argv = ["new", str(outing), "--name", 'say "van", \\ two', "--kind", "VAN", "--state", "stock",
            "--mass", "4215lb", "--mass-uncertainty", "0.5%", "--rotating-mass", "3%",
            "--rotating-mass-uncertainty", "10kg", "--drive", "diesel", "--tyre", "205/65 R16",
            "--temperature", "57F", "--pressure", "29.6inHg", "--humidity", "70%",
            "--altitude", "390ft", "--power", "hp", "--speed-unit", "mph"]  # fmt: skip
    assert main(argv) == 0
    session = read_session(outing)
    vehicle, air = session.vehicle, session.air
    assert air is not None
    assert (vehicle.name, vehicle.kind, vehicle.state) == ('say "van", \\ two', "van", "stock")
    assert (vehicle.drive, vehicle.tyre) == ("diesel", "205/65 R16")
    assert (session.display.power, session.display.speed) == ("hp", "mph")
    # 1 lb = 0.45359237 kg, 1 ft = 0.3048 m, 1 inHg = 33.8639 hPa (NIST SP 811); rounding of 7 digits
    mass_kg = 4215 * 0.45359237
    assert vehicle.mass_kg == pytest.approx(mass_kg, rel=1e-9)
    assert vehicle.mass_sd_kg == pytest.approx(0.005 * mass_kg, rel=1e-6)
    assert vehicle.rotating_mass_kg == pytest.approx(0.03 * mass_kg, rel=1e-9)
    assert vehicle.rotating_mass_sd_kg == 10.0
    assert air.temperature_c == pytest.approx((57 - 32) / 1.8, rel=1e-9)
    assert air.pressure_hpa == pytest.approx(29.6 * 33.8639, rel=1e-5)
    assert air.relative_humidity_percent == 70.0
    assert air.altitude_m == pytest.approx(390 * 0.3048, rel=1e-6)
    text = (outing / "session.toml").read_text()
    # the user's own units stay
    for line in ("mass_lb = 4215 ", "temperature_F = 57 ", "pressure_inHg = 29.6 "):
        assert line in text


def test_logs_are_grouped_and_the_unreadable_left_out_with_the_reason(
    outing: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(outing), "--mass", "1480kg"]) == 0
    names = [[file.name for file in log.files] for log in read_session(outing).logs]
    assert names == [["run1.csv"], ["run2_gps.csv", "run2_motion.csv"]]
    text = (outing / "session.toml").read_text()
    assert '# file = "broken.gpx"' in text
    assert "LEFT OUT" in text
    printed = capsys.readouterr().out
    assert "broken.gpx: cannot be read: " in printed
    assert "taken for one recording (by their names)" in printed


def test_missing_ones_are_marked_and_said(outing: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(outing)]) == 0
    text = (outing / "session.toml").read_text()
    assert "# MISSING: mass_kg = 1480" in text
    assert "MISSING mass_kg: no report can be made" in capsys.readouterr().out
    with pytest.raises(SessionError, match=r"vehicle\.mass_kg: missing"):
        read_session(outing)
    # taking the mark away is all that is left to do
    (outing / "session.toml").write_text(text.replace("# MISSING: mass_kg", "mass_kg"))
    assert read_session(outing).vehicle.mass_kg == 1480.0


def test_every_open_line_is_a_key_that_can_be_said(outing: Path) -> None:
    """The examples behind # are right: without the # the file says them all."""
    assert main(["new", str(outing)]) == 0
    lines = (outing / "session.toml").read_text().splitlines()
    said = [
        line.removeprefix("# ").removeprefix("MISSING: ")
        if line == "# [air]" or "# not said" in line
        else line
        for line in lines
    ]
    assert sum("# not said" in line for line in said) == len(QUESTIONS)
    document = tomllib.loads("\n".join(said))
    assert len(document["vehicle"]) + len(document["air"]) == len(QUESTIONS)
    (outing / "session.toml").write_text("\n".join(said))
    assert read_session(outing).vehicle.rotating_mass_kg == 44.0


def test_a_folder_without_logs_or_none_at_all(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "new" / "one"
    assert main(["new", str(folder), "--mass", "1480kg"]) == 0
    assert "MISSING [[log]]" in capsys.readouterr().out
    text = (folder / "session.toml").read_text()
    assert "# [[log]]" in text
    (folder / "run1.csv").write_text(FIXES)
    marked = ("# [[log]]\n# file", "[[log]]\nfile")
    (folder / "session.toml").write_text(text.replace(*marked))
    assert len(read_session(folder).logs) == 1


def test_a_log_without_position_or_heading_is_asked_its_direction(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("time_s,speed_mps\n" + "".join(f"{t},{t}\n" for t in range(30)))
    assert main(["new", str(tmp_path), "--mass", "1480kg"]) == 0
    text = (tmp_path / "session.toml").read_text()
    assert '# direction = "up"' in text
    (tmp_path / "session.toml").write_text(text.replace('# direction = "up"', 'direction = "up"'))
    assert read_session(tmp_path).logs[0].direction == "up"


def test_hostile_names_stay_in_their_place(tmp_path: Path) -> None:
    """A file name with quotes, a line end or no text at all neither breaks the file nor adds keys."""
    names = [
        'a"b.csv',
        "c\n[site]\nslope_percent = 9 #.csv",
        os.fsdecode(b"d\xff.csv"),
        "e\x7f.csv",
    ]
    for name in names:
        (tmp_path / name).write_text(FIXES)
    assert main(["new", str(tmp_path), "--mass", "1480kg"]) == 0
    session = read_session(tmp_path)
    assert sorted(log.files[0].name for log in session.logs) == sorted(names[:2] + names[3:])
    assert session.site.slope == 0.0
    assert "its name is no text" in (tmp_path / "session.toml").read_text()


def test_texts_come_back_from_toml() -> None:
    text = "".join(map(chr, range(128))) + "é\u2028😀"
    assert tomllib.loads(f"x = {toml_text(text)}")["x"] == text


# --- an earlier file ---------------------------------------------------------------------------


def test_an_earlier_file_is_replaced_only_when_told(
    outing: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = outing / "session.toml"
    file.write_text("# mine\n")
    assert main(["new", str(outing), "--mass", "1480kg"]) == 2
    assert "--replace" in capsys.readouterr().err
    assert file.read_text() == "# mine\n"
    assert main(["new", str(outing), "--mass", "1480kg", "--replace"]) == 0
    assert read_session(outing).vehicle.mass_kg == 1480.0
    assert [p.name for p in outing.iterdir() if p.name.startswith(".")] == []


@pytest.mark.parametrize(
    ("option", "text", "message"),
    [
        ("--mass", "1480", "--mass: '1480' has no unit"),
        ("--mass-uncertainty", "8kg", "without the mass of the vehicle"),
        ("--temperature", "warm", "is no air temperature"),
        ("--tyre", "big", "--tyre: 'big' is not a tyre size"),
        ("--name", "", "--name: an empty text"),
        ("--name", "a\nb", "unprintable characters"),
    ],
)
def test_a_wrong_option_is_one_message_and_nothing_is_written(
    option: str, text: str, message: str, outing: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(outing), option, text]) == 2
    assert message in capsys.readouterr().err
    assert not (outing / "session.toml").exists()


def test_cautions_are_shown_and_json_is_nothing_but_json(
    outing: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(outing), "--mass", "1480kg"]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert len(cautions()) >= 6
    for caution in cautions():
        assert caution in printed
    assert main(["new", str(outing), "--json", "--replace"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["missing"] == ["mass"]
    assert told["logs"] == [["run1.csv"], ["run2_gps.csv", "run2_motion.csv"]]
    assert [out["file"] for out in told["left_out"]] == ["broken.gpx"]


def test_the_draft_of_nothing_names_every_question() -> None:
    text = draft_text({}, [])
    for question in QUESTIONS:
        assert f"{question.key} = {question.example}" in text


def test_answers_as_drivers_type_them() -> None:
    """The first letters of one choice are enough, and a humidity is a percentage."""
    questions = {question.name: question for question in QUESTIONS}
    assert read_answer(questions["drive"], "turbo", "").value == "turbocharged"  # type: ignore[union-attr]
    assert read_answer(questions["humidity"], "60", "").value == 60.0  # type: ignore[union-attr]
    with pytest.raises(SessionError, match="one of"):
        read_answer(questions["drive"], "t", "")
