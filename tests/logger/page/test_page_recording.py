"""The capture page in a phone-sized browser: what is fed comes out, and what happens is told."""

from __future__ import annotations

import math
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import gpxpy
import numpy as np
import pytest
from make_browser import (
    EPOCH_S,
    STAMP_S,
    accept,
    address_of,
    column,
    feed,
    made_rows,
    phone_page,
    start,
    stop,
    table_of,
)
from make_capture import ThreadServer
from numpy.testing import assert_allclose

from logger.capture.naming import comments
from logger.reading import read

if TYPE_CHECKING:
    from collections.abc import Callable

    from playwright.sync_api import Browser, Playwright

VALUE = 0.6e-5  # values have five decimals or more: half a step, and room for binary fractions


def test_rows_come_out_as_they_went_in(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    rows = made_rows(8.0)
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        page.fill("#mass", "3260")
        page.select_option("#mass-unit", "lb")
        page.fill("#note", 'two "up", windy\u0007')
        start(page)
        feed(page, rows)
        page.click("#mark")
        stop(page)
        path = table_of(page, tmp_path / "run.csv")
    recording = read(path)
    assert [f.kind for f in recording.findings] == []
    fixes = np.array([row[2:] for row in rows if row[1] == "fix"], dtype=float)
    arrived = np.array([row[0] for row in rows if row[1] == "fix"])
    names = "latitude_deg longitude_deg elevation_m position_accuracy_m speed_mps heading_deg"
    for name, fed in zip(names.split(), fixes[:, 1:].T, strict=True):
        t_s, values = column(recording, name)
        assert_allclose(t_s, fixes[:, 0] / 1000, atol=STAMP_S, rtol=0)
        assert_allclose(values, fed, atol=VALUE, rtol=0)
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert speed.arrived_s is not None
    # the arrival minus the stamp: 0.35 s, on one clock
    assert_allclose(speed.arrived_s - speed.t_s, (arrived - fixes[:, 0]) / 1000, atol=2e-4, rtol=0)
    motion = np.array([row[2:] for row in rows if row[1] == "motion"])
    for k, axis in enumerate("xyz"):
        t_s, values = column(recording, f"accel_{axis}_mps2")
        assert_allclose(t_s, motion[:, 0] / 1000, atol=STAMP_S, rtol=0)
        assert_allclose(values, motion[:, 1 + k], atol=VALUE, rtol=0)
        # the specification gives degrees per second about x, y, z as alpha, beta, gamma
        _, turning = column(recording, f"rotation_{axis}_radps")
        assert_allclose(turning, np.radians(motion[:, 4 + k]), atol=VALUE, rtol=0)
    # "up" by rotating (0, 0, 1) back through gamma about y and beta about x, written out anew
    beta, gamma = math.radians(62.5), math.radians(-7.25)
    about_x = np.array(
        [[1, 0, 0], [0, math.cos(beta), -math.sin(beta)], [0, math.sin(beta), math.cos(beta)]]
    )
    about_y = np.array(
        [[math.cos(gamma), 0, math.sin(gamma)], [0, 1, 0], [-math.sin(gamma), 0, math.cos(gamma)]]
    )
    up = (about_x @ about_y).T @ [0.0, 0.0, 1.0]
    assert_allclose([column(recording, f"up_{a}")[1][0] for a in "xyz"], up, atol=VALUE, rtol=0)
    texts = [(event.kind, event.text) for event in recording.events]
    assert texts == [
        ("event", "start"),
        ("mark", "ready"),
        ("mark", "mark 1"),
        ("event", "stop"),
    ]
    said = comments(path)
    assert float(said["mass_kg"]) == pytest.approx(3260 * 0.45359237, abs=1e-3)
    assert said["note"] == 'two "up", windy'


def test_gpx_is_read_back_by_two_readers(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    rows = made_rows(6.0)
    rows.append([rows[-1][0] + 900, "fix", 8000, 0.0000001, -0.0000002, None, 4, None, None])
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        start(page)
        feed(page, rows)
        stop(page)
        page.click("#rename")
        page.fill("#ask-input", "Hill & <valley> \u00e4/../x")
        page.click("#ask-yes")
        page.wait_for_selector("#one:visible #save-gpx:not([disabled])")
        with page.expect_download() as caught:
            page.click("#save-gpx")
        assert caught.value.suggested_filename.startswith("Hill_valley_\u00e4_x_2025-06-15_")
        path = tmp_path / "run.gpx"
        caught.value.save_as(path)
    fixes = [row for row in rows if row[1] == "fix"]
    parsed = gpxpy.parse(path.read_text(encoding="utf-8"))
    assert parsed.tracks[0].name == "Hill & <valley> \u00e4/../x"
    points = parsed.tracks[0].segments[0].points
    assert len(points) == len(fixes)
    for point, (_, _, stamp, latitude, longitude, height, _, speed, _) in zip(
        points, fixes, strict=True
    ):
        assert point.time == datetime.fromtimestamp(EPOCH_S + stamp / 1000, UTC)
        assert point.latitude == pytest.approx(latitude, abs=1e-8)
        assert point.longitude == pytest.approx(longitude, abs=1e-8)
        assert point.elevation == height
        assert point.speed == (None if speed is None else pytest.approx(speed, abs=1e-4))
    recording = read(path)
    t_s, values = column(recording, "speed_mps")
    assert_allclose(t_s, [f[2] / 1000 for f in fixes[:-1]], atol=1e-3, rtol=0)  # GPX has whole ms
    assert_allclose(values, [f[7] for f in fixes[:-1]], atol=1e-4, rtol=0)


def test_guide_marks_the_moments_and_a_false_reading_ends_no_run(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    """Speeds by hand at 1 Hz: target 100 km/h is 27.78 m/s, low 30 km/h is 8.33 m/s."""
    speeds = [0, 0, 3, 7, 11, 29.5, 18.5, 22, 25, 27.9, 28.6, 27.5, 26, 24.6, 0, 21.8, 20.4]
    speeds += [19.0, 17.5, 16.1, 14.8, 13.4, 12.0, 10.6, 9.3, 8.2, 8.9, 8.1, 5, 2, 1, 0, 0]
    rows = [
        [1000.0 * k + 400, "fix", 1000 * k, 51.1 + 2e-4 * k, 7.0, 80, 4, speed, 0]
        for k, speed in enumerate(speeds)
    ]
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        page.fill("#low", "30")
        start(page)
        feed(page, rows)
        stop(page)
        recording = read(table_of(page, tmp_path / "run.csv"))
    # times count from the first fix, at 0 s; cues come when a fix arrives, 0.4 s after its stamp.
    # The spike of 29.5 (at 5 s) and the drop to 0 (at 14 s) end nothing; the crossings at 9 s
    # (27.9) and at 25 s (8.2) are told at once; standing again is told by "ready".
    zero_s = (recording.clocks[0].epoch_s or 0.0) - EPOCH_S
    told = [(round(e.t_s + zero_s, 1), e.text) for e in recording.events if e.text != "start"]
    assert told[:-1] == [
        (1.4, "ready"),
        (9.4, "neutral now"),
        (9.4, "target_reached"),
        (25.4, "done"),
        (25.4, "low_reached"),
        (30.4, "ready"),
    ]


def test_guide_that_is_off_says_nothing(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    rows = [[1000.0 * k, "fix", 1000 * k, 51.1, 7.0, 80, 4, 1.5 * k, 0] for k in range(24)]
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        page.select_option("#guide", "off")
        start(page)
        feed(page, rows)
        assert page.inner_text("#step") == ""
        stop(page)
        recording = read(table_of(page, tmp_path / "run.csv"))
    assert [event.text for event in recording.events] == ["start", "stop"]


def test_stamps_of_other_clocks_come_onto_the_recordings_clock(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    """Seen in the field: seconds or milliseconds since 2001. And a phone's clock may be wrong."""
    since_2001_s = 978_307_200  # from 1970 to 2001: 31 years of 365 days and 8 leap days
    assert since_2001_s == (31 * 365 + 8) * 86_400
    cases: dict[str, Callable[[float], float]] = {
        "milliseconds since 2001": lambda ms: (EPOCH_S - since_2001_s) * 1000 + ms,
        "seconds since 2001": lambda ms: EPOCH_S - since_2001_s + ms / 1000,
        "seconds since 1970": lambda ms: EPOCH_S + ms / 1000,
        "as given": lambda ms: EPOCH_S * 1000 + ms,
        "clock 599.7 s off the phone's": lambda ms: EPOCH_S * 1000 + ms + 600_000,
    }
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        for number, (words, stamp) in enumerate(cases.items()):
            coords: dict[str, Any] = {
                "latitude": 51.1,
                "longitude": 7.0,
                "accuracy": 4,
                "altitude": None,
            }
            coords |= {"heading": None, "speed": 2.0, "altitudeAccuracy": None}

            def rows(first: int, last: int, stamp: Any = stamp, coords: Any = coords) -> Any:
                return [
                    [1000.0 * k + 300, "raw fix", stamp(1000 * k), coords]
                    for k in range(first, last)
                ]

            zero = 20 * number
            feed(page, rows(zero, zero + 5))
            start(page)
            feed(page, rows(zero + 5, zero + 10))
            stop(page)
            path = table_of(page, tmp_path / "run.csv")
            assert comments(path)["fix_stamps"] == words
            t_s, _ = column(read(path), "speed_mps")
            # a clock that is off counts from a fix's arrival: 0.3 s late, and evenly so
            late = 0.3 if "off" in words else 0.0
            assert_allclose(t_s - zero, np.arange(5, 10) + late, atol=1e-3, rtol=0)
            page.click("#to-drive")


@pytest.mark.parametrize("step_s", [600, -600, -8])
def test_a_clock_that_is_set_during_a_recording_spoils_no_table(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path, step_s: int
) -> None:
    """Where fixes carry the phone's own time, and a network sets it: rows far back are refused."""
    coords: dict[str, Any] = {"latitude": 51.1, "longitude": 7.0, "accuracy": 4, "speed": 2.0}
    coords |= {"altitude": None, "heading": None, "altitudeAccuracy": None}
    rows = [
        [1000.0 * k + 300, "raw fix", (EPOCH_S + k + (step_s if k >= 10 else 0)) * 1000, coords]
        for k in range(20)
    ]
    with phone_page(chromium[1], address_of(server)) as page:
        accept(page)
        start(page)
        feed(page, rows)
        stop(page)
        t_s, _ = column(read(table_of(page, tmp_path / "run.csv")), "speed_mps")
    # from then on they count from their arrival, 0.3 s late
    true_s = np.arange(20) + np.where(np.arange(20) < 10, 0.0, 0.3)
    assert_allclose(t_s, true_s, atol=1e-3, rtol=0)


def test_what_the_browser_itself_gives_is_recorded(
    chromium: tuple[Playwright, Browser], server: ThreadServer, tmp_path: Path
) -> None:
    """The browser's own events, whose values the development protocol sets: rounded to 0.1."""
    with phone_page(chromium[1], address_of(server), fed=False) as page:
        protocol = page.context.new_cdp_session(page)
        for kind in ("accelerometer", "linear-acceleration", "gyroscope"):
            enabled = {"available": True, "minimumFrequency": 1, "maximumFrequency": 100}
            protocol.send(
                "Emulation.setSensorOverrideEnabled",
                {"enabled": True, "type": kind, "metadata": enabled},
            )
            reading = {"xyz": {"x": 0.5, "y": 9.7, "z": -1.2}}
            protocol.send("Emulation.setSensorOverrideReadings", {"type": kind, "reading": reading})
        protocol.send(
            "DeviceOrientation.setDeviceOrientationOverride", {"alpha": 0, "beta": 90, "gamma": 0}
        )
        accept(page)
        start(page)
        began = time.time()
        for k in range(12):
            protocol.send(
                "Emulation.setGeolocationOverride",
                {
                    "latitude": 51 + k * 1e-4,
                    "longitude": 7,
                    "accuracy": 3,
                    "altitude": 100,
                    "altitudeAccuracy": 5,
                    "heading": 90,
                    "speed": 10 + 0.5 * k,
                },
            )
            page.wait_for_timeout(100)
        stop(page)
        recording = read(table_of(page, tmp_path / "run.csv"))
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert set(np.round((speed.values - 10) * 2, 6)) == set(range(12))
    epoch_s = recording.clocks[0].epoch_s
    assert epoch_s is not None
    assert abs(epoch_s + speed.t_s[0] - began) < 2.0  # the browser's clock is this machine's
    for axis, value in zip("xyz", (0.5, 9.7, -1.2), strict=True):
        assert_allclose(column(recording, f"accel_{axis}_mps2")[1], value, atol=1e-5, rtol=0)
        # set in rad/s, given by the browser in degrees per second with steps of 0.1
        _, turning = column(recording, f"rotation_{axis}_radps")
        assert_allclose(turning, value, atol=np.radians(0.06), rtol=0)
    assert_allclose([column(recording, f"up_{a}")[1][0] for a in "xyz"], [0, 1, 0], atol=1e-6)
