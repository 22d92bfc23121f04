"""The verdict after each run: right on simulated runs, and shown for a whole outing on phones of all sizes."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import pytest
from make_browser import (
    accept,
    address_of,
    fed_rows,
    feed,
    made_rows,
    open_stored,
    phone_page,
    says,
    start,
    stop,
    table_of,
)
from make_capture import thread_server
from make_page_pictures import take_pictures
from make_page_typical import typical_text
from make_page_version import PAGE
from make_verdicts import gate_errors, judged, spoilt, true_runs

from analysis.simulate.phone import PhoneKind
from analysis.simulate.session import simulate_session
from logger.capture.naming import comments
from logger.reading import read_log

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Playwright

    from analysis.simulate.truth import Truth

_BUZZED = """
  window.buzzed = [];
  Object.defineProperty(navigator, "vibrate", { value: pattern => buzzed.push(pattern) });
"""
SIZES = [(390, 844), (320, 568), (844, 390)]


def test_times_hold_what_they_promise_and_only_spoilt_runs_are_repeated(
    chromium: tuple[Playwright, Browser], tmp_path: Path
) -> None:
    """A small form of the benchmark `verdicts`: truth from the simulator, which knows no page."""
    runs = [run for phone in get_args(PhoneKind) for run in true_runs([301, 302], phone)]
    verdicts = judged(chromium[1], tmp_path / "runs", [run.samples for run in runs])
    assert [len(found) for found in verdicts] == [1] * len(runs)
    assert [found[0]["worth"] for found in verdicts].count("repeat") == 0
    errors = [
        e for run, found in zip(runs, verdicts, strict=True) for e in gate_errors(run, found[0])
    ]
    assert {phase for phase, _, _ in errors} == {"pull", "coast"}
    held = sum(abs(error_s) <= width_s for _, error_s, width_s in errors)
    assert held >= 0.91 * len(errors) > 40
    ways = [(way, samples) for run in runs[::3] for way, samples in spoilt(run).items()]
    found = judged(chromium[1], tmp_path / "spoilt", [samples for _, samples in ways])
    for (way, _), (run, *_) in zip(ways, found, strict=True):
        assert run["worth"] == "repeat", way
        named = [kind for kind, _ in run["faults"]]
        # braking at once may leave no coast-down at all
        assert way in named or (way in ("short", "stopped") and "no coast" in named), (way, named)


def test_the_table_of_what_is_typical_is_that_of_the_kept_figures() -> None:
    assert (PAGE / "typical.js").read_text(encoding="utf-8") == typical_text()


@pytest.fixture(scope="module")
def outing(tmp_path_factory: pytest.TempPathFactory) -> tuple[Truth, list[list[list[Any]]]]:
    """Simulate two pairs, as rows that a phone would deliver."""
    folder = tmp_path_factory.mktemp("outing") / "files"
    truth = simulate_session(folder, seed=2, pairs=2, phone="clean", layout="own")
    logs = [read_log([folder / name for name in log.files]) for log in truth.logs]
    return truth, [fed_rows(log, 0.0) for log in logs]


def drive(page: Page, rows: list[list[Any]], after_ms: float) -> float:
    """Record rows from a moment on; return when it is over."""
    page.evaluate("now => { phone.state.now = now; }", after_ms)
    start(page)
    feed(page, [[row[0] + after_ms, row[1], row[2] + after_ms, *row[3:]] for row in rows])
    stop(page)
    return after_ms + float(rows[-1][0]) + 5000


@pytest.mark.parametrize("size", SIZES)
def test_an_outing_of_three_runs_gets_the_right_verdicts(
    chromium: tuple[Playwright, Browser],
    outing: tuple[Truth, list[list[list[Any]]]],
    tmp_path: Path,
    size: tuple[int, int],
) -> None:
    """One good, one with a hole of 16 s in its coast-down, one stopped soon after the pull."""
    truth, logs = outing
    middle_ms = 500 * (truth.runs[1].neutral_s + truth.runs[1].brake_s)
    holed = [r for r in logs[1] if r[1] != "fix" or not middle_ms - 8e3 < r[0] < middle_ms + 8e3]
    short = [row for row in logs[2] if row[0] < 1000 * (truth.runs[2].neutral_s + 6)]
    viewport = {"width": size[0], "height": size[1]}
    with (
        thread_server(tmp_path / "session") as server,
        phone_page(chromium[1], address_of(server), viewport=viewport) as page,
    ):
        accept(page)
        now_ms = drive(page, logs[0], 1000.0)
        says(page, "#next-step", "Now one the other way")
        says(page, "#runs", "Good run")
        pull = re.search(r"Pull 0–(\d+) km/h in ([\d.]+) ± ([\d.]+) s", page.inner_text("#runs"))
        assert pull is not None
        run = truth.runs[0]
        assert abs(float(pull[2]) - (run.release_s - run.launch_s)) <= float(pull[3])
        top_kmh = 3.6 * max(truth.paths[0].speed_mps)
        assert abs(float(pull[1]) - top_kmh) < 2.0  # GPS noise of 0.1 m/s, rounding
        says(page, "#top-speed", f"{pull[1]} km/h")
        assert page.locator("svg.picture polyline").count() == 3
        # neither power nor drag can be had from this alone
        assert not re.search(r"\d+\s*(kW|hp|PS|N)\b", page.inner_text("#verdict"))
        page.click("#on")
        says(page, "#so-far", "Now one the other way")
        now_ms = drive(page, holed, now_ms)
        says(page, "#next-step", "Repeat this run")
        says(page, "#runs", "GPS was lost for 16 s in the coast-down")
        assert page.locator("svg.picture .hole").count() == 1
        page.click("#on")
        now_ms = drive(page, short, now_ms)
        says(page, "#next-step", "Repeat this run")
        says(page, "#runs", "stopped before the coast-down was over")
        page.click("#on")
        drive(page, logs[1], now_ms)
        says(page, "#next-step", "One pair is there: typically ± 4 %")
        page.reload()
        says(page, "#so-far", "One pair is there")
        open_stored(page, 1)
        says(page, "#runs", "stopped before")
        page.click("#to-list")
        says(page, "#recordings", "spoilt run")


@pytest.mark.parametrize("size", SIZES)
def test_nothing_moves_while_driving(
    chromium: tuple[Playwright, Browser],
    outing: tuple[Truth, list[list[list[Any]]]],
    tmp_path: Path,
    size: tuple[int, int],
) -> None:
    """Speed, step and buttons stay where they are through all steps and a loss of both sensors."""
    truth, logs = outing
    run = truth.runs[0]
    viewport = {"width": size[0], "height": size[1]}
    with (
        thread_server(tmp_path / "session") as server,
        phone_page(chromium[1], address_of(server), viewport=viewport, init=_BUZZED) as page,
    ):
        accept(page)
        start(page)
        seen = []
        done = 0
        for word, until_s in (
            ("Pull", run.launch_s),
            ("Neutral", run.release_s + 10),
            ("Brake gently", run.stop_s),
        ):
            upto = next(k for k, row in enumerate(logs[0]) if row[0] > 1000 * until_s)
            feed(page, logs[0][done:upto])
            done = upto
            says(page, "#step", word)
            seen.append(places(page))
        page.evaluate("phone.state.now += 9000")
        says(page, "#alarm", "GPS is lost. Motion is lost.")
        seen.append(places(page))
        # each step and the alarm shake in a way of their own
        buzzes = page.evaluate("buzzed")
    assert len(buzzes) == len({str(one) for one in buzzes}) == 4
    assert all(one == seen[0] for one in seen)
    for name, (x, y, width, height) in seen[0].items():
        assert x >= 0, name
        assert y >= 0, name
        assert x + width <= size[0], name
        assert y + height <= size[1], name


def places(page: Page) -> dict[str, list[float]]:
    """Return where things stand that a driver looks at or reaches for."""
    found: dict[str, list[float]] = page.evaluate(
        """() => Object.fromEntries([".speed", ".step", ".slot", ".facts", "#mark", "#stop"].map(name => {
          const { x, y, width, height } = document.querySelector(name).getBoundingClientRect();
          return [name, [x, y, width, height]];
        }))"""
    )
    return found


def test_switching_the_sensors_on_leaves_the_list_in_sight(
    chromium: tuple[Playwright, Browser], tmp_path: Path
) -> None:
    """By a tap where the button is, since a driver of browsers scrolls by itself."""
    where = "() => document.querySelector('#checks').getBoundingClientRect().y"
    with (
        thread_server(tmp_path / "session") as server,
        phone_page(chromium[1], address_of(server)) as page,
    ):
        page.click("#accept")
        before = page.evaluate(where)
        box = page.locator("#allow").bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + 20, box["y"] + 20)
        page.wait_for_selector("#start:visible")
        assert page.evaluate(where) == before
        says(page, "#bar-gps", "GPS: Waiting for the first fix")
        feed(page, [[1000.0, "fix", 900, 51.1, 7.0, 80, 4, 0.0, None]])
        says(page, "#bar-gps", "Good to 4 m")


def test_what_is_typed_of_vehicle_and_air_is_remembered_and_travels(
    chromium: tuple[Playwright, Browser], tmp_path: Path
) -> None:
    with (
        thread_server(tmp_path / "session") as server,
        phone_page(chromium[1], address_of(server)) as page,
    ):
        accept(page)
        page.fill("#temperature", "warm")
        says(page, "#air-error", "temperature as a number")
        typed = {"vehicle": "estate", "state": "winter tyres", "mass": "1480"}
        for name, text in {**typed, "temperature": "50", "pressure": "1002,5"}.items():
            page.fill(f"#{name}", text)
        page.select_option("#temperature-unit", "°F")
        start(page)
        feed(page, made_rows(2.0))
        stop(page)
        said = comments(table_of(page, tmp_path / "run.csv"))
        page.reload()
        page.wait_for_selector("#drive:visible")
        assert page.input_value("#vehicle") == "estate"
        assert page.input_value("#pressure") == "1002,5"
    assert {name: said[name] for name in ("vehicle", "state", "mass_kg")} == {
        "vehicle": "estate", "state": "winter tyres", "mass_kg": "1480",
    }  # fmt: skip
    assert float(said["temperature_c"]) == 10.0  # 50 F
    assert float(said["pressure_hpa"]) == 1002.5


def test_the_pictures_of_the_guide_can_be_taken_anew(
    chromium: tuple[Playwright, Browser], tmp_path: Path
) -> None:
    """The page still comes to what they show; their size is that of a phone's screen (PNG, IHDR)."""
    kept = Path(__file__).resolve().parents[3] / "sample_logs" / "page_pictures"
    for path in take_pictures(chromium[1], tmp_path):
        sizes = [(folder / path.name).read_bytes()[16:24] for folder in (kept, tmp_path)]
        assert sizes[0] == sizes[1] == (390).to_bytes(4, "big") + (844).to_bytes(4, "big")
