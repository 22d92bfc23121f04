"""What goes wrong during a recording, or is not allowed, is told on the page in plain words."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from make_browser import (
    STAMP_S,
    accept,
    address_of,
    column,
    feed,
    made_rows,
    phone_page,
    says,
    start,
    stop,
    table_of,
)
from make_capture import ThreadServer
from numpy.testing import assert_allclose

from logger.reading import read

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Playwright


def test_a_phone_that_lacks_things_still_records(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    """No motion sensor, null speed, failing fixes, no wake lock, no speech, no storage estimate."""
    bare = """
      delete window.DeviceMotionEvent; delete window.speechSynthesis; delete window.AudioContext;
      Object.defineProperty(navigator, "wakeLock", { value: undefined });
      Object.defineProperty(navigator, "storage", { value: undefined });
      window.DeviceMotionEvent = undefined;
    """
    fixes: list[list[Any]] = [
        [1000.0 * k + 200, "fix", 1000 * k, 51.1 + 9e-5 * k, 7.0, None, 6, None, None]
        for k in range(6)
    ]
    rows: list[list[Any]] = []
    for fix in fixes:
        rows += [fix, [fix[0] + 100, "no fix", 2], [fix[0] + 200, "no fix", 3]]
    with phone_page(chromium[1], address_of(server), init=bare) as page:
        accept(page)
        says(page, "#checks", "no motion")
        says(page, "#checks", "by hand")
        start(page)
        feed(page, rows)
        # 9e-5 degrees of latitude are 10 m: the speed from positions is 36 km/h
        says(page, "#speed", "36")
        stop(page)
        recording = read(table_of(page, tmp_path / "run.csv"))
    assert recording.channel("speed_mps") is None
    assert recording.channel("accel_x_mps2") is None
    t_s, _ = column(recording, "latitude_deg")
    assert_allclose(t_s, np.arange(6.0), atol=STAMP_S, rtol=0)


def test_hidden_and_back_is_told_and_heard(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        start(page)
        feed(page, made_rows(3.0))
        hide(page, True)
        hide(page, False)
        says(page, "#alarm", "hidden")
        feed(page, made_rows(3.0, 20_000.0))
        stop(page)
        recording = read(table_of(page, tmp_path / "run.csv"))
    texts = [event.text for event in recording.events if event.kind == "event"]
    assert texts == ["start", "hidden", "visible", "stop"]


def hide(page: Page, hidden: bool) -> None:
    """Say that the page is hidden, as the lock button would: headless browsers cannot be minimised."""
    page.evaluate(
        """hidden => {
          for (const [name, value] of [["hidden", hidden], ["visibilityState", hidden ? "hidden" : "visible"]]) {
            Object.defineProperty(document, name, { configurable: true, get: () => value });
          }
          document.dispatchEvent(new Event("visibilitychange"));
        }""",
        hidden,
    )


def test_lost_fixes_are_told_once_and_so_is_their_return(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        start(page)
        feed(page, made_rows(4.0))
        page.evaluate("phone.state.now = 9500")
        says(page, "#alarm", "GPS is lost.")
        page.wait_for_timeout(600)  # some more rounds, in which nothing new is to be told
        feed(page, made_rows(2.0, 9600.0))
        page.wait_for_selector("#alarm", state="hidden")
        stop(page)
        recording = read(table_of(page, tmp_path / "run.csv"))
    texts = [event.text for event in recording.events if event.kind == "event"]
    assert texts == ["start", "gps_lost", "gps_back", "stop"]


@pytest.mark.parametrize("granted", [[], ["geolocation"]])
def test_refusals_are_said_in_plain_words(
    chromium: tuple[Playwright, Browser], server: ThreadServer, granted: list[str]
) -> None:
    """With one permission granted, this browser denies all others; with a wrong one, location."""
    with phone_page(
        chromium[1], address_of(server), fed=False, permissions=granted or ["screen-wake-lock"]
    ) as page:
        accept(page)
        if granted:
            says(page, "#checks", "Motion is not allowed")
            assert page.is_enabled("#start")
        else:
            says(page, "#checks", "Location is not allowed")
            assert page.is_disabled("#start")
            says(page, "#checks", "settings")
