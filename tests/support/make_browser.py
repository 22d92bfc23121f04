"""A phone-sized browser for tests of the capture page, with sensors that are fed by hand."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np
import pytest

from logger.reading import read

if TYPE_CHECKING:
    from make_capture import ThreadServer
    from playwright.sync_api import Browser, BrowserContext, Locator, Page, Playwright

    from logger.recording import Recording

__all__ = [
    "EPOCH_S",
    "FLAGS",
    "GRANTED",
    "PATIENCE_MS",
    "PHONE",
    "STAMP_S",
    "accept",
    "address_of",
    "browser_path",
    "column",
    "fed_rows",
    "feed",
    "kill_browser",
    "killed",
    "launched",
    "made_rows",
    "open_stored",
    "phone_page",
    "says",
    "start",
    "stop",
    "table_of",
]

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--autoplay-policy=no-user-gesture-required",
]
#: With one permission granted the browser denies all others, so all that the page asks for.
GRANTED = ["geolocation", "accelerometer", "gyroscope", "magnetometer", "screen-wake-lock"]
#: The certificate is taken without a look, as by a person who goes on past the warning.
PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844},
    "locale": "en-GB",
    "ignore_https_errors": True,
}

#: A page that has not reacted by then never will.
PATIENCE_MS = 40_000

#: Zero of the fed clock: a date in June 2025.
EPOCH_S = 1_750_000_000
#: Stamps have steps of 0.1 ms; half of one, and room for binary fractions.
STAMP_S = 0.6e-4

#: Replaces clock and sensors: `phone.feed` takes rows of [milliseconds, kind, values...], the first
#: being when it arrives on a clock that stands still between rows. Motion events are real ones, but
#: made here: the browser does not round them.
_FED = """
(() => {
  const state = { now: 0, epoch: 1_750_000_000_000, watches: [], offset: 0 };
  performance.now = () => state.now;
  Date.now = () => state.epoch + state.now;
  navigator.geolocation.watchPosition = (take, fail) => state.watches.push([take, fail]);
  navigator.geolocation.clearWatch = () => { state.watches = []; };
  const made = (kind, fields, stamp) => {
    const event = new kind(kind === DeviceMotionEvent ? "devicemotion" : "deviceorientation", fields);
    Object.defineProperty(event, "timeStamp", { value: stamp });
    dispatchEvent(event);
  };
  const xyz = ([x, y, z]) => ({ x, y, z });
  window.phone = {
    state,
    feed(rows) {
      for (const [at, kind, stamp, ...v] of rows) {
        state.now = at;
        if (kind === "fix") {
          const [latitude, longitude, altitude, accuracy, speed, heading] = v;
          const coords = { latitude, longitude, altitude, accuracy, speed, heading, altitudeAccuracy: 5 };
          for (const [take] of state.watches) take({ timestamp: state.epoch + stamp, coords });
        } else if (kind === "raw fix") {
          for (const [take] of state.watches) take({ timestamp: stamp, coords: v[0] });
        } else if (kind === "no fix") {
          for (const [, fail] of state.watches) fail({ code: v[0], message: "" });
        } else if (kind === "motion") {
          const rate = v.length > 3 ? { alpha: v[3], beta: v[4], gamma: v[5] } : null;
          made(DeviceMotionEvent, { accelerationIncludingGravity: xyz(v), rotationRate: rate, interval: 16 }, stamp);
        } else if (kind === "up") {
          made(DeviceOrientationEvent, { alpha: 0, beta: v[0], gamma: v[1] }, stamp);
        }
      }
    },
  };
})();
"""


#: Motion at 60 Hz with the browser's own clock.
_SHAKEN = """() => setInterval(() => {
  const fields = { accelerationIncludingGravity: { x: 0.1, y: 9.8, z: 0.2 }, interval: 16 };
  dispatchEvent(new DeviceMotionEvent("devicemotion", fields));
}, 16)"""


def _without(what: str) -> NoReturn:
    """Skip where a browser is not at hand; fail where the checks must be whole."""
    words = f"{what}; the capture page is tested in a browser"
    if os.environ.get("CI"):
        pytest.fail(words)
    pytest.skip(words)


def browser_path() -> str:
    """Return where Chromium is."""
    for name in ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable"):
        found = shutil.which(name)
        if found:
            return found
    _without("no Chromium (apt install chromium)")


@contextlib.contextmanager
def _playwright() -> Iterator[Playwright]:
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        _without("playwright is not installed (pip install -e '.[test]')")
    with sync_playwright() as playwright:
        yield playwright


def launched() -> Iterator[tuple[Playwright, Browser]]:
    """Start playwright and a browser for many tests."""
    path = browser_path()
    with _playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield playwright, browser
        browser.close()


@contextlib.contextmanager
def phone_page(
    browser: Browser, address: str, *, fed: bool = True, init: str = "", **options: Any
) -> Iterator[Page]:
    """Open the page in a context of its own, with sensors fed by hand; errors of the page fail."""
    context = browser.new_context(**{"permissions": GRANTED, **PHONE, **options})
    try:
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        if fed:
            page.add_init_script(_FED)
        if init:
            page.add_init_script(init)
        errors: list[str] = []
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.goto(address)
        # loaded is not yet shown: the modules choose the screen
        page.wait_for_selector("#cautions:visible, #drive:visible")
        yield page
        assert errors == []
    finally:
        context.close()


def address_of(server: ThreadServer) -> str:
    """Return the page's address with the token, as the code holds it."""
    return server.place.url(server.client.port, server.client.token)


def accept(page: Page) -> None:
    """Accept the cautions and switch the sensors on."""
    page.click("#accept")
    page.click("#allow")


def start(page: Page) -> None:
    """Start a recording."""
    page.click("#start")
    page.wait_for_selector("#stop:visible")


def stop(page: Page) -> None:
    """Stop, and wait for the recording's own screen with its files ready."""
    page.click("#stop")
    page.wait_for_selector("#one:visible #save-csv:not([disabled])")


def says(page: Page, selector: str, words: str) -> None:
    """Wait until an element says `words`; the page's own policy forbids to look by evaluation."""
    from playwright.sync_api import expect

    expect(page.locator(selector)).to_contain_text(words, timeout=PATIENCE_MS)


def shows(found: Locator, words: list[str]) -> None:
    """Wait until the found elements are as many as the words, and say them in this order."""
    from playwright.sync_api import expect

    expect(found).to_have_text(words, timeout=PATIENCE_MS)


def feed(page: Page, rows: Sequence[Sequence[Any]]) -> None:
    """Let rows arrive; see `_FED`."""
    for first in range(0, len(rows), 5000):
        page.evaluate("rows => phone.feed(rows)", list(rows[first : first + 5000]))


def made_rows(seconds: float, start_ms: float = 1000.0, seed: int = 1) -> list[list[Any]]:
    """Fixes at 1 Hz, motion at 60 Hz, and the direction of up, in the order in which they arrive."""
    rng = np.random.default_rng(seed)
    rows: list[list[Any]] = [[start_ms, "up", start_ms - 0.3, 62.5, -7.25]]
    for k in range(int(seconds * 60)):
        at = start_ms + 1 + k * 1000 / 60
        accel = rng.normal([0.3, 8.4, 4.9], 0.7)
        rows.append([at + 0.2, "motion", at, *accel.tolist(), *rng.normal(0, 20, 3).tolist()])
    latitude = 51.1
    for k in range(int(seconds)):
        at = start_ms + 400 + 1000 * k
        latitude += 0.37 * k / 111_250  # metres per degree there: readers compare speed with place
        fix = [latitude, -7.2 + 1e-7 * k, 88.25 + k, 3.5, 0.37 * k, 359.9 - k]
        rows.append([at + 350, "fix", round(at), *fix])
    return sorted(rows, key=lambda row: row[0])


_FIX = [
    "latitude_deg",
    "longitude_deg",
    "elevation_m",
    "position_accuracy_m",
    "speed_mps",
    "heading_deg",
]


def fed_rows(recording: Recording, start_ms: float) -> list[list[Any]]:
    """Return a recording as a phone would deliver it: fixes and motion by the time they arrive."""
    rows: list[list[Any]] = []
    motion = [recording.channel(f"accel_{axis}_mps2") for axis in "xyz"]
    assert all(channel is not None for channel in motion)
    columns = [channel.values.tolist() for channel in motion if channel is not None]
    assert motion[0] is not None
    for t_s, *accel in zip(motion[0].t_s.tolist(), *columns, strict=True):
        stamp = start_ms + 1000 * t_s
        rows.append([stamp + 2, "motion", stamp, *accel])
    fixes: dict[float, list[Any]] = {}
    for place, name in enumerate(_FIX):
        channel = recording.channel(name)
        assert channel is not None
        for t_s, value in zip(channel.t_s.tolist(), channel.values.tolist(), strict=True):
            fixes.setdefault(t_s, [None] * len(_FIX))[place] = value
    for t_s, values in fixes.items():
        stamp = start_ms + 1000 * t_s
        rows.append([stamp + 80, "fix", stamp, *values])
    return sorted(rows, key=lambda row: row[0])


def column(recording: Recording, name: str) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    channel = recording.channel(name)
    assert channel is not None, f"{name} is missing"
    epoch_s = recording.clocks[channel.clock].epoch_s
    assert epoch_s is not None
    return channel.t_s + (epoch_s - EPOCH_S), channel.values


def open_stored(page: Page, index: int = 0) -> None:
    """Open one of the stored recordings, counted from the newest."""
    page.click("#to-list")
    page.locator(".card").nth(index).click()
    page.wait_for_selector("#one:visible #save-csv:not([disabled])")


def table_of(page: Page, path: Path, button: str = "#save-csv") -> Path:
    """Save the shown recording to `path` by the page's own button."""
    with page.expect_download() as caught:
        page.click(button)
    caught.value.save_as(path)
    return path


def killed(
    playwright: Playwright, address: str, place: Path, after_s: Sequence[float]
) -> Iterator[tuple[float, Recording]]:
    """Record and kill the browser after so many seconds, again and again in one profile.

    Yields
    ------
    tuple of float and Recording
        How much of the time until the last process was killed is missing [s], and what the page
        gives when it is opened again.
    """
    profile = place / "profile"

    def opened() -> tuple[BrowserContext, Page]:
        context = playwright.chromium.launch_persistent_context(
            str(profile),
            executable_path=browser_path(),
            args=FLAGS,
            permissions=GRANTED,
            **PHONE,
        )
        page = context.pages[0]
        page.set_default_timeout(PATIENCE_MS)
        page.goto(address)
        page.wait_for_selector("#cautions:visible, #drive:visible")
        if page.is_visible("#accept"):  # a browser killed early may not have written that down
            page.click("#accept")
        return context, page

    context, page = opened()
    for number, seconds in enumerate(after_s):
        page.click("#allow")
        start(page)
        page.evaluate(_SHAKEN)
        page.wait_for_timeout(1000 * seconds)
        dead_s = kill_browser(context, profile)
        context, page = opened()
        open_stored(page)
        recording = read(table_of(page, place / f"run{number}.csv"))
        page.click("#to-drive")
        accel = recording.channel("accel_x_mps2")
        epoch_s = recording.clocks[0].epoch_s
        assert accel is not None
        assert epoch_s is not None
        yield dead_s - (epoch_s + float(accel.t_s[-1])), recording
    context.close()


def _children(pid: int) -> list[int]:
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with contextlib.suppress(OSError, IndexError):
                stat = (folder / "stat").read_text()
                if int(stat.rpartition(")")[2].split()[1]) == pid:
                    found.append(int(folder.name))
    return found


def kill_browser(context: BrowserContext, profile: Path) -> float:
    """Kill the browser of a profile with all its processes at once, as a phone kills an app.

    Returns
    -------
    float
        Seconds since 1970 after the last of the signals: nothing of it lived longer.
    """
    wanted = f"--user-data-dir={profile}".encode()
    roots = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with contextlib.suppress(OSError):
                words = (folder / "cmdline").read_bytes().split(b"\0")
                if wanted in words and not any(word.startswith(b"--type=") for word in words):
                    roots.append(int(folder.name))
    assert roots, "the browser is not running"
    family = list(roots)
    for pid in family:
        family += [child for child in _children(pid) if child not in family]
    for pid in family:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    dead_s = time.time()
    with contextlib.suppress(Exception):  # whatever it says of a browser that is gone
        context.close()
    return dead_s
