"""Values are read off the figures by pointer, touch and keys; without scripts nothing is missing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from make_analysis import make_analysis
from playwright.sync_api import Browser, Page, Playwright

from analysis.report.html import report_html

_Chromium = tuple[Playwright, Browser]
_POWER = "Read values: Wheel power over speed"
_LOAD = "Read values: Road load over speed"


@contextmanager
def _opened(chromium: _Chromium, folder: Path, **options: Any) -> Iterator[Page]:
    path = folder / "report.html"
    path.write_text(report_html(make_analysis()), encoding="utf-8")
    context = chromium[1].new_context(viewport={"width": 1280, "height": 800}, **options)
    try:
        page = context.new_page()
        page.goto(path.as_uri())
        yield page
    finally:
        context.close()


def _read(page: Page, label: str) -> str:
    return page.get_by_label(label).get_attribute("aria-valuetext") or ""


def test_arrow_keys_read_the_curves_with_their_intervals(
    chromium: _Chromium, tmp_path: Path
) -> None:
    with _opened(chromium, tmp_path) as page:
        page.get_by_label(_LOAD).focus()
        page.keyboard.press("Home")
        first = _read(page, _LOAD)
        page.keyboard.press("End")
        last = _read(page, _LOAD)
        page.get_by_label(_POWER).focus()
        page.keyboard.press("ArrowRight")
        power = _read(page, _POWER)
    # as made: 150 + 1.2 v + 0.42 v^2 N from 18 to 115 km/h: 166.5 N at 5 m/s and 617 N at 32 m/s
    assert re.fullmatch(r"18 km/h: 16\d N \(\d+ to \d+, 95 %\)", first)
    assert re.fullmatch(r"115 km/h: 61\d N \(\d+ to \d+, 95 %\)", last)
    assert re.fullmatch(r"[\d.]+ km/h: [\d.]+ kW \([\d.]+ to [\d.]+, 95 %\), gear \d", power)


def test_keys_alone_reach_every_readout(chromium: _Chromium, tmp_path: Path) -> None:
    reached = set()
    with _opened(chromium, tmp_path) as page:
        count = page.locator(".read input").count()
        for _ in range(200):
            page.keyboard.press("Tab")
            label = page.evaluate("document.activeElement.getAttribute('aria-label') || ''")
            reached |= {label} if label.startswith("Read values") else set()
    assert count == 3
    assert len(reached) == count


def test_pointing_at_a_curve_reads_it(chromium: _Chromium, tmp_path: Path) -> None:
    with _opened(chromium, tmp_path) as page:
        svg = page.locator("svg[data-x]").first
        svg.scroll_into_view_if_needed()
        box = svg.bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
        middle = _read(page, _POWER)
        page.mouse.move(box["x"] + 0.9 * box["width"], box["y"] + 0.5 * box["height"])
        right = _read(page, _POWER)
    assert 0 < float(middle.split()[0]) < float(right.split()[0])


def test_a_run_is_chosen_and_read(chromium: _Chromium, tmp_path: Path) -> None:
    with _opened(chromium, tmp_path) as page:
        page.get_by_label("Which run to read: Speed over time of every run").select_option("2 down")
        text = _read(page, "Read values: Speed over time of every run")
    assert re.match(r"[\d.]+ s: [\d.]+ km/h, (pull|coast|brake|stand|other)", text)


def test_nothing_is_missing_without_scripts(chromium: _Chromium, tmp_path: Path) -> None:
    with _opened(chromium, tmp_path, java_script_enabled=False) as page:
        text = page.inner_text("main")
        assert page.locator(".read").count() == 0
    for words in ("84", "Power at round speeds", "Force at round speeds"):
        assert words in text


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "light"), (390, "dark")])
def test_axe_finds_nothing_at_all(
    chromium: _Chromium, width: int, scheme: Any, tmp_path: Path
) -> None:
    """Findings of every level, with all parts unfolded and the readouts in place."""
    with _opened(chromium, tmp_path, color_scheme=scheme) as page:
        page.set_viewport_size({"width": width, "height": 844})
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
        found = Axe().run(page).response
        small = page.evaluate(
            "[...document.querySelectorAll('.onpage a, .read input, .read select, summary')].filter("
            "e => e.getBoundingClientRect().height < 43.5).map(e => e.outerHTML.slice(0, 80))"
        )
        assert page.evaluate("document.documentElement.scrollWidth") == width
        scrolled = page.evaluate(
            "[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth + 1)"
            ".map(e => e.getAttribute('aria-label'))"
        )
    assert [f"{rule['id']}: {rule['nodes'][0]['html'][:90]}" for rule in found["violations"]] == []
    if width == 390:
        assert small == []
        assert scrolled == []
