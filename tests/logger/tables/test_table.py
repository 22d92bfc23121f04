"""Delimited logs: rows and cells, units of speed, columns chosen, and what is never guessed."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest
from make_logs import Reader, kinds, numbers, parse, times
from numpy.testing import assert_allclose

from logger.errors import ReadError
from logger.tables.table import ColumnChoice


@pytest.fixture
def table(tmp_path: Path) -> Reader:
    return partial(parse, tmp_path / "log.csv")


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
    table: Reader, header: str, written: str, mps: float
) -> None:
    assert numbers(table(f"time_s,{header}\n0,{written}\n1,{written}\n"), "speed_mps") == [mps, mps]


def test_odd_headings_of_a_real_log(table: Reader) -> None:
    """Trailing blanks, colons, superscripts, degree signs, a fraction cell, blanks at the start."""
    recording = table(
        "ACCELEROMETER X (m/s²),ACCELEROMETER Y (m/s²),ACCELEROMETER Z (m/s²),"
        "LOCATION Latitude : ,LOCATION Longitude : ,LOCATION Speed ( Kmh),Satellites in range,"
        "Time since start in ms ,YYYY-MO-DD HH-MI-SS_SSS\n"
        "0.1,0.2,9.80,,,,3 / 19,17,2015-08-25 14:32:43:035\n"
        "0.1,0.2,9.81,52.1,9.4,36.0,4 / 19,123,2015-08-25 14:32:43:141\n"
        "0.1,0.2,9.82,52.1,9.4,36.0,4 / 19,229,2015-08-25 14:32:43:247\n"
    )
    assert numbers(recording, "speed_mps") == [10.0, 10.0]
    assert times(recording, "accel_z_mps2") == [0, 0.106, 0.212]
    assert recording.clocks[0].described.startswith("Time since start in ms")


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
def test_delimiters_line_ends_and_encodings(
    table: Reader, delimiter: str, end: str, encoding: str
) -> None:
    rows = [["Time (s)", "Richtung °", "Speed (km/h)"], ["0.5", "1", "36"], ["1.5", "2", "72.0"]]
    text = end.join(delimiter.join(row) for row in rows) + end
    recording = table(text.encode(encoding))
    assert numbers(recording, "speed_mps") == [10.0, 20.0]
    assert times(recording) == [0.0, 1.0]


def test_decimal_commas_with_semicolons_and_with_tabs(table: Reader) -> None:
    for delimiter in (";", "\t"):
        text = "time_s;speed_mps\n0,0;20,5\n,5;2,15E+1\n1,0;-0\n".replace(";", delimiter)
        assert numbers(table(text), "speed_mps") == [20.5, 21.5, 0.0]


def test_quoted_cells_may_hold_commas_and_line_ends(table: Reader) -> None:
    recording = table(
        'time_s,"speed, of GPS (km/h)",mark\n0,36,"left, at the\nbarn"\n1,72,"say ""go"""\n'
    )
    assert numbers(recording, "speed_mps") == [10, 20]
    assert [event.text for event in recording.events] == ["left, at the\nbarn", 'say "go"']


def test_a_broken_quotation_is_refused(table: Reader) -> None:
    with pytest.raises(ReadError):
        table('time_s,speed_mps\n0,"36\n1,72\n2,72\n' + "x" * 2_000_000)


def test_comments_settings_and_a_row_of_units_above_the_data(table: Reader) -> None:
    recording = table(
        "# made by a logger\n# rate 10\n\nDevice,somewhat\nTime,GPS Speed,Height\n(s),(km/h),(m)\n"
        "0.0,36,100\n0.1,37,100\n0.2,38,100\n0.3,39,100\n"
    )
    assert numbers(recording, "speed_mps")[0] == 10.0
    assert times(recording) == [0, 0.1, 0.2, 0.3]
    assert "time_unit_assumed" not in kinds(recording)


def test_rows_of_nothing_but_delimiters_are_counted_and_left_out(table: Reader) -> None:
    recording = table("time_s,speed_mps\n0,20\n,\n,\n1,21\n,\n,\n")
    assert numbers(recording, "speed_mps") == [20, 21]
    (finding,) = recording.findings
    assert (finding.kind, finding.line, finding.count) == ("blank_row", 3, 2)


def test_a_few_short_rows_are_left_out_and_named_many_are_refused(table: Reader) -> None:
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


def test_a_row_with_too_many_fields_is_refused_with_its_line(table: Reader) -> None:
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
    table: Reader, last: str, kept: int
) -> None:
    rows = "".join(f"{k}.0,20.{20 + k}\n" for k in range(4))
    assert len(numbers(table("time_s,speed_mps\n" + rows + last), "speed_mps")) == kept


def test_missing_words_are_missing_never_zero(table: Reader) -> None:
    recording = table("time_s,speed_mps\n0,20\n1,null\n2,NaN\n3,-\n4,N/A\n5,\n6,26\n")
    assert times(recording) == [0, 6]
    finding = next(f for f in recording.findings if f.kind == "missing_value")
    # the blank cell of line 7 is an ordinary way to say nothing
    assert (finding.line, finding.count) == (3, 4)


@pytest.mark.parametrize("cell", ["inf", "-Infinity", "1e400", "1_000", "12a", "0x1F", "1,5", "٣"])
def test_cells_that_are_no_finite_number_are_refused(table: Reader, cell: str) -> None:
    with pytest.raises(ReadError) as caught:
        table(f'time_s,speed_mps\n0,20\n1,"{cell}"\n2,22\n')
    assert (caught.value.line, caught.value.column) == (3, 2)


def test_an_unused_field_never_stops_the_reading(table: Reader) -> None:
    recording = table("time_s,speed_mps,altitude (m)\n0,20,hill\n1,21,hill\n")
    assert numbers(recording, "speed_mps") == [20, 21]
    assert kinds(recording) == ["column_unreadable"]


def test_any_other_negative_speed_is_refused(table: Reader) -> None:
    with pytest.raises(ReadError, match="speed of -2") as caught:
        table("time_s,speed_mps\n0,20\n1,-1\n2,-2\n")
    assert caught.value.line == 4


def test_minus_one_means_unknown_in_the_files_own_unit(table: Reader) -> None:
    recording = table("time_s,speed_kmh\n0,36\n1,-1\n2,72\n")
    assert numbers(recording, "speed_mps") == [10, 20]
    assert kinds(recording) == ["unknown_code"]


def test_positions_at_null_island_are_no_fix(table: Reader) -> None:
    recording = table("time_s,lat,lon,speed_mps\n0,0,0,0\n1,52.1,9.4,10\n2,52.1001,9.4,11\n")
    assert times(recording) == [0, 1]
    assert kinds(recording) == ["no_position"]


def test_a_latitude_off_the_earth_is_refused(table: Reader) -> None:
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
    table: Reader, factor: float, unit: str
) -> None:
    recording = table(moving(factor, "speed"))
    channel = recording.channel("speed_mps")
    assert channel is not None
    assert channel.source_unit == unit
    # the four decimals written
    assert_allclose(channel.values, 20.0, atol=1e-4)
    assert kinds(recording) == ["speed_unit_found"]


def test_a_stated_unit_that_the_positions_deny_is_refused(table: Reader) -> None:
    with pytest.raises(ReadError, match="they are in km/h, not m/s") as caught:
        table(moving(3.6, "speed_mps"))
    assert "--unit speed_mps=km/h" in str(caught.value)
    recording = table(moving(3.6, "speed_mps"), columns={"speed_mps": ColumnChoice(unit="km/h")})
    assert_allclose(numbers(recording, "speed_mps"), 20.0, atol=1e-4)


def test_a_speed_without_unit_or_positions_is_assumed_aloud(table: Reader) -> None:
    recording = table("time_s,speed\n0,20\n1,21\n2,22\n")
    (finding,) = recording.findings
    assert (finding.kind, finding.severity) == ("speed_unit_assumed", "warning")
    assert "--unit speed_mps=km/h" in finding.text


def test_a_speed_without_unit_that_is_too_fast_for_m_s_is_refused(table: Reader) -> None:
    with pytest.raises(ReadError, match="names no unit"):
        table("time_s,speed\n0,100\n1,110\n2,120\n")


def test_a_record_car_at_90_m_s_is_believed(table: Reader) -> None:
    rows = "".join(f"{k},{min(90.0, 9.0 * k)}\n" for k in range(20))
    assert not table("time_s,speed_mps\n" + rows).findings


def test_two_columns_that_could_both_be_the_speed_are_refused(table: Reader) -> None:
    text = "time_s,speed (km/h),velocity (m/s)\n0,36,10\n1,72,20\n"
    with pytest.raises(ReadError, match="could both be speed_mps"):
        table(text)
    chosen = table(text, columns={"speed_mps": ColumnChoice(header="velocity (m/s)")})
    assert numbers(chosen, "speed_mps") == [10, 20]
    # a column that says GPS is the better one, and an empty one is none
    assert numbers(table(text.replace("velocity", "GPS velocity")), "speed_mps") == [10, 20]
    empty = "time_s,speed (km/h),velocity (m/s)\n0,36,\n1,72,\n"
    assert numbers(table(empty), "speed_mps") == [10, 20]


def test_a_table_without_header_needs_column_numbers(table: Reader) -> None:
    text = "0,100,36\n1,100,72\n2,101,72\n"
    with pytest.raises(ReadError, match="no header") as caught:
        table(text)
    assert "--column time_s=1" in str(caught.value)
    columns = {
        "time_s": ColumnChoice(header="1", unit="s"),
        "speed_mps": ColumnChoice(header="3", unit="km/h"),
    }
    assert numbers(table(text, columns=columns), "speed_mps") == [10, 20, 20]


def test_no_known_column_is_refused_with_the_names(table: Reader) -> None:
    with pytest.raises(ReadError, match="'lux'"):
        table("time_s,lux\n0,1\n1,1\n")


def test_unknown_choices_are_refused_with_what_is_known(table: Reader) -> None:
    with pytest.raises(ReadError, match="'velocity' is no column"):
        table("time_s,speed\n0,1\n", columns={"velocity": ColumnChoice(header="speed", unit="m/s")})
    with pytest.raises(ReadError, match="km/h"):
        table(
            "time_s,speed\n0,1\n",
            columns={"speed_mps": ColumnChoice(header="speed", unit="furlongs")},
        )


def test_gravity_included_is_preferred_and_linear_only_is_named(table: Reader) -> None:
    header = "time_s,linear acc x [m/s2],linear acc y [m/s2],linear acc z [m/s2]"
    recording = table(header + "\n" + "".join(f"{k / 10},0.1,0.2,0.3\n" for k in range(30)))
    assert kinds(recording) == ["gravity_removed"]
    both = header + ",acc x [g],acc y [g],acc z [g]\n"
    recording = table(both + "".join(f"{k / 10},0.1,0.2,0.3,0,0,1\n" for k in range(30)))
    assert numbers(recording, "accel_z_mps2")[0] == 9.80665
    assert not recording.findings


def test_quantities_that_need_no_unit_are_in_their_usual_one(table: Reader) -> None:
    recording = table("time_s,speed_mps,altitude,GPS orientation\n0,20,100,90\n1,21,101,91\n")
    assert numbers(recording, "elevation_m") == [100, 101]
    assert numbers(recording, "heading_deg") == [90, 91]


def test_own_table_is_read_as_it_is_written(table: Reader) -> None:
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
    assert numbers(recording, "up_z") == [1]
    assert [(e.t_s, e.kind, e.text) for e in recording.events] == [
        (0.0, "event", "start"),
        (0.5, "mark", "gear 2"),
        (1.0, "event", "gps_lost"),
    ]
    assert not recording.findings
