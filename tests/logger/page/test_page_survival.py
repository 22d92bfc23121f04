"""The capture page when the phone ends it, fills up, or has no network: what is stored stays whole."""

from __future__ import annotations

import base64
import hashlib
import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from make_browser import (
    FLAGS,
    STAMP_S,
    accept,
    address_of,
    browser_path,
    column,
    feed,
    killed,
    made_rows,
    open_stored,
    phone_page,
    says,
    shows,
    start,
    stop,
    table_of,
)
from make_capture import ThreadServer
from numpy.testing import assert_allclose

from logger.reading import read

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Playwright


def test_full_storage_keeps_what_is_there_and_offers_the_rest(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    with phone_page(chromium[1], address_of(server)) as page:
        protocol = page.context.new_cdp_session(page)
        origin = address_of(server).partition("/#")[0]
        room = 200_000 + page.evaluate("navigator.storage.estimate().then(it => it.usage)")
        protocol.send("Storage.overrideQuotaForOrigin", {"origin": origin, "quotaSize": room})
        accept(page)
        start(page)
        first, second = made_rows(4.0), made_rows(60.0, 5000.0, seed=2)  # 24 kB, 350 kB
        feed(page, first)
        page.wait_for_timeout(700)  # stored
        feed(page, second)
        page.wait_for_selector("#keep:visible")
        says(page, "#alarm", "takes no more")
        # both what is stored and what is not go into the file
        everything = read(table_of(page, tmp_path / "all.csv", "#keep"))
        page.click("#stop")
        page.wait_for_selector("#ask:visible")
        page.click("#ask-no")
        # room again: nothing is lost
        protocol.send("Storage.overrideQuotaForOrigin", {"origin": origin})
        stop(page)
        stored = read(table_of(page, tmp_path / "stored.csv"))
    fed = np.array([row[2] / 1000 for row in first + second if row[1] == "motion"])
    for recording in (everything, stored):
        t_s, _ = column(recording, "accel_x_mps2")
        assert_allclose(t_s, fed, atol=STAMP_S, rtol=0)


def test_a_store_that_takes_nothing_is_said_before_the_drive(
    chromium: tuple[Playwright, Browser], server: ThreadServer
) -> None:
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        protocol = page.context.new_cdp_session(page)
        origin = address_of(server).partition("/#")[0]
        protocol.send("Storage.overrideQuotaForOrigin", {"origin": origin, "quotaSize": 1})
        page.click("#start")
        says(page, "#bar-note", "full")
        assert page.is_visible("#start")


def test_a_reload_loses_nothing_and_is_told(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    rows = made_rows(4.0)
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        start(page)
        feed(page, rows)
        page.wait_for_timeout(900)
        page.on("dialog", lambda dialog: dialog.accept())
        page.reload()
        page.wait_for_selector("#drive:visible")
        says(page, "#bar-note", "cut off")
        open_stored(page)
        says(page, "#one-state", "Cut off")
        recording = read(table_of(page, tmp_path / "run.csv"))
    fed = [row[2] / 1000 for row in rows if row[1] == "motion"]
    assert_allclose(column(recording, "accel_x_mps2")[0], fed, atol=STAMP_S, rtol=0)


def test_list_rename_and_delete_after_a_question(
    chromium: tuple[Playwright, Browser], server: ThreadServer
) -> None:
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        for name in ("first", "second"):
            start(page)
            feed(page, made_rows(20.0, page.evaluate("phone.state.now") + 1000))
            stop(page)
            page.click("#rename")
            page.fill("#ask-input", name)
            page.click("#ask-yes")
            says(page, "#one-title", name)
            page.click("#to-drive")
        page.click("#to-list")
        cards = page.locator(".card")
        shows(cards.locator("b"), ["second", "first"])
        assert "0:21 long" in cards.nth(0).inner_text()
        cards.nth(0).click()
        page.click("#delete")
        page.wait_for_selector("#ask:visible")
        says(page, "#ask-text", "would be lost")
        page.click("#ask-no")
        page.click("#delete")
        page.click("#ask-yes")
        page.wait_for_selector("#list:visible")
        shows(cards.locator("b"), ["first"])
        left = page.evaluate(
            """() => new Promise(done => {
              const opened = indexedDB.open("pullcoast");
              opened.onsuccess = () => {
                const request = opened.result.transaction("pieces").objectStore("pieces").getAllKeys();
                request.onsuccess = () => done(new Set(request.result.map(([id]) => id)).size);
              };
            })"""
        )
        assert left == 1  # the rows of the other are gone as well


def test_a_kill_loses_at_most_a_second(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    """As a phone that ends the browser: every process at once, in mid-recording, twice."""
    found = list(killed(chromium[0], address_of(server), tmp_path, [0.9, 2.1]))
    assert len(found) == 2
    for _, recording in found:
        assert np.diff(column(recording, "accel_x_mps2")[0]).max() < 0.5  # no hole in the middle
    assert all(0.0 <= lost_s <= 1.0 for lost_s, _ in found)


def test_the_page_opens_without_network_where_the_certificate_is_trusted(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    """Trusted by its public key, which the browser treats like an authority that is installed."""
    keys = server.store.folder.parent / f"{server.store.folder.name}-keys"
    pem = next(keys.glob("*.pem")).read_bytes()
    key = x509.load_pem_x509_certificate(pem[pem.index(b"-----BEGIN CERTIFICATE") :]).public_key()
    info = key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    trusted = base64.b64encode(hashlib.sha256(info).digest()).decode()
    browser = chromium[0].chromium.launch(
        executable_path=browser_path(),
        args=[*FLAGS, f"--ignore-certificate-errors-spki-list={trusted}"],
    )
    try:
        with phone_page(browser, address_of(server), ignore_https_errors=False) as page:
            page.click("#accept")
            says(page, "#checks", "opens again even")
            page.context.set_offline(True)
            page.reload()
            page.click("#allow")
            start(page)
            feed(page, made_rows(2.0))
            stop(page)
            recording = read(table_of(page, tmp_path / "run.csv"))
    finally:
        browser.close()
    assert recording.channel("speed_mps") is not None


def test_without_a_trusted_certificate_the_page_says_to_keep_it_open(
    chromium: tuple[Playwright, Browser], server: ThreadServer
) -> None:
    """A person who goes on past the warning gets sensors, but no page without network."""
    with phone_page(chromium[1], address_of(server)) as page:
        page.click("#accept")
        says(page, "#checks", "Keep this page open")
        assert json.loads(page.evaluate("localStorage.pullcoast"))["accepted"] is True


def test_plain_http_is_said_to_be_the_wrong_address(
    chromium: tuple[Playwright, Browser], server: ThreadServer
) -> None:
    wrong = "Object.defineProperty(window, 'isSecureContext', { value: false });"
    with phone_page(chromium[1], address_of(server), init=wrong) as page:
        page.click("#accept")
        says(page, "#insecure", "begins with https")
