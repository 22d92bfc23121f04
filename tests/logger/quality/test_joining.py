"""Several files of one recording: one clock where they share one, two where not, and it is said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from logger.errors import ReadError
from logger.reading import read_log
from logger.tables.table import ColumnChoice


def test_two_files_of_one_epoch_are_put_on_one_clock(tmp_path: Path) -> None:
    fixes = tmp_path / "gps.csv"
    motion = tmp_path / "motion.csv"
    fixes.write_text(
        "timestamp_ms,speed_mps\n" + "".join(f"{1710000000000 + 1000 * k},10\n" for k in range(9))
    )
    motion.write_text(
        "epoch_ns,ax [m/s2],ay [m/s2],az [m/s2]\n"
        + "".join(f"{1709999999500000000 + 20_000_001 * k},0.1,0.2,9.8\n" for k in range(400))
    )
    recording = read_log([fixes, motion])
    accel = recording.channel("accel_x_mps2")
    assert accel is not None
    assert len(recording.clocks) == 1
    assert recording.clocks[0].epoch_s == 1710000000.0
    # integers are subtracted before they become floats: exact to less than a nanosecond
    assert_allclose(accel.t_s, -0.5 + 20_000_001e-9 * np.arange(400), rtol=0, atol=1e-9)
    assert [s.path for s in recording.sources] == [str(fixes), str(motion)]


def test_elapsed_clocks_that_overlap_are_joined_and_it_is_said(tmp_path: Path) -> None:
    (tmp_path / "gps.csv").write_text(
        "elapsed_s,speed_mps\n" + "".join(f"{46 + k},10\n" for k in range(100))
    )
    (tmp_path / "motion.csv").write_text(
        "time_ms,ax [g],ay [g],az [g]\n" + "".join(f"{100 * k},0,0,1\n" for k in range(1600))
    )
    recording = read_log([tmp_path / "gps.csv", tmp_path / "motion.csv"])
    accel = recording.channel("accel_z_mps2")
    assert accel is not None
    assert len(recording.clocks) == 1
    assert accel.t_s[0] == pytest.approx(-46.0)
    assert [f.kind for f in recording.findings] == ["clock_assumed"]


def test_elapsed_clocks_that_do_not_meet_stay_apart(tmp_path: Path) -> None:
    (tmp_path / "gps.csv").write_text(
        "elapsed_s,speed_mps\n" + "".join(f"{k},10\n" for k in range(100))
    )
    (tmp_path / "motion.csv").write_text(
        "time_ms,ax [g],ay [g],az [g]\n"
        + "".join(f"{86_000_000 + 100 * k},0,0,1\n" for k in range(900))
    )
    recording = read_log([tmp_path / "gps.csv", tmp_path / "motion.csv"])
    accel = recording.channel("accel_z_mps2")
    assert accel is not None
    assert accel.clock == 1
    assert accel.t_s[0] == 0.0
    assert "two_clocks" in [f.kind for f in recording.findings]


def test_local_time_under_the_name_of_utc_is_named(tmp_path: Path) -> None:
    for name, hour in (("gps.csv", 9), ("obd.csv", 11)):
        column = "speed_mps" if name == "gps.csv" else "engine_speed_rpm"
        (tmp_path / name).write_text(
            f"utc time,{column}\n"
            + "".join(f"2024-03-09T{hour:02d}:00:{k:02d}Z,2000\n" for k in range(60)).replace(
                ",2000", ",20" if name == "gps.csv" else ",2000"
            )
        )
    recording = read_log([tmp_path / "gps.csv", tmp_path / "obd.csv"])
    finding = next(f for f in recording.findings if f.kind == "zone_difference")
    assert "2 h:" in finding.text


def test_a_time_without_a_zone_is_not_lined_up_with_one_that_has_one(tmp_path: Path) -> None:
    (tmp_path / "gps.csv").write_text(
        "time,speed_mps\n" + "".join(f"2024-03-09T09:00:{k:02d}Z,20\n" for k in range(30))
    )
    (tmp_path / "motion.csv").write_text(
        "time,ax [g],ay [g],az [g]\n"
        + "".join(f"2024-03-09 10:00:{k // 10:02d}.{k % 10},0,0,1\n" for k in range(300))
    )
    recording = read_log([tmp_path / "gps.csv", tmp_path / "motion.csv"])
    assert len(recording.clocks) == 2
    finding = next(f for f in recording.findings if f.kind == "two_clocks")
    assert "difference of 1 h" in finding.text


def test_of_two_speeds_the_livelier_one_is_used_and_it_is_said(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(
        "time_s,speed_mps\n" + "".join(f"{k},{10 + k // 5}\n" for k in range(40))
    )
    (tmp_path / "b.csv").write_text(
        "time_s,speed_mps\n" + "".join(f"{0.1 * k:.1f},{10 + 0.02 * k:.2f}\n" for k in range(400))
    )
    recording = read_log([tmp_path / "a.csv", tmp_path / "b.csv"])
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert speed.source_file.endswith("b.csv")
    assert "channel_twice" in [f.kind for f in recording.findings]


def test_a_chosen_column_must_be_in_one_of_the_files(tmp_path: Path) -> None:
    (tmp_path / "gps.csv").write_text("clock [s],v-gps\n0,36\n1,72\n2,72\n")
    (tmp_path / "motion.csv").write_text("time_s,ax [g],ay [g],az [g]\n0,0,0,1\n1,0,0,1\n")
    columns = {
        "speed_mps": ColumnChoice(header="v-gps", unit="km/h"),
        "time_s": ColumnChoice(header="clock [s]", unit="s"),
    }
    recording = read_log([tmp_path / "gps.csv", tmp_path / "motion.csv"], columns=columns)
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert_allclose(speed.values, [10, 20, 20], rtol=1e-12)
    with pytest.raises(ReadError, match="no column 'v-gqs'"):
        read_log(
            [tmp_path / "gps.csv", tmp_path / "motion.csv"],
            columns={"speed_mps": ColumnChoice(header="v-gqs", unit="km/h")},
        )


def test_no_file_at_all_is_refused() -> None:
    with pytest.raises(ReadError, match="no file was given"):
        read_log([])


def test_two_files_that_count_since_the_device_started_share_that_clock(tmp_path: Path) -> None:
    (tmp_path / "gps.csv").write_text(
        "speed_mps,utc_ms,t_s\n"
        + "".join(f"10,{1533226490000 + 1000 * k}.0,{46410.3 + k}\n" for k in range(60))
    )
    (tmp_path / "motion.csv").write_text(
        "ax,ay,az,t_s\n" + "".join(f"0.1,0.2,9.8,{46408.58 + 0.01 * k:.3f}\n" for k in range(6000))
    )
    recording = read_log([tmp_path / "gps.csv", tmp_path / "motion.csv"])
    accel = recording.channel("accel_z_mps2")
    assert accel is not None
    assert len(recording.clocks) == 1
    assert accel.t_s[0] == pytest.approx(-1.72)
    # alone, the file keeps the time that has a date
    assert read_log([tmp_path / "gps.csv"]).clocks[0].epoch_s == 1533226490.0


def test_a_hole_of_weeks_is_no_clock_that_was_not_set(tmp_path: Path) -> None:
    start = 1_710_000_000
    times = [start + k for k in range(100)] + [start + 40 * 86_400 + k for k in range(300)]
    path = tmp_path / "outings.csv"
    path.write_text("timestamp_s,speed_mps\n" + "".join(f"{t},10\n" for t in times))
    recording = read_log([path])
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert speed.t_s.size == 400
    assert "stray_date" not in {f.kind for f in recording.findings}
    assert "hole" in {f.kind for f in recording.findings}
