"""The report that is made while recordings arrive: as `pullcoast report` makes it, whatever ends it."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import json
import re
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from make_capture import Client, command_server

from analysis.batch.live import Allowance, LiveReport, LiveState
from analysis.batch.live_report import make_report
from analysis.batch.live_routes import REPORT_POLICY
from analysis.cli.main import main
from analysis.simulate.session import simulate_session
from analysis.terminal.errors import EXIT_OK
from logger.session.session import read_session

#: A report that is not there by then never comes [s].
PATIENCE_S = 90.0
_HEAD = "# vehicle: estate\n# state: as built\n# temperature_C: 14.5\n# pressure_hPa: 1002\n"


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Simulate a pair of runs; return their tables as a phone would send them, but for the mass."""
    folder = tmp_path_factory.mktemp("live") / "files"
    truth = simulate_session(folder, seed=4, pairs=1, phone="clean", layout="own")
    return [_HEAD + (folder / log.files[0]).read_text(encoding="utf-8") for log in truth.logs]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, runs: list[str]) -> Path:
    """Make a session folder of both runs."""
    place = tmp_path_factory.mktemp("live") / "session"
    place.mkdir()
    names = []
    for number, text in enumerate(runs):
        names.append(f"run{number}.csv")
        (place / names[-1]).write_text(text, encoding="utf-8")
    logs = "".join(f'[[log]]\nfile = "{name}"\n' for name in names)
    (place / "session.toml").write_text(f"[vehicle]\nmass_kg = 1500\n{logs}", encoding="utf-8")
    return place


def send(phone: Client, number: int, text: str) -> None:
    data = text.encode()
    assert phone.put(f"{number:032x}", data, 0, len(data)).reply["done"]


def rested(phone: Client) -> dict[str, Any]:
    """Ask, as the page does, until the computer no longer works."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        answer = phone.ask("GET", "/report", headers=phone.bearer)
        assert answer.status == 200
        if answer.reply["state"] != "working":
            return answer.reply
        time.sleep(0.2)
    msg = "the report never comes"
    raise AssertionError(msg)


def settled(report: LiveReport) -> LiveState:
    end = time.monotonic() + PATIENCE_S
    while report.state.state == "working":
        assert time.monotonic() < end
        time.sleep(0.05)
    return report.state


def test_what_the_phone_is_shown_is_what_the_command_writes(
    runs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From an upload to the result: mass missing, one way only, then both."""
    place = tmp_path / "session"
    with command_server(place) as server:
        phone = server.client
        assert rested(phone)["state"] == "idle"
        send(phone, 1, runs[0])
        assert "the mass" in rested(phone)["title"]
        send(phone, 2, "# mass_kg: 1500\n" + runs[1])
        shown = rested(phone)
        assert shown["state"] == "done", shown
        server.wait_for("top speed")
        opened = phone.ask("POST", "/report/ticket", headers=phone.bearer).reply["ticket"]
        page = phone.ask("GET", f"/report/page/{opened}")
        assert page.body == (place / "results" / "report.html").read_bytes()
        assert page.headers["content-security-policy"] == REPORT_POLICY
        assert page.headers["x-content-type-options"] == "nosniff"
        # the page's own script may run, known by its hash, and no other
        (script,) = re.findall(rb"<script>(.*?)</script>", page.body, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(script).digest()).decode()
        assert f"script-src 'sha256-{digest}';" in REPORT_POLICY
        for method, path in (("GET", ""), ("POST", ""), ("POST", "/ticket")):
            for headers in ({}, {"Authorization": "Bearer x"}):
                answer = phone.ask(method, f"/report{path}", headers=headers)
                assert answer.status == 401
                assert set(answer.reply) == {"error"}
        assert phone.ask("GET", "/report/page/" + "x" * 32).status == 404
        assert server.end() == 0
    session = read_session(place)
    assert (session.vehicle.name, session.vehicle.state) == ("estate", "as built")
    assert session.vehicle.mass_kg == 1500
    text = (place / "session.toml").read_text(encoding="utf-8")
    assert "temperature_C = 14.5" in text
    assert "pressure_hPa = 1002" in text
    assert main(["report", str(place), "--out", str(tmp_path / "again")]) == EXIT_OK
    ours, theirs = (
        json.loads((where / "results.json").read_text(encoding="utf-8"))
        for where in (place / "results", tmp_path / "again")
    )
    assert ours == theirs
    printed = " ".join(capsys.readouterr().out.split())
    assert shown["title"] in printed
    at, load, trust, *_ = shown["lines"]
    assert at.partition(", ")[2].rstrip(".") in printed  # 95 %: 112.7 to 121.6 kW
    assert load.rstrip(".") in printed
    assert trust.replace("Trust: ", "Trust ") in printed


def test_one_way_only_asks_for_the_other(folder: Path, runs: list[str], tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_text(runs[0], encoding="utf-8")
    text = '[vehicle]\nmass_kg = 1500\n[[log]]\nfile = "run.csv"\n'
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    shown = make_report(tmp_path)
    assert shown.state == "not yet"
    assert "one more run the other way" in shown.title
    assert shown.report
    assert (tmp_path / "results" / "report.html").exists()


def test_without_the_switch_nothing_is_made(runs: list[str], tmp_path: Path) -> None:
    with command_server(tmp_path / "session", "--no-report") as server:
        send(server.client, 1, "# mass_kg: 1500\n" + runs[0])
        server.wait_for("top speed")
        assert server.client.ask("GET", "/report", headers=server.client.bearer).status == 404
        assert server.end() == 0
    assert not (tmp_path / "session" / "results").exists()


def test_ending_the_server_says_that_the_report_was_not_ready(
    runs: list[str], tmp_path: Path
) -> None:
    with command_server(tmp_path / "session") as server:
        send(server.client, 1, "# mass_kg: 1500\n" + runs[0])
        server.wait_for("top speed")
        assert server.end() == 0
    assert "The report was not ready: pullcoast report" in "".join(server.said)


def test_a_killed_server_leaves_no_process_behind(runs: list[str], tmp_path: Path) -> None:
    """Its end of a pipe closes with it, whatever ended it."""
    place = tmp_path / "session"

    def working() -> bool:
        found = False
        for command in Path("/proc").glob("[0-9]*/cmdline"):
            with contextlib.suppress(OSError):
                data = command.read_bytes()
                found |= b"run_child" in data and str(place).encode() in data
        return found

    def until(wanted: bool) -> None:
        end = time.monotonic() + PATIENCE_S
        while working() is not wanted:
            assert time.monotonic() < end
            time.sleep(0.02)

    with command_server(place) as server:
        send(server.client, 1, "# mass_kg: 1500\n" + runs[0])
        until(True)
        server.process.kill()
        server.process.wait()
        until(False)
    (log,) = place.glob("recording-*.csv")
    assert log.read_text(encoding="utf-8").endswith(runs[0][-200:])


def test_a_killed_process_costs_nothing_and_the_next_try_succeeds(folder: Path) -> None:
    """Killed at random moments; logs stay as they were, and old results whole."""
    before = {path.name: path.read_bytes() for path in folder.glob("run*.csv")}
    rng = np.random.default_rng(19)
    report = LiveReport(folder)
    try:
        for after_s in rng.uniform(0.0, 2.5, 5):
            report.want()
            end = time.monotonic() + PATIENCE_S
            while report._process is None and time.monotonic() < end:
                time.sleep(0.01)
            time.sleep(after_s)
            process = report._process
            if process is not None:
                process.kill()
                state = settled(report)
                assert state.state == ("failed" if process.returncode else "done")
        report.want()
        assert settled(report).state == "done"
    finally:
        report.end()
    assert {path.name: path.read_bytes() for path in folder.glob("run*.csv")} == before
    json.loads((folder / "results" / "results.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "allowance",
    [Allowance(memory_bytes=150_000_000), Allowance(cpu_s=1), Allowance(patience_s=0.5)],
)
def test_a_report_beyond_its_limits_fails_and_says_so(folder: Path, allowance: Allowance) -> None:
    report = LiveReport(folder, allowance=allowance)
    try:
        report.want()
        state = settled(report)
    finally:
        report.end()
    assert state.state == "failed"
    assert state.lines


def test_the_newest_state_wins_and_only_one_process_runs(folder: Path) -> None:
    said: list[LiveState] = []
    report = LiveReport(folder, said.append)
    try:
        for _ in range(4):
            report.want()
            time.sleep(0.6)  # longer than the pause: each has begun when the next comes
        assert settled(report).state == "done"
    finally:
        assert report.end() is False
    assert [state.state for state in said] == ["done"]


def test_ending_ends_the_process_at_once(folder: Path) -> None:
    report = LiveReport(folder)
    report.want()
    time.sleep(1.0)
    process = report._process
    assert process is not None
    ending = threading.Thread(target=report.end)
    ending.start()
    ending.join(10.0)
    assert not ending.is_alive()
    assert process.returncode is not None
