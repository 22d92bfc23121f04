"""Objects that are no files, and text that acts: in every place that takes a file or shows its words.

What it protects: a pipe would be waited for, a device read until memory ends, and an escape sequence
from a file would move the cursor, hide a warning or turn a line around (ECMA-48, Unicode UAX 9).
"""

from __future__ import annotations

import json
import os
import re
import sys
from pathlib import Path

import pytest

from analysis.__main__ import main as start
from analysis.cli.main import main
from logger.visible import visible

SAMPLE = Path(__file__).parents[1] / "sample_logs" / "van_bare"
ACTING = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
NASTY = "\x1b]0;owned\x07\x1b[2J\u202egnp.exe\x9b31m\x08"
TOML = '[vehicle]\nmass_kg = 1400\n[[log]]\nfile = "run.csv"\n'


def pipe(path: Path) -> None:
    os.mkfifo(path)


def zeros(path: Path) -> None:
    path.symlink_to("/dev/zero")


def sparse(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(10_000_000_000)


def endless(path: Path) -> None:
    with path.open("wb") as file:
        file.write(b"1," * 5_000)
        file.truncate(900_000_000)  # the rest is a hole: it takes no room
        file.seek(5_000_000)
        file.write(b"1")


def folder(path: Path) -> None:
    path.mkdir()


def loop(path: Path) -> None:
    path.symlink_to(path.name)


OBJECTS = [pipe, zeros, sparse, endless, folder, loop]
PLACES = ["session.toml", "log", "look", "road load", "side", "scope", "batch"]


@pytest.mark.skipif(os.name != "posix", reason="no such objects")
@pytest.mark.parametrize("make", OBJECTS)
@pytest.mark.parametrize("place", PLACES)
def test_what_is_no_file_is_refused_unread(
    make: object, place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert callable(make)
    session = tmp_path / "session"
    session.mkdir()
    odd = tmp_path / "odd.csv"
    words = {
        "session.toml": ["report", str(session)],
        "log": ["report", str(session)],
        "look": ["look", str(odd)],
        "road load": ["report", str(SAMPLE), "--road-load", str(odd), "--out", str(tmp_path / "o")],
        "side": ["compare", str(odd), str(SAMPLE)],
        "scope": ["crosscheck", "--scope", str(odd), "--gates", "80,50,20", "--mass", "1400kg"],
        "batch": ["batch", str(session), "--out", str(tmp_path / "o")],
    }[place]
    if place in ("session.toml", "batch"):
        make(session / "session.toml")
    elif place == "log":
        (session / "session.toml").write_text(TOML)
        make(session / "run.csv")
    else:
        make(odd)
    status = main(words)
    shown = capsys.readouterr()
    assert status == 2, shown.err
    assert shown.err or "failed" in shown.out
    assert "fault of pullcoast" not in shown.out + shown.err


def test_text_is_shown_and_does_not_act() -> None:
    assert ACTING.search(visible(NASTY)) is None
    assert visible("Gerät\t1\r\n") == "Gerät\t1\r\n"
    assert visible("a\rb\udcff") == "a\\x0db\\udcff"


def csv_with(name: str) -> str:
    return f"time_s,speed_mps,{name}\n" + "".join(f"{k},{10 + k},x{NASTY}\n" for k in range(30))


@pytest.mark.parametrize(
    "case", ["header", "wrong cell", "toml", "toml key", "name of a file", "results", "marks"]
)
def test_words_of_a_file_never_act_on_the_terminal(
    case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "run.csv"
    words = ["look", str(log)]
    if case == "header":
        log.write_text(f"{NASTY},b\n1,2\n")
    elif case == "wrong cell":
        log.write_text(f"time_s,speed_mps\n0,1\n1,{NASTY}\n")
    elif case in ("toml", "toml key"):
        line = f"mass_kg = {NASTY}" if case == "toml" else f'"{json.dumps(NASTY)[1:-1]}" = 1'
        (tmp_path / "session.toml").write_text(f"[vehicle]\n{line}\n")
        words = ["report", str(tmp_path)]
    elif case == "name of a file":
        log = tmp_path / f"{NASTY}\udcff.csv"
        log.write_text("nothing")
        words = ["look", str(log)]
    elif case == "results":
        log.write_text(json.dumps({"format": NASTY}))
        words = ["report", str(SAMPLE), "--road-load", str(log), "--out", str(tmp_path / "o")]
    else:
        log.write_text(csv_with("mark"))
        words = ["strip", str(log), str(tmp_path / "copy.csv")]
    main(words)
    shown = capsys.readouterr()
    assert ACTING.search(shown.out + shown.err) is None
    for file in tmp_path.glob("copy*"):
        assert ACTING.search(file.read_text()) is None


@pytest.mark.parametrize("stream", ["stdout", "stderr"])
def test_a_closed_output_is_no_fault(
    stream: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(f"sys.{stream}", None)
    assert main(["crosscheck", "--mass", "1400kg", "--pull", "0-90=9.8"]) == 0
    assert main(["look", str(tmp_path / "nothing.csv")]) == 2


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    out = tmp_path_factory.mktemp("results")
    assert main(["report", str(SAMPLE), "--out", str(out), "--quiet"]) == 0
    found: dict[str, object] = json.loads((out / "results.json").read_text())
    return found


@pytest.mark.parametrize("value", [1e30, -1e4, "810", None, True, [1.0], {}])
@pytest.mark.parametrize("command", ["road load", "side"])
def test_a_road_load_that_no_vehicle_has_is_refused(
    value: object,
    command: str,
    results: dict[str, object],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    changed = json.loads(json.dumps(results))
    changed["road_load"]["F0_N"] = value
    file = tmp_path / "results.json"
    file.write_text(json.dumps(changed))
    words = {
        "road load": ["report", str(SAMPLE), "--road-load", str(file), "--out", str(tmp_path)],
        "side": ["compare", str(file), str(file), "--out", str(tmp_path / "o")],
    }[command]
    status = main(words)
    shown = capsys.readouterr()
    if command == "side" and value is None:
        return  # a session without coefficients can be compared by its curve
    assert status == 2
    assert "road_load" in shown.err


def test_the_road_load_of_another_vehicle_is_refused_or_doubted(
    results: dict[str, object], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "results.json"

    def status_with(**changes: object) -> int:
        changed = json.loads(json.dumps(results))
        changed["session"].update(changes)
        file.write_text(json.dumps(changed))
        return main(
            ["report", str(SAMPLE), "--road-load", str(file), "--out", str(tmp_path / "out")]
        )

    assert status_with(kind="bicycle") == 2
    assert "road load of a bicycle" in " ".join(capsys.readouterr().err.split())
    assert status_with(vehicle="another van", mass_kg=2900.0) == 0
    found = json.loads((tmp_path / "out" / "results.json").read_text())["findings"]
    doubts = [f for f in found if f["kind"] == "road_load_of_another"]
    assert [f["severity"] for f in doubts] == ["warning", "warning"]


def test_an_interrupt_while_modules_are_loaded_shows_no_traceback(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Interrupted:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "analysis.cli.main":
                raise KeyboardInterrupt

    monkeypatch.delitem(sys.modules, "analysis.cli.main")
    monkeypatch.setattr(sys, "meta_path", [Interrupted(), *sys.meta_path])
    assert start() == 130
