"""The table of a batch as CSV and page: sorted, escaped, usable without its script."""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING

import pytest

from analysis.batch.table import Row, batch_csv, batch_html
from analysis.text.numbers import Units
from logger.session.session import Display

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Playwright

UNITS = Units.of(Display())


def rows() -> list[Row]:
    figures: dict[str, str | float | int] = {
        "vehicle": "b", "peak_W": 70_000.0, "peak_sd_W": 1000.0, "peak_low95_W": 68_000.0,
        "peak_high95_W": 72_000.0, "mass_kg": 1480.0, "runs_up": 1, "runs_down": 1, "warnings": 0,
    }  # fmt: skip
    return [
        Row(name="z", report="z/report.html", message="", figures=figures),
        Row(name="y", report="", message="no mass\nat all", figures={"vehicle": "=HYPERLINK(1)"}),
        Row(name="x", report="", message="cannot be opened", figures={}),
        Row(
            name="a #1?",
            report="a #1?/report.html",
            message="",
            figures={**figures, "vehicle": "A <b>", "peak_W": 170_000.0},
        ),
    ]


def test_table_is_sorted_by_vehicle_and_no_cell_is_a_formula() -> None:
    read = list(csv.DictReader(io.StringIO(batch_csv(rows()))))
    assert [row["session"] for row in read] == ["y", "a #1?", "z", "x"]
    assert read[0]["vehicle"] == "'=HYPERLINK(1)"
    assert read[0]["message"] == "no mass at all"
    assert float(read[2]["peak_W"]) == 70_000.0


def test_page_escapes_what_comes_from_files_and_works_without_its_script() -> None:
    page = batch_html(rows(), "All <b>", UNITS)
    assert "A &lt;b&gt;" in page
    assert "<title>All &lt;b&gt;" in page
    assert 'href="a%20%231%3F/report.html"' in page
    order = [page.index(f">{name}<") for name in ("y", "a #1?", "z", "x")]
    # y and x failed and are named once more below
    assert order == sorted(order)
    assert "68.0 to 72.0" in page
    (script,) = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    assert "{{" not in script
    (policy,) = re.findall(r"script-src '(sha256-[^']+)'", page)
    import base64
    import hashlib

    # as browsers check it: CSP level 3, 6.7.3.3
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert policy == f"sha256-{digest}"


def test_page_sorts_in_a_browser(chromium: tuple[Playwright, Browser]) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page = chromium[1].new_page(viewport={"width": 390, "height": 844})
    page.set_content(batch_html(rows(), "All", UNITS))

    def order() -> list[str]:
        texts: list[str] = page.locator("tbody th").all_inner_texts()
        return texts

    assert order() == ["y", "a #1?", "z", "x"]
    power = page.get_by_role("button", name=re.compile("Peak wheel power"))
    power.click()
    # smallest first, failed ones last in either order
    assert order()[:2] == ["z", "a #1?"]
    power.click()
    assert order()[:2] == ["a #1?", "z"]
    assert page.locator("th[aria-sort]").count() == 1
    page.get_by_role("button", name="Vehicle").click()
    assert order()[-1] == "x"
    # a table that is wider than a phone moves by itself, the page does not
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    found = axe.Axe().run(page).response["violations"]
    assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []
    page.close()
