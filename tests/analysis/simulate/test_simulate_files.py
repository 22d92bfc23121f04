"""Simulated sessions on the disk: same seed same bytes, layouts, truth beside the logs, refusals."""

from __future__ import annotations

import csv
import gzip
import json
import tomllib
import xml.etree.ElementTree as ET
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from make_drives import calm_site, plain_vehicle

from analysis.simulate.path import GRID_S
from analysis.simulate.session import simulate_session
from analysis.simulate.truth import Truth


def rows_of(path: Path) -> list[dict[str, str]]:
    text = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    return list(csv.DictReader(text.decode().splitlines()))


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("first", "second"):
        simulate_session(tmp_path / name, seed=7, pairs=3, phone="rough", layout="mixed")
    assert bytes_of(tmp_path / "first") == bytes_of(tmp_path / "second")
    simulate_session(tmp_path / "other", seed=8, pairs=3, phone="rough", layout="mixed")
    one, other = bytes_of(tmp_path / "first"), bytes_of(tmp_path / "other")
    assert one["run01.csv"] != other["run01.csv"]


@pytest.mark.parametrize("layout", ["own", "gpx+motion", "one_long", "mixed"])
def test_layouts_hold_what_the_session_says(tmp_path: Path, layout: str) -> None:
    truth = simulate_session(tmp_path, seed=5, pairs=3, layout=layout)  # type: ignore[arg-type]
    session = tomllib.loads((tmp_path / "session.toml").read_text())
    listed = [tuple(log.get("files", [log.get("file")])) for log in session["log"]]
    assert listed == [log.files for log in truth.logs]
    on_disk = {path.name for path in tmp_path.iterdir()} - {"session.toml", "truth.json"}
    assert on_disk == {name for names in listed for name in names}
    assert [run.direction for run in truth.runs] == [1, -1] * 3
    assert session["vehicle"]["mass_kg"] == truth.stated_mass_kg != truth.mass_kg
    for log in truth.logs:
        assert all(a.end_s == b.start_s for a, b in pairwise(log.phases))


def test_own_table_times_are_on_the_truth_s_clock(tmp_path: Path) -> None:
    """Speeds in the file, taken back by the lag, follow the true path on the recording's clock."""
    truth = simulate_session(tmp_path, seed=5, pairs=1)
    for log, path in zip(truth.logs, truth.paths, strict=True):
        rows = rows_of(tmp_path / log.files[0])
        assert float(rows[0]["time_s"]) == 0.0
        times = [float(row["time_s"]) for row in rows]
        assert times == sorted(times)
        fixes = np.array(
            [[float(row["time_s"]), float(row["speed_mps"])] for row in rows if row["speed_mps"]]
        )
        true = np.interp(
            fixes[:, 0] - log.gps_lag_s, path.time_s - log.path_offset_s, path.speed_mps
        )
        coast = next(phase for phase in log.phases if phase.kind == "coast")
        inside = (fixes[:, 0] > coast.start_s + 3.0) & (fixes[:, 0] < coast.end_s)
        noise = float(np.hypot(log.gps_white_mps, log.gps_slow_mps))
        assert float(np.std((fixes[:, 1] - true)[inside])) == pytest.approx(noise, rel=0.35)


def test_gpx_with_motion_table_share_no_clock_when_elapsed(tmp_path: Path) -> None:
    """The truth's offset puts the motion table back on the GPX track's clock: launch is felt."""
    seen = set()
    for seed in range(6):
        folder = tmp_path / str(seed)
        truth = simulate_session(folder, seed=seed, pairs=1, layout="gpx+motion")
        log, path = truth.logs[0], truth.paths[0]
        table = rows_of(folder / log.files[1])
        stamp = next(iter(table[0]))
        seen.add(stamp)
        times = np.array([float(row[stamp]) for row in table])
        accel = 9.80665 * np.array(
            [[float(row[f"acc {axis} [g]"]) for axis in "xyz"] for row in table]
        )
        first = ET.fromstring((folder / log.files[0]).read_text()).find(".//{*}time")
        assert first is not None
        assert first.text is not None
        if stamp == "timestamp_ms":
            zero = datetime.fromisoformat(first.text).timestamp()
            times = times / 1000.0 - zero
        else:
            times = times + log.motion_offset_s
        forward = (log.accel_sign * accel @ np.array(log.mount))[:, 0]
        moving = (times > truth.runs[0].launch_s) & (times < truth.runs[0].release_s)
        shifts = np.arange(-10, 11) * 0.1
        likeness = [
            np.corrcoef(
                forward[moving],
                np.interp(times[moving] + s, path.time_s - log.path_offset_s, path.accel_mps2),
            )[0, 1]
            for s in shifts
        ]
        # launch and gear changes are sharp to 0.1 s
        assert abs(shifts[int(np.argmax(likeness))]) < 0.15
    assert seen == {"timestamp_ms", "elapsed (s)"}


def test_both_versions_of_gpx_carry_the_speed(tmp_path: Path) -> None:
    """Runs alternate between GPX 1.0 (element) and 1.1 (extension); every point has a speed."""
    truth = simulate_session(tmp_path, seed=3, pairs=1, layout="gpx+motion", phone="gps-only")
    versions = []
    for log in truth.logs:
        root = ET.fromstring((tmp_path / log.files[0]).read_text())
        versions.append(root.get("version"))
        points = root.findall(".//{*}trkpt")
        assert len(points) > 60
        speeds = [float(point.findtext(".//{*}speed") or "nan") for point in points]
        # a car that is simulated to 28-37 m/s
        assert 27.0 < max(speeds) < 38.0
    assert versions == ["1.0", "1.1"]


def test_wheel_power_truth_is_what_an_ideal_observer_sees(tmp_path: Path) -> None:
    """Mean over pulls of (m_e a + road load in the wind + slope) v against the truth's curve."""
    truth = simulate_session(tmp_path, seed=9, pairs=4, phone="gps-only")
    curve = truth.wheel_power[-1]
    errors = []
    for run in truth.runs:
        path, log = truth.paths[run.log], truth.logs[run.log]
        piece = run.gears[-1]
        middle = round((0.5 * (piece.start_s + piece.end_s) + log.path_offset_s) / GRID_S)
        v, air = (
            path.speed_mps[middle],
            path.speed_mps[middle] + (run.direction * path.wind_mps[middle]),
        )
        force = (
            truth.effective_mass_kg * path.accel_mps2[middle]
            + truth.f0_n
            + truth.f1_n_per_mps * v
            + truth.f2_n_per_mps2 * air * abs(air)
            + truth.mass_kg * truth.gravity_mps2 * path.slope[middle]
        )
        expected = float(np.interp(v, curve.speed_mps, curve.power_w)) * run.torque_factor
        errors.append(force * v / expected - 1.0)
    # what is left: the engine's inertia sees the acceleration that wind and slope change
    assert np.max(np.abs(errors)) < 0.004
    peak = max(max(gear.power_w) for gear in truth.wheel_power)
    assert truth.peak_wheel_power_w == peak
    factors = [run.torque_factor for run in truth.runs]
    assert 0.002 < float(np.std(factors)) < 0.02


def test_one_way_session_turns_round_between_runs(tmp_path: Path) -> None:
    truth = simulate_session(tmp_path, seed=4, pairs=2, one_way=True, layout="one_long")
    assert [run.direction for run in truth.runs] == [1, 1, 1, 1]
    path = truth.paths[0]
    for run in truth.runs:
        launch = round((run.launch_s + truth.logs[0].path_offset_s) / GRID_S)
        # starts scatter by 8 m, and an ordinary driver stops within 15 m of them
        assert abs(path.place_m[launch]) < 50.0


def test_gps_only_and_coast_only(tmp_path: Path) -> None:
    truth = simulate_session(tmp_path, seed=4, pairs=1, phone="gps-only", coast_only=True)
    assert "accel_x_mps2" not in rows_of(tmp_path / "run01.csv")[0]
    assert truth.peak_wheel_power_w is None
    assert truth.wheel_power == ()
    assert {phase.kind for phase in truth.logs[0].phases} == {"stand", "other", "coast", "brake"}


def test_truth_file_says_the_same_as_the_object(tmp_path: Path) -> None:
    truth = simulate_session(tmp_path, seed=2, pairs=1)
    saved = json.loads((tmp_path / "truth.json").read_text())
    assert saved["F2_N_per_mps2"] == pytest.approx(truth.f2_n_per_mps2, rel=1e-8)
    assert saved["peak_wheel_power_W"] == pytest.approx(truth.peak_wheel_power_w, rel=1e-8)
    assert saved["wheel_power"][0]["power_W"][0] == pytest.approx(
        truth.wheel_power[0].power_w[0], rel=1e-8
    )
    assert len(saved["runs"]) == 2
    assert saved["runs"][0]["gears"][0]["gear"] == 1
    assert "paths" not in saved


def test_given_vehicle_site_and_masses_are_used(tmp_path: Path) -> None:
    truth = simulate_session(
        tmp_path, seed=1, pairs=1, vehicle=plain_vehicle(), site=calm_site(0.002), exact_mass=True
    )
    assert isinstance(truth, Truth)
    assert (truth.mass_kg, truth.rotating_mass_kg) == (1500.0, 50.0)
    assert truth.wind_mps == 0.0
    assert truth.slope == pytest.approx(0.002)


@pytest.mark.parametrize(("name", "value"), [("pairs", 0), ("gps_hz", 0.0), ("gps_hz", 80.0)])
def test_impossible_arguments_are_named(tmp_path: Path, name: str, value: float) -> None:
    with pytest.raises(ValueError, match=f"{name} is {value}"):
        simulate_session(tmp_path, seed=1, **{name: value})  # type: ignore[arg-type]
