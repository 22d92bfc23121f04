"""From the capture page to the computer: whatever breaks on the way, the bytes that arrive are the same."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from make_browser import (
    accept,
    address_of,
    feed,
    made_rows,
    open_stored,
    phone_page,
    says,
    start,
    stop,
    table_of,
)
from make_capture import command_server, thread_server
from make_cutting import cutting_proxy

from logger.capture.uploads import Limits

if TYPE_CHECKING:
    from make_capture import ThreadServer
    from playwright.sync_api import Browser, Page, Playwright

TOLD = "The computer has all of it"


def record(page: Page, seconds: float, seed: int) -> None:
    accept(page)
    start(page)
    feed(page, made_rows(seconds, seed=seed))
    stop(page)


def test_cut_connections_leave_no_mark(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    """Ten cuts at random bytes, of parts, of requests and of handshakes."""
    rng = np.random.default_rng(7)
    with cutting_proxy() as proxy:
        settings: dict[str, Any] = {"proxy": {"server": proxy.address, "bypass": "<-loopback>"}}
        with phone_page(chromium[1], address_of(server), **settings) as page:
            record(page, 120.0, seed=1)
            expected = table_of(page, tmp_path / "run.csv").read_bytes()
            assert len(expected) > 2 * 256 * 1024  # three parts
            # small enough that all of them come to pass before the file is through
            proxy.cuts = [int(cut) for cut in rng.integers(1, len(expected) // 8, 10)]
            page.click("#send")
            page.wait_for_selector("#one-state:has-text('has all of it')", timeout=60_000)
            assert proxy.made == 10
    assert server.when_arrived().read_bytes() == expected


def test_sending_goes_on_after_a_reload(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    with cutting_proxy() as proxy:
        settings: dict[str, Any] = {"proxy": {"server": proxy.address, "bypass": "<-loopback>"}}
        with phone_page(chromium[1], address_of(server), **settings) as page:
            record(page, 90.0, seed=2)
            expected = table_of(page, tmp_path / "run.csv").read_bytes()
            proxy.cuts = [len(expected) // 2]
            page.route("**/recordings/*", _until_cut(proxy))
            page.click("#send")
            says(page, "#one-state", "does not answer")
            page.reload()
            page.unroute_all()
            page.wait_for_selector("#drive:visible")
            open_stored(page)
            offsets: list[int] = []
            page.on("request", lambda request: _note_offset(request, offsets))
            page.click("#send")
            says(page, "#one-state", TOLD)
    assert offsets[0] > 0  # what had arrived is not sent again
    assert offsets == sorted(offsets)
    assert server.when_arrived().read_bytes() == expected


def _until_cut(proxy: Any) -> Any:
    def handle(route: Any) -> None:
        if proxy.made:
            route.abort()
        else:
            route.continue_()

    return handle


def _note_offset(request: Any, offsets: list[int]) -> None:
    if request.method == "PUT":
        offsets.append(int(request.headers["upload-offset"]))


def test_sending_goes_on_when_the_server_starts_again(
    chromium: tuple[Playwright, Browser], tmp_path: Path
) -> None:
    """The command is killed in the middle; the token, the port and the parts outlive it."""
    folder = tmp_path / "session"
    with cutting_proxy() as proxy:
        settings: dict[str, Any] = {"proxy": {"server": proxy.address, "bypass": "<-loopback>"}}
        with command_server(folder) as first:
            port = first.client.port
            address = f"https://127.0.0.1:{port}/#{first.client.token}"
            with phone_page(chromium[1], address, **settings) as page:
                record(page, 90.0, seed=3)
                page.click("#rename")
                page.fill("#ask-input", "Towards the hangar")
                page.click("#ask-yes")
                says(page, "#one-title", "hangar")
                expected = table_of(page, tmp_path / "run.csv").read_bytes()
                proxy.cuts = [len(expected) // 2]
                page.route("**/recordings/*", _until_cut(proxy))
                page.click("#send")
                says(page, "#one-state", "does not answer")
                first.process.kill()
                first.process.wait()
                with command_server(folder, port=port) as second:
                    page.unroute_all()
                    page.wait_for_selector("#one-state:has-text('has all of it')", timeout=30_000)
                    second.wait_for("top speed")
    (arrived,) = folder.glob("*.csv")
    assert arrived.read_bytes() == expected
    assert "Towards the hangar" in (folder / "session.toml").read_text(encoding="utf-8")


def test_an_answer_that_is_cut_off_is_asked_for_again(
    chromium: tuple[Playwright, Browser], server: ThreadServer
) -> None:
    """Browsers send a part again by themselves; the refusal of the second may break as well."""
    broken = """
      const fetched = window.fetch;
      let first = true;
      window.fetch = async (address, request) => {
        if (request?.method !== "PUT" || !first) return fetched(address, request);
        first = false;
        const lost = () => Promise.reject(new TypeError("network error"));
        return { ok: false, status: 409, text: lost, json: lost };
      };
    """
    with phone_page(chromium[1], address_of(server), init=broken) as page:
        record(page, 2.0, seed=9)
        page.click("#send")
        says(page, "#one-state", TOLD)
    server.when_arrived()


def test_the_token_leaves_the_address_and_outlives_a_reload(
    chromium: tuple[Playwright, Browser], server: ThreadServer
) -> None:
    with phone_page(chromium[1], address_of(server)) as page:
        record(page, 2.0, seed=4)
        assert server.client.token not in page.url
        page.reload()
        open_stored(page)
        page.click("#send")
        says(page, "#one-state", TOLD)
    server.when_arrived()


def test_without_a_token_there_is_no_sending_but_a_file(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    """As from any static host."""
    with phone_page(chromium[1], address_of(server).partition("#")[0]) as page:
        record(page, 2.0, seed=5)
        assert page.is_hidden("#send")
        assert table_of(page, tmp_path / "run.csv").stat().st_size > 1000
        says(page, "#one-state", "downloads")


def test_the_share_sheet_is_given_a_file_that_is_ready(
    chromium: tuple[Playwright, Browser], server: ThreadServer
) -> None:
    """Headless browsers have no share sheet: what would be handed to it is looked at instead."""
    sheet = """
      navigator.canShare = data => data.files.length === 1;
      navigator.share = data => { window.shared = data; return Promise.resolve(); };
    """
    with phone_page(chromium[1], address_of(server), init=sheet) as page:
        record(page, 2.0, seed=6)
        page.click("#save-csv")
        says(page, "#one-state", "Handed over")
        given = page.evaluate(
            """async () => {
              const [file] = shared.files;
              return [Object.keys(shared), file.name, file.type, (await file.text()).length];
            }"""
        )
    assert given[0] == ["files"]  # a title or text beside files is lost, or loses the files
    assert given[1].endswith(".csv")
    assert given[2] == "text/csv"
    assert given[3] > 1000


def test_a_wrong_token_is_told_with_what_to_do(
    chromium: tuple[Playwright, Browser], server: ThreadServer
) -> None:
    wrong = address_of(server).partition("#")[0] + "#" + "x" * 43
    with phone_page(chromium[1], wrong) as page:
        record(page, 2.0, seed=7)
        page.click("#send")
        says(page, "#one-alarm", "Scan its code again")
        assert page.is_enabled("#save-csv")  # the other way stays open
        # scanning opens the page anew in the same tab
        page.evaluate("token => { location.hash = token; }", server.client.token)
        page.click("#send")
        says(page, "#one-state", TOLD)
    server.when_arrived()


def test_what_the_pc_refuses_is_told_in_its_own_words(
    chromium: tuple[Playwright, Browser], tmp_path: Path
) -> None:
    limits = Limits(recording_bytes=1000, free_bytes=0)
    with (
        thread_server(tmp_path / "session", limits=limits) as server,
        phone_page(chromium[1], address_of(server)) as page,
    ):
        record(page, 2.0, seed=8)
        page.click("#send")
        says(page, "#one-alarm", "The computer refuses")
        says(page, "#one-alarm", "--max-size")
        assert page.is_enabled("#save-csv")
