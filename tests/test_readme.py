"""README, guides and DEVELOPERS tell the truth: commands run, keys, figures and links are real."""

from __future__ import annotations

import html
import json
import os
import re
import runpy
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import pandas as pd
import pytest
from make_options import every_command

from analysis.physics.coasting import coast_distance_m, coast_time_s
from analysis.report.html import TEMPLATES
from logger.session.keys import (
    CORRECTION_STANDARDS,
    DRIVES,
    KNOWN_KEYS,
    POWER_UNITS,
    SPEED_UNITS,
    VEHICLE_KINDS,
)
from logger.session.session import read_session
from logger.tables.headers import OWN_COLUMNS

ROOT = Path(__file__).resolve().parents[1]
FILES = (
    "README.md",
    "logger/README.md",
    "analysis/README.md",
    "tests/README.md",
    "sample_logs/README.md",
    "DEVELOPERS.md",
)
TEXTS = {name: (ROOT / name).read_text(encoding="utf-8") for name in FILES}
README = TEXTS["README.md"]
RECORDING = TEXTS["logger/README.md"]
RESULTS = TEXTS["analysis/README.md"]
GUIDE = TEXTS["DEVELOPERS.md"]
SET_UP = "python3 -m venv"
#: Listens until it is stopped, and needs a phone.
LISTENS = "pullcoast capture"


def blocks(language: str, text: str = README) -> list[str]:
    """Return the fenced blocks of one language, without their fences and without indent."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^ *```$", text, re.MULTILINE | re.DOTALL)
    return [re.sub(rf"^{indent}", "", block, flags=re.MULTILINE) for indent, block in found]


def joined(text: str) -> str:
    """Return a text with every stretch of white space as one blank."""
    return " ".join(text.split())


@cache
def help_of(*command: str) -> str:
    """Return what a command of Python prints for ``--help``, without colour or boxes."""
    done = subprocess.run(
        [sys.executable, *command, "--help"],
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "100", "NO_COLOR": "1", "TERM": "dumb"},
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


@cache
def commands() -> tuple[str, ...]:
    """Return the names of the commands of `pullcoast`."""
    return tuple(name for name in every_command() if name)


def options(text: str) -> set[str]:
    """Return the long options that a text names."""
    return set(re.findall(r"(?<![\w-])--[a-z][a-zA-Z-]*[a-zA-Z]", text))


SH_BLOCKS = [(name, block) for name, text in TEXTS.items() for block in blocks("sh", text)]
#: Runs as it stands, with the sample logs at hand.
USE = [
    (name, block)
    for name, block in SH_BLOCKS
    if re.search(r"^pullcoast ", block, re.MULTILINE) and LISTENS not in block
]
#: Is of the project itself, or needs a phone or hours: looked at, not run.
LOOKED_AT = [pair for pair in SH_BLOCKS if pair not in USE and SET_UP not in pair[1]]


def set_up_commands() -> list[str]:
    return [line for block in blocks("sh") for line in block.splitlines() if SET_UP in line]


def test_the_readme_is_short_and_begins_with_the_job() -> None:
    """What it is, one picture, the two commands, cautions; everything else is in the guides."""
    assert len(README.splitlines()) <= 165
    first = README.partition("\n\n")[2].partition("\n\n")[0]
    for word in ("phone", "power", "wheels", "resistance", "without a rolling", "coasting"):
        assert word in first
    assert len(re.findall(r"!\[", README)) == 1


def test_powershell_commands_are_the_same_two() -> None:
    """As the two for a Unix shell, with Windows' paths and PowerShell's separator."""
    (block,) = blocks("powershell")
    translated = [
        command.replace("python3 -m", "py -m")
        .replace(" && ", "; ")
        .replace(".venv/bin/", ".venv\\Scripts\\")
        .replace("sample_logs/", "sample_logs\\")
        for command in set_up_commands()
    ]
    assert block.splitlines() == translated


def test_two_commands_do_all_set_up() -> None:
    """One runs the main job on the sample logs, one the tests; each brings its environment."""
    job, tests = set_up_commands()
    for command in (job, tests):
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install ")
        assert "\n" not in command
    sample = re.search(r"\.venv/bin/pullcoast report (sample_logs/\w+)", job)
    assert sample is not None
    assert read_session(ROOT / sample[1]).logs
    assert tests.endswith(".venv/bin/python -m pytest")


def test_continuous_integration_takes_the_commands_from_here() -> None:
    """`.ci/run` repeats neither command: it cuts both out of the README and runs them."""
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for command in set_up_commands():
        assert command.rpartition(" && ")[2] not in script
    assert re.findall(r'^bash .*-c "\$(\w+)', script, re.MULTILINE)[:2] == ["tests", "main_job"]
    cut = re.search(r"^set_up_commands\(\) \{\n(.*?)^\}", script, re.MULTILINE | re.DOTALL)
    assert cut is not None
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", f"{cut[0]}\nset_up_commands README.md"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.splitlines() == set_up_commands()


@pytest.fixture
def shell(tmp_path: Path) -> dict[str, str]:
    """Return an environment whose `pullcoast` is this tree's."""
    programs = tmp_path / "programs"
    programs.mkdir()
    program = programs / "pullcoast"
    program.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m analysis "$@"\n')
    program.chmod(0o755)
    path = f"{programs}{os.pathsep}{os.environ['PATH']}"
    return {**os.environ, "PATH": path, "PYTHONPATH": str(ROOT), "MPLCONFIGDIR": str(tmp_path)}


@pytest.mark.parametrize(("name", "block"), USE, ids=[joined(block)[:40] for _, block in USE])
def test_every_command_runs(name: str, block: str, tmp_path: Path, shell: dict[str, str]) -> None:
    """As it stands, in order, in a folder with the sample logs; the last status counts as all."""
    place = tmp_path / "clone"
    shutil.copytree(ROOT / "sample_logs", place / "sample_logs")
    done = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", block],
        cwd=place,
        env=shell,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"{name}: {done.stderr}"
    for command, arguments in re.findall(r"^pullcoast (\w+) (.*)$", block, re.MULTILINE):
        out = re.search(r"--out (\S+)", arguments)
        if command == "report":
            folder = place / (out[1] if out else f"{arguments.split()[0]}/results")
            assert list(folder.rglob("report.html"))
        elif command == "speed":
            assert out is not None
            assert (place / out[1] / "speed_time.csv").is_file()


@pytest.mark.parametrize(("name", "block"), LOOKED_AT, ids=[joined(b)[:40] for _, b in LOOKED_AT])
def test_every_other_command_is_there_with_its_options(name: str, block: str) -> None:
    for line in block.splitlines():
        words = line.removeprefix(".venv/bin/").split()
        if words[0] == "pullcoast":
            assert words[1] == "capture", name
            assert options(line) <= options(help_of("-m", "analysis", words[1]))
        elif words[0] == "python" and words[1].endswith(".py"):
            assert (ROOT / words[1]).is_file()
            assert not options(line) or options(line) <= options(help_of(words[1]))
        elif words[:3] == ["python", "-m", "pytest"]:
            assert all((ROOT / path).exists() for path in words[3:])
        else:
            assert f"\n{line}\n" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_commands_and_options_are_those_of_the_program() -> None:
    table = re.findall(r"^\| `pullcoast (\w+) ", RESULTS, re.MULTILINE)
    assert sorted(table) == sorted(commands())
    named = set()
    for text in TEXTS.values():
        named |= set(re.findall(r"`pullcoast (\w+)", text))
    assert named - {"COMMAND"} == set(commands())
    known = {"--help", "--version"}
    for command in commands():
        known |= options(help_of("-m", "analysis", command))
    for name in ("README.md", "logger/README.md", "analysis/README.md", "sample_logs/README.md"):
        assert options(TEXTS[name]) <= known, name
    assert len(options(RESULTS)) > 10


def test_benchmarks_named_are_all_there_with_their_options() -> None:
    """The table has every script that is run by hand, and no option that it does not know."""
    rows = re.findall(
        r"^\| .* \| `(tests/benchmarks/\w+\.py)(.*)` \|$", TEXTS["tests/README.md"], re.MULTILINE
    )
    runnable = {
        f"tests/benchmarks/{path.name}"
        for path in (ROOT / "tests" / "benchmarks").glob("*.py")
        if "argparse.ArgumentParser(" in path.read_text(encoding="utf-8")
    }
    assert {script for script, _ in rows} == runnable - {"tests/benchmarks/run.py"}
    for script, arguments in rows:
        assert not options(arguments) or options(arguments) <= options(help_of(script))


def printed(command: str, place: Path, shell: dict[str, str]) -> str:
    """Return what a command prints, run in a folder with the sample logs."""
    if not (place / "sample_logs").exists():
        shutil.copytree(ROOT / "sample_logs", place / "sample_logs")
    done = subprocess.run(
        ["bash", "-c", command], cwd=place, env=shell, capture_output=True, text=True, check=True
    )
    return done.stdout


def test_results_shown_are_those_printed(tmp_path: Path, shell: dict[str, str]) -> None:
    (report,) = blocks("text")
    assert report in printed("pullcoast report sample_logs/van_bare", tmp_path, shell)
    (compared,) = blocks("text", RESULTS)
    command = "pullcoast compare sample_logs/van_bare sample_logs/van_with_rack --out compared"
    assert command in RESULTS
    assert compared in printed(command, tmp_path, shell)


def test_example_of_before_and_after_is_one_vehicle_with_a_change() -> None:
    """And what is said of its truth follows from the samples' README: half rho A v^2."""
    before, after = (read_session(ROOT / "sample_logs" / n) for n in ("van_bare", "van_with_rack"))
    assert before.vehicle.name == after.vehicle.name
    assert before.vehicle.state != after.vehicle.state
    said = re.search(r"from\s+([\d.]+) to ([\d.]+) m\u00b2, which is (\d+) N at 100 km/h", RESULTS)
    assert said is not None
    bare_m2, rack_m2, more_n = (float(text) for text in said.groups())
    assert f"{bare_m2:g} m2 without and {rack_m2:g} m2 with" in TEXTS["sample_logs/README.md"]
    # dry air of 20 C and 100 kPa: p / (287.05 T); the humidity of reference air changes it by 0.5 %
    density = 100_000.0 / (287.05 * 293.15)
    assert more_n == pytest.approx(0.5 * density * (rack_m2 - bare_m2) * (100 / 3.6) ** 2, rel=0.01)
    claimed = re.search(r"has (\d+) \+/- (\d+) N more road load at 100 km/h", RESULTS)
    assert claimed is not None
    assert abs(float(claimed[1]) - more_n) < float(claimed[2])


def test_masses_in_examples_are_the_samples_own() -> None:
    mass_kg = read_session(ROOT / "sample_logs" / "van_bare").vehicle.mass_kg
    masses = []
    for text in (README, RECORDING, RESULTS):
        for block in [*blocks("sh", text), *blocks("toml", text)]:
            masses += re.findall(r"--mass (\d+)(kg|lb)", block)
            masses += [
                (number, "kg") for number in re.findall(r"^mass_kg = (\d+)", block, re.MULTILINE)
            ]
    assert len(masses) >= 5
    for number, unit in masses:
        # 1 lb = 0.45359237 kg, the international pound of 1959; a mass in pounds is a whole number
        in_kg = float(number) * (0.45359237 if unit == "lb" else 1.0)
        assert in_kg == pytest.approx(mass_kg, abs=0.25)


def test_example_of_a_cross_check_agrees_with_its_session(
    tmp_path: Path, shell: dict[str, str]
) -> None:
    (command,) = re.findall(r"^(pullcoast crosscheck sample_logs.*)$", RESULTS, re.MULTILINE)
    text = printed(command, tmp_path, shell)
    assert text.partition("\n\n")[0].count(": agrees") == 3
    (example,) = blocks("toml", RECORDING)
    times = re.findall(r'"([\d-]+=[\d.]+)"', example)
    assert times == re.findall(r"--(?:pull|coast) (\S+)", command)


def test_python_example_gives_tables(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From a folder to tables of runs, curves, forces and power that say what the report says."""
    monkeypatch.chdir(ROOT)
    (code,) = blocks("python", RESULTS)
    lines = [line for line in code.splitlines() if line and "import" not in line]
    assert len(lines) <= 10
    (tmp_path / "notebook.py").write_text(code, encoding="utf-8")
    names: dict[str, pd.DataFrame] = runpy.run_path(str(tmp_path / "notebook.py"))
    runs, curves, forces, power = (names[name] for name in ("runs", "curves", "forces", "power"))
    assert runs[runs["used"] & (runs["kind"] == "pull")]["run"].nunique() == 8
    assert {"log", "time_s", "speed_mps", "speed_sd_mps"} <= set(curves.columns)
    assert set(curves["log"]) == {0, 1, 2, 3, 4}
    at_100 = forces.iloc[(forces["speed_mps"] - 100 / 3.6).abs().argmin()]
    assert at_100["force_n"] == pytest.approx(803.4, abs=3 * at_100["sd_n"])  # truth.json
    assert set(power["gear"]) == {1, 2, 3}
    assert power["power_w"].max() == pytest.approx(84_710, rel=0.03)  # truth.json
    assert (power["sd_w"] > 0).all()


def test_functions_of_the_python_door_are_there_and_documented() -> None:
    from importlib import import_module

    rows = re.findall(r"^\| `((?:logger|analysis)\.[\w.]+)\((.*?)\)` \|", RESULTS, re.MULTILINE)
    assert len(rows) == 4
    for path, _ in rows:
        module, _, name = path.rpartition(".")
        text = getattr(import_module(module), name).__doc__
        for section in ("Parameters\n", "Returns\n", "Raises\n"):
            assert section in text, path


def test_example_session_can_be_read(tmp_path: Path) -> None:
    (text,) = blocks("toml", RECORDING)
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    for name in ("run03_gps.gpx", "run03_motion.csv.gz", "run02.csv"):
        (tmp_path / name).write_text("placeholder")
    session = read_session(tmp_path)
    assert [len(log.files) for log in session.logs] == [2, 1]
    assert session.logs[1].columns["speed_mps"].unit == "m/s"


def test_example_session_gives_a_report(tmp_path: Path, shell: dict[str, str]) -> None:
    """With the sample's own logs; its correction is refused, as the comment beside it states."""
    place = tmp_path / "sample_logs" / "van_bare"
    shutil.copytree(ROOT / "sample_logs" / "van_bare", place)
    (text,) = blocks("toml", RECORDING)
    (place / "session.toml").write_text(text, encoding="utf-8")
    results = json.loads(printed(f"pullcoast report {place} --json --quiet", tmp_path, shell))
    assert results["session"]["runs"] == 2
    assert results["corrections"]
    for correction in results["corrections"]:
        assert correction["peak_W"] is None
        assert "diesel" in correction["why_not"]
    assert results["crank_power"] is not None


@pytest.mark.parametrize("table", [name for name in KNOWN_KEYS if name])
def test_every_key_is_named(table: str) -> None:
    """A key that the program knows stands in the example, as a key or as a choice beside one."""
    (text,) = blocks("toml", RECORDING)
    sections = re.split(r"^\[+([\w.]+)\]+", text, flags=re.MULTILINE)
    by_name = dict(zip(sections[1::2], sections[2::2], strict=True))
    words = set(re.findall(r"[\w]+", by_name[table])) | set(by_name)
    # "file or files" and "columns" as a table of its own
    missing = {key for key in KNOWN_KEYS[table] if key not in words and f"log.{key}" not in words}
    if table == "log":
        missing -= {key for key in missing if re.search(rf"^{key} = ", text, re.MULTILINE)}
    assert missing == set()


def test_every_choice_is_named() -> None:
    (text,) = blocks("toml", RECORDING)
    for choices in (VEHICLE_KINDS, DRIVES, POWER_UNITS, SPEED_UNITS, CORRECTION_STANDARDS):
        for choice in choices:
            assert choice in text


def test_every_own_column_is_named() -> None:
    assert [name for name in OWN_COLUMNS if f"`{name}`" not in RECORDING] == []


def test_coasting_table() -> None:
    """Times and ways of the car that the text describes, by the closed forms, as rounded there."""
    described = re.search(
        r"A car of (\d+) kg .*?(\d+) N plus\s+([\d.]+) N per", RECORDING, re.DOTALL
    )
    assert described is not None
    mass_kg, f0, f2 = (float(text) for text in described.groups())
    rows = re.findall(r"^\| (\d+) km/h \| (\d+) s \| ([\d.]+) km \|$", RECORDING, re.MULTILINE)
    assert len(rows) == 4
    for kmh, seconds, kilometres in rows:
        speeds = (float(kmh) / 3.6, 20.0 / 3.6)
        assert float(seconds) == round(coast_time_s(mass_kg, f0, 0.0, f2, *speeds))
        way_km = coast_distance_m(mass_kg, f0, 0.0, f2, *speeds) / 1000.0
        assert float(kilometres) == pytest.approx(way_km, abs=0.005)


def test_cautions_are_those_of_the_report() -> None:
    """Whoever reads only one of the two is told the same."""
    page = (TEMPLATES / "cautions.html").read_text(encoding="utf-8")
    section = page.partition("<h2>Cautions</h2>")[2].partition("</ul>")[0]
    said = [
        joined(html.unescape(item)) for item in re.findall(r"<li>(.*?)</li>", section, re.DOTALL)
    ]
    assert len(said) >= 6
    for item in said:
        for sentence in re.split(r"(?<=\.) ", item):
            assert sentence.rstrip(".") in joined(README), sentence


def anchors(name: str) -> set[str]:
    """Return what links may lead to inside a file: its headings, as they are rendered on the web."""
    headings = re.findall(r"^#+ (.*)$", TEXTS[name], re.MULTILINE)
    return {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("name", FILES)
def test_links_lead_somewhere(name: str) -> None:
    """Pictures, files and folders exist, and so do the headings inside them."""
    links = re.findall(r"\]\(([^)\s]+)\)", TEXTS[name])
    assert links
    for link in links:
        path, _, anchor = link.partition("#")
        target = (ROOT / name).parent / path if path else ROOT / name
        assert target.exists(), link
        if anchor:
            assert anchor in anchors(str(target.resolve().relative_to(ROOT))), link


def test_every_guide_is_linked_from_the_readme() -> None:
    for name in FILES[1:]:
        assert f"]({name})" in README


@pytest.mark.parametrize("name", FILES)
def test_texts_speak_of_the_project_alone(name: str) -> None:
    """No path of a machine, and no address on the web but those of standards."""
    assert re.findall(r"(?<![\w.])/(?:home|root|tmp|work|usr|opt)/", TEXTS[name]) == []
    assert re.findall(r"https?://\S+", TEXTS[name]) == []


def test_guide_names_every_room() -> None:
    """The map in DEVELOPERS.md has each folder of the packages once, and none that is gone."""
    section = GUIDE.partition("\n### Rooms\n")[2].partition("\n### ")[0]
    named = re.findall(r"^\| `([\w/]+)` \|", section, re.MULTILINE)
    there = {
        str(path.parent.relative_to(ROOT))
        for package in ("logger", "analysis")
        for path in (ROOT / package).rglob("__init__.py")
    }
    assert sorted(named) == sorted(there)


def test_guide_names_files_that_exist() -> None:
    paths = re.findall(r"`((?:\.ci|analysis|logger|tests|sample_logs)(?:/[\w.]+)*)`", GUIDE)
    assert len(paths) > 10
    # what a contributor would add
    missing = [path for path in paths if not (ROOT / path).exists()]
    assert missing == ["logger/formats/yourformat.py"]


def test_guide_gives_the_checks_that_continuous_integration_makes() -> None:
    (block,) = blocks("sh", GUIDE)
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    tests, *others = block.splitlines()
    assert set_up_commands()[1].endswith(f"&& {tests}")
    for command in others:
        assert f"\n{command}\n" in script
