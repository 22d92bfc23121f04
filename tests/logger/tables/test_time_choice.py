"""Which column is the time: the plain name, then the one that rises; units that contradict each other."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path

import pytest

from logger.errors import ReadError
from logger.reading import read
from logger.recording import Channel
from logger.tables.headers import read_header
from logger.tables.table import ColumnChoice


def _write(tmp_path: Path, header: str, rows: Iterable[Iterable[object]]) -> Path:
    path = tmp_path / "log.csv"
    path.write_text(header + "\n" + "".join(",".join(map(str, row)) + "\n" for row in rows))
    return path


def _speed(path: Path, columns: dict[str, ColumnChoice] | None = None) -> Channel:
    channel = read(path, columns=columns).channel("speed_mps")
    assert channel is not None
    return channel


@pytest.mark.parametrize("first", ["accidents_time", "heading_time", "lap time (s)"])
def test_the_plain_name_wins_over_the_time_of_something_else(tmp_path: Path, first: str) -> None:
    rows = [(7.0 + 3 * k, f"14:20:{k:02d}", 10 + k) for k in range(30)]
    speed = _speed(_write(tmp_path, f"{first},time,speed_mps", rows))
    assert speed.t_s[-1] == pytest.approx(29.0)


def test_of_two_times_of_something_the_one_that_rises_is_used(tmp_path: Path) -> None:
    rows = [(0.5 * (k // 3), 0.1 * k, 10 + 0.1 * k) for k in range(60)]
    speed = _speed(_write(tmp_path, "heading_time,motor_time,speed_mps", rows))
    assert speed.t_s[-1] == pytest.approx(5.9)


def test_two_times_of_something_that_both_fail_are_asked_about(tmp_path: Path) -> None:
    rows = [(0.5 * (k // 3), 10 - k, 10) for k in range(60)]
    path = _write(tmp_path, "heading_time,motor_time,speed_mps", rows)
    with pytest.raises(
        ReadError, match=r"could both be the time; 'motor_time' steps back in line 3"
    ):
        read(path)
    speed = _speed(path, {"time_s": ColumnChoice(header="heading_time", unit="s")})
    assert speed.t_s.size == 20


def test_a_column_of_numbers_that_steps_back_yields_to_a_text_that_rises(tmp_path: Path) -> None:
    rows = [(100 - k if k == 20 else k, f"14:20:{k:02d}", 10 + 0.1 * k) for k in range(40)]
    speed = _speed(_write(tmp_path, "timestamp,time,speed_mps", rows))
    assert speed.t_s.size == 40


def test_elapsed_of_two_fields_is_minutes_and_seconds(tmp_path: Path) -> None:
    # 80 rows a second apart, 00:00 to 01:19: as hours and minutes they would last 79 minutes
    rows = [(f"{k // 60:02d}:{k % 60:02d}", 10) for k in range(80)]
    path = _write(tmp_path, "elapsed,speed_mps", rows)
    assert _speed(path).t_s[-1] == pytest.approx(79.0)
    assert "minutes_and_seconds" in {f.kind for f in read(path).findings}


def test_elapsed_with_tenths_and_over_an_hour(tmp_path: Path) -> None:
    rows = [(f"{59 + k // 600}:{k % 600 / 10:04.1f}", 10) for k in range(1200)]
    assert _speed(_write(tmp_path, "elapsed,speed_mps", rows)).t_s[-1] == pytest.approx(119.9)


def test_a_clock_that_positions_deny_sixty_fold_is_refused(tmp_path: Path) -> None:
    # 20 m/s north: 1.8e-4 degrees a second on a sphere of 6371 km
    step = math.degrees(20 / 6_371_008.8)
    rows = [(f"10:{15 + k:02d}", 20, k * step, -30) for k in range(40)]
    path = _write(tmp_path, "time,speed_mps,latitude,longitude", rows)
    with pytest.raises(ReadError, match="60 times the way along the positions"):
        read(path)


@pytest.mark.parametrize(("name", "under"), [("speed (km/h)", "m/s"), ("speed_kmh", "mph")])
def test_a_unit_in_the_name_against_one_in_the_row_of_units_is_refused(
    tmp_path: Path, name: str, under: str
) -> None:
    path = _write(tmp_path, f"time_s,{name}\ns,{under}", [(k, 10) for k in range(30)])
    with pytest.raises(ReadError, match="names two units"):
        read(path)
    stated = _speed(path, {"speed_mps": ColumnChoice(header=None, unit="km/h")})
    assert stated.values[0] == pytest.approx(10 / 3.6)


def test_header_words_of_acceleration() -> None:
    def role(header: str) -> str | None:
        meaning = read_header(header)
        return None if meaning is None else meaning.role

    assert [role(f"gF{axis}") for axis in "xyz"] == [f"accel_{axis}_mps2" for axis in "xyz"]
    assert role("LatAc") is role("lateral acceleration (g)") is None
    assert (role("LonAc [g]"), role("lat"), role("Long.")) == (
        "accel",
        "latitude_deg",
        "longitude_deg",
    )
