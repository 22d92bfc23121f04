"""The phone alone, in a browser: the same answers as on a computer, and no network after the first load."""

from __future__ import annotations

import contextlib
import functools
import json
import math
import os
import shutil
import threading
from collections.abc import Iterator
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from make_browser import phone_page, says
from make_runtime import runtime_folder

from analysis.cli.main import main

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Playwright

ROOT = Path(__file__).resolve().parents[3]
#: Starting and working out in WebAssembly, on a machine that does much else; it only ends a hang.
PATIENCE_MS = 400_000
#: Of a number's own standard deviation that may lie between the two: far below what anybody could see.
SHARE_OF_SD = 1e-2
#: For numbers without one: the releases of numpy differ, and fits end where they change no more.
RELATIVE = 1e-3


class _Quiet(SimpleHTTPRequestHandler):
    """Any static host; its types are those that such hosts give."""

    extensions_map = {  # noqa: RUF012
        **SimpleHTTPRequestHandler.extensions_map,
        ".js": "text/javascript",
        ".mjs": "text/javascript",
    }

    def log_message(self, format: str, *args: Any) -> None:
        """Keep the tests' output clean."""


@contextlib.contextmanager
def hosted(folder: Path) -> Iterator[tuple[str, ThreadingHTTPServer]]:
    """Serve a folder on the loopback, which browsers trust as they trust https."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(_Quiet, directory=str(folder)))
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/", server
    finally:
        server.shutdown()
        server.server_close()


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("alone") / "site"
    assert main(["page", str(place), "--quiet", "--runtime", str(runtime_folder())]) == 0
    return place


def native(session: Path, place: Path) -> tuple[int, dict[str, Any] | None]:
    """Return exit status and results of the command, the session's folder called as on the phone."""
    folder = place / "opened"
    shutil.copytree(session, folder)
    status = main(["report", str(folder), "--quiet"])
    results = folder / "results" / "results.json"
    return status, json.loads(results.read_text()) if results.exists() else None


def sd_of(values: dict[str, Any], key: str) -> float | None:
    """Return the standard deviation that stands beside a number, by the names of results.json."""
    for other, value in values.items():
        if "sd_" not in other and not other.endswith("_sd"):
            continue
        bare = other.replace("sd_", "", 1)
        bare = key if key.replace("ci95_", "sd_") == other else bare  # the ends of an interval
        point = other.startswith("sd_") and key.endswith(other.removeprefix("sd")) and key != other
        if isinstance(value, float | int) and (bare == key or point):
            return float(value)
    return None


def unlike(one: Any, other: Any, place: str = "", sd: float | None = None) -> list[str]:
    """Return where two results differ by more than a hundredth of a number's own sd.

    A standard deviation, and a part of one in a budget, may differ by a hundredth of itself: those of
    the peak are drawn at random, and releases of numpy draw otherwise from the same seed.
    """
    if "sd_" in place.rpartition(".")[2] or place.endswith("_sd"):
        sd = one if isinstance(one, float) else sd
    if isinstance(one, dict) and isinstance(other, dict) and one.keys() == other.keys():
        return [
            text
            for key in one
            if key not in {"text", "why", "version"}
            for text in unlike(
                one[key],
                other[key],
                f"{place}.{key}",
                abs(one[key]) if place.endswith(".budget") else sd_of(one, key),
            )
        ]
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        pairs = enumerate(zip(one, other, strict=True))
        return [text for at, pair in pairs for text in unlike(*pair, f"{place}[{at}]", sd)]
    number = (
        isinstance(one, float | int)
        and isinstance(other, float | int)
        and not isinstance(one, bool)
    )
    if number:
        allowed = RELATIVE * max(abs(one), abs(other)) if sd is None else SHARE_OF_SD * sd
        if math.isclose(one, other, rel_tol=1e-12, abs_tol=max(allowed, 1e-9)):
            return []
    elif one == other:
        return []
    return [f"{place}: {one!r} and {other!r}"]


def work_out(page: Page, files: list[Path] = []) -> str:  # noqa: B006
    """Open files, work out, and return the headline once report and figures are there too."""
    page.click("#to-phone")
    for box in page.locator("#phone-others input:checked, #phone-own input:checked").all():
        box.uncheck()
    if files:
        page.set_input_files("#phone-open", files)
        for path in files:
            page.wait_for_selector(f"#phone-others >> text={path.name}")
    else:
        page.locator("#phone-others input").first.wait_for()
        for box in page.locator("#phone-others input").all():
            box.check()
    page.click("#phone-go")
    page.wait_for_selector("#phone-go:disabled", timeout=PATIENCE_MS)
    page.wait_for_selector("#phone-go:not(:disabled)", timeout=PATIENCE_MS)
    assert page.locator("#phone-alarm").inner_text() == ""
    return page.locator("#phone-headline").inner_text()


def results_of(page: Page, path: Path) -> dict[str, Any]:
    with page.expect_download() as caught:
        page.click("#phone-save-results")
    caught.value.save_as(path)
    found: dict[str, Any] = json.loads(path.read_text())
    return found


def session_files(session: Path) -> list[Path]:
    return [
        path for path in sorted(session.iterdir()) if path.is_file() and path.name != "truth.json"
    ]


def test_same_answers_as_on_a_computer_and_again_without_network(
    chromium: tuple[Playwright, Browser], site: Path, tmp_path: Path
) -> None:
    session = ROOT / "sample_logs" / "van_bare"
    status, wanted = native(session, tmp_path)
    assert status == 0
    with hosted(site) as (address, server), phone_page(chromium[1], address) as page:
        page.click("#accept")
        page.evaluate("navigator.serviceWorker.ready.then(() => 1)")
        page.click("#to-phone")
        says(page, "#phone-go", "MB, once")
        headline = work_out(page, session_files(session))
        assert "Peak wheel power" in headline
        assert unlike(wanted, results_of(page, tmp_path / "first.json")) == []
        assert page.locator("#phone-figures img").count() >= 3
        # the report stands in a frame of its own, which cannot reach the page
        page.click("#phone-report")
        frame = page.frame_locator("#phone-full iframe")
        frame.locator("h1").first.wait_for()
        assert page.locator("#phone-full iframe").get_attribute("sandbox") == (
            "allow-scripts allow-downloads"
        )
        server.shutdown()
        page.context.set_offline(True)
        page.reload()
        page.wait_for_selector("#drive:visible")
        page.click("#to-phone")
        says(page, "#phone-headline", headline)  # kept
        assert page.locator("#phone-go").inner_text() == "Work it out on this phone"
        assert work_out(page) == headline
        assert unlike(wanted, results_of(page, tmp_path / "second.json")) == []


def test_without_webassembly_the_page_says_so_and_records(
    chromium: tuple[Playwright, Browser], site: Path
) -> None:
    off = "delete globalThis.WebAssembly;"
    with hosted(site) as (address, _), phone_page(chromium[1], address, init=off) as page:
        page.click("#accept")
        page.click("#to-phone")
        says(page, "#phone-alarm", "no WebAssembly")
        says(page, "#phone-alarm", "work it out on a computer")
        assert page.is_disabled("#phone-go")
        page.click("#to-drive")
        page.wait_for_selector("#allow:visible")


def test_a_file_altered_on_the_host_is_not_used(
    chromium: tuple[Playwright, Browser], site: Path, tmp_path: Path
) -> None:
    copy = Path(shutil.copytree(site, tmp_path / "site"))
    (numpy,) = (copy / "phone" / "runtime").glob("numpy-*.zip")
    data = bytearray(numpy.read_bytes())
    data[5000] ^= 1
    numpy.write_bytes(data)
    table = tmp_path / "run.csv"
    table.write_text("time_s,speed_mps\n0,1\n1,2\n")
    with hosted(copy) as (address, _), phone_page(chromium[1], address) as page:
        page.click("#accept")
        page.click("#to-phone")
        page.set_input_files("#phone-open", table)
        page.wait_for_selector("#phone-others input")
        page.fill("#phone-mass", "1480")
        page.click("#phone-go")
        says(page, "#phone-alarm", "numpy-")
        says(page, "#phone-alarm", "altered on the host")
        assert not page.is_visible("#phone-result")


def test_what_is_missing_is_said_before_anything_is_fetched(
    chromium: tuple[Playwright, Browser], site: Path
) -> None:
    with hosted(site) as (address, _), phone_page(chromium[1], address) as page:
        page.click("#accept")
        page.click("#to-phone")
        page.click("#phone-go")
        says(page, "#phone-alarm", "at least one recording")


def odd_sessions(place: Path) -> list[Path]:
    """Make GPS alone, one way alone, and a walk without any run."""
    made = [place / "gps_only", place / "one_way", place / "no_run"]
    assert main(["sample", str(made[0]), "--phone", "gps-only", "--pairs", "2"]) == 0
    assert main(["sample", str(made[1]), "--one-way", "--pairs", "2", "--seed", "5"]) == 0
    made[2].mkdir()
    rows = "".join(f"{t},{1 + t % 3 / 10},51.0,{7 + 1e-5 * t}\n" for t in range(300))
    (made[2] / "walk.csv").write_text("time_s,speed_mps,latitude_deg,longitude_deg\n" + rows)
    document = '[vehicle]\nmass_kg = 1480\n[[log]]\nfile = "walk.csv"\n'
    (made[2] / "session.toml").write_text(document)
    return made


@pytest.mark.skipif(
    not os.environ.get("PULLCOAST_PHONE_ALL"),
    reason="takes minutes; PULLCOAST_PHONE_ALL=1 works four more sessions out on both sides",
)
def test_same_answers_for_more_sessions(
    chromium: tuple[Playwright, Browser], site: Path, tmp_path: Path
) -> None:
    sessions = [ROOT / "sample_logs" / "van_with_rack", *odd_sessions(tmp_path)]
    with hosted(site) as (address, _), phone_page(chromium[1], address) as page:
        page.click("#accept")
        page.evaluate("navigator.serviceWorker.ready.then(() => 1)")
        for number, session in enumerate(sessions):
            place = tmp_path / f"native{number}"
            place.mkdir()
            status, wanted = native(session, place)
            page.click("#to-phone")
            from playwright.sync_api import expect

            while page.locator("#phone-others button").count():
                left = page.locator("#phone-others button").count()
                page.locator("#phone-others button").first.click()
                expect(page.locator("#phone-others button")).to_have_count(left - 1)
            headline = work_out(page, session_files(session))
            if wanted is None:
                assert status == 1
                assert headline == "No result from these recordings."
                assert not page.is_visible("#phone-save-results")
            else:
                found = results_of(page, tmp_path / f"{number}.json")
                assert unlike(wanted, found) == []
                kinds = [
                    [
                        (one["kind"], one["severity"], one["log"], one["run"])
                        for one in each["findings"]
                    ]
                    for each in (wanted, found)
                ]
                assert kinds[0] == kinds[1]
