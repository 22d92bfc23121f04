"""Output on a terminal and off it: colour, progress, `--quiet`, `--json`, and guesses at slips."""

from __future__ import annotations

import io
import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest
from make_options import every_option

from analysis.cli.main import main
from analysis.simulate.session import simulate_session
from analysis.terminal import progress
from analysis.terminal.colour import Painted, colour_wanted, paint
from analysis.terminal.progress import Progress
from logger.visible import visible

ROOT = Path(__file__).resolve().parents[3]
LOG = "time_s,speed_mps\n" + "".join(f"{t},{min(t, 25)}\n" for t in range(60))
ESCAPE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Stream(io.StringIO):
    """Text in memory that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def log(tmp_path: Path) -> Path:
    (tmp_path / "run1.csv").write_text(LOG)
    return tmp_path / "run1.csv"


# --- colour ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("warning: windy\n", "warning"),
        ("error, run1.csv: nothing\n", "error"),
        ("pullcoast: run1.csv: warning: 3 repeats\n", "warning"),
        ("failed: monday: no mass\n", "failed"),
        ("MISSING mass_kg: no report\n", "MISSING"),
        ("  Trust             fair. The peak\n", "fair"),
        ("  Peak wheel power  84.8 kW at 87 km/h  (95 %: 83 to 86 kW)\n", "84.8 kW at 87 km/h"),
        ("  Road load         809 N at 100 km/h\n", "809 N at 100 km/h"),
    ],
)
def test_what_matters_stands_out_and_the_words_stay(text: str, word: str) -> None:
    painted = paint(text)
    assert re.search(rf"\x1b\[[0-9;]+m{re.escape(word)}\x1b\[0m", painted)
    assert ESCAPE.sub("", painted) == text


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\n",
        ' "severity": "warning",\n',
        "no warnings here\n",
        "A good road.\n",
        "time_s,mark\n1,ok\n",
    ],
)
def test_other_text_stays_as_it_is(text: str) -> None:
    assert paint(text) == text


def test_colour_is_for_terminals_whose_user_has_nothing_against_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """https://no-color.org: NO_COLOR, when present and not empty, prevents colour."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert colour_wanted(Stream())
    assert not colour_wanted(io.StringIO())
    monkeypatch.setenv("NO_COLOR", "")
    assert colour_wanted(Stream())
    monkeypatch.setenv("NO_COLOR", "1")
    assert not colour_wanted(Stream())
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setenv("TERM", "dumb")
    assert not colour_wanted(Stream())


def test_a_painted_stream_is_the_stream_in_all_else() -> None:
    stream = Stream()
    painted = Painted(stream, visible, colour=True)
    assert painted.write("warning: x\n") == len("warning: x\n")
    assert stream.getvalue() == "\x1b[33mwarning\x1b[0m: x\n"
    assert painted.isatty() is True  # type: ignore[operator]


def on_terminal(*argv: str, **environment: str) -> tuple[str, int]:
    """Run the command on a terminal of its own; return what it showed, and its status."""
    end, other = pty.openpty()
    inherited = {name: text for name, text in os.environ.items() if name != "NO_COLOR"}
    process = subprocess.Popen(
        [sys.executable, "-m", "analysis", *argv],
        cwd=ROOT,
        env={**inherited, "TERM": "xterm", **environment},
        stdin=subprocess.DEVNULL,
        stdout=other,
        stderr=other,
    )
    os.close(other)
    shown = b""
    while select.select([end], [], [], 120.0)[0]:
        try:
            more = os.read(end, 65536)
        except OSError:  # Linux ends a terminal that nobody holds any more with EIO
            break
        if not more:
            break
        shown += more
    os.close(end)
    return shown.decode().replace("\r\n", "\n"), process.wait(20)


def off_terminal(*argv: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "analysis", *argv],
        cwd=ROOT,
        env={**os.environ, "TERM": "xterm", **environment},
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_command_paints_on_a_terminal_alone(log: Path) -> None:
    wrong = ["look", str(log), str(log.with_name("nowhere.csv"))]
    shown, status = on_terminal(*wrong)
    assert status == 2
    assert "\x1b[1mpullcoast:\x1b[0m" in shown
    plain, status = on_terminal(*wrong, NO_COLOR="1")
    assert status == 2
    assert ESCAPE.search(plain) is None
    assert "pullcoast:" in plain
    done = off_terminal(*wrong)
    assert ESCAPE.search(done.stdout + done.stderr) is None
    # lines fill the terminal; the words are the same
    assert plain.split() == (done.stdout + done.stderr).split()


# --- progress ----------------------------------------------------------------------------------


def shown(monkeypatch: pytest.MonkeyPatch, *, terminal: bool, quiet: bool = False) -> str:
    """Return what stderr got of work that takes longer than patience lasts."""
    monkeypatch.setattr(progress, "PATIENCE_S", 0.0)
    stream = Stream() if terminal else io.StringIO()
    monkeypatch.setattr(sys, "stderr", stream)
    monkeypatch.setenv("TERM", "xterm")
    with Progress(2, quiet=quiet) as going:
        going.show("reading a[b].csv")
        deadline = time.monotonic() + 20
        while terminal and not quiet and "reading" not in stream.getvalue():
            assert time.monotonic() < deadline
            time.sleep(0.01)
        going.step()
    return stream.getvalue()


def test_progress_is_shown_on_a_terminal_and_taken_away(monkeypatch: pytest.MonkeyPatch) -> None:
    text = shown(monkeypatch, terminal=True)
    assert "reading a[b].csv" in ESCAPE.sub("", text)
    assert "0/2" in ESCAPE.sub("", text)
    # the line is erased at the end (ECMA-48, EL: CSI 2 K)
    assert text.rindex("\x1b[2K") > text.rindex("reading")


def test_no_progress_off_a_terminal_or_when_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    assert shown(monkeypatch, terminal=False) == ""
    assert shown(monkeypatch, terminal=True, quiet=True) == ""


def test_nothing_is_shown_of_what_is_soon_done(monkeypatch: pytest.MonkeyPatch) -> None:
    stream = Stream()
    monkeypatch.setattr(sys, "stderr", stream)
    with Progress() as going:
        going.show("reading")
    assert stream.getvalue() == ""


def test_progress_ends_with_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(progress, "PATIENCE_S", 0.0)
    stream = Stream()
    monkeypatch.setattr(sys, "stderr", stream)
    going = Progress()

    def fail() -> None:
        with going:
            going.show("reading")
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    size = len(stream.getvalue())
    going.show("more")
    assert len(stream.getvalue()) == size


# --- quiet and json ----------------------------------------------------------------------------


def test_every_command_can_be_quiet_and_speaks_to_programs() -> None:
    """Only the server has nothing to hand to a program: it runs until it is stopped."""
    known = every_option()
    assert known.pop("") >= {"--version", "--install-completion", "--show-completion"}
    for name, options in known.items():
        assert "--quiet" in options, name
        assert "--json" in options or name == "capture", name


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("terminal") / "airfield"
    simulate_session(folder, seed=4, pairs=1)
    return folder


def test_quiet_prints_nothing_and_does_all(
    session: Path, log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    for argv, made in (
        (["report", str(session), "--out", str(out / "r")], "r/report.html"),
        (["speed", str(session / "run01.csv"), "--out", str(out / "s")], "s/speed_time.csv"),
        (["sample", str(out / "x"), "--pairs", "1"], "x/session.toml"),
        (["new", str(tmp_path), "--mass", "1480kg"], "../session.toml"),
        (["strip", str(session), str(out / "c")], "c/session.toml"),
    ):
        assert main([*argv, "--quiet"]) == 0
        assert (out / made).exists()
        captured = capsys.readouterr()
        assert captured.out == "", argv
        assert captured.err == "", argv


def test_quiet_lets_errors_and_json_through(
    session: Path, log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["look", str(log), "nowhere.csv", "--quiet"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith("pullcoast: nowhere.csv")
    assert main(["report", str(session), "--out", str(tmp_path), "--quiet", "--json"]) == 0
    captured = capsys.readouterr()
    assert json.loads(captured.out)["format"] == "pullcoast-results/1"
    assert captured.err == ""


@pytest.mark.parametrize(
    ("argv", "key"),
    [
        (["speed", "{session}/run01.csv", "--out", "{out}/s"], "logs"),
        (["sample", "{out}/x", "--pairs", "1"], "truth"),
        (["new", "{out}/n", "--mass", "1480kg"], "missing"),
        (["strip", "{session}", "{out}/c"], "places"),
        (["look", "{session}/run01.csv"], "files"),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else None,
)
def test_json_is_all_that_goes_to_standard_output(
    argv: list[str], key: str, session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled = [text.format(session=session, out=tmp_path) for text in argv]
    assert main([*filled, "--json"]) == 0
    captured = capsys.readouterr()
    assert key in json.loads(captured.out)
    assert captured.err == ""


# --- slips -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("argv", "asked"),
    [
        (["raport", "x"], "did you mean report?"),
        (["sampel"], "did you mean sample?"),
        (["fly"], ""),
        (["report", "x", "--mas", "1480kg"], "did you mean --mass?"),
        (["report", "x", "--tempertaure=14C"], "did you mean --temperature?"),
        (["look", "x", "--jsn", "--salvag"], "did you mean --json or --salvage?"),
        (["look", "x", "--zzz"], ""),
        (["sample", "x", "--phone", "ruogh"], "did you mean rough?"),
    ],
)
def test_a_slip_is_met_with_the_nearest_word(
    argv: list[str], asked: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(argv) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert asked in line
    assert ("did you mean" in line) == bool(asked)
    assert re.search(r"See `pullcoast( \w+)? --help`\.$", line)
    assert "?." not in line


def test_a_mistyped_key_is_met_with_the_nearest(
    tmp_path: Path, log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "session.toml").write_text('[vehicle]\nmas_kg = 1480\n[[log]]\nfile = "run1.csv"\n')
    assert main(["report", str(tmp_path)]) == 2
    assert "Did you mean mass_kg?" in capsys.readouterr().err


@pytest.mark.parametrize(
    "code",
    [
        "import sys, logger.session.key_table; sys.exit('difflib' in sys.modules)",
        # typer imports difflib; no two words may be compared with it
        (
            "import difflib, sys; difflib.SequenceMatcher = None; from analysis.cli.main import main;"
            "sys.exit(main(['report', '--help']))"
        ),
    ],
    ids=["keys", "options"],
)
def test_words_are_compared_only_after_a_slip(code: str) -> None:
    """Start-up does not pay for it."""
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
