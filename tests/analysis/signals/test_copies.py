"""A second copy of a recording is one, and no two drives are taken for copies of each other.

What it protects: runs that count twice make intervals too narrow; a genuine repeat that is dropped
costs evidence. The truth is how each file was made. The benchmark `copies` has all phones and worlds.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from make_copies import COPIES, EPOCH, dated, second_phone, written_again
from make_sessions import simulated

from analysis.pipeline import analyse
from analysis.signals.copies import find_copies, same_drive, trace_of
from logger.recording import Recording


@pytest.fixture(scope="module")
def drives() -> tuple[Recording, ...]:
    """Recordings of one vehicle on one road, with drives of their own."""
    return simulated(1).recordings


@pytest.mark.parametrize("how", COPIES)
def test_a_copy_in_other_words_is_the_same_drive(
    how: str, drives: tuple[Recording, ...], tmp_path: Path
) -> None:
    again = written_again(drives[0], how, tmp_path)
    assert again is not None
    copy = same_drive(trace_of(drives[0]), trace_of(again))
    assert copy is not None
    assert not copy.second_phone
    assert same_drive(trace_of(again), trace_of(drives[0])) is not None


@pytest.mark.parametrize("rounded", ["the same", "whole km/h", "mph, one decimal", "one decimal"])
def test_repeats_of_one_vehicle_on_one_road_are_no_copies(
    rounded: str, drives: tuple[Recording, ...], tmp_path: Path
) -> None:
    traces = [trace_of(one) for one in drives]
    again = [written_again(one, rounded, tmp_path) for one in drives]
    other = [trace_of(one) for one in again if one is not None]
    for one, two in combinations(range(len(drives)), 2):
        assert same_drive(traces[one], traces[two]) is None
        assert same_drive(traces[one], other[two]) is None
        assert same_drive(other[one], other[two]) is None


def test_a_second_phone_is_known_by_its_clock_alone(drives: tuple[Recording, ...]) -> None:
    one = dated(drives[0])
    other = second_phone(one, np.random.default_rng(3))
    copy = same_drive(trace_of(one), trace_of(other))
    assert copy is not None
    assert copy.second_phone
    later = dated(other, EPOCH.timestamp() + 600.0)
    assert same_drive(trace_of(one), trace_of(later)) is None
    undated = replace(other, clocks=drives[0].clocks)
    assert same_drive(trace_of(drives[0]), trace_of(undated)) is None


def test_another_vehicle_at_the_same_time_is_no_second_phone(drives: tuple[Recording, ...]) -> None:
    """Side by side from the same place, a tenth faster; and two starts of a clock that was not set."""
    one = dated(drives[0])
    beside = second_phone(one, np.random.default_rng(3))
    faster = tuple(
        replace(channel, values=1.1 * channel.values) if channel.name == "speed_mps" else channel
        for channel in beside.channels
    )
    assert same_drive(trace_of(one), trace_of(replace(beside, channels=faster))) is None
    unset = [trace_of(dated(drive, 315_964_800.0)) for drive in (drives[0], drives[2])]
    assert same_drive(*unset) is None


def test_a_phone_elsewhere_with_the_same_speeds_is_no_second_phone(
    drives: tuple[Recording, ...],
) -> None:
    one = dated(drives[0])
    other = second_phone(one, np.random.default_rng(3))
    moved = tuple(
        replace(channel, values=channel.values + 0.01)
        if channel.name == "latitude_deg"
        else channel
        for channel in other.channels
    )
    assert same_drive(trace_of(one), trace_of(replace(other, channels=moved))) is None


def test_kept_is_the_recording_with_more_to_it(
    drives: tuple[Recording, ...], tmp_path: Path
) -> None:
    again = written_again(drives[1], "trimmed", tmp_path)
    assert again is not None
    found = list(find_copies([trace_of(one) for one in (again, *drives)]))
    assert [(kept, other) for kept, other, _ in found] == [(2, 0)]


def test_in_a_session_a_copy_counts_once_and_both_names_are_said(tmp_path: Path) -> None:
    made = simulated(1)
    again = written_again(made.recordings[1], "trimmed, shifted, km/h", tmp_path)
    assert again is not None
    entry = replace(made.session.logs[1], files=(Path("copy.csv"),))
    session = replace(made.session, logs=(*made.session.logs, entry))
    outcome = analyse(session, (*made.recordings, again))
    assert {run.log for run in outcome.used_runs} == set(range(len(made.recordings)))
    name = made.session.logs[1].files[0].name
    said = [f.text for f in outcome.findings if f.log == len(made.recordings)]
    assert any(f"copy.csv (log 5) holds the drive of {name} (log 2)" in text for text in said)


def test_a_hole_of_months_and_too_little_to_go_by_cost_nothing() -> None:
    drive = simulated(1).recordings[0]
    speed = drive.channel("speed_mps")
    assert speed is not None
    later = replace(
        speed,
        t_s=np.concatenate([speed.t_s, speed.t_s + 1e7]),
        values=np.concatenate([speed.values, speed.values]),
        suspect=np.zeros(0, dtype=bool),
        arrived_s=None,
    )
    trace = trace_of(replace(drive, channels=(later,)))
    assert trace.speed_mps.size < 1000
    short = replace(speed, t_s=speed.t_s[:3], values=speed.values[:3], suspect=speed.suspect[:3])
    few = trace_of(replace(drive, channels=(replace(short, arrived_s=None),)))
    assert same_drive(trace, few) is None
