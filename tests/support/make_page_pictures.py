"""The guide's pictures of the capture page: `python tests/support/make_page_pictures.py` takes them anew.

A simulated drive is fed to the page in the system's Chromium at the size of a phone, as the tests of
the page do it. The vehicle is invented.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from make_browser import accept, address_of, fed_rows, feed, launched, phone_page, says, start, stop
from make_capture import thread_server
from playwright.sync_api import Browser

from analysis.simulate.session import simulate_session
from logger.reading import read_log

__all__ = ["PICTURES", "take_pictures"]

PICTURES = ("pull.png", "verdict.png")
_FOLDER = Path(__file__).resolve().parents[2] / "sample_logs" / "page_pictures"
_SIZE = {"width": 390, "height": 844}


def take_pictures(browser: Browser, folder: Path) -> list[Path]:
    """Take the pictures: the step while driving, and the verdict after the run."""
    paths = [folder / name for name in PICTURES]
    with tempfile.TemporaryDirectory() as scratch:
        files = Path(scratch) / "files"
        truth = simulate_session(files, seed=2, pairs=1, phone="clean", layout="own")
        rows = fed_rows(read_log([files / name for name in truth.logs[0].files]), 0.0)
        split = 1000.0 * (truth.runs[0].launch_s + 6.0)
        with (
            thread_server(Path(scratch) / "session") as server,
            phone_page(browser, address_of(server), viewport=_SIZE) as page,
        ):
            accept(page)
            page.evaluate("now => { phone.state.now = now; }", 1000.0)
            start(page)
            moved = [[row[0] + 1000.0, row[1], row[2] + 1000.0, *row[3:]] for row in rows]
            feed(page, [row for row in moved if row[0] < split])
            says(page, "#step", "Pull")  # the screen follows a few times a second
            page.screenshot(path=paths[0])
            feed(page, [row for row in moved if row[0] >= split])
            stop(page)
            says(page, "#runs", "Good run")
            page.screenshot(path=paths[1])
    return paths


if __name__ == "__main__":
    for _, chromium in launched():
        for taken in take_pictures(chromium, _FOLDER):
            print(taken.name)
