"""A simulated drive through the capture page, the server and the report: as if read from files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from make_browser import accept, feed, phone_page, says, start, stop
from make_capture import command_server

from analysis.cli import main
from analysis.simulate import simulate_session
from logger.reading import read_log
from logger.session import read_session

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Playwright

    from logger.recording import Recording

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


def test_a_drive_recorded_by_the_page_gives_what_its_files_give(
    chromium: tuple[Playwright, Browser], tmp_path: Path
) -> None:
    files, sent = tmp_path / "files", tmp_path / "sent"
    simulate_session(files, seed=5, pairs=1, layout="own")
    session = read_session(files)
    logs = [log.files for log in session.logs]
    mass_kg = session.vehicle.mass_kg
    listed = "".join(f'[[log]]\nfile = "{names[0].name}"\n' for names in logs)
    text = f"[vehicle]\nmass_kg = {mass_kg}\n{listed}"
    (files / "session.toml").write_text(text, encoding="utf-8")
    with (
        command_server(sent) as server,
        phone_page(
            chromium[1], f"https://127.0.0.1:{server.client.port}/#{server.client.token}"
        ) as page,
    ):
        accept(page)
        page.fill("#mass", f"{mass_kg:g}")
        start_ms = 1000.0
        for names in logs:
            rows = fed_rows(read_log(list(names)), start_ms)
            start_ms = rows[-1][0] + 5000
            start(page)
            feed(page, rows)
            stop(page)
            page.click("#send")
            says(page, "#one-state", "has all of it")
            page.click("#to-drive")
            server.wait_for("top speed")
    for folder in (files, sent):
        assert main(["report", str(folder)]) == 0
    ours, theirs = (
        json.loads((folder / "results" / "results.json").read_text(encoding="utf-8"))
        for folder in (sent, files)
    )
    # The page keeps 0.1 ms and more digits than the files have, so that not only the interval but
    # the figure stays: within a hundredth of its sd, where a lost row or a lost digit would show.
    power, expected = ours["wheel_power"], theirs["wheel_power"]
    assert abs(power["peak_W"] - expected["peak_W"]) < 0.01 * expected["peak_sd_W"]
    curve = {point["speed_mps"]: point for point in theirs["road_load"]["curve"]}
    assert [point["speed_mps"] for point in ours["road_load"]["curve"]] == list(curve)
    assert len(curve) > 10
    for point in ours["road_load"]["curve"]:
        other = curve[point["speed_mps"]]
        assert abs(point["force_N"] - other["force_N"]) < 0.01 * other["sd_N"]
