"""`pullcoast new`: what is asked, what is written, and that nothing is written by half."""

from __future__ import annotations

import json
import os
import pty
import select
import shutil
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from analysis.cli import main
from analysis.command_new import InputEnded, ask_all, cautions
from analysis.folder_logs import FoundLog, find_logs, group_logs
from analysis.session_draft import draft_text, toml_text
from analysis.session_questions import QUESTIONS, hint, read_answer
from logger.errors import SessionError
from logger.session import read_session
from logger.session_keys import VEHICLE_KINDS

ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_logs" / "van_bare"
BY_NAME = {question.name: question for question in QUESTIONS}
FIXES = "time_s,speed_mps,latitude_deg,longitude_deg\n" + "".join(
    f"{t},{t / 4},52.0,{5 + 1e-5 * t}\n" for t in range(60)
)
MOTION = "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2\n" + "".join(
    f"{t / 50},0.1,{0.2 + t % 3},9.7\n" for t in range(3000)
)


@pytest.fixture
def outing(tmp_path: Path) -> Path:
    """Return a folder with a log of each kind, and one that is none."""
    folder = tmp_path / "outing"
    folder.mkdir()
    (folder / "run1.csv").write_text(FIXES)
    (folder / "run2_gps.csv").write_text(FIXES)
    (folder / "run2_motion.csv").write_text(MOTION)
    (folder / "broken.gpx").write_text("<!doctype html><html></html>")
    return folder


def answered(**texts: str) -> Callable[[str], str]:
    """Answer by the question's name; anything else with an empty line."""
    by_prompt = {BY_NAME[name].ask: text for name, text in texts.items()}

    def ask(prompt: str) -> str:
        return by_prompt.get(prompt.partition("\n")[0], "")

    return ask


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


# --- which files belong together ---------------------------------------------------------------


def test_the_sample_s_files_of_two_sensors_are_one_recording(tmp_path: Path) -> None:
    """As its own session.toml says; here the dates tell."""
    for file in SAMPLE.glob("run0[34]*"):
        shutil.copy(file, tmp_path)
    groups = group_logs(find_logs(tmp_path))
    stated = [sorted(f.name for f in log.files) for log in read_session(SAMPLE).logs[2:4]]
    assert [sorted(log.name for log in group.logs) for group in groups] == stated
    assert {group.why for group in groups} == {"their dates overlap"}


def found(folder: Path, name: str, text: str) -> FoundLog:
    (folder / name).write_text(text)
    return next(log for log in find_logs(folder) if log.name == name)


def dated(text: str, start_s: int) -> str:
    head, *rows = text.splitlines()
    moved = [f"{start_s + float(t)},{rest}" for t, rest in (row.split(",", 1) for row in rows)]
    return "\n".join([head.replace("time_s", "timestamp_s"), *moved]) + "\n"


def test_dates_that_do_not_overlap_part_files_of_one_name(tmp_path: Path) -> None:
    gps = found(tmp_path, "run_gps.csv", dated(FIXES, 1_700_000_000))
    late = found(tmp_path, "run_motion.csv", dated(MOTION, 1_700_009_000))
    same = found(tmp_path, "x.csv", dated(MOTION, 1_700_000_010))
    assert gps.span_s == (1_700_000_000.0, 1_700_000_059.0)
    assert [len(group.logs) for group in group_logs([gps, late])] == [1, 1]
    assert [group.why for group in group_logs([gps, same])] == ["their dates overlap"]
    # of two that fit none is taken
    twin = found(tmp_path, "y.csv", dated(MOTION, 1_700_000_011))
    assert [len(group.logs) for group in group_logs([gps, same, twin])] == [1, 1, 1]


def test_names_that_tell_nothing_join_nothing(tmp_path: Path) -> None:
    logs = [found(tmp_path, "monday.csv", FIXES), found(tmp_path, "other.csv", MOTION)]
    assert [len(group.logs) for group in group_logs(logs)] == [1, 1]
    assert [group.readable for group in group_logs(logs)] == [True, False]


# --- asking ------------------------------------------------------------------------------------


def test_a_wrong_answer_is_asked_again_with_the_reason() -> None:
    prompts: list[str] = []
    mass = iter(["1480", "1480 stone", "14800000kg", "1480kg"])

    def ask(prompt: str) -> str:
        prompts.append(prompt)
        about_mass = prompt.startswith(BY_NAME["mass"].ask) or "stone" in "".join(prompts[-1:])
        if about_mass or "1480" in prompt.partition("\n")[0]:
            return next(mass, "")
        return ""

    answers = ask_all({}, ask)
    assert answers["mass"].value == 1480.0
    again = [prompt for prompt in prompts if prompt.startswith("  '1480")]
    assert "'1480' has no unit" in again[0]
    assert "Units: kg, lb, t" in again[0]
    assert "unknown unit 'stone'" in prompts[prompts.index(again[0]) + 1]
    assert any("mass as driven from 30 to 60000 kg" in prompt for prompt in prompts)


def test_an_empty_mass_is_asked_once_more_then_left_open() -> None:
    asked: list[str] = []

    def ask(prompt: str) -> str:
        asked.append(prompt)
        return ""

    assert ask_all({}, ask) == {}
    assert sum("Without it no report can be made" in prompt for prompt in asked) == 1
    # uncertainties of what is not known are not asked
    assert not any(prompt.startswith(BY_NAME["mass_uncertainty"].ask) for prompt in asked)


def test_what_options_say_is_not_asked() -> None:
    given = read_answer(BY_NAME["mass"], "1480kg", "--mass")
    assert given is not None
    asked: list[str] = []

    def ask(prompt: str) -> str:
        asked.append(prompt)
        return ""

    assert ask_all({"mass": given}, ask) == {"mass": given}
    assert len(asked) == len(QUESTIONS) - 2  # not the mass, not the rotating mass's uncertainty


def test_an_unusual_mass_is_doubted(capsys: pytest.CaptureFixture[str]) -> None:
    """A motorcycle of 1480 kg: taken, and said."""
    answers = ask_all({}, answered(kind="motorcycle", mass="1480kg"))
    assert answers["mass"].si == 1480.0
    assert "unusual for a motorcycle" in capsys.readouterr().out


@pytest.mark.parametrize("kind", VEHICLE_KINDS)
def test_hints_are_answers_that_would_be_taken(kind: str) -> None:
    """What is suggested as plausible is not refused."""
    for question in QUESTIONS:
        text = hint(question, kind, 1480.0)  # type: ignore[arg-type]
        assert text
        if question.quantity is not None:
            first = text.replace(",", " ").split()[0].rstrip(";")
            assert read_answer(question, first, "", 1480.0) is not None


def test_the_end_of_answers_is_an_error_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def no_more(_: str) -> str:
        msg = "the answers ended"
        raise InputEnded(msg)

    monkeypatch.setattr("analysis.command_new._on_terminal", lambda: True)
    monkeypatch.setattr("analysis.command_new._ask", no_more)
    assert main(["new", str(tmp_path / "one")]) == 2
    assert "the answers ended" in capsys.readouterr().err
    assert not (tmp_path / "one").exists()


class Terminal:
    """A command on a terminal of its own."""

    def __init__(self, *argv: str) -> None:
        self.end, other = pty.openpty()
        code = (
            "import fcntl, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0);"
            "from analysis.cli import main; sys.exit(main(sys.argv[1:]))"
        )
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, *argv],
            cwd=ROOT,
            stdin=other,
            stdout=other,
            stderr=other,
            start_new_session=True,
        )
        os.close(other)
        self.text = ""

    def until(self, words: str, key: str = "") -> None:
        """Read until `words` come, pressing `key` again each second as an impatient person does."""
        deadline = time.monotonic() + 60
        while words not in self.text:
            assert time.monotonic() < deadline, self.text
            if select.select([self.end], [], [], 1.0)[0]:
                self.text += os.read(self.end, 65536).decode()
            elif key:
                self.say(key)

    def say(self, keys: str) -> None:
        os.write(self.end, keys.encode())


@pytest.fixture
def on_terminal() -> Iterator[Callable[..., Terminal]]:
    opened: list[Terminal] = []

    def start(*argv: str) -> Terminal:
        opened.append(Terminal(*argv))
        return opened[-1]

    yield start
    for terminal in opened:
        terminal.process.kill()
        terminal.process.wait()
        os.close(terminal.end)


def test_a_conversation(outing: Path, on_terminal: Callable[..., Terminal]) -> None:
    terminal = on_terminal("new", str(outing), "--kind", "car", "--name", "estate")
    terminal.until("stock)\r\n> ")
    terminal.say("\n")
    terminal.until(BY_NAME["mass"].ask)
    terminal.until("> ")
    terminal.say("1480\n")
    terminal.until("has no unit")
    terminal.say("3260lb\n" + "\n" * 8)
    terminal.until("Next: pullcoast report")
    assert terminal.process.wait(20) == 0
    assert read_session(outing).vehicle.mass_kg == pytest.approx(3260 * 0.45359237, rel=1e-9)


@pytest.mark.parametrize(("key", "status"), [("\x03", 130), ("\x04", 2)], ids=["ctrl-c", "ctrl-d"])
def test_leaving_in_the_middle_leaves_nothing(
    key: str, status: int, tmp_path: Path, on_terminal: Callable[..., Terminal]
) -> None:
    folder = tmp_path / "one"
    terminal = on_terminal("new", str(folder), "--mass", "1480kg", "--kind", "car")
    terminal.until(BY_NAME["name"].ask)
    terminal.say("estate\n")
    terminal.until(BY_NAME["state"].ask)
    terminal.until("stock)\r\n> ")
    terminal.say(key)
    terminal.until("nothing was written", key)
    assert terminal.process.wait(20) == status
    assert "Traceback" not in terminal.text
    assert not folder.exists()


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
