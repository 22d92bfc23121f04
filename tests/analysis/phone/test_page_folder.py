"""The static folder: only what was checked goes in, and what goes in is whole. No browser needed."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from pathlib import Path

import pytest
from make_runtime import runtime_folder

from analysis.cli.main import main
from analysis.phone.folder import FRAME, MANIFEST, POLICY, served_pages
from analysis.phone.installed import InstalledFileError, installed_files, own_files
from analysis.phone.runtime import CORE, LOCK, RuntimeFileError, read_runtime
from analysis.phone.trim import trimmed
from logger.capture.pages import PAGE, PageError

#: What a phone may have to fetch, all of it [bytes].
MOST_BYTES = 32_000_000


@pytest.fixture(scope="module")
def official() -> Path:
    return runtime_folder()


@pytest.fixture(scope="module")
def site(official: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("phone") / "site"
    assert main(["page", str(place), "--runtime", str(official)]) == 0
    return place


def linked(official: Path, place: Path) -> Path:
    """Return a folder with links to the official files, to change one of them."""
    place.mkdir()
    for path in official.iterdir():
        if path.is_file():
            (place / path.name).symlink_to(path)
    return place


@pytest.mark.parametrize(
    "name", ["numpy-2.0.2-cp312-cp312-pyodide_2024_0_wasm32.whl", "pyodide.asm.wasm", LOCK]
)
@pytest.mark.parametrize("how", ["altered", "missing"])
def test_one_altered_or_missing_file_is_refused_by_name(
    official: Path, tmp_path: Path, name: str, how: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """One byte is enough, whichever file it is in, and nothing is written."""
    folder = linked(official, tmp_path / "runtime")
    data = bytearray((official / name).read_bytes())
    (folder / name).unlink()
    if how == "altered":
        # in the lock: a digit of a wheel's digest, so that it stays a lock
        at = data.index(b'"sha256"', data.index(b'"numpy-2.0.2')) + 12 if name == LOCK else 5000
        data[at] = ord("1" if data[at] == ord("0") else "0") if name == LOCK else data[at] ^ 1
        (folder / name).write_bytes(data)
    assert main(["page", str(tmp_path / "site"), "--runtime", str(folder)]) == 2
    said = capsys.readouterr().err
    assert name in said
    assert how in said
    assert not (tmp_path / "site").exists()


def test_without_network_the_release_is_an_error_that_names_the_file(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Port 9 of the loopback refuses, as a phone mast out of reach would."""
    monkeypatch.setattr("analysis.phone.runtime.PUBLISHED", "http://127.0.0.1:9/")
    with pytest.raises(RuntimeFileError, match=f"{re.escape(LOCK)}.*--runtime"):
        read_runtime(None)


def test_every_listed_file_is_there_with_its_digest(site: Path) -> None:
    listed = json.loads((site / MANIFEST).read_text())
    total = 0
    for entry in listed["files"]:
        data = (site / "phone" / entry["file"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == entry["sha256"]
        total += len(data)
    assert total == listed["bytes"] <= MOST_BYTES
    assert {path.name for path in (site / "phone" / "runtime").rglob("*.js")} == {"pyodide.asm.js"}


def test_the_interpreters_code_is_the_releases_own(site: Path) -> None:
    for name in ("pyodide.mjs", "pyodide.asm.js"):
        (path,) = site.rglob(name)
        assert hashlib.sha256(path.read_bytes()).hexdigest() == CORE[name]


def test_the_capture_page_is_in_it_with_one_more_script_and_a_wider_policy(site: Path) -> None:
    before, after = ((folder / "index.html").read_text() for folder in (PAGE, site))
    added = [line for line in after.splitlines() if line not in before.splitlines()]
    assert len(added) == 3
    assert POLICY in added[0]
    # nothing but compiled code and the frame of the report is let in beyond the capture page's own
    rules = dict(rule.strip().split(" ", 1) for rule in POLICY.split(";"))
    assert rules["script-src"] == "'self' 'wasm-unsafe-eval'"
    assert rules["default-src"] == "'none'"
    assert "unsafe-inline" not in POLICY
    assert "http" not in POLICY
    for path in PAGE.iterdir():
        if path.name not in {"index.html", "sw.js"}:
            assert (site / path.name).read_bytes() == path.read_bytes()


def test_the_offline_copy_knows_every_small_file(site: Path) -> None:
    worker = (site / "sw.js").read_text()
    assert f"const OWN_POLICY = {json.dumps(POLICY)};" in worker
    listed = re.search(r"const FILES = (\[.*?\]);", worker)
    assert listed is not None
    small = {
        path.relative_to(site).as_posix()
        for path in site.rglob("*")
        if path.is_file() and "runtime" not in path.parts
    }
    # the worker has a policy of its own there, and is kept by the second part
    assert set(json.loads(listed[1])) == small - {"sw.js", "index.html", "phone/worker.js"} | {"./"}


def test_the_same_input_gives_the_same_folder(site: Path, official: Path, tmp_path: Path) -> None:
    shutil.copytree(site, tmp_path / "again")
    stale = tmp_path / "again" / "phone" / "runtime" / "numpy-000000000000.zip"
    stale.write_bytes(b"of an earlier page")
    assert main(["page", str(tmp_path / "again"), "--runtime", str(official)]) == 0
    assert not stale.exists()
    for path in site.rglob("*"):
        if path.is_file():
            assert (tmp_path / "again" / path.relative_to(site)).read_bytes() == path.read_bytes()


def test_a_folder_with_something_else_is_left_alone(official: Path, tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    assert main(["page", str(tmp_path), "--runtime", str(official)]) == 2
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_licences_of_all_are_listed_with_their_texts(site: Path) -> None:
    text = (site / "phone" / "licences.txt").read_text()
    for name in ("Pyodide 0.27.7", "CPython", "numpy 2.0.2", "scipy 1.14.1", "pandas 2.2.3"):
        assert name in text
    for name in ("matplotlib 3.8.4", "openblas 0.3.26", "jinja2", "markupsafe"):
        assert name in text
    assert text.count("Redistribution and use in source and binary forms") >= 4


def test_the_server_gives_each_file_the_policy_that_it_needs(site: Path) -> None:
    pages = served_pages(site)
    assert "wasm-unsafe-eval" in pages["/"].headers["content-security-policy"]
    frame = pages[f"/{FRAME}"].headers
    assert frame["x-frame-options"] == "SAMEORIGIN"
    assert "script-src 'sha256-" in frame["content-security-policy"]
    assert "'self' " not in frame["content-security-policy"].partition("frame-ancestors")[0]
    with pytest.raises(PageError, match="pullcoast page"):
        served_pages(PAGE)


def test_packages_come_by_their_record_without_compiled_parts() -> None:
    version, files = installed_files("markupsafe")
    assert version
    assert "markupsafe/_native.py" in files
    assert not [name for name in files if name.endswith((".so", ".pyc"))]
    with pytest.raises(InstalledFileError, match="no-such-package"):
        installed_files("no-such-package")


def test_own_source_is_what_a_phone_needs_and_no_server() -> None:
    files = own_files()
    assert "analysis/session_pipeline.py" in files
    assert "analysis/report/templates/report.html" in files
    assert not [name for name in files if name.startswith(("logger/capture", "analysis/cli"))]


def test_trimming_keeps_licences_and_drops_tests() -> None:
    import io
    import zipfile

    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as file:
        for name in ("a/__init__.py", "a/tests/test_a.py", "a/core.pyi", "a.dist-info/LICENSE"):
            file.writestr(name, "x")
    assert set(trimmed("a", out.getvalue())) == {"a/__init__.py", "a.dist-info/LICENSE"}
