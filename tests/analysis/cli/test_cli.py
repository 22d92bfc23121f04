"""The command line: exit statuses, one clear message per error, and what goes to which stream."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from make_analysis import make_analysis
from make_batch import STANDING
from make_options import every_command, every_option

from analysis import pipeline
from analysis.cli import report as command_report
from analysis.cli.main import main
from logger.session.session import Session

_ROOT = Path(__file__).resolve().parents[3]
_FILES = ["curves.csv", "report.html", "results.json", "speed_time.csv"]


@pytest.fixture
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Put a finished analysis in the estimator's place where only its surroundings are tested."""

    def analyse(session: Session, *_: object, **__: object) -> pipeline.Analysis:
        return replace(make_analysis(logs=2), session=session)

    monkeypatch.setattr(pipeline, "analyse", analyse)


def _errors(capsys: pytest.CaptureFixture[str]) -> list[str]:
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    return captured.err.splitlines()


# --- help, usage -----------------------------------------------------------------------------


@pytest.mark.parametrize("command", [name for name in every_command() if name])
def test_help_has_examples_and_every_option_explained(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([command, "--help"]) == 0
    text = capsys.readouterr().out
    assert "examples:" in text
    assert f"pullcoast {command} " in text
    assert len(every_option()[command]) > 3
    for option in every_option()[command]:
        # at the start of a line or behind its other name, with a word of explanation beside or below
        row = re.search(
            rf"^  (?:-\S+, )?{option}\b[^\n]*(?:\n {{8,}}\S+|  +\S+)", text, re.MULTILINE
        )
        assert row, option


@pytest.mark.parametrize("command", list(every_command()))
def test_help_is_plain_text(command: str) -> None:
    """No boxes, no colour, not even on a terminal that has both."""
    done = subprocess.run(
        [sys.executable, "-m", "analysis", *command.split(), "--help"],
        cwd=_ROOT,
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "FORCE_COLOR": "1", "TERM": "xterm", "COLUMNS": "100"},
    )
    assert done.stdout.isascii()
    assert "\x1b" not in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 102
    assert done.stderr == ""


def test_main_help_points_to_cautions_and_exit_statuses(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    text = capsys.readouterr().out
    for word in ("Cautions", "closed course", "exit status", "report", "speed", "look", "sample"):
        assert word in text
    assert main(["report", "--help"]) == 0
    assert "Cautions" in capsys.readouterr().out


def test_help_imports_nothing_heavy() -> None:
    # help must come at once: none of these may be loaded for it
    code = (
        "import sys; from analysis.cli.main import main; main(['report', '--help']);"
        "heavy = {'numpy', 'scipy', 'pandas', 'matplotlib', 'jinja2', 'rich', 'tomllib', 'json'};"
        "sys.exit(', '.join(sorted(heavy & set(sys.modules))) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=_ROOT, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_module_runs_without_being_installed() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "analysis", "--version"],
        cwd=_ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0
    assert done.stdout.startswith("pullcoast ")


def completed(*words: str, shell: str = "bash") -> list[str]:
    """Return what a shell offers for the last word."""
    done = subprocess.run(
        [sys.executable, "-m", "analysis"],
        cwd=_ROOT,
        capture_output=True,
        text=True,
        check=True,
        env={
            **os.environ,
            "_PULLCOAST_COMPLETE": f"complete_{shell}",
            "COMP_WORDS": " ".join(("pullcoast", *words)),
            "COMP_CWORD": str(len(words)),
        },
    )
    assert done.stderr == ""
    return done.stdout.split()


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (("re",), {"report"}),
        (("s",), {"speed", "sample", "strip"}),
        (("report", "--rotating"), {"--rotating-mass", "--rotating-mass-uncertainty"}),
        (("report", "--power", "k"), {"kW"}),
        (("sample", "--phone", "r"), {"rough"}),
    ],
)
def test_a_shell_completes_commands_options_and_words(
    words: tuple[str, ...], offered: set[str]
) -> None:
    assert set(completed(*words)) == offered


@pytest.mark.skipif(shutil.which("bash") is None, reason="needs bash")
def test_bash_takes_the_script_that_completion_installs(tmp_path: Path) -> None:
    environment = {**os.environ, "HOME": str(tmp_path), "PYTHONPATH": str(_ROOT)}
    command = f"exec -a bash bash -c '{sys.executable} -m analysis --show-completion; true'"
    shown = subprocess.run(
        ["bash", "-c", command],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
        env=environment,
    )
    assert "_PULLCOAST_COMPLETE=complete_bash" in shown.stdout
    check = subprocess.run(
        ["bash", "-c", shown.stdout + "\ncomplete -p pullcoast"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert check.stdout.split()[-1] == "pullcoast"
    install = command.replace("--show", "--install")
    subprocess.run(
        ["bash", "-c", install], cwd=tmp_path, check=True, env=environment, capture_output=True
    )
    assert "pullcoast" in (tmp_path / ".bashrc").read_text()


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        ([], "arguments are required: COMMAND. See `pullcoast --help`"),
        (["fly"], "invalid choice: 'fly'"),
        (["report"], "arguments are required: SESSION. See `pullcoast report --help`"),
        (["report", "x", "--power", "horses"], "'horses' is not one of kW, hp, PS"),
        (["report", "x", "--speed-unit", "kn"], "'kn' is not one of km/h, mph, m/s"),
        (["report", "x", "--ma", "1kg"], "unrecognized arguments: --ma"),
        (["sample", "x", "--pairs", "0"], "'0' is not a whole number from 1 to 50"),
        (["sample", "x", "--seed", "-1"], "'-1' is not a whole number"),
        (["sample", "x", "--gps-hz", "nan"], "'nan' is not a rate from 0.2 to 100 Hz"),
        (["look"], "arguments are required: FILE"),
        (["strip"], "arguments are required: LOG, OUT. See `pullcoast strip --help`"),
        (["strip", "a.csv"], "arguments are required: OUT"),
        (["compare", "a"], "arguments are required: B"),
        (["batch", "x"], "arguments are required: --out"),
        (["air"], "argument --temperature is required"),
        (
            ["air", "--humidity-percent", "6"],
            "argument --temperature is required. See `pullcoast air ",
        ),
        (
            ["air", "--humidity-percent", "wet"],
            "argument --humidity-percent: invalid number: 'wet'",
        ),
        (["plan", "x", "y"], "unrecognized arguments: y"),
        (["report", "x", "--out"], "argument --out: expected one argument"),
        (["report", "x", "--out", "--full"], "argument --out: expected one argument"),
        (["report", "x", "--full=yes"], "argument --full: takes no value"),
        (
            ["report", "x", "--masss", "3"],
            "unrecognized arguments: --masss 3; did you mean --mass?",
        ),
        (["--quiet", "report"], "unrecognized arguments: --quiet"),
        (["report", "a", "b", "--json"], "give one session with it"),
        (["report", "nowhere"], "nowhere: no such file or folder"),
        (["report", "x", "--road-load", "missing.json"], "missing.json: cannot be opened"),
        (["report", "x", "--column", "speed=GPS"], "unknown column 'speed'"),
        (["look", "x.csv", "--unit", "speed_mps"], "NAME=VALUE, for example speed_mps=km/h"),
    ],
)
def test_wrong_use_is_one_message_and_status_2(
    argv: list[str],
    message: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / "session.toml").write_text('[vehicle]\nmass_kg=1480\n[[log]]\nfile="a.csv"\n')
    (tmp_path / "x" / "a.csv").write_text(STANDING)
    assert main(argv) == 2
    lines = _errors(capsys)
    assert len(lines) == 1
    assert lines[0].startswith("pullcoast: ")
    assert message in lines[0]


def test_display_units_are_taken_in_any_case() -> None:
    words = ["x", "--power", "ps", "--speed-unit", "MPH"]
    context = every_command()["report"].make_context("report", words)
    assert (context.params["power"], context.params["speed_unit"]) == ("PS", "mph")


# --- report ----------------------------------------------------------------------------------


@pytest.mark.usefixtures("_quick")
def test_report_writes_figures_where_asked(copied: Path, tmp_path: Path) -> None:
    place = tmp_path / "pictures"
    assert main(["report", str(copied), "--full", "--plots", str(place)]) == 0
    names = {path.name for path in place.iterdir()}
    assert {"wheel-power.svg", "wheel-power.png", "wheel-power.csv", "run-2.svg"} <= names
    assert "Each run by itself" in (copied / "results" / "report.html").read_text()
    assert (
        main(["report", str(copied), str(copied), "--plots", str(place), "--out", str(place)]) == 0
    )
    assert (place / "airfield" / "wheel-power.png").exists()
    assert (place / "airfield-2" / "wheel-power.png").exists()
    (tmp_path / "file").write_text("x")
    assert main(["report", str(copied), "--plots", str(tmp_path / "file")]) == 2


def test_report_writes_its_files_and_says_where(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["report", str(copied)]) == 0
    folder = copied / "results"
    assert sorted(path.name for path in folder.iterdir()) == _FILES
    captured = capsys.readouterr()
    assert "Peak wheel power" in captured.out
    assert f"Written to {folder}" in captured.out
    assert captured.err == ""
    results = json.loads((folder / "results.json").read_text())
    truth = json.loads((copied / "truth.json").read_text())
    # simulated truth; 12 % is a gross-error bound for one pair, the accuracy is tested elsewhere
    assert results["wheel_power"]["peak_W"] == pytest.approx(truth["peak_wheel_power_W"], rel=0.12)


@pytest.mark.usefixtures("_quick")
def test_a_second_run_replaces_the_first(copied: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(copied)]) == 0
    assert main(["report", str(copied), "--power", "hp"]) == 0
    assert sorted(path.name for path in (copied / "results").iterdir()) == _FILES
    assert "[hp]" in (copied / "results" / "report.html").read_text()
    assert " hp at " in capsys.readouterr().out


@pytest.mark.usefixtures("_quick")
def test_json_is_alone_on_standard_output(
    sample: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["report", str(sample / "session.toml"), "--json", "--out", str(out)]) == 0
    captured = capsys.readouterr()
    assert captured.out == (out / "results.json").read_text()
    assert json.loads(captured.out)["format"] == "pullcoast-results/1"
    assert "Peak wheel power" in captured.err
    assert not (sample / "results").exists()


@pytest.mark.usefixtures("_quick")
def test_several_sessions_get_a_folder_each_and_one_bad_one_does_not_stop_the_rest(
    sample: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    missing = tmp_path / "missing"
    sessions = [str(sample), str(missing), str(sample)]
    assert main(["report", *sessions, "--out", str(out)]) == 2
    assert sorted(path.name for path in out.iterdir()) == ["airfield", "airfield-2"]
    assert sorted(path.name for path in (out / "airfield-2").iterdir()) == _FILES
    (line,) = _errors(capsys)
    assert str(missing) in line


@pytest.mark.usefixtures("_quick")
def test_a_folder_of_logs_needs_its_mass_with_a_unit(
    sample: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "bare"
    folder.mkdir()
    for log in sample.glob("run*.csv"):
        shutil.copy(log, folder)
    assert main(["report", str(folder)]) == 2
    assert "--mass 1480kg" in _errors(capsys)[0]
    assert main(["report", str(folder), "--mass", "1480"]) == 2
    assert "1480kg" in _errors(capsys)[0]
    assert main(["report", str(folder), "--mass", "3260lb", "--temperature", "14C"]) == 0
    results = json.loads((folder / "results" / "results.json").read_text())
    # the pound is 0.45359237 kg by definition
    assert results["session"]["mass_kg"] == pytest.approx(3260 * 0.45359237)


def test_logs_without_pull_or_coast_are_status_1_with_every_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "standing.csv").write_text(STANDING)
    assert main(["report", str(tmp_path), "--mass", "1480kg"]) == 1
    lines = _errors(capsys)
    assert lines
    assert all(line.startswith("pullcoast: ") for line in lines)
    assert not (tmp_path / "results").exists()


def test_unwritable_out_is_refused_before_the_work(
    sample: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    (tmp_path / "file").write_text("x")
    monkeypatch.setitem(sys.modules, "analysis.pipeline", None)  # importing it would fail
    assert main(["report", str(sample), "--out", str(tmp_path / "file" / "out")]) == 2
    assert "is not a folder. Choose another --out" in _errors(capsys)[0]


# --- the end of all errors -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "status", "message"),
    [
        (KeyboardInterrupt(), 130, "left by Ctrl-C"),
        (BrokenPipeError(), 141, None),
        (OSError(28, "No space left on device", "a.csv"), 2, "a.csv: No space left on device"),
        (MemoryError(), 2, "not enough memory"),
        (ZeroDivisionError("division by zero"), 3, "fault of pullcoast itself: ZeroDivisionError"),
        (ModuleNotFoundError("No module named 'scipy'", name="scipy"), 2, "package scipy cannot"),
    ],
)
def test_no_error_shows_a_traceback(
    error: BaseException,
    status: int,
    message: str | None,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(command_report, "_folders", fail)
    assert main(["report", "x"]) == status
    lines = _errors(capsys)
    assert len(lines) == (0 if message is None else 1)
    assert message is None or message in lines[0]


def test_a_foreign_package_called_logger_is_named(tmp_path: Path) -> None:
    (tmp_path / "logger.py").write_text("")
    code = (
        f"import sys; sys.path[:0] = [{str(tmp_path)!r}, {str(_ROOT)!r}];"
        "from analysis.cli.main import main; sys.exit(main(['report', 'x']))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert str(tmp_path / "logger.py") in done.stderr
    assert "virtual environment" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_terminal_of_few_characters_shows_odd_names_escaped(sample: Path, tmp_path: Path) -> None:
    log = tmp_path / "f\u00fchrung.csv"
    shutil.copy(sample / "run01.csv", log)
    done = subprocess.run(
        [sys.executable, "-m", "analysis", "look", str(log)],
        cwd=_ROOT,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": "ascii:strict"},
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "f\\xfchrung.csv" in done.stdout


@pytest.mark.skipif(os.name == "nt", reason="pipes and devices of POSIX systems")
def test_an_output_that_is_gone_full_or_closed_is_no_catastrophe() -> None:
    command = f"{sys.executable} -m analysis --help"
    for redirection, status in (
        ("| true; exit ${PIPESTATUS[0]}", {0, 141}),  # true may leave before or after we write
        ("> /dev/full", {2}),
        (">&-", {0}),
    ):
        done = subprocess.run(
            ["bash", "-c", f"{command} {redirection}"],
            cwd=_ROOT,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode in status, redirection
        assert "Traceback" not in done.stderr
        assert "Exception ignored" not in done.stderr
