"""A stripped session's report says the same, and roads stripped apart are not taken for one."""

from __future__ import annotations

import gzip
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_private import (
    START_S,
    as_own,
    drive,
    told,
)

from analysis.cli.main import main
from analysis.runs.phases import find_runs
from analysis.runs.road import place_runs
from analysis.setup.anonymise import strip_recordings
from analysis.signals.smoothing import fuse
from analysis.simulate.session import simulate_session
from logger.reading import read_log
from logger.recording import Channel, Clock, Recording
from logger.session.session import LogEntry, read_session

ROOT = Path(__file__).resolve().parents[3]
CASES = ROOT / "tests" / "data" / "cases" / "first"


# --- the report says the same ------------------------------------------------------------------


def results(folder: Path, out: Path, *options: str) -> dict[str, object]:
    assert main(["report", str(folder), "--out", str(out), *options]) == 0
    loaded: dict[str, object] = json.loads((out / "results.json").read_text())
    return loaded


def differences(a: object, b: object, where: str = "") -> list[str]:
    """Return where two results differ by more than places rounded to 1 cm explain."""
    if isinstance(a, dict) and isinstance(b, dict):
        keys = sorted(set(a) | set(b))
        # times count from the first sample, which in a copy is the first that was kept
        # and why to trust counts the findings, some of which are about positions
        skipped = {"history", "findings", "why", "session", "start_s", "end_s"}
        return [
            text
            for key in keys
            if key not in skipped
            for text in differences(a.get(key), b.get(key), f"{where}.{key}")
        ]
    if isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        return [
            text
            for n, (x, y) in enumerate(zip(a, b, strict=True))
            for text in differences(x, y, f"{where}[{n}]")
        ]
    if isinstance(a, float) and isinstance(b, int | float):
        # the fit stops where its path moves by less than a twelfth of an interval's sd; what is left
        # of 1 cm in 10 m of knots is 1e-4 of a coefficient, and far less of a force or a power
        return [] if a == pytest.approx(b, rel=3e-4, abs=1e-6) else [f"{where}: {a} {b}"]
    return [] if a == b else [f"{where}: {a} {b}"]


@pytest.mark.parametrize("phone", ["clean", "rough"])
def test_report_of_a_stripped_session_is_the_same(
    phone: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Own tables, and GPX beside motion, in one session; of a rough phone faults were left out."""
    simulate_session(tmp_path / "s", seed=11, pairs=2, phone=phone, layout="mixed")  # type: ignore[arg-type]
    assert main(["strip", str(tmp_path / "s"), str(tmp_path / "c"), "--json"]) == 0
    done = json.loads(capsys.readouterr().out)
    assert done["session"] is True
    assert done["places"] is True
    assert (
        "latitude" not in (gzip.decompress((tmp_path / "c" / "log01.csv.gz").read_bytes())).decode()
    )
    before, after = results(tmp_path / "s", tmp_path / "a"), results(tmp_path / "c", tmp_path / "b")
    assert differences(before, after) == []
    needed = {"mass_kg", "mass_sd_kg", "rotating_mass_kg", "runs_up", "runs_down"}
    sessions = [result["session"] for result in (before, after)]
    assert all(isinstance(session, dict) for session in sessions)
    a, b = ({key: session[key] for key in needed} for session in sessions)  # type: ignore[index]
    assert a == b


def test_report_from_positions_alone_stays_within_its_uncertainty(tmp_path: Path) -> None:
    """Positions that stand in for speed lose their noise across the road, so figures may move."""
    simulate_session(tmp_path / "s", seed=5, pairs=1, layout="gpx+motion")
    for file in (tmp_path / "s").glob("*.gpx"):
        text = re.sub(r"<([\w:]*speed)>[^<]*</\1>", "", file.read_text())
        assert text != file.read_text()
        file.write_text(text)
    assert main(["strip", str(tmp_path / "s"), str(tmp_path / "c")]) == 0
    before, after = results(tmp_path / "s", tmp_path / "a"), results(tmp_path / "c", tmp_path / "b")
    powers = [found["wheel_power"] for found in (before, after)]
    a, b = ((p["peak_W"], p["peak_sd_W"]) for p in powers)  # type: ignore[index]
    # other noise of the same positions: less than the sd that all noise makes
    assert abs(a[0] - b[0]) < a[1]
    assert b[1] == pytest.approx(a[1], rel=0.25)


def test_session_file_keeps_figures_and_loses_texts(tmp_path: Path) -> None:
    folder = tmp_path / "jane"
    folder.mkdir()
    (folder / "jane.csv").write_text(as_own())
    (folder / "session.toml").write_text(
        '[vehicle]\nname = "Zephyr Nine"\nstate = "Cobblers Lane"\nmass_lb = 3260\ntyre = "205/55 R16"\n'
        "overall_ratios = [13.2, 7.6]\n[air]\ntemperature_F = 57\npressure_hPa = 902\naltitude_m = 1734.6\n"
        '[crosscheck]\npull = ["0-90=9.8"]\n[display]\npower = "hp"\n'
        '[[log]]\nfile = "jane.csv"\nnote = "Jane Roe"\ndirection = "down"\n'
        '[log.columns]\nspeed_mps = { header = "speed_mps" }\n'
    )
    assert main(["strip", str(folder), str(tmp_path / "out")]) == 0
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["log01.csv.gz", "session.toml"]
    assert told((tmp_path / "out" / "session.toml").read_bytes()) == []
    assert told(gzip.decompress((tmp_path / "out" / "log01.csv.gz").read_bytes())) == []
    before, after = read_session(folder), read_session(tmp_path / "out")
    assert after.vehicle == replace(before.vehicle, name="", state="")
    assert before.air is not None
    assert after.air == replace(before.air, altitude_m=None)
    assert (after.crosscheck, after.display) == (before.crosscheck, before.display)
    assert (after.logs[0].direction, after.logs[0].note) == ("down", "")


def test_altitude_stays_only_where_it_stands_in_for_the_pressure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "s"
    folder.mkdir()
    (folder / "a.csv").write_text(as_own())
    (folder / "session.toml").write_text(
        '[vehicle]\nmass_kg = 1480\n[air]\ntemperature_C = 4\naltitude_m = 80\n[[log]]\nfile = "a.csv"\n'
    )
    assert main(["strip", str(folder), str(tmp_path / "out")]) == 0
    assert "altitude   stays" in capsys.readouterr().out
    air = read_session(tmp_path / "out").air
    assert air is not None
    assert air.altitude_m == 80.0


# --- clocks, headings, roads -------------------------------------------------------------------


def test_two_clocks_stay_two(tmp_path: Path) -> None:
    files = [CASES / "two_clocks_gps_epoch_ms.csv", CASES / "two_clocks_accel_ns_since_boot.csv"]
    (tmp_path / "s").mkdir()
    for file in files:
        (tmp_path / "s" / file.name).write_bytes(file.read_bytes())
    names = ", ".join(f'"{file.name}"' for file in files)
    (tmp_path / "s" / "session.toml").write_text(
        f"[vehicle]\nmass_kg = 1329\n[[log]]\nfiles = [{names}]\n"
    )
    before = read_log(read_session(tmp_path / "s").logs[0].files)
    assert len(before.clocks) == 2
    assert main(["strip", str(tmp_path / "s"), str(tmp_path / "out")]) == 0
    (log,) = read_session(tmp_path / "out").logs
    assert [file.name for file in log.files] == ["log01a.csv.gz", "log01b.csv.gz"]
    after = read_log(log.files)
    assert len(after.clocks) == 2
    for channel in after.channels:
        source = before.channel(channel.name)
        if source is None or channel.name == "elevation_m":
            assert channel.name in ("place_m", "elevation_m")
            continue
        good = ~source.suspect
        assert channel.clock == source.clock
        # times to the microsecond, from the first sample on
        steps = np.diff(source.t_s[good])
        assert np.diff(channel.t_s) == pytest.approx(steps, abs=1.1e-6)
        assert np.array_equal(channel.values, source.values[good])


def with_headings(offset_deg: float) -> Recording:
    rows = np.array(drive())
    channels = (
        Channel(name="speed_mps", t_s=rows[:, 0], values=rows[:, 4]),
        Channel(name="heading_deg", t_s=rows[:, 0], values=(rows[:, 5] + offset_deg) % 360.0),
    )
    return Recording(
        channels=channels, clocks=(Clock(kind="epoch", epoch_s=START_S, described="made up"),)
    )


@pytest.mark.parametrize("offset_deg", [0.0, 77.0, 180.0, 349.0])
def test_headings_become_one_of_two_directions(offset_deg: float) -> None:
    """Whatever the road's bearing, the copy is the same: 0 the way of the first run, 180 back."""
    (copy,) = strip_recordings([with_headings(offset_deg)], "0").recordings
    heading = copy.channel("heading_deg")
    assert heading is not None
    assert heading.values.tolist() == [0.0] * 45 + [180.0] * 45
    assert copy.clocks[0].epoch_s is None


def found_directions(recordings: list[Recording]) -> tuple[list[int | None], list[str]]:
    fused = [fuse(recording, log)[0] for log, recording in enumerate(recordings)]
    runs = [run for log, one in enumerate(fused) for run in find_runs(one, log)]
    entries = [LogEntry(files=(Path("x"),)) for _ in recordings]
    placed, _, findings = place_runs(recordings, fused, runs, entries)
    return [run.direction for run in placed], [finding.kind for finding in findings]


def test_logs_stripped_apart_are_not_taken_for_one_road(tmp_path: Path) -> None:
    """Each has its own zero and its own way up: nothing may be made of them together, silently."""
    simulate_session(tmp_path, seed=3, pairs=1)
    logs = [read_log(log.files) for log in read_session(tmp_path).logs]
    plain, _ = found_directions(logs)
    assert plain == [1, -1]
    together = strip_recordings(logs, "aa").recordings
    assert found_directions(list(together)) == ([1, -1], [])
    apart = [
        strip_recordings([log], mark).recordings[0] for log, mark in zip(logs, "ab", strict=True)
    ]
    directions, kinds_found = found_directions(apart)
    assert "roads_not_comparable" in kinds_found
    assert "direction_unknown" in kinds_found
    # a copy beside a log with its positions is no better
    assert "roads_not_comparable" in found_directions([logs[0], together[1]])[1]
    assert directions == [1, 1]


def test_logs_of_roads_far_apart_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Places along one line would tell how far one road is from the other."""
    (tmp_path / "a.csv").write_text(as_own())
    (tmp_path / "b.csv").write_text(as_own().replace(",-77.84", ",-75.84"))
    sources = [str(tmp_path / name) for name in ("a.csv", "b.csv")]
    assert main(["strip", *sources, str(tmp_path / "out")]) == 2
    # two degrees of latitude are 222 km on a sphere of 40,030 km
    assert re.search(r"up to 22\d km apart", capsys.readouterr().err)
    assert not (tmp_path / "out").exists()


def test_a_copy_of_a_copy_is_as_good(tmp_path: Path) -> None:
    simulate_session(tmp_path, seed=3, pairs=1)
    logs = [read_log(log.files) for log in read_session(tmp_path).logs]
    once = strip_recordings(logs, "aa").recordings
    twice = strip_recordings(once, "bb").recordings
    assert found_directions(list(twice)) == ([1, -1], [])
    for a, b in zip(once, twice, strict=True):
        first, second = a.channel("place_m"), b.channel("place_m")
        assert first is not None
        assert second is not None
        assert np.diff(second.values) == pytest.approx(np.diff(first.values), abs=0.02)
        texts = [event.text for event in b.events if event.kind == "event"]
        assert texts == ["road bb", "stripped"]
