"""README and DEVELOPERS tell the truth: commands run, keys, figures and file names are real."""

from __future__ import annotations

import html
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from make_options import every_option

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
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
SET_UP = "python3 -m venv"


def blocks(language: str, text: str = README) -> list[str]:
    """Return the fenced blocks of one language, without their fences."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def joined(text: str) -> str:
    """Return a text with every stretch of white space as one blank."""
    return " ".join(text.split())


SH_BLOCKS = blocks("sh")
USE = [block for block in SH_BLOCKS if SET_UP not in block]


def set_up_commands() -> list[str]:
    return [line for block in SH_BLOCKS for line in block.splitlines() if SET_UP in line]


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


@pytest.mark.parametrize("block", USE, ids=lambda block: joined(block)[:40])
def test_every_command_runs(block: str, tmp_path: Path, shell: dict[str, str]) -> None:
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
    assert done.returncode == 0, done.stderr
    for command, arguments in re.findall(r"^pullcoast (\w+) (.*)$", block, re.MULTILINE):
        out = re.search(r"--out (\S+)", arguments)
        if command == "report":
            folder = place / (out[1] if out else f"{arguments.split()[0]}/results")
            assert list(folder.rglob("report.html"))
        elif command == "speed":
            assert out is not None
            assert (place / out[1] / "speed_time.csv").is_file()


def test_commands_and_options_are_those_of_the_program() -> None:
    known = every_option()
    whole = known.pop("")
    table = re.findall(r"^\| `pullcoast (\w+) ", README, re.MULTILINE)
    assert sorted(table) == sorted(known)
    assert set(re.findall(r"`pullcoast (\w+)", README)) - {"COMMAND"} == set(known)
    options = whole.union(*known.values())
    said = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README))
    assert said
    assert said <= options


def test_example_session_can_be_read(tmp_path: Path) -> None:
    (text,) = blocks("toml")
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    for name in ("run1_gps.gpx", "run1_motion.csv", "run2.csv"):
        (tmp_path / name).write_text("placeholder")
    session = read_session(tmp_path)
    assert [len(log.files) for log in session.logs] == [2, 1]
    assert session.logs[1].columns["speed_mps"].unit == "km/h"


@pytest.mark.parametrize("table", [name for name in KNOWN_KEYS if name])
def test_every_key_is_named(table: str) -> None:
    """A key that the program knows stands in the example, as a key or as a choice beside one."""
    (text,) = blocks("toml")
    sections = re.split(r"^\[+([\w.]+)\]+", text, flags=re.MULTILINE)
    by_name = dict(zip(sections[1::2], sections[2::2], strict=True))
    words = set(re.findall(r"[\w]+", by_name[table])) | set(by_name)
    # "file or files" and "columns" as a table of its own
    missing = {key for key in KNOWN_KEYS[table] if key not in words and f"log.{key}" not in words}
    if table == "log":
        missing -= {key for key in missing if re.search(rf"^{key} = ", text, re.MULTILINE)}
    assert missing == set()


def test_every_choice_is_named() -> None:
    (text,) = blocks("toml")
    for choices in (VEHICLE_KINDS, DRIVES, POWER_UNITS, SPEED_UNITS, CORRECTION_STANDARDS):
        for choice in choices:
            assert choice in text


def test_every_own_column_is_named() -> None:
    assert [name for name in OWN_COLUMNS if f"`{name}`" not in README] == []


def test_coasting_table() -> None:
    """Times and ways of the car that the text describes, by the closed forms, as rounded there."""
    described = re.search(r"A car of (\d+) kg .*?(\d+) N plus\s+([\d.]+) N per", README, re.DOTALL)
    assert described is not None
    mass_kg, f0, f2 = (float(text) for text in described.groups())
    rows = re.findall(r"^\| (\d+) km/h \| (\d+) s \| ([\d.]+) km \|$", README, re.MULTILINE)
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


@pytest.mark.parametrize("text", [README, GUIDE], ids=["README", "DEVELOPERS"])
def test_links_lead_somewhere(text: str) -> None:
    headings = re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    anchors = {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}
    links = re.findall(r"\]\(([^)\s]+)\)", text)
    assert links
    for link in links:
        if link.startswith("#"):
            assert link[1:] in anchors
        else:
            assert (ROOT / link).is_file()


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
    assert [path for path in paths if not (ROOT / path).exists()] == ["logger/yourformat.py"]


def test_guide_gives_the_checks_that_continuous_integration_makes() -> None:
    (block,) = blocks("sh", GUIDE)
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    tests, *others = block.splitlines()
    assert set_up_commands()[1].endswith(f"&& {tests}")
    for command in others:
        assert f"\n{command}\n" in script
