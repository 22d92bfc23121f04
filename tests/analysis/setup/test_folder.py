"""Which logs of a folder are one recording: by their dates, else by their names."""

from __future__ import annotations

import shutil
from pathlib import Path

from make_outing import FIXES, MOTION

from analysis.setup.folder import FoundLog, find_logs, group_logs
from logger.session.session import read_session

ROOT = Path(__file__).resolve().parents[3]
SAMPLE = ROOT / "sample_logs" / "van_bare"


def test_the_sample_s_files_of_two_sensors_are_one_recording(tmp_path: Path) -> None:
    """As its own session.toml says; here the dates tell."""
    for file in SAMPLE.glob("run0[34]*"):
        shutil.copy(file, tmp_path)
    groups = group_logs(find_logs(tmp_path))
    stated = [sorted(f.name for f in log.files) for log in read_session(SAMPLE).logs[2:4]]
    assert [sorted(log.name for log in group.logs) for group in groups] == stated
    assert {group.why for group in groups} == {"their dates overlap"}


def found(folder: Path, name: str, text: str) -> FoundLog:
    (folder / name).write_text(text)
    return next(log for log in find_logs(folder) if log.name == name)


def dated(text: str, start_s: int) -> str:
    head, *rows = text.splitlines()
    moved = [f"{start_s + float(t)},{rest}" for t, rest in (row.split(",", 1) for row in rows)]
    return "\n".join([head.replace("time_s", "timestamp_s"), *moved]) + "\n"


def test_dates_that_do_not_overlap_part_files_of_one_name(tmp_path: Path) -> None:
    gps = found(tmp_path, "run_gps.csv", dated(FIXES, 1_700_000_000))
    late = found(tmp_path, "run_motion.csv", dated(MOTION, 1_700_009_000))
    same = found(tmp_path, "x.csv", dated(MOTION, 1_700_000_010))
    assert gps.span_s == (1_700_000_000.0, 1_700_000_059.0)
    assert [len(group.logs) for group in group_logs([gps, late])] == [1, 1]
    assert [group.why for group in group_logs([gps, same])] == ["their dates overlap"]
    # of two that fit none is taken
    twin = found(tmp_path, "y.csv", dated(MOTION, 1_700_000_011))
    assert [len(group.logs) for group in group_logs([gps, same, twin])] == [1, 1, 1]


def test_names_that_tell_nothing_join_nothing(tmp_path: Path) -> None:
    logs = [found(tmp_path, "monday.csv", FIXES), found(tmp_path, "other.csv", MOTION)]
    assert [len(group.logs) for group in group_logs(logs)] == [1, 1]
    assert [group.readable for group in group_logs(logs)] == [True, False]
