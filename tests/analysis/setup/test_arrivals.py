"""The draft of a session.toml: a start for people, which never takes anything of theirs away."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from analysis.setup.arrivals import list_recording
from logger.capture import arrivals
from logger.capture.arrivals import Arrival, examine_apart, examine_arrival
from logger.errors import SessionError
from logger.session.session import read_session

MASS = {"mass_kg": "1480"}


def arrival(folder: Path, name: str = "recording-1.csv", **known: object) -> Arrival:
    file = folder / name
    file.write_text("time_s,speed_mps\n0,1\n1,2\n")
    fields: dict[str, object] = {"rows": 2, "duration_s": 154.1, "top_speed_mps": 28.1, **known}
    return Arrival(file=file, size_bytes=25, **fields)  # type: ignore[arg-type]


def draft(folder: Path) -> str:
    return (folder / "session.toml").read_bytes().decode()


def test_without_a_mass_the_report_says_what_is_missing(tmp_path: Path) -> None:
    assert list_recording(tmp_path, arrival(tmp_path)) == []
    with pytest.raises(SessionError, match="Weigh the vehicle") as refused:
        read_session(tmp_path)
    assert "mass_kg" in str(refused.value)
    text = draft(tmp_path)
    assert text.count("MISSING") == 1
    (tmp_path / "session.toml").write_text(text.replace("# MISSING: mass_kg", "mass_kg"))
    assert read_session(tmp_path).vehicle.mass_kg == 1480


def test_the_phones_mass_and_note_are_taken(tmp_path: Path) -> None:
    said = {"mass_kg": "1480.5", "note": 'two "people", \\ \u00fc'}
    assert list_recording(tmp_path, arrival(tmp_path, comments=said), "run_2026-05-03_141503") == []
    session = read_session(tmp_path)
    assert session.vehicle.mass_kg == 1480.5
    assert session.logs[0].note == said["note"]


def test_each_recording_is_one_log_in_order_of_arrival(tmp_path: Path) -> None:
    for number in (1, 2, 3):
        new = arrival(tmp_path, f"recording-{number}.csv", comments=MASS)
        assert list_recording(tmp_path, new, f"way {number}") == []
    session = read_session(tmp_path)
    assert [log.files[0].name for log in session.logs] == [f"recording-{n}.csv" for n in (1, 2, 3)]
    assert [log.note for log in session.logs] == ["way 1", "way 2", "way 3"]
    before = draft(tmp_path)
    assert list_recording(tmp_path, arrival(tmp_path, "recording-2.csv", comments=MASS)) == []
    assert draft(tmp_path) == before


@pytest.mark.parametrize(
    "own",
    [
        '# mine\n[vehicle]\nmass_kg = 900 # weighed\n\n[[log]]\nfile = "a.csv"\n',
        "[vehicle]\r\nmass_kg = 900\r\n",
        "[vehicle]\nmass_kg = 900",
        "\ufeff[vehicle]\nmass_kg = 900\n",
        "",
        '[vehicle]\nmass_kg = 900\n[[log]]\nfile = "a.csv"\n[log.columns]\nspeed_mps = {unit = "km/h"}\n',
    ],
)
def test_what_people_wrote_stays_byte_for_byte(tmp_path: Path, own: str) -> None:
    (tmp_path / "a.csv").write_text("time_s,speed_mps\n0,1\n")
    (tmp_path / "session.toml").write_bytes(own.encode())
    list_recording(tmp_path, arrival(tmp_path))
    text = draft(tmp_path)
    assert text.startswith(own)
    logs = tomllib.loads(text.removeprefix("\ufeff"))["log"]
    assert logs[-1]["file"] == "recording-1.csv"
    assert ("\r\n" in text) == ("\r\n" in own)
    assert "\n\n\n" not in text


@pytest.mark.parametrize(
    "own",
    [
        b"[vehicle\n",
        b'log = "all"\n[vehicle]\nmass_kg = 900\n',
        b'log = [{file = "a.csv"}]\n',
        b"\xff\xfe[\x00",
        b"# \xe4\n",
        b"a = 1\n" * 200_000,
    ],
)
def test_what_cannot_be_added_to_is_left_alone_and_told(tmp_path: Path, own: bytes) -> None:
    (tmp_path / "session.toml").write_bytes(own)
    (notes,) = list_recording(tmp_path, arrival(tmp_path))
    assert "left alone" in notes
    assert 'file = "recording-1.csv"' in notes
    assert (tmp_path / "session.toml").read_bytes() == own


def test_a_link_is_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "outing"
    folder.mkdir()
    (tmp_path / "elsewhere.toml").write_text("[vehicle]\n")
    (folder / "session.toml").symlink_to(tmp_path / "elsewhere.toml")
    (notes,) = list_recording(folder, arrival(folder))
    assert "link" in notes
    assert (tmp_path / "elsewhere.toml").read_text() == "[vehicle]\n"


def test_vehicle_and_air_travel_and_a_mass_may_come_later(tmp_path: Path) -> None:
    said = {"vehicle": 'my "estate"', "state": "as built", "temperature_c": "-3.5"}
    said |= {"pressure_hpa": "1002"}
    assert list_recording(tmp_path, arrival(tmp_path, comments=said)) == []
    document = tomllib.loads(draft(tmp_path))
    assert document["vehicle"] == {"name": 'my "estate"', "state": "as built"}
    assert document["air"] == {"temperature_C": -3.5, "pressure_hPa": 1002}
    later = arrival(tmp_path, "recording-2.csv", comments={**said, **MASS, "state": "lowered"})
    (note,) = list_recording(tmp_path, later)
    assert "lowered" in note
    assert read_session(tmp_path).vehicle.mass_kg == 1480
    assert "MISSING" not in draft(tmp_path)


@pytest.mark.parametrize(
    "said",
    [
        {"temperature_c": "900"},
        {"pressure_hpa": "low"},
        {"vehicle": "x\u202e\x00" * 200},
        {"state": ""},
    ],
)
def test_what_is_out_of_range_stays_open(tmp_path: Path, said: dict[str, str]) -> None:
    list_recording(tmp_path, arrival(tmp_path, comments={**said, **MASS}))
    assert read_session(tmp_path).vehicle.mass_kg == 1480
    document = tomllib.loads(draft(tmp_path))
    assert document["vehicle"] == {"mass_kg": 1480}
    assert "air" not in document


def test_another_mass_is_told_and_changes_nothing(tmp_path: Path) -> None:
    list_recording(tmp_path, arrival(tmp_path, comments=MASS))
    other = arrival(tmp_path, "recording-2.csv", comments={"mass_kg": "1555"})
    (note,) = list_recording(tmp_path, other)
    assert "1555" in note
    assert "1480" in note
    session = read_session(tmp_path)
    assert session.vehicle.mass_kg == 1480
    assert len(session.logs) == 2


@pytest.mark.parametrize("mass", ["", "heavy", "-3", "1e9", "nan", "1480 kg", '1480"\nx = 1'])
def test_a_mass_that_is_none_stays_open(tmp_path: Path, mass: str) -> None:
    (note,) = list_recording(tmp_path, arrival(tmp_path, comments={"mass_kg": mass}))
    assert "mass" in note
    assert "mass_kg" not in tomllib.loads(draft(tmp_path))["vehicle"]


def test_what_cannot_be_read_is_no_log(tmp_path: Path) -> None:
    """The report would refuse the whole session for it."""
    list_recording(tmp_path, arrival(tmp_path, comments=MASS))
    bad = arrival(tmp_path, "recording-2.csv", problem="this is no table", rows=0)
    list_recording(tmp_path, bad, "way 2")
    assert "this is no table" in draft(tmp_path)
    assert len(read_session(tmp_path).logs) == 1


def test_an_arrival_is_read_as_the_report_reads_it(tmp_path: Path) -> None:
    file = tmp_path / "recording.csv"
    rows = "".join(f"{1777800000 + k},{k % 30}\n" for k in range(100))
    file.write_text(f'# mass_kg = 1480\n# note = "a"\ntime_s,speed_mps\n{rows}')
    found = examine_arrival(file)
    assert (found.rows, found.duration_s, found.top_speed_mps) == (100, 99.0, 29.0)
    assert found.problem == ""
    assert found.comments == {"mass_kg": "1480", "note": "a"}


@pytest.mark.parametrize(
    "data", [b"x", b"\x00" * 5000, b"<gpx/>", b"a,b\n1\n", b"time_s\n\x1b[2J\n"]
)
def test_an_arrival_that_is_no_log_is_told_not_raised(tmp_path: Path, data: bytes) -> None:
    file = tmp_path / "recording.csv"
    file.write_bytes(data)
    found = examine_arrival(file)
    assert found.problem
    assert "\x1b" not in found.problem + "".join(found.warnings)


def test_it_is_looked_into_apart_from_the_server(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By another process, which finds this package, not one of its name in the user's folder."""
    file = tmp_path / "recording.csv"
    file.write_text('# note = "\u00fc"\ntime_s,speed_mps\n0,1\n1,2\n', encoding="utf-8")
    (tmp_path / "logger.py").write_text("raise RuntimeError")
    monkeypatch.chdir(tmp_path)
    assert examine_apart(file) == examine_arrival(file)
    monkeypatch.setattr(arrivals, "_APART", "import os; os.kill(os.getpid(), 9)")
    found = examine_apart(file)
    assert "memory" in found.problem
    assert found.size_bytes == file.stat().st_size
    file.unlink()
    with pytest.raises(FileNotFoundError):
        examine_apart(file)
