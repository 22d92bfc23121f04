"""Delimited logs: what a header says, which column is the time, and what is never guessed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from logger.errors import ReadError
from logger.headers import OWN_COLUMNS, read_header
from logger.reading import read
from logger.recording import CHANNEL_NAMES, Channel, Recording
from logger.table import ColumnChoice


@pytest.fixture
def table(tmp_path: Path) -> TableWriter:
    return TableWriter(tmp_path / "log.csv")


class TableWriter:
    """Writes a text and reads it as a log."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __call__(
        self, text: str | bytes, columns: dict[str, ColumnChoice] | None = None
    ) -> Recording:
        self.path.write_bytes(text.encode() if isinstance(text, str) else text)
        return read(self.path, columns=columns)


def values(recording: Recording, name: str) -> list[float]:
    channel = recording.channel(name)
    assert channel is not None, name
    return [round(value, 9) for value in channel.values.tolist()]


def times(recording: Recording, name: str = "speed_mps") -> list[float]:
    channel = recording.channel(name)
    assert channel is not None, name
    return [round(value, 9) for value in channel.t_s.tolist()]


def kinds(recording: Recording) -> list[str]:
    return [finding.kind for finding in recording.findings]


HEADERS = [
    ("Speed (km/h)", "speed_mps", "km/h"),
    ("velocity [m/s]", "speed_mps", "m/s"),
    ("speed_kmh", "speed_mps", "kmh"),
    ("LOCATION Speed ( Kmh)", "speed_mps", "Kmh"),
    ("gps_speed_mph", "speed_mps", "mph"),
    ("GPS speed in kn", "speed_mps", "kn"),
    ("speed", "speed_mps", None),
    ("v [m/s]", "speed_mps", "m/s"),
    ("speed_m_s", "speed_mps", "m/s"),
    ("speedAccuracy", "speed_accuracy_mps", None),
    ("speed accuracy (m/s)", "speed_accuracy_mps", "m/s"),
    ("horizontalAccuracy", "position_accuracy_m", None),
    ("Latitude (°)", "latitude_deg", "°"),
    ("lon", "longitude_deg", "deg"),
    ("Altitude ( ft)", "elevation_m", "ft"),
    ("course", "heading_deg", "deg"),
    ("acc x [g]", "accel_x_mps2", "g"),
    ("ACCELEROMETER Y (m/s²)", "accel_y_mps2", "m/s²"),
    ("accelerationIncludingGravity.z", "accel_z_mps2", None),
    ("userAccelerationX", "accel_x_mps2", None),
    ("gyroY (deg/s)", "rotation_y_radps", "deg/s"),
    ("rotationRate.alpha", "rotation_z_radps", None),
    ("engine rpm", "engine_speed_rpm", "rpm"),
    ("throttle (%)", "throttle_percent", "%"),
    ("throttle volts", "throttle_volts", "volts"),
    ("timestamp_ms", "time", "ms"),
    ("elapsed (s)", "time", "s"),
    ("Time since start in ms ", "time", "ms"),
    ("sensor_ns", "time", "ns"),
    ("t [s]", "time", "s"),
    ("received_s", "received", "s"),
]


@pytest.mark.parametrize(("header", "role", "unit"), HEADERS, ids=[h[0] for h in HEADERS])
def test_headers_say_what_and_in_which_unit(header: str, role: str, unit: str | None) -> None:
    meaning = read_header(header)
    assert meaning is not None
    assert (meaning.role, meaning.unit) == (role, unit)


@pytest.mark.parametrize(
    "header",
    [
        "MAGNETIC FIELD X (μT)",
        "orientationX",
        "quaternionW",
        "LIGHT (lux)",
        "speed_source",
        "wind speed (m/s)",
        "gps_minute",
        "accel_event",
        "gps_hdop",
        "distance_miles",
        "wheel speed sensor rpm target max speed",
        "",
    ],
)
def test_headers_of_other_things_are_not_taken(header: str) -> None:
    assert read_header(header) is None


def test_every_own_column_is_known_by_its_name() -> None:
    for name in OWN_COLUMNS:
        meaning = read_header(name)
        assert meaning is not None
        assert meaning.score == 9
    assert set(CHANNEL_NAMES) < set(OWN_COLUMNS)


@pytest.mark.parametrize(
    ("header", "written", "mps"),
    [
        # by definition: 3.6 km/h, 1609.344 m, 1852 m, 0.3048 m
        ("speed (km/h)", "90", 25.0),
        ("speed [mph]", "60", 26.8224),
        ("speed_kn", "100", 51.444444444),
        ("speed ft/s", "100", 30.48),
        ("speed_mps", "25", 25.0),
    ],
)
def test_speed_units_come_from_the_header(
    table: TableWriter, header: str, written: str, mps: float
) -> None:
    assert values(table(f"time_s,{header}\n0,{written}\n1,{written}\n"), "speed_mps") == [mps, mps]


def test_odd_headings_of_a_real_log(table: TableWriter) -> None:
    """Trailing blanks, colons, superscripts, degree signs, a fraction cell, blanks at the start."""
    recording = table(
        "ACCELEROMETER X (m/s²),ACCELEROMETER Y (m/s²),ACCELEROMETER Z (m/s²),"
        "LOCATION Latitude : ,LOCATION Longitude : ,LOCATION Speed ( Kmh),Satellites in range,"
        "Time since start in ms ,YYYY-MO-DD HH-MI-SS_SSS\n"
        "0.1,0.2,9.80,,,,3 / 19,17,2015-08-25 14:32:43:035\n"
        "0.1,0.2,9.81,52.1,9.4,36.0,4 / 19,123,2015-08-25 14:32:43:141\n"
        "0.1,0.2,9.82,52.1,9.4,36.0,4 / 19,229,2015-08-25 14:32:43:247\n"
    )
    assert values(recording, "speed_mps") == [10.0, 10.0]
    assert times(recording, "accel_z_mps2") == [0, 0.106, 0.212]
    assert recording.clocks[0].described.startswith("Time since start in ms")


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_delimiters_line_ends_and_encodings(
    table: TableWriter, delimiter: str, end: str, encoding: str
) -> None:
    rows = [["Time (s)", "Richtung °", "Speed (km/h)"], ["0.5", "1", "36"], ["1.5", "2", "72.0"]]
    text = end.join(delimiter.join(row) for row in rows) + end
    recording = table(text.encode(encoding))
    assert values(recording, "speed_mps") == [10.0, 20.0]
    assert times(recording) == [0.0, 1.0]


def test_decimal_commas_with_semicolons_and_with_tabs(table: TableWriter) -> None:
    for delimiter in (";", "\t"):
        text = "time_s;speed_mps\n0,0;20,5\n,5;2,15E+1\n1,0;-0\n".replace(";", delimiter)
        assert values(table(text), "speed_mps") == [20.5, 21.5, 0.0]


def test_quoted_cells_may_hold_commas_and_line_ends(table: TableWriter) -> None:
    recording = table(
        'time_s,"speed, of GPS (km/h)",mark\n0,36,"left, at the\nbarn"\n1,72,"say ""go"""\n'
    )
    assert values(recording, "speed_mps") == [10, 20]
    assert [event.text for event in recording.events] == ["left, at the\nbarn", 'say "go"']


def test_a_broken_quotation_is_refused(table: TableWriter) -> None:
    with pytest.raises(ReadError):
        table('time_s,speed_mps\n0,"36\n1,72\n2,72\n' + "x" * 2_000_000)


def test_comments_settings_and_a_row_of_units_above_the_data(table: TableWriter) -> None:
    recording = table(
        "# made by a logger\n# rate 10\n\nDevice,somewhat\nTime,GPS Speed,Height\n(s),(km/h),(m)\n"
        "0.0,36,100\n0.1,37,100\n0.2,38,100\n0.3,39,100\n"
    )
    assert values(recording, "speed_mps")[0] == 10.0
    assert times(recording) == [0, 0.1, 0.2, 0.3]
    assert "time_unit_assumed" not in kinds(recording)


def test_rows_of_nothing_but_delimiters_are_counted_and_left_out(table: TableWriter) -> None:
    recording = table("time_s,speed_mps\n0,20\n,\n,\n1,21\n,\n,\n")
    assert values(recording, "speed_mps") == [20, 21]
    (finding,) = recording.findings
    assert (finding.kind, finding.line, finding.count) == ("blank_row", 3, 2)


def test_a_few_short_rows_are_left_out_and_named_many_are_refused(table: TableWriter) -> None:
    rows = [f"{k},20,1" for k in range(50)]
    rows[20] = "20,2"
    recording = table("time_s,speed_mps,heading_deg\n" + "\n".join(rows) + "\n")
    (finding,) = [f for f in recording.findings if f.kind == "short_row"]
    assert (finding.line, finding.count) == (22, 1)
    assert 20.0 not in times(recording)
    for k in range(20, 40):
        rows[k] = f"{k},2"
    with pytest.raises(ReadError) as caught:
        table("time_s,speed_mps,heading_deg\n" + "\n".join(rows) + "\n")
    assert caught.value.line == 22


def test_a_row_with_too_many_fields_is_refused_with_its_line(table: TableWriter) -> None:
    with pytest.raises(ReadError, match="3 fields where the header has 2") as caught:
        table("time_s,speed_mps\n0,20\n1,21\n2,22,7\n")
    assert caught.value.line == 4


@pytest.mark.parametrize(
    ("last", "kept"),
    [
        ("4.0,2", 4),  # lost the end of its number
        ("4.0,20.24", 5),  # whole
        ("4.0,", 4),  # lost all of it
        ("4.0", 4),
    ],
)
def test_a_last_row_without_line_end_is_used_only_when_it_is_whole(
    table: TableWriter, last: str, kept: int
) -> None:
    rows = "".join(f"{k}.0,20.{20 + k}\n" for k in range(4))
    assert len(values(table("time_s,speed_mps\n" + rows + last), "speed_mps")) == kept


def test_missing_words_are_missing_never_zero(table: TableWriter) -> None:
    recording = table("time_s,speed_mps\n0,20\n1,null\n2,NaN\n3,-\n4,N/A\n5,\n6,26\n")
    assert times(recording) == [0, 6]
    finding = next(f for f in recording.findings if f.kind == "missing_value")
    # the blank cell of line 7 is an ordinary way to say nothing
    assert (finding.line, finding.count) == (3, 4)


@pytest.mark.parametrize("cell", ["inf", "-Infinity", "1e400", "1_000", "12a", "0x1F", "1,5", "٣"])
def test_cells_that_are_no_finite_number_are_refused(table: TableWriter, cell: str) -> None:
    with pytest.raises(ReadError) as caught:
        table(f'time_s,speed_mps\n0,20\n1,"{cell}"\n2,22\n')
    assert (caught.value.line, caught.value.column) == (3, 2)


def test_an_unused_field_never_stops_the_reading(table: TableWriter) -> None:
    recording = table("time_s,speed_mps,altitude (m)\n0,20,hill\n1,21,hill\n")
    assert values(recording, "speed_mps") == [20, 21]
    assert kinds(recording) == ["column_unreadable"]


def test_any_other_negative_speed_is_refused(table: TableWriter) -> None:
    with pytest.raises(ReadError, match="speed of -2") as caught:
        table("time_s,speed_mps\n0,20\n1,-1\n2,-2\n")
    assert caught.value.line == 4


def test_minus_one_means_unknown_in_the_files_own_unit(table: TableWriter) -> None:
    recording = table("time_s,speed_kmh\n0,36\n1,-1\n2,72\n")
    assert values(recording, "speed_mps") == [10, 20]
    assert kinds(recording) == ["unknown_code"]


def test_positions_at_null_island_are_no_fix(table: TableWriter) -> None:
    recording = table("time_s,lat,lon,speed_mps\n0,0,0,0\n1,52.1,9.4,10\n2,52.1001,9.4,11\n")
    assert times(recording) == [0, 1]
    assert kinds(recording) == ["no_position"]


def test_a_latitude_off_the_earth_is_refused(table: TableWriter) -> None:
    with pytest.raises(ReadError, match="latitude 95"):
        table("time_s,lat,lon\n0,52,9\n1,95,9\n")


def moving(factor: float, name: str) -> str:
    """Return a table of a steady 20 m/s drive north, speed written in some unit."""
    step = 20.0 / 111_195.0  # one degree of latitude in metres on the mean sphere
    rows = (f"{k},{52.1 + step * k:.7f},9.4,{20.0 * factor:.4f}\n" for k in range(30))
    return f"time_s,lat,lon,{name}\n" + "".join(rows)


@pytest.mark.parametrize(
    ("factor", "unit"), [(1.0, "m/s"), (3.6, "km/h"), (2.236936, "mph"), (1.943844, "kn")]
)
def test_a_speed_without_a_unit_is_told_by_the_positions(
    table: TableWriter, factor: float, unit: str
) -> None:
    recording = table(moving(factor, "speed"))
    channel = recording.channel("speed_mps")
    assert channel is not None
    assert channel.source_unit == unit
    # the four decimals written
    assert_allclose(channel.values, 20.0, atol=1e-4)
    assert kinds(recording) == ["speed_unit_found"]


def test_a_stated_unit_that_the_positions_deny_is_refused(table: TableWriter) -> None:
    with pytest.raises(ReadError, match="they are in km/h, not m/s") as caught:
        table(moving(3.6, "speed_mps"))
    assert "--unit speed_mps=km/h" in str(caught.value)
    recording = table(moving(3.6, "speed_mps"), {"speed_mps": ColumnChoice(unit="km/h")})
    assert_allclose(values(recording, "speed_mps"), 20.0, atol=1e-4)


def test_a_speed_without_unit_or_positions_is_assumed_aloud(table: TableWriter) -> None:
    recording = table("time_s,speed\n0,20\n1,21\n2,22\n")
    (finding,) = recording.findings
    assert (finding.kind, finding.severity) == ("speed_unit_assumed", "warning")
    assert "--unit speed_mps=km/h" in finding.text


def test_a_speed_without_unit_that_is_too_fast_for_m_s_is_refused(table: TableWriter) -> None:
    with pytest.raises(ReadError, match="names no unit"):
        table("time_s,speed\n0,100\n1,110\n2,120\n")


def test_a_record_car_at_90_m_s_is_believed(table: TableWriter) -> None:
    rows = "".join(f"{k},{min(90.0, 9.0 * k)}\n" for k in range(20))
    assert not table("time_s,speed_mps\n" + rows).findings


def test_two_columns_that_could_both_be_the_speed_are_refused(table: TableWriter) -> None:
    text = "time_s,speed (km/h),velocity (m/s)\n0,36,10\n1,72,20\n"
    with pytest.raises(ReadError, match="could both be speed_mps"):
        table(text)
    chosen = table(text, {"speed_mps": ColumnChoice("velocity (m/s)")})
    assert values(chosen, "speed_mps") == [10, 20]
    # a column that says GPS is the better one, and an empty one is none
    assert values(table(text.replace("velocity", "GPS velocity")), "speed_mps") == [10, 20]
    empty = "time_s,speed (km/h),velocity (m/s)\n0,36,\n1,72,\n"
    assert values(table(empty), "speed_mps") == [10, 20]


def test_a_table_without_header_needs_column_numbers(table: TableWriter) -> None:
    text = "0,100,36\n1,100,72\n2,101,72\n"
    with pytest.raises(ReadError, match="no header") as caught:
        table(text)
    assert "--column time_s=1" in str(caught.value)
    columns = {"time_s": ColumnChoice("1", "s"), "speed_mps": ColumnChoice("3", "km/h")}
    assert values(table(text, columns), "speed_mps") == [10, 20, 20]


def test_no_time_column_is_refused_with_the_names(table: TableWriter) -> None:
    with pytest.raises(ReadError, match="no time column; the columns are 'speed_mps', 'lux'"):
        table("speed_mps,lux\n20,1\n21,1\n")


def test_no_known_column_is_refused_with_the_names(table: TableWriter) -> None:
    with pytest.raises(ReadError, match="'lux'"):
        table("time_s,lux\n0,1\n1,1\n")


def test_unknown_choices_are_refused_with_what_is_known(table: TableWriter) -> None:
    with pytest.raises(ReadError, match="'velocity' is no column"):
        table("time_s,speed\n0,1\n", {"velocity": ColumnChoice("speed", "m/s")})
    with pytest.raises(ReadError, match="km/h"):
        table("time_s,speed\n0,1\n", {"speed_mps": ColumnChoice("speed", "furlongs")})


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
    table: TableWriter, header: str, stamps: list[str], kind: str
) -> None:
    rows = "".join(f'"{stamp}",20\n' for stamp in stamps)
    recording = table(f"{header},speed_mps\n{rows}")
    assert times(recording) == [0, 0.016, 0.033]
    assert recording.clocks[0].kind == kind


def test_epoch_clocks_know_their_date(table: TableWriter) -> None:
    """2024-03-09 16:00:00 UTC is 1710000000 s after 1970 (any calendar)."""
    for stamp in ("1710000000", "1710000000000", "2024-03-09T17:00:00+01:00"):
        clock = table(f"timestamp,speed_mps\n{stamp},20\n").clocks[0]
        assert clock.epoch_s == 1710000000.0


def test_of_several_times_the_order_is_numbers_then_utc_then_others(table: TableWriter) -> None:
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


def test_whole_seconds_give_way_to_finer_stamps(table: TableWriter) -> None:
    rows = "".join(f"{1710000000 + k // 10},{100 * k},20\n" for k in range(40))
    recording = table("utc timestamp,time_ms,speed_mps\n" + rows)
    assert times(recording)[:3] == [0, 0.1, 0.2]


def test_a_date_column_beside_a_time_of_day(table: TableWriter) -> None:
    recording = table(
        "Date,Time,speed_mps\n2024-03-09,23:59:59.5,20\n2024-03-10,00:00:00.0,21\n"
        "2024-03-10,00:00:00.5,22\n"
    )
    assert times(recording) == [0, 0.5, 1.0]


def test_a_time_unit_that_the_values_deny_is_refused(table: TableWriter) -> None:
    with pytest.raises(ReadError, match="s since 1970, not ms"):
        table("timestamp_ms,speed_mps\n1710000000.0,20\n1710000000.5,21\n")


def test_an_unnamed_time_unit_is_told_by_the_step_and_said(table: TableWriter) -> None:
    rows = "".join(f"{20 * k},0,0,9.81\n" for k in range(50))
    recording = table("time,ax,ay,az\n" + rows)
    assert times(recording, "accel_z_mps2")[:2] == [0, 0.02]
    assert "time_unit_assumed" in kinds(recording)


def test_gravity_included_is_preferred_and_linear_only_is_named(table: TableWriter) -> None:
    header = "time_s,linear acc x [m/s2],linear acc y [m/s2],linear acc z [m/s2]"
    recording = table(header + "\n" + "".join(f"{k / 10},0.1,0.2,0.3\n" for k in range(30)))
    assert kinds(recording) == ["gravity_removed"]
    both = header + ",acc x [g],acc y [g],acc z [g]\n"
    recording = table(both + "".join(f"{k / 10},0.1,0.2,0.3,0,0,1\n" for k in range(30)))
    assert values(recording, "accel_z_mps2")[0] == 9.80665
    assert not recording.findings


def test_quantities_that_need_no_unit_are_in_their_usual_one(table: TableWriter) -> None:
    recording = table("time_s,speed_mps,altitude,GPS orientation\n0,20,100,90\n1,21,101,91\n")
    assert values(recording, "elevation_m") == [100, 101]
    assert values(recording, "heading_deg") == [90, 91]


def test_own_table_is_read_as_it_is_written(table: TableWriter) -> None:
    recording = table(
        "time_s,received_s,latitude_deg,longitude_deg,speed_mps,accel_x_mps2,accel_y_mps2,"
        "accel_z_mps2,up_x,up_y,up_z,mark,event\n"
        "0,0.2,52.1,9.4,20,,,,,,,,start\n"
        "0.5,0.51,,,,0.1,0.2,9.8,0,0,1,gear 2,\n"
        "1,1.2,52.1002,9.4,20.5,,,,,,,,gps_lost\n"
    )
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert speed.arrived_s is not None
    assert_allclose(speed.arrived_s, [0.2, 1.2], rtol=0, atol=1e-12)
    assert values(recording, "up_z") == [1]
    assert [(e.t_s, e.kind, e.text) for e in recording.events] == [
        (0.0, "event", "start"),
        (0.5, "mark", "gear 2"),
        (1.0, "event", "gps_lost"),
    ]
    assert not recording.findings


def test_arrival_stamps_of_another_clock_are_not_used(table: TableWriter) -> None:
    recording = table("time_s,received_s,speed_mps\n0,1710000000,20\n1,1710000001,21\n")
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert speed.arrived_s is None
    assert kinds(recording) == ["arrival_unused"]


numbers = st.floats(0, 99, allow_nan=False).map(lambda value: round(value, 6))


@settings(max_examples=60, deadline=None)
@given(
    # shorter steps of numbers that large would be taken for another unit, and refused
    steps=st.lists(st.integers(1000, 5_000_000), min_size=1, max_size=30),
    start=st.integers(0, 2_000_000_000_000),
    speeds=st.lists(numbers, min_size=31, max_size=31),
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


def test_time_of_day_in_digits_alone(table: TableWriter) -> None:
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
    table: TableWriter, rows: list[float], expected: list[float]
) -> None:
    text = "time,speed (m/s)\n" + "".join(f"{row},{20 + k / 10}\n" for k, row in enumerate(rows))
    recording = table(text)
    assert times(recording) == expected
    assert recording.clocks[0].kind == "elapsed"
