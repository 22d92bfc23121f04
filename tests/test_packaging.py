"""What is built holds what it must: the wheel runs without the source, the sdist is the project."""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tomllib
import zipfile
from email.message import Message
from email.parser import Parser
from importlib import import_module
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from analysis.pipeline import VERSION

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
#: Data without which a command fails or a type checker sees nothing.
DATA = (
    "analysis/py.typed",
    "logger/py.typed",
    "analysis/report/records/results.schema.json",
    "analysis/report/records/shared.schema.json",
    "analysis/report/records/compare.schema.json",
    "analysis/report/records/plan.schema.json",
    "analysis/report/templates/report.html",
    "analysis/report/templates/shared.html",
    "analysis/report/templates/compare.html",
)


def build(kind: str, folder: Path) -> Path:
    """Build with the backend that pyproject.toml names, as a front end would call it."""
    code = f"import hatchling.build as b; print(b.build_{kind}({str(folder)!r}))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return folder / done.stdout.splitlines()[-1]


def files_of(folder: str) -> set[str]:
    """Return every file of a folder but what Python itself leaves there."""
    return {
        str(path.relative_to(ROOT))
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    return zipfile.ZipFile(build("wheel", tmp_path_factory.mktemp("wheel")))


@pytest.fixture(scope="module")
def metadata(wheel: zipfile.ZipFile) -> Message:
    (name,) = [name for name in wheel.namelist() if name.endswith(".dist-info/METADATA")]
    return Parser().parsestr(wheel.read(name).decode())


def test_wheel_is_the_two_packages_whole(wheel: zipfile.ZipFile) -> None:
    """The build leaves out what .gitignore names: a careless line there would drop a template."""
    inside = {name for name in wheel.namelist() if ".dist-info/" not in name}
    assert set(DATA) <= inside
    assert inside == files_of("logger") | files_of("analysis")
    assert {"logger/README.md", "analysis/README.md"} <= inside


def test_wheel_installs_the_command(wheel: zipfile.ZipFile) -> None:
    (name,) = [name for name in wheel.namelist() if name.endswith(".dist-info/entry_points.txt")]
    assert "pullcoast = analysis.__main__:main" in wheel.read(name).decode()
    module, _, function = PROJECT["scripts"]["pullcoast"].partition(":")
    assert callable(getattr(import_module(module), function))


def test_wheel_states_what_it_needs(metadata: Message) -> None:
    assert metadata["Requires-Python"] == ">=3.11"
    needed = [text for text in metadata.get_all("Requires-Dist", []) if "extra ==" not in text]
    # names and bounds in their canonical form: the backend changes the order of two bounds
    stated, given = (
        sorted(str(Requirement(text)) for text in texts)
        for texts in (needed, PROJECT["dependencies"])
    )
    assert stated == given


def test_wheel_carries_licence_and_readme(wheel: zipfile.ZipFile, metadata: Message) -> None:
    (name,) = [name for name in wheel.namelist() if name.endswith("/LICENSE")]
    assert wheel.read(name).decode() == (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert metadata["License-Expression"] == "MIT"
    assert str(metadata.get_payload()).startswith("# pullcoast\n")


def test_sdist_is_the_project(tmp_path: Path) -> None:
    """Whoever has only the sdist can build, test and run the samples; results are not in it."""
    path = build("sdist", tmp_path)
    with tarfile.open(path) as archive:
        inside = {name.partition("/")[2] for name in archive.getnames()}
    top = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"}
    assert top <= inside
    assert files_of("logger") | files_of("analysis") <= inside
    assert {str(path.relative_to(ROOT)) for path in (ROOT / "tests").glob("*.py")} <= inside
    logs = files_of("sample_logs")
    results = {name for name in logs if "/results/" in name}
    assert logs - results <= inside
    assert not results & inside


def test_one_version() -> None:
    """Written once for the build and once for the history in results.json."""
    assert PROJECT["version"] == VERSION
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert f"\n## {VERSION}" in changes
