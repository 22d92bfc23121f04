"""Times of delimited logs: which column, which unit, which clock, and what is refused."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from make_logs import Reader, kinds, parse, times
from numpy.testing import assert_allclose

from logger.errors import ReadError
from logger.reading import read
from logger.recording import Channel


@pytest.fixture
def table(tmp_path: Path) -> Reader:
    return partial(parse, tmp_path / "log.csv")


def test_no_time_column_is_refused_with_the_names(table: Reader) -> None:
    with pytest.raises(ReadError, match="no time column; the columns are 'speed_mps', 'lux'"):
        table("speed_mps,lux\n20,1\n21,1\n")


@pytest.mark.parametrize(
    ("header", "stamps", "kind"),
    [
        ("time_ms", ["0", "16", "33"], "elapsed"),
        ("timestamp (us)", ["5000000", "5016000", "5033000"], "elapsed"),
        ("sensor_ns", ["86012345678901", "86012361678901", "86012378678901"], "elapsed"),
        ("timestamp", ["1710000000000", "1710000000016", "1710000000033"], "epoch"),
        ("timestamp", ["1710000000000000", "1710000000016000", "1710000000033000"], "epoch"),
        ("timestamp", ["1710000000.000", "1710000000.016", "1710000000.033"], "epoch"),
        ("time", ["1710000000000000123", "1710000000016000123", "1710000000033000123"], "epoch"),
        ("time", ["2024-03-09T16:00:00.000Z", "2024-03-09T16:00:00.016Z",
                  "2024-03-09T17:00:00.033+01:00"], "epoch"),
        ("time", ["09.03.2024 16:00:00,000", "09.03.2024 16:00:00,016",
                  "09.03.2024 16:00:00,033"], "elapsed"),
        ("time", ["23:59:59.990", "00:00:00.006", "00:00:00.023"], "time_of_day"),
        ("time", ["0:00:01:500", "0:00:01:516", "0:00:01:533"], "time_of_day"),
    ],
)  # fmt: skip
def test_times_in_many_forms_give_the_same_steps(
    table: Reader, header: str, stamps: list[str], kind: str
) -> None:
    rows = "".join(f'"{stamp}",20\n' for stamp in stamps)
    recording = table(f"{header},speed_mps\n{rows}")
    assert times(recording) == [0, 0.016, 0.033]
    assert recording.clocks[0].kind == kind


def test_epoch_clocks_know_their_date(table: Reader) -> None:
    """2024-03-09 16:00:00 UTC is 1710000000 s after 1970 (any calendar)."""
    for stamp in ("1710000000", "1710000000000", "2024-03-09T17:00:00+01:00"):
        clock = table(f"timestamp,speed_mps\n{stamp},20\n").clocks[0]
        assert clock.epoch_s == 1710000000.0


def test_of_several_times_the_order_is_numbers_then_utc_then_others(table: Reader) -> None:
    recording = table(
        "time_cst,time_utc,elapsed_ms,speed_mps\n"
        "2024-03-09 10:00:00,2024-03-09 16:00:00,0,20\n"
        "2024-03-09 10:00:01,2024-03-09 16:00:01,1000,21\n"
    )
    assert recording.clocks[0].described == "elapsed_ms (ms)"
    recording = table(
        "time_cst,time_utc,speed_mps\n"
        "2024-03-09 10:00:00,2024-03-09 16:00:00,20\n2024-03-09 10:00:01,2024-03-09 16:00:01,21\n"
    )
    assert recording.clocks[0].epoch_s == 1710000000.0


def test_whole_seconds_give_way_to_finer_stamps(table: Reader) -> None:
    rows = "".join(f"{1710000000 + k // 10},{100 * k},20\n" for k in range(40))
    recording = table("utc timestamp,time_ms,speed_mps\n" + rows)
    assert times(recording)[:3] == [0, 0.1, 0.2]


def test_a_date_column_beside_a_time_of_day(table: Reader) -> None:
    recording = table(
        "Date,Time,speed_mps\n2024-03-09,23:59:59.5,20\n2024-03-10,00:00:00.0,21\n"
        "2024-03-10,00:00:00.5,22\n"
    )
    assert times(recording) == [0, 0.5, 1.0]


def test_a_time_unit_that_the_values_deny_is_refused(table: Reader) -> None:
    with pytest.raises(ReadError, match="s since 1970, not ms"):
        table("timestamp_ms,speed_mps\n1710000000.0,20\n1710000000.5,21\n")


def test_an_unnamed_time_unit_is_told_by_the_step_and_said(table: Reader) -> None:
    rows = "".join(f"{20 * k},0,0,9.81\n" for k in range(50))
    recording = table("time,ax,ay,az\n" + rows)
    assert times(recording, "accel_z_mps2")[:2] == [0, 0.02]
    assert "time_unit_assumed" in kinds(recording)


def test_arrival_stamps_of_another_clock_are_not_used(table: Reader) -> None:
    recording = table("time_s,received_s,speed_mps\n0,1710000000,20\n1,1710000001,21\n")
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert speed.arrived_s is None
    assert kinds(recording) == ["arrival_unused"]


sixth_decimals = st.floats(0, 99, allow_nan=False).map(lambda value: round(value, 6))


@settings(max_examples=60, deadline=None)
@given(
    # shorter steps of numbers that large would be taken for another unit, and refused
    steps=st.lists(st.integers(1000, 5_000_000), min_size=1, max_size=30),
    start=st.integers(0, 2_000_000_000_000),
    speeds=st.lists(sixth_decimals, min_size=31, max_size=31),
    delimiter=st.sampled_from([",", ";", "\t"]),
    comma=st.booleans(),
)
def test_any_table_of_microseconds_is_read_exactly(
    steps: list[int], start: int, speeds: list[float], delimiter: str, comma: bool,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:  # fmt: skip
    path = tmp_path_factory.mktemp("any") / "log.csv"
    stamps = np.concatenate(([0], np.cumsum(steps)))
    rows = [f"{start + at}{delimiter}{v!r}" for at, v in zip(stamps.tolist(), speeds, strict=False)]
    text = "\n".join([f"time_us{delimiter}accel_y_mps2", *rows]) + "\n"
    if comma and delimiter != ",":
        text = text.replace(".", ",")
    path.write_text(text)
    channel: Channel | None = read(path).channel("accel_y_mps2")
    assert channel is not None
    assert_allclose(channel.t_s, stamps * 1e-6, rtol=1e-15, atol=1e-9)
    assert_allclose(channel.values, speeds[: stamps.size], rtol=0, atol=0)


def test_time_of_day_in_digits_alone(table: Reader) -> None:
    """hhmmss leaps from 59 to 100: read as a count it would make a hole of 41 s each minute."""
    rows = ["101558", "101559", "101600", "101601.5"]
    text = "time,speed (m/s)\n" + "".join(f"{row},{20 + k}\n" for k, row in enumerate(rows))
    recording = table(text)
    assert times(recording) == [0.0, 1.0, 2.0, 3.5]
    assert recording.clocks[0].kind == "time_of_day"
    # over midnight, where programs lose the zeros before the hour
    late = table(text.replace("101558", "235958").replace("101559", "235959").replace("10160", "0"))
    assert times(late) == [0.0, 1.0, 2.0, 3.5]
    # beside a date a few seconds are enough
    text = "date,time,speed (m/s)\n" + "".join(f"2024-03-09,09150{k},{20 + k}\n" for k in range(4))
    dated = table(text)
    assert times(dated) == [0.0, 1.0, 2.0, 3.0]
    # 2024-03-09 09:15:00 by the calendar; no zone is named
    assert "zone_unknown" in kinds(dated)


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        # a count of seconds since the phone was started: no leap, and 60 to 99 among its last digits
        ([123455.5, 123456.5, 123459.5, 123460.5], [0.0, 1.0, 4.0, 5.0]),
        # a hole of 41 s where a time of day would leap; later a second 60
        ([558.0, 559.0, 600.0, 601.0, 602.0, 660.0], [0.0, 1.0, 42.0, 43.0, 44.0, 102.0]),
    ],
)
def test_a_count_of_seconds_is_no_time_of_day(
    table: Reader, rows: list[float], expected: list[float]
) -> None:
    text = "time,speed (m/s)\n" + "".join(f"{row},{20 + k / 10}\n" for k, row in enumerate(rows))
    recording = table(text)
    assert times(recording) == expected
    assert recording.clocks[0].kind == "elapsed"
