"""The capture page's files: small, whole, from nowhere else, and never stale. No browser needed."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from make_browser import browser_path
from make_page_version import PAGE, page_files, version_of_files, version_stated

from logger.capture.pages import load_pages
from logger.tables.headers import OWN_COLUMNS

INDEX = (PAGE / "index.html").read_text(encoding="utf-8")
WORKER = (PAGE / "sw.js").read_text(encoding="utf-8")


def test_the_whole_page_weighs_less_than_120_kb() -> None:
    """Uncompressed, with everything that it can ever load; it loads nothing from elsewhere."""
    assert sum(path.stat().st_size for path in page_files()) < 120_000


def test_the_server_serves_every_file() -> None:
    served = set(load_pages())
    assert served == {"/"} | {f"/{path.relative_to(PAGE).as_posix()}" for path in page_files()}


def test_the_offline_copy_holds_every_file_and_bears_their_version() -> None:
    listed = re.search(r"const FILES = \[(.*?)\];", WORKER, re.DOTALL)
    assert listed is not None
    names = re.findall(r'"([^"]+)"', listed[1])
    assert len(names) == len(set(names))
    # the worker is kept by the browser itself; the page is kept under its shorter address
    wanted = {path.name for path in page_files()} - {"sw.js", "index.html"} | {"./"}
    assert set(names) == wanted
    assert version_stated() == version_of_files(), "run: python tests/support/make_page_version.py"


def test_nothing_comes_from_elsewhere_and_no_script_or_style_stands_inside() -> None:
    namespaces = ("http://www.w3.org/2000/svg", "http://www.topografix.com/GPX/1/0")
    for path in page_files():
        text = path.read_text(encoding="utf-8")
        for namespace in namespaces:
            text = text.replace(namespace, "")
        assert not re.search(r"\bhttps?://", text), f"{path.name} names an address"
        assert not re.search(r"""(?:src|href|from|import\()\s*=?\s*["']/""", text), path.name
        assert not re.search(r"\beval\(|new Function|innerHTML|document\.write", text), path.name
    assert not re.search(r"<style|\sstyle=|\son[a-z]+=", INDEX)
    assert all(
        re.search(r'\ssrc="', tag) and tag.endswith("</script>")
        for tag in re.findall(r"<script.*?</script>", INDEX, re.DOTALL)
    )


def test_the_policy_in_the_page_forbids_all_that_is_not_its_own() -> None:
    """For static hosts, which send no policy of their own."""
    stated = re.search(r'Content-Security-Policy" content="([^"]+)"', INDEX)
    assert stated is not None
    rules = dict(rule.strip().split(" ", 1) for rule in stated[1].split(";"))
    assert rules["default-src"] == "'none'"
    for kind in ("script-src", "style-src", "connect-src", "worker-src", "manifest-src"):
        assert rules[kind] == "'self'"
    assert rules["img-src"] == "'self' data: blob:"


def test_modules_import_what_is_there_and_in_one_direction() -> None:
    imports: dict[str, set[str]] = {}
    for path in page_files():
        if path.suffix == ".js":
            text = path.read_text(encoding="utf-8")
            imports[path.name] = set(re.findall(r'from "\./([\w.]+)"', text))
            for names, module in re.findall(r'import \{([^}]+)\} from "\./([\w.]+)"', text):
                source = (PAGE / module).read_text(encoding="utf-8")
                for name in re.findall(r"[\w$]+", names):
                    kinds = r"(?:async function\*?|function\*?|class|const)"
                    assert re.search(rf"export {kinds} {re.escape(name)}(?![\w$])", source)
                    used = len(re.findall(rf"(?<![\w$]){re.escape(name)}(?![\w$])", text))
                    assert used > 1, f"{path.name} does not use {name}"
    reached, todo = set(), ["main.js"]
    while todo:
        name = todo.pop()
        if name not in reached:
            reached.add(name)
            todo += imports[name]
    assert reached == set(imports) - {"sw.js"}
    # what arithmetic there is stands apart from the page: these know neither elements nor sensors
    for pure in ("rows.js", "clock.js", "guide.js", "verdict.js", "typical.js"):
        text = (PAGE / pure).read_text(encoding="utf-8")
        assert not imports[pure]
        assert not re.search(r"\bdocument\b|\bnavigator\b|\bwindow\b", text), pure


def test_columns_are_the_own_tables() -> None:
    rows = (PAGE / "rows.js").read_text(encoding="utf-8")
    listed = re.search(r"COLUMNS = \[(.*?)\];", rows, re.DOTALL)
    assert listed is not None
    columns = re.findall(r'"(\w+)"', listed[1])
    assert [name for name in OWN_COLUMNS if name in columns] == columns


def test_manifest_and_icon_are_whole() -> None:
    manifest = json.loads((PAGE / "manifest.webmanifest").read_text(encoding="utf-8"))
    assert manifest["start_url"] == manifest["scope"] == "./"
    for icon in manifest["icons"]:
        assert ET.parse(PAGE / icon["src"]).getroot().get("viewBox") == "0 0 96 96"


def test_the_page_holds_every_caution_of_the_readme() -> None:
    """By the words that carry them: the same things are said in other sentences."""
    readme = (PAGE.parents[2] / "README.md").read_text(encoding="utf-8")
    texts = [" ".join(re.sub(r"<[^>]+>", " ", text).split()).lower() for text in (INDEX, readme)]
    words = ["closed course", "private road", "no other traffic", "limit", "skill", "mount"]
    words += ["passenger", "idling", "steering", "brake", "free rolling", "offence"]
    words += ["local law", "tyres, brakes and load", "estimate", "certified", "workshop"]
    for text in texts:
        assert [word for word in words if word not in text] == []


def test_without_a_browser_tests_skip_and_checks_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    """So that nobody takes a run without the page's tests for a whole one."""
    monkeypatch.setenv("PATH", "")
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match="apt install chromium"):
        browser_path()
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match="apt install chromium"):
        browser_path()


def test_the_driver_of_browsers_is_started_in_one_place_only() -> None:
    """It needs libraries that a machine without a browser may lack, and starts once per process."""
    starting = {
        path.name
        for path in Path(__file__).resolve().parents[2].rglob("*.py")
        if "benchmarks" not in path.parts
        if "sync_playwright() as" in path.read_text(encoding="utf-8")
    }
    assert starting - {Path(__file__).name} == {"make_browser.py"}
