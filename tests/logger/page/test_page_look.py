"""Every screen of the capture page: readable by all, within a thumb's reach, on small phones too."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from make_browser import (
    PATIENCE_MS,
    accept,
    address_of,
    feed,
    made_rows,
    open_stored,
    phone_page,
    says,
    start,
    stop,
)

if TYPE_CHECKING:
    from pathlib import Path

    from make_capture import ThreadServer
    from playwright.sync_api import Browser, Page, Playwright

#: Smallest target [CSS px]: WCAG 2.2, 2.5.8 asks for 24, 2.5.5 (AAA) for 44.
TARGET_PX = 44
SCREENS = (
    "cautions",
    "before",
    "ready",
    "recording",
    "neutral",
    "brake",
    "alarm",
    "one",
    "question",
    "list",
    "empty",
)


def tour(page: Page) -> Iterator[str]:
    """Go through all screens, as a person would, and stop at each."""
    speeds = [*np.linspace(0.0, 29.0, 12), *np.linspace(28.8, 4.0, 60)]  # at 1 Hz [m/s]
    run = [
        [11e3 + 1000 * k, "fix", 10_800 + 1000 * k, 51.2 + 2e-4 * k, 7.0, 80, 4, float(speed), 0]
        for k, speed in enumerate(speeds)
    ]
    yield "cautions"
    page.click("#accept")
    page.click("#to-list")
    yield "empty"
    page.click("#to-drive")
    yield "before"
    page.click("#allow")
    feed(page, made_rows(3.0))
    page.fill("#mass", "abc")
    page.click("#start")
    says(page, "#mass-error", "not the mass")
    yield "ready"
    page.fill("#mass", "1480")
    start(page)
    feed(page, made_rows(4.0, 6000.0))
    says(page, "#step", "Pull")
    yield "recording"
    feed(page, run[:12])
    says(page, "#step", "Neutral")
    yield "neutral"
    feed(page, run[12:])
    says(page, "#step", "Brake gently")
    yield "brake"
    page.evaluate("phone.state.now += 6000")
    says(page, "#alarm", "GPS is lost")
    yield "alarm"
    stop(page)
    says(page, "#runs", "Coast-down")
    yield "one"
    page.click("#rename")
    yield "question"
    page.keyboard.press("Escape")
    page.click("#to-list")
    page.wait_for_selector(".card")
    yield "list"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_screen_has_a_serious_fault(
    chromium: tuple[Playwright, Browser], server: ThreadServer, scheme: str
) -> None:
    """By axe-core, with the rules of WCAG up to AA, and contrast as for AAA (7 to 1)."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    contrast = ["color-contrast", "color-contrast-enhanced"]
    # the second look differs from the first in nothing but colours
    chosen = (
        {"runOnly": tags}
        if scheme == "light"
        else {"runOnly": {"type": "rule", "values": contrast}}
    )
    asked = {
        **chosen,
        "rules": {rule: {"enabled": True} for rule in contrast},
        "resultTypes": ["violations"],
    }
    seen, passed = [], 0
    with phone_page(chromium[1], address_of(server), color_scheme=scheme) as page:
        for screen in tour(page):
            seen.append(screen)
            result = axe.Axe().run(page, options=asked).response
            serious: list[Any] = [
                (screen, found["id"], [node["target"] for node in found["nodes"]])
                for found in result["violations"]
                if found["impact"] in ("serious", "critical")
            ]
            assert serious == []
            passed += any(rule["id"] == "color-contrast-enhanced" for rule in result["passes"])
    assert sorted(seen) == sorted(SCREENS)
    assert passed == len(SCREENS)  # the rule was at work everywhere


def test_targets_are_large_and_nothing_sticks_out(
    chromium: tuple[Playwright, Browser], server: ThreadServer
) -> None:
    """On the narrowest phone in use: 320 px wide (WCAG 1.4.10 asks for that width)."""
    small = {"width": 320, "height": 568}
    with phone_page(chromium[1], address_of(server), viewport=small) as page:
        for screen in tour(page):
            boxes = page.evaluate(
                """() => [...document.querySelectorAll("button, input, select")]
                  .filter(e => e.checkVisibility())
                  .map(e => [e.id || e.className, e.offsetWidth, e.offsetHeight, e.scrollWidth - e.clientWidth])"""
            )
            assert boxes
            for name, width, height, hidden in boxes:
                assert min(width, height) >= TARGET_PX, (screen, name, width, height)
                assert hidden <= 0 or name in {"ask-input", "note"}, (screen, name)
            over = page.evaluate(
                "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
            )
            assert over <= 0, screen


@pytest.mark.parametrize("size", [(390, 844), (320, 568), (844, 390)])
def test_start_and_stop_are_where_the_thumb_is(
    chromium: tuple[Playwright, Browser], server: ThreadServer, size: tuple[int, int]
) -> None:
    """At the lower edge without scrolling, however the phone is held, and as wide as the page."""
    viewport = {"width": size[0], "height": size[1]}
    with phone_page(chromium[1], address_of(server), viewport=viewport) as page:
        page.click("#accept")
        for button, go in (("#allow", page.click), ("#start", page.click), ("#stop", None)):
            page.wait_for_selector(f"{button}:visible", timeout=PATIENCE_MS)
            box = page.locator(button).bounding_box()
            assert box is not None
            assert box["height"] >= 56
            assert box["width"] >= 0.55 * min(size)
            assert size[1] / 2 < box["y"] + box["height"] <= size[1]
            if go is not None:
                go(button)


def test_the_look_can_be_chosen_against_the_phones(
    chromium: tuple[Playwright, Browser], server: ThreadServer
) -> None:
    """A phone that is dark by night is unreadable in the sun."""
    paper = "() => getComputedStyle(document.documentElement).backgroundColor"
    with phone_page(chromium[1], address_of(server), color_scheme="dark") as page:
        accept(page)
        dark = page.evaluate(paper)
        page.select_option("#look", "light")
        light = page.evaluate(paper)
        assert light != dark
        page.reload()
        page.wait_for_selector("#drive:visible")
        assert page.evaluate(paper) == light


def test_what_people_type_is_shown_as_text(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    evil = '<img src=x onerror="document.title=1">'
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        page.fill("#note", evil)
        start(page)
        feed(page, made_rows(2.0))
        stop(page)
        page.click("#rename")
        page.fill("#ask-input", evil)
        page.click("#ask-yes")
        says(page, "#one-title", evil)
        says(page, "#one-note", evil)
        open_stored(page)
        assert page.locator("img").count() == 0
        assert page.title() == "pullcoast recorder"
