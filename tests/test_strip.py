"""`pullcoast strip`: nothing of place, day or device is left, and the report stays the same."""

from __future__ import annotations

import gzip
import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis.cli import main
from analysis.fuse import fuse
from analysis.phases import find_runs
from analysis.road import place_runs
from analysis.sharing import strip_recordings, tables_of
from analysis.simulate import simulate_session
from logger.reading import read, read_log
from logger.recording import Channel, Clock, Event, Recording
from logger.session import LogEntry, read_session

ROOT = Path(__file__).resolve().parents[1]
CASES = ROOT / "tests" / "data" / "cases" / "first"

# A made-up drive: made-up digits that neither times nor speeds of it can hold.
LATITUDE, LONGITUDE, HEIGHT = -77.846351, 166.668237, 1734.6
NAMES = ("Zephyr Nine", "Jane Roe", "Cobblers Lane", "serial 90210")
START_S = 1_715_160_755  # 2024-05-08 09:32:35 UTC, by `date -u -d @1715160755`
DATES = ("2024-05-08", "20240508", "080524", "2024", "09:32", "093235", "17151607")


def drive(count: int = 90) -> list[tuple[int, float, float, float, float, float]]:
    """Return rows of second, latitude, longitude, height, speed, heading: up the road and back."""
    rows = []
    place = 0.0
    for second in range(count):
        leg = second % 45
        speed = min(2.0 * leg, 30.0, 2.0 * (44 - leg))
        way = 1 if second < 45 else -1
        place += way * speed
        latitude = LATITUDE + place * 8e-6
        rows.append(
            (second, latitude, LONGITUDE + place * 1e-5, HEIGHT + place * 0.004, speed,
             11.0 if way > 0 else 191.0)
        )  # fmt: skip
    return rows


def stamp(second: int) -> str:
    return f"2024-05-08T09:{32 + (35 + second) // 60:02d}:{(35 + second) % 60:02d}Z"


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


def as_own() -> str:
    lines = [
        "time_s,received_s,latitude_deg,longitude_deg,elevation_m,speed_mps,heading_deg,mark,event"
    ]
    for second, lat, lon, height, speed, heading in drive():
        mark = {3: f'"{NAMES[2]}, {NAMES[1]} 2024-05-08"', 50: NAMES[3]}.get(second, "")
        event = {0: "start", 7: NAMES[0], 60: "gps_lost"}.get(second, "")
        t = START_S + second
        lines.append(
            f"{t},{t + 0.2:.1f},{lat:.6f},{lon:.6f},{height:.2f},{speed},{heading},{mark},{event}"
        )
    return "\n".join(lines) + "\n"


FORMATS = {
    "jane-2024-05-08.gpx": lambda: as_gpx("1.1"),
    "old.gpx": lambda: as_gpx("1.0"),
    "box.nmea": as_nmea,
    "phone.csv": as_table,
    "own.csv": as_own,
}


def forbidden() -> set[str]:
    """Return every text that would tell: five digits and more of positions, dates, names."""
    words = {*NAMES, *DATES, *(name.split()[0] for name in NAMES), "jane", "phone", "box"}
    for _, lat, lon, height, *_ in drive():
        for value in (lat, lon):
            minutes = f"{int(abs(value))}{abs(value) % 1 * 60:.4f}"
            words |= {
                f"{abs(value):.6f}"[:6],
                f"{abs(value):.6f}".replace(".", "")[:6],
                minutes[:7],
            }
            words.add(f"{abs(math.radians(value)):.6f}")
        words.add(f"{height:.1f}")
    return words


def told(data: bytes) -> list[str]:
    text = data.decode("utf-8")
    return sorted(word for word in forbidden() if word.lower() in text.lower())


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
        skipped = {"history", "findings", "session", "start_s", "end_s"}
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


def kinds(found: object) -> list[tuple[str, int]]:
    assert isinstance(found, list)
    return [(finding["kind"], finding["log"]) for finding in found]


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
        Channel("speed_mps", rows[:, 0], rows[:, 4]),
        Channel("heading_deg", rows[:, 0], (rows[:, 5] + offset_deg) % 360.0),
    )
    return Recording(channels, (Clock("epoch", START_S, "made up"),))


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
    entries = [LogEntry((Path("x"),)) for _ in recordings]
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


def test_positions_without_a_run_still_become_places() -> None:
    """A short roll in which no run is found keeps no position either."""
    t = np.arange(6.0)
    recording = Recording(
        (
            Channel("latitude_deg", t, LATITUDE + 1e-4 * t),
            Channel("longitude_deg", t, LONGITUDE + 0 * t),
        ),
        (Clock("epoch", START_S, ""),),
        (Event(2.0, "mark", NAMES[2]),),
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

    monkeypatch.setattr("analysis.command_strip.write_bytes_atomic", full)
    sources = [str(tmp_path / "own.csv")] * 2
    assert main(["strip", *sources, str(tmp_path / "out")]) == 2
    assert "No space left" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["own.csv"]
