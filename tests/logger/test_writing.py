"""What is written is read back the same, and a file is whole or untouched."""

from __future__ import annotations

import gzip
import os
from pathlib import Path

import gpxpy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from logger.reading import read
from logger.recording import CHANNEL_NAMES, Channel, Clock, Event, Recording
from logger.writing import (
    table_text,
    write_bytes_atomic,
    write_gpx,
    write_table,
    write_text_atomic,
)

ELAPSED = Clock(kind="elapsed", epoch_s=None, described="time_s (s)")
#: Values of each channel that reading lets through without a second look.
RANGES = {
    "latitude_deg": (10, 80),
    "longitude_deg": (-170, 170),
    "position_accuracy_m": (0, 100),
    "speed_mps": (0, 60),
    "speed_accuracy_mps": (0, 5),
    "heading_deg": (0, 360),
}


def recording_of(rng: np.random.Generator, names: list[str], fast: int, slow: int) -> Recording:
    """Return a recording of fast motion samples and slow fixes on one clock, starting at 0."""
    channels = []
    fast_s = np.concatenate(([0.0], np.cumsum(rng.uniform(0.005, 0.03, fast - 1))))
    slow_s = np.concatenate(([0.0], np.cumsum(rng.uniform(0.8, 1.2, slow - 1))))
    for name in names:
        motion = name.startswith(("accel", "rotation", "up"))
        t_s = fast_s if motion else slow_s
        low, high = RANGES.get(name, (-3, 3))
        values = rng.uniform(low, high, t_s.size)
        if name.startswith("accel"):
            values = rng.normal(9.80665 / np.sqrt(3), 0.02, t_s.size)
        arrived = None if motion else t_s + 0.2
        channels.append(Channel(name=name, t_s=t_s, values=values, arrived_s=arrived))
    events = (
        Event(t_s=0.0, kind="event", text="start"),
        Event(t_s=float(fast_s[-1]), kind="mark", text='gear 2, "late"'),
        Event(t_s=float(fast_s[-1]), kind="event", text="stop"),
        Event(t_s=float(fast_s[-1]), kind="event", text="hidden"),
    )
    return Recording(channels=tuple(channels), clocks=(ELAPSED,), events=events)


def assert_same(one: Recording, other: Recording) -> None:
    assert {c.name for c in one.channels} == {c.name for c in other.channels}
    for channel in one.channels:
        again = other.channel(channel.name)
        assert again is not None
        # texts are the shortest that give the same float: nothing is lost
        assert_allclose(again.t_s, channel.t_s, rtol=0, atol=1e-9)
        assert_allclose(again.values, channel.values, rtol=0, atol=0)


@pytest.mark.parametrize("name", ["log.csv", "log.csv.gz"])
def test_a_recording_with_every_channel_comes_back(tmp_path: Path, name: str) -> None:
    recording = recording_of(np.random.default_rng(1), list(CHANNEL_NAMES), 400, 7)
    path = tmp_path / name
    write_table(path, recording)
    again = read(path)
    assert_same(recording, again)
    assert again.events == recording.events
    speed, was = again.channel("speed_mps"), recording.channel("speed_mps")
    assert speed is not None
    assert was is not None
    assert speed.arrived_s is not None
    assert was.arrived_s is not None
    assert_allclose(speed.arrived_s, was.arrived_s, rtol=0, atol=1e-9)
    if name.endswith(".gz"):
        assert path.read_bytes()[:2] == b"\x1f\x8b"


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    names=st.lists(st.sampled_from(CHANNEL_NAMES), min_size=1, max_size=8, unique=True),
    fast=st.integers(1, 60),
    slow=st.integers(1, 12),
)
def test_any_recording_comes_back(
    seed: int, names: list[str], fast: int, slow: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    # one axis alone, or a latitude alone, is a recording too; positions that jump about would
    # rightly be compared with the speed, so only one of the two is written
    if "speed_mps" in names:
        names = [name for name in names if name not in ("latitude_deg", "longitude_deg")]
    recording = recording_of(np.random.default_rng(seed), names, fast, slow)
    path = tmp_path_factory.mktemp("any") / "log.csv"
    write_table(path, recording)
    assert_same(recording, read(path))


def test_the_table_is_plain_csv_in_the_documented_order(tmp_path: Path) -> None:
    channels = (
        Channel(name="speed_mps", t_s=np.array([0.0, 1.0]), values=np.array([20.0, 20.25])),
        Channel(name="accel_x_mps2", t_s=np.array([0.0, 0.5]), values=np.array([0.125, -1e-7])),
    )
    text = table_text(Recording(channels=channels, clocks=(ELAPSED,)))
    assert text == "time_s,speed_mps,accel_x_mps2\n0,20,0.125\n0.5,,-1e-07\n1,20.25,\n"


def test_two_clocks_need_two_tables() -> None:
    channels = (
        Channel(name="speed_mps", t_s=np.array([0.0]), values=np.array([20.0])),
        Channel(name="accel_x_mps2", t_s=np.array([0.0]), values=np.array([0.1]), clock=1),
    )
    with pytest.raises(ValueError, match="two clocks"):
        table_text(Recording(channels=channels, clocks=(ELAPSED, ELAPSED)))


def test_gpx_is_read_alike_by_an_independent_reader(tmp_path: Path) -> None:
    t = np.array([0.0, 1.0, 2.25])
    epoch_s = 1710000000.5
    channels = (
        Channel(name="latitude_deg", t_s=t, values=np.array([52.1, 52.1001, 52.1002])),
        Channel(name="longitude_deg", t_s=t, values=np.array([9.4, 9.4001, 9.4002])),
        Channel(name="elevation_m", t_s=t[:2], values=np.array([100.0, 101.5])),
        Channel(name="speed_mps", t_s=t, values=np.array([0.0, 11.25, 12.5])),
    )
    recording = Recording(
        channels=channels, clocks=(Clock(kind="epoch", epoch_s=epoch_s, described="t"),)
    )
    path = tmp_path / "track.gpx"
    write_gpx(path, recording)
    points = gpxpy.parse(path.read_text()).tracks[0].segments[0].points
    assert [p.speed for p in points] == [0.0, 11.25, 12.5]
    assert [p.elevation for p in points] == [100.0, 101.5, None]
    times = [p.time.timestamp() for p in points if p.time is not None]
    assert times == [epoch_s, epoch_s + 1, epoch_s + 2.25]
    again = read(path)
    assert again.clocks[0].epoch_s == epoch_s
    for channel in channels:
        other = again.channel(channel.name)
        assert other is not None
        # gpxpy writes microseconds
        assert_allclose(other.t_s, channel.t_s, rtol=0, atol=1e-6)
        assert_allclose(other.values, channel.values, rtol=0, atol=1e-12)


def test_gpx_without_positions_is_refused(tmp_path: Path) -> None:
    recording = Recording(
        channels=(Channel(name="speed_mps", t_s=np.array([0.0]), values=np.array([20.0])),),
        clocks=(ELAPSED,),
    )
    with pytest.raises(ValueError, match="no positions"):
        write_gpx(tmp_path / "track.gpx", recording)


def test_a_failed_write_leaves_the_old_file_and_no_litter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "results.json"
    write_text_atomic(path, "old\n")

    def fail(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(KeyboardInterrupt):
        write_text_atomic(path, "new\n")
    assert path.read_text() == "old\n"
    assert [p.name for p in tmp_path.iterdir()] == ["results.json"]


def test_a_written_file_replaces_the_old_one_and_keeps_its_mode(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_bytes_atomic(path, b"one")
    mask = os.umask(0)
    os.umask(mask)
    assert path.stat().st_mode & 0o777 == 0o666 & ~mask
    path.chmod(0o640)
    write_text_atomic(path, "zwölf\n")
    assert path.read_bytes() == "zwölf\n".encode()
    assert path.stat().st_mode & 0o777 == 0o640


def test_a_link_is_followed_not_replaced(tmp_path: Path) -> None:
    real = tmp_path / "real.txt"
    real.write_text("old")
    link = tmp_path / "link.txt"
    link.symlink_to(real)
    write_text_atomic(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"


def test_a_missing_folder_is_an_os_error(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="No such file"):
        write_text_atomic(tmp_path / "nowhere" / "a.txt", "x")


def test_packed_tables_are_the_same_bytes_each_time(tmp_path: Path) -> None:
    recording = recording_of(np.random.default_rng(2), ["speed_mps"], 5, 5)
    for name in ("a.csv.gz", "b.csv.gz"):
        write_table(tmp_path / name, recording)
    first, second = ((tmp_path / name).read_bytes() for name in ("a.csv.gz", "b.csv.gz"))
    assert first == second
    assert gzip.decompress(first).decode() == table_text(recording)
