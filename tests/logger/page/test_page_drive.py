"""A simulated drive through the capture page, the server and the report: as if read from files."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from make_browser import (
    accept,
    address_of,
    fed_rows,
    feed,
    open_stored,
    phone_page,
    says,
    start,
    stop,
)
from make_capture import command_server, thread_server

from analysis.cli.main import main
from analysis.simulate.session import simulate_session
from logger.reading import read_log
from logger.session.session import read_session

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Playwright

    from analysis.simulate.phone import PhoneKind


def test_a_drive_recorded_by_the_page_gives_what_its_files_give(
    chromium: tuple[Playwright, Browser], tmp_path: Path, capsys: pytest.CaptureFixture[str]
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
            server.wait_for("top speed")
            page.click("#to-drive")
        open_stored(page)
        says(page, "#report-title", "Peak wheel power")
        shown = page.inner_text("#report-lines")
        axe = pytest.importorskip("axe_playwright_python.sync_playwright")
        rules = {"rules": {"color-contrast-enhanced": {"enabled": True}}}
        seen = axe.Axe().run(page, options=rules).response["violations"]
        assert [one["id"] for one in seen if one["impact"] in ("serious", "critical")] == []
        faults: list[str] = []
        page.context.on("console", lambda message: faults.append(message.text))
        with page.context.expect_page() as opened:
            page.click("#report-link")
        says(opened.value, "h1", "")  # a page that is not there yet cannot be loaded again
        opened.value.reload()  # a ticket holds for more than one look
        says(opened.value, "h1", "")
        assert opened.value.locator("svg, img").count() > 2
        assert [text for text in faults if "Content Security Policy" in text] == []
    capsys.readouterr()
    for folder in (files, sent):
        assert main(["report", str(folder)]) == 0
        printed = " ".join(capsys.readouterr().out.split())
        if folder == sent:
            assert all(text in printed for text in re.findall(r"95 %: [\d.]+ to [\d.]+", shown))
            assert "95 %" in shown
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


@pytest.mark.parametrize(("phone", "late_s"), [("clean", 0.0), ("rough", 1.2)])
def test_the_guide_tells_each_run_once_and_in_time(
    chromium: tuple[Playwright, Browser], tmp_path: Path, phone: PhoneKind, late_s: float
) -> None:
    """On simulated fixes at 1 Hz; a rough phone repeats them, and has false ones.

    A fix that jumps waits for the next one, so that the upper speed may be told one fix late.
    """
    simulate_session(tmp_path / "files", seed=2, pairs=2, phone=phone, layout="own")
    runs = []
    for log in read_session(tmp_path / "files").logs:
        speed = read_log(list(log.files)).channel("speed_mps")
        assert speed is not None
        runs.append((speed.t_s, speed.values, 0.9 * float(np.quantile(speed.values, 0.98))))
    with (
        thread_server(tmp_path / "session") as server,
        phone_page(chromium[1], address_of(server)) as page,
    ):
        told = page.evaluate(
            """async runs => {
              const { Guide } = await import("./guide.js");
              return runs.map(([times, speeds, target]) => {
                const guide = new Guide(target, 30 / 3.6);
                const fix = (time_s, k) => ({ time_s, speed_mps: speeds[k], accuracy_m: 5 });
                return times.map((time_s, k) => [guide.take(fix(time_s, k)), time_s]).filter(([cue]) => cue);
              });
            }""",
            [[t_s.tolist(), speeds.tolist(), target] for t_s, speeds, target in runs],
        )
    assert len(told) == 4
    for (t_s, speeds, target), cues in zip(runs, told, strict=True):
        assert [cue for cue, _ in cues][:3] == ["ready", "target", "low"]
        assert [cue for cue, _ in cues][3:] in ([], ["ready"])
        reached = t_s[np.argmax(speeds >= target)]
        assert 0.0 <= cues[1][1] - reached <= late_s
        slow = t_s[(t_s > cues[1][1]) & (speeds <= 30 / 3.6)][0]
        assert 0.0 <= cues[2][1] - slow <= late_s
