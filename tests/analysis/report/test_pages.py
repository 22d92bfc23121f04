"""The pages in a browser: nothing loaded, nothing run, nothing cut off, and fit for all readers."""

from __future__ import annotations

import csv
import functools
import io
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from make_analysis import Kind, make_analysis, with_comparisons
from make_hostile import (
    HOSTILE,
    hostile_analysis,
    hostile_comparisons,
    hostile_rows,
    hostile_shared,
)

from analysis.batch.table import batch_html
from analysis.pipeline import Analysis
from analysis.report.comparison import render_comparison
from analysis.report.html import report_html
from analysis.report.shared import render_shared
from analysis.text.numbers import Units
from logger.session.session import Display

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Playwright

_Chromium = tuple["Playwright", "Browser"]
#: What axe-core calls these is what keeps some readers out.
_SERIOUS = {"serious", "critical"}
_MADE: tuple[Kind, ...] = ("full", "narrow", "one_direction")
_PAGES = (*_MADE, "compared", "hostile", "several", "comparison", "batch", "every run")


def _analyses() -> dict[str, Analysis]:
    made: dict[str, Analysis] = {kind: make_analysis(kind) for kind in _MADE}
    made["compared"] = with_comparisons(make_analysis())
    made["hostile"] = hostile_analysis()
    return made


@functools.cache
def _html(name: str) -> str:
    if name == "several":
        return render_shared(hostile_shared(), ["a", "b"])["report.html"]
    if name == "comparison":
        return render_comparison(hostile_comparisons())["compare.html"]
    if name == "batch":
        return batch_html(hostile_rows(), " ".join(HOSTILE["name"]), Units.of(Display()))
    if name == "every run":
        return report_html(make_analysis("full"), full=True)
    return report_html(_analyses()[name])


@contextmanager
def _opened(
    chromium: _Chromium, name: str, folder: Path, width: int = 1280, **options: Any
) -> Iterator[Page]:
    """Open a page from a file; whatever it asks for beside itself, or runs, fails."""
    path = folder / "report.html"
    path.write_text(_html(name), encoding="utf-8")
    context = chromium[1].new_context(viewport={"width": width, "height": 800}, **options)
    asked: list[str] = []
    said: list[str] = []
    try:
        page = context.new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("dialog", lambda dialog: said.append(dialog.message))
        page.goto(path.as_uri())
        yield page
        assert asked == [path.as_uri()]
        assert said == []
    finally:
        context.close()


@pytest.mark.parametrize(
    ("name", "scheme"),
    [*((name, "light") for name in _PAGES), ("full", "dark"), ("several", "dark")],
)
def test_fit_for_all_readers_and_for_a_phone(
    chromium: _Chromium, name: str, scheme: str, tmp_path: Path
) -> None:
    """By axe-core's rules: contrast, names of figures and tables, order of headings, and so on.

    390 px is a common phone; 320 px is what WCAG 2.2, 1.4.10 (reflow) asks for.
    """
    with _opened(chromium, name, tmp_path, color_scheme=scheme) as page:
        found = Axe().run(page).response
        for width in (390, 320):
            page.set_viewport_size({"width": width, "height": 800})
            assert page.evaluate("document.documentElement.scrollWidth") == width
    serious = [
        f"{rule['id']} ({rule['impact']}): {node['html'][:120]}"
        for rule in found["violations"]
        if rule["impact"] in _SERIOUS
        for node in rule["nodes"]
    ]
    assert serious == []
    # it did look: at all text, and at figures where there are any
    looked = {"color-contrast"} | ({"svg-img-alt"} if name != "batch" else set())
    assert looked <= {rule["id"] for rule in found["passes"]}


@pytest.mark.parametrize("name", ["hostile", "several", "comparison", "batch"])
def test_text_from_files_stays_text_in_a_browser(
    chromium: _Chromium, name: str, tmp_path: Path
) -> None:
    """Names and notes are shown letter by letter; no element and no attribute comes of them."""
    with _opened(chromium, name, tmp_path) as page:
        text = page.inner_text("body")
        assert all(" ".join(part.split()) in " ".join(text.split()) for part in HOSTILE["name"])
        assert page.evaluate("window.owned") is None
        # the page's own, which its policy knows by its hash
        scripts = 1 if name in ("batch", "hostile") else 0
        assert page.locator("script").count() == scripts
        assert page.locator("img, iframe, object, embed, link, base, form").count() == 0
        handlers = "[...document.querySelectorAll('*')].flatMap(e => e.getAttributeNames())"
        names = set(page.evaluate(f"{handlers}.filter(n => n.startsWith('on'))"))
        assert names == set()
        targets = page.evaluate("[...document.links].map(a => a.getAttribute('href'))")
        assert all(t.startswith(("#", "data:text/csv;", "a/", "b/")) for t in targets)


def test_the_data_of_a_figure_can_be_saved(chromium: _Chromium, tmp_path: Path) -> None:
    with _opened(chromium, "full", tmp_path, accept_downloads=True) as page:
        with page.expect_download() as caught:
            page.locator("a[download='wheel-power.csv']").click()
        saved = tmp_path / "saved.csv"
        caught.value.save_as(saved)
    rows = list(csv.DictReader(io.StringIO(saved.read_text(encoding="utf-8"))))
    gears = make_analysis().power.gears  # type: ignore[union-attr]
    assert len(rows) == sum(gear.speed_mps.size for gear in gears)
    # the first gear's curve as made: 6200 N at 1 m/s
    assert float(rows[0]["speed [km/h]"]) == pytest.approx(3.6)
    assert float(rows[0]["wheel power [kW]"]) == pytest.approx(6.2)


def test_prints_on_a4_without_cutting_tables(chromium: _Chromium, tmp_path: Path) -> None:
    with _opened(chromium, "compared", tmp_path) as page:
        page.emulate_media(media="print")
        # 182 mm between the margins, at 96 px per inch
        page.set_viewport_size({"width": round(182 / 25.4 * 96), "height": 1000})
        wide = page.evaluate(
            "[...document.querySelectorAll('table, svg, p, ul')].filter("
            "e => e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 90))"
        )
        assert wide == []
        assert page.pdf(prefer_css_page_size=True).startswith(b"%PDF")


def test_every_figure_says_what_it_shows_to_those_who_do_not_see_it(
    chromium: _Chromium, tmp_path: Path
) -> None:
    with _opened(chromium, "full", tmp_path) as page:
        tree = json.dumps(page.locator("main").aria_snapshot())
    for title in ("Wheel power over speed", "What limits the road load"):
        assert f'img \\"{title}' in tree


def test_a_hundred_runs_stay_a_page_that_can_be_sent() -> None:
    many = replace(make_analysis(logs=100), findings=())
    assert len(report_html(many, full=True).encode()) < 1_500_000
    assert len(_html("every run").encode()) < 700_000
