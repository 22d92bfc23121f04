"""`pullcoast strip`: nothing of place, day or device is left, and the report stays the same."""

from __future__ import annotations

import gzip
import math
import re
from pathlib import Path

import numpy as np
import pytest
from make_private import (
    LATITUDE,
    LONGITUDE,
    NAMES,
    START_S,
    as_own,
    drive,
    stamp,
    told,
)

from analysis.cli.main import main
from analysis.setup.anonymise import strip_recordings, tables_of
from logger.reading import read
from logger.recording import Channel, Clock, Event, Recording


def as_gpx(version: str) -> str:
    points = []
    for second, lat, lon, height, speed, heading in drive():
        if version == "1.0":
            inside = f"<course>{heading}</course><speed>{speed}</speed>"
        else:
            inside = f"<extensions><e:speed>{speed}</e:speed></extensions>"
        points.append(
            f'<trkpt lat="{lat:.6f}" lon="{lon:.6f}"><ele>{height:.2f}</ele>'
            f"<time>{stamp(second)}</time>{inside}</trkpt>"
        )
    space = "http://www.topografix.com/GPX/" + version.replace(".", "/")
    who = (
        f"<author>{NAMES[1]}</author>"
        if version == "1.0"
        else f"<metadata><name>{NAMES[2]}</name><author><name>{NAMES[1]}</name></author></metadata>"
    )
    return (
        f'<?xml version="1.0"?><gpx version="{version}" creator="{NAMES[0]}" xmlns="{space}" '
        f'xmlns:e="urn:x-made-up:e">{who}<trk><name>{NAMES[2]}</name><desc>{NAMES[3]}</desc><trkseg>'
        + "\n".join(points)
        + "</trkseg></trk></gpx>"
    )


def as_nmea() -> str:
    lines = []
    for second, lat, lon, _, speed, heading in drive():
        clock = f"09{32 + (35 + second) // 60:02d}{(35 + second) % 60:02d}"
        lat_text, lon_text = (
            f"{int(abs(v)):0{width}d}{abs(v) % 1 * 60:07.4f}" for v, width in ((lat, 2), (lon, 3))
        )
        body = (
            f"GPRMC,{clock}.00,A,{lat_text},S,{lon_text},E,{speed * 3600 / 1852:.2f},"
            f"{heading},080524,,,A"
        )
        check = 0
        for sign in body:
            check ^= ord(sign)
        lines.append(f"${body}*{check:02X}")
    return "\r\n".join(lines) + "\r\n"


def as_table() -> str:
    lines = [
        f"# {NAMES[0]}; {NAMES[3]}",
        "timestamp_ms;Latitude;Longitude;Altitude (m);Speed (km/h)",
    ]
    lines += [
        f"{(START_S + second) * 1000};{lat:.6f};{lon:.6f};{height:.2f};{3.6 * speed:.3f}"
        for second, lat, lon, height, speed, _ in drive()
    ]
    return "\n".join(lines[1:]) + "\n"


FORMATS = {
    "jane-2024-05-08.gpx": lambda: as_gpx("1.1"),
    "old.gpx": lambda: as_gpx("1.0"),
    "box.nmea": as_nmea,
    "phone.csv": as_table,
    "own.csv": as_own,
}


@pytest.mark.parametrize("name", FORMATS)
def test_nothing_of_place_date_or_device_is_left(name: str, tmp_path: Path) -> None:
    log = tmp_path / name
    log.write_text(FORMATS[name](), encoding="utf-8")
    assert len(told(log.read_bytes())) > 20, "the log itself must hold what is looked for"
    original = read(log)
    assert original.channel("latitude_deg") is not None
    out = tmp_path / "share.csv"
    assert main(["strip", str(log), str(out)]) == 0
    assert told(out.read_bytes()) == []
    copy = read(out)
    names = {channel.name for channel in copy.channels}
    assert {"speed_mps", "place_m"} <= names
    assert not names & {"latitude_deg", "longitude_deg", "heading_deg"}
    assert all(clock.epoch_s is None for clock in copy.clocks)
    head, first = out.read_text().splitlines()[:2]
    assert head.startswith("time_s,")
    assert first.startswith("0,")
    # and what a report needs is there: speeds to the last digit, the way up and back again
    before, after = original.channel("speed_mps"), copy.channel("speed_mps")
    place = copy.channel("place_m")
    assert before is not None
    assert after is not None
    assert place is not None
    assert np.array_equal(before.values, after.values)
    # sphere of 111.2 km a degree: 8e-6 deg north and 1e-5 deg east (times cos 77.85) per metre driven
    scale = math.hypot(8e-6, 1e-5 * math.cos(math.radians(LATITUDE))) * 111_195.0
    driven_m = sum(row[4] for row in drive()[:45])
    # the shape of the sphere over 700 m, and 1 cm of rounding
    assert np.ptp(place.values) == pytest.approx(scale * driven_m, rel=2e-3)
    assert place.values[44] > place.values[0]
    assert place.values[-1] == pytest.approx(place.values[0], abs=0.5)


def test_marks_keep_their_moment_and_lose_their_text(tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text(as_own())
    assert main(["strip", str(tmp_path / "own.csv"), str(tmp_path / "out.csv.gz")]) == 0
    data = gzip.decompress((tmp_path / "out.csv.gz").read_bytes())
    assert told(data) == []
    # no name and no date in the wrapping either (RFC 1952: flags and time are bytes 3 and 4 to 7)
    assert (tmp_path / "out.csv.gz").read_bytes()[3:8] == b"\0" * 5
    events = read(tmp_path / "out.csv.gz").events
    assert [(e.t_s, e.text) for e in events if e.kind == "mark"] == [(3.0, "mark"), (50.0, "mark")]
    texts = [e.text for e in events if e.kind == "event"]
    assert [text for text in texts if not re.fullmatch("road [0-9a-f]{8}", text)] == [
        "start", "event", "gps_lost"
    ]  # fmt: skip


def test_heights_count_from_the_first_or_are_left_out(tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text(as_own())
    argv = ["strip", str(tmp_path / "own.csv")]
    assert main([*argv, str(tmp_path / "a.csv")]) == 0
    height = read(tmp_path / "a.csv").channel("elevation_m")
    assert height is not None
    assert height.values[0] == 0.0
    assert height.values.max() == pytest.approx(0.004 * sum(r[4] for r in drive()[:45]), abs=0.02)
    assert main([*argv, str(tmp_path / "b.csv"), "--no-heights"]) == 0
    assert read(tmp_path / "b.csv").channel("elevation_m") is None


# --- clocks, headings, roads -------------------------------------------------------------------


def test_positions_without_a_run_still_become_places() -> None:
    """A short roll in which no run is found keeps no position either."""
    t = np.arange(6.0)
    recording = Recording(
        channels=(
            Channel(name="latitude_deg", t_s=t, values=LATITUDE + 1e-4 * t),
            Channel(name="longitude_deg", t_s=t, values=LONGITUDE + 0 * t),
        ),
        clocks=(Clock(kind="epoch", epoch_s=START_S, described=""),),
        events=(Event(t_s=2.0, kind="mark", text=NAMES[2]),),
    )
    done = strip_recordings([recording], "aa")
    (table,) = tables_of(done.recordings[0])
    assert [channel.name for channel in table.channels] == ["place_m"]
    assert NAMES[2] not in str(table)


def test_a_log_of_standing_positions_alone_leaves_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = "".join(f"{t},{LATITUDE},{LONGITUDE}\n" for t in range(20))
    (tmp_path / "a.csv").write_text("time_s,latitude_deg,longitude_deg\n" + rows)
    assert main(["strip", str(tmp_path / "a.csv"), str(tmp_path / "b.csv")]) == 2
    assert "a.csv: holds nothing but what has to go" in capsys.readouterr().err
    assert not (tmp_path / "b.csv").exists()


# --- what is refused ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["own.csv", "own.csv"], "is there already"),
        (["own.csv", "out.gpx"], "ends in .csv or .csv.gz"),
        (["own.csv", "own.csv", "full"], "is there already"),
        (["nowhere", "out.csv"], "nowhere"),
        (["full", "own.csv", "new"], "a session beside other logs"),
        (["empty", "new"], "no logs in it"),
        (["own.csv", "broken.gpx", "new"], "broken.gpx"),
        (["own.csv"], "arguments are required: OUT"),
    ],
)
def test_refused_and_nothing_changed(
    argv: list[str],
    message: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "own.csv").write_text(as_own())
    (tmp_path / "broken.gpx").write_text("<html></html>")
    for name in ("full", "empty"):
        (tmp_path / name).mkdir()
    (tmp_path / "full" / "own.csv").write_text("mine")
    before = sorted(str(path) for path in tmp_path.rglob("*"))
    assert main(["strip", *argv]) == 2
    errors = capsys.readouterr().err
    assert message in errors
    assert len(errors.splitlines()) == 1
    assert sorted(str(path) for path in tmp_path.rglob("*")) == before
    assert (tmp_path / "own.csv").read_text() == as_own()


def test_a_full_disk_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "own.csv").write_text(as_own())

    def full(path: Path, data: bytes) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("analysis.setup.copies.write_bytes_atomic", full)
    sources = [str(tmp_path / "own.csv")] * 2
    assert main(["strip", *sources, str(tmp_path / "out")]) == 2
    assert "No space left" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["own.csv"]
