"""Small made-up files that broke other readers of such logs: what this one does with each.

The expected values stand in the files' own descriptions (the faults were reported in public
trackers of general-purpose libraries; numbers are made up). Speeds m/s, times s.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from logger.errors import ReadError
from logger.reading import read, read_log
from logger.recording import Recording
from logger.tables.table import ColumnChoice

CASES = Path(__file__).resolve().parents[1] / "data" / "cases"
#: Conversions and decimal parsing are exact to float precision; stamps to a nanosecond.
TIME_S = 1.1e-9


@dataclass(frozen=True)
class Accepted:
    """Speeds at times, and the findings (kind -> first line) that must be there; no others."""

    name: str
    t_s: list[float]
    speed_mps: list[float]
    findings: dict[str, int | None] = field(default_factory=dict)
    atol: float = 1e-12


ACCEPTED = [
    Accepted(
        "first/gpx_time_nine_decimals.gpx",
        [0, 0.2, 0.4, 0.6, 0.8],
        [20.00, 20.46, 20.91, 21.37, 21.82],
    ),
    Accepted("first/gpx_offsets_mixed.gpx", [0, 1, 2, 3], [18.0, 19.1, 20.2, 21.3]),
    Accepted(
        "first/gpx_fraction_on_some_points.gpx",
        [0, 0.25, 0.5, 0.75, 1.0],
        [15.0, 15.6, 16.2, 16.8, 17.4],
    ),
    Accepted(
        "first/gpx_same_time_twice.gpx",
        [0, 1, 2, 3],
        [15.0, 17.0, 19.0, 21.0],
        {"repeated_row": 6, "conflicting_rows": 8},
    ),
    Accepted(
        "first/gpx_time_steps_back.gpx",
        [0, 0.2, 0.4, 0.6],
        [15.0, 15.4, 15.8, 16.2],
        {"time_steps_back": 6},
    ),
    Accepted("first/gpx_prefixed_root.gpx", [0, 1, 2], [15.0, 16.5, 18.0]),
    Accepted("first/gpx11_speed_extension_default_ns.gpx", [0, 1, 2], [22.40, 23.10, 23.75]),
    Accepted("first/gpx11_speed_extension_foreign_ns.gpx", [0, 1, 2], [22.40, 23.10, 23.75]),
    Accepted("first/gpx11_speed_directly_in_point.gpx", [0, 1, 2], [22.40, 23.10, 23.75]),
    Accepted(
        "first/gpx_top_speed_at_the_very_end.gpx",
        list(range(40)),
        [12.0 + 0.5 * k for k in range(40)],
    ),
    Accepted(
        # knots x 1852/3600; the file's description rounds to 20.001 and 22.003
        "first/nmea_void_fix_in_the_middle.nmea",
        [0, 1.5],
        [38.88 * 1852 / 3600, 42.77 * 1852 / 3600],
        {"void_fix": 2},
    ),
    Accepted(
        "first/csv_trailing_comma_on_data_rows.csv",
        [0, 0.5, 1],
        [20.0, 21.0, 21.9],
        {"accel_axis_unnamed": 1},
    ),
    Accepted(
        "first/csv_last_line_cut_off.csv",
        [0, 0.5, 1],
        [20.0, 21.0, 21.9],
        {"short_row": 5, "accel_axis_unnamed": 1},
    ),
    Accepted(
        "first/csv_day_first_date_over_midnight.csv",
        [0, 0.5, 1, 1.5],
        [24, 25, 26, 27],
        {"zone_unknown": 2},
    ),
    Accepted("first/csv_with_byte_order_mark.csv", [0, 0.5, 1], [20.0, 21.0, 21.9]),
    Accepted(
        "first/csv_semicolon_decimal_comma.csv",
        [0, 0.5, 1],
        [20.00, 21.05, 22.1],
        {"accel_axis_unnamed": 1},
    ),
    Accepted(
        "first/csv_epoch_seconds_ten_ms_steps.csv",
        [0, 0.01, 0.02, 0.03, 0.04, 0.05],
        [20.00, 20.02, 20.04, 20.06, 20.08, 20.10],
    ),
    Accepted(
        "first/csv_timestamp_seconds_since_2001.csv",
        [0, 0.5, 1, 1.5, 2],
        [20, 21, 22, 23, 24],
        {"time_unit_assumed": 1, "date_not_believed": None},
    ),
    Accepted("first/csv_speed_minus_one.csv", [2, 3, 5], [19.8, 21.2, 24.1], {"unknown_code": 2}),
    Accepted(
        "first/ramp_two_mps2_irregular_times.csv",
        [0, 0.9, 1.1, 2, 2.05, 3, 4.4, 4.5, 5, 6.3, 6.4, 7],
        [5 + 2 * t for t in [0, 0.9, 1.1, 2, 2.05, 3, 4.4, 4.5, 5, 6.3, 6.4, 7]],
    ),
    Accepted("second/gpx_time_without_zone.gpx", [0, 1, 2], [15, 16, 17], {"zone_unknown": 4}),
    Accepted("second/gpx_course_with_fraction.gpx", [0, 1], [15, 16]),
    Accepted("second/gpx_standing_still.gpx", [0, 1, 2, 3], [0, 0, 0, 0]),
    Accepted(
        "second/nmea_rmc_thirteen_fields.nmea",
        [0, 0.2],
        [38.88 * 1852 / 3600, 39.66 * 1852 / 3600],
    ),
    Accepted(
        "second/nmea_one_digit_garbled.nmea",
        [0, 1],
        [38.88 * 1852 / 3600, 42.77 * 1852 / 3600],
        {"wrong_checksum": 2},
    ),
    Accepted(
        "second/nmea_over_midnight.nmea",
        [0, 0.2],
        [38.88 * 1852 / 3600, 39.66 * 1852 / 3600],
    ),
    Accepted(
        "second/nmea_two_sentences_run_together.nmea",
        [0, 1],
        [38.88 * 1852 / 3600, 42.77 * 1852 / 3600],
        {"wrong_checksum": 2, "no_checksum": 2},
    ),
    Accepted("second/nmea_empty_course.nmea", [0, 0.5], [0.10 * 1852 / 3600, 2.92 * 1852 / 3600]),
    Accepted(
        "second/nmea_five_per_second.nmea",
        [0, 0.2, 0.4, 0.6, 0.8, 1.0],
        [knots * 1852 / 3600 for knots in (38.88, 39.68, 40.48, 41.28, 42.08, 42.88)],
    ),
    Accepted("second/coast_three_points_only.csv", [0, 10, 20], [30.0, 26.1, 22.8]),
    Accepted(
        "second/csv_sparse_gps_dense_accel.csv",
        [0, 1, 2, 2.5, 3, 4, 5],
        [10 + 2 * t for t in (0, 1, 2, 2.5, 3, 4, 5)],
        {"accel_axis_unnamed": 1},
    ),
]


def findings_of(recording: Recording) -> dict[str, int | None]:
    return {finding.kind: finding.line for finding in recording.findings}


@pytest.mark.parametrize("case", ACCEPTED, ids=lambda case: case.name)
def test_accepted_with_these_speeds_and_only_these_findings(case: Accepted) -> None:
    recording = read(CASES / case.name)
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert_allclose(speed.t_s, case.t_s, rtol=0, atol=TIME_S)
    assert_allclose(speed.values, case.speed_mps, rtol=0, atol=case.atol)
    assert not speed.suspect.any()
    assert findings_of(recording) == case.findings


#: file, line, words that the message must hold
REFUSED = [
    ("first/gpx_is_html_page.gpx", 1, ["HTML page"]),
    ("first/gpx_cut_off_in_tag.gpx", 7, ["ends inside a point", "3 complete points", "line 6"]),
    (
        "first/csv_comma_both_ways_unquoted.csv",
        2,
        ["4 fields where the header has 2", "decimal commas?"],
    ),
    (
        "first/csv_two_columns_called_speed.csv",
        1,
        ["column name speed occurs twice", "columns 2 and 4"],
    ),
    (
        "first/csv_words_nan_inf_dash_in_speed.csv",
        5,
        ["'inf' in line 5", "'1e400' in line 8", "speed_mps"],
    ),
    ("second/csv_accel_header_no_rows.csv", 1, ["no acceleration samples in this file"]),
    ("second/csv_two_parts_in_wrong_order.csv", 5, ["steps back"]),
]


@pytest.mark.parametrize(("name", "line", "words"), REFUSED, ids=[case[0] for case in REFUSED])
def test_refused_with_line_and_reason(name: str, line: int, words: list[str]) -> None:
    with pytest.raises(ReadError) as caught:
        read(CASES / name)
    assert caught.value.line == line
    for word in words:
        assert word in str(caught.value)


def test_cut_off_gpx_names_the_column_where_it_ends() -> None:
    with pytest.raises(ReadError) as caught:
        read(CASES / "first/gpx_cut_off_in_tag.gpx")
    # the last line holds 60 characters: the end of the file is its column 61
    assert caught.value.column == 61


def test_one_of_two_equal_names_can_be_chosen_by_its_number() -> None:
    columns = {"speed_mps": ColumnChoice(header="4", unit="km/h")}
    speed = read(CASES / "first/csv_two_columns_called_speed.csv", columns=columns).channel(
        "speed_mps"
    )
    assert speed is not None
    assert_allclose(speed.values, [20, 21, 22], rtol=1e-12)


def test_zero_speed_while_the_position_moves_is_doubted_not_dropped() -> None:
    recording = read(CASES / "first/csv_zero_speed_means_no_data.csv")
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert speed.suspect.tolist() == [True, True, True, False, True, True, True]
    (finding,) = recording.findings
    assert finding.kind == "zero_speed_while_moving"
    assert "lines 2-4, 6-8" in finding.text
    assert "25 m" in finding.text


def test_null_motion_events_are_left_out_and_gravity_free_columns_named_as_empty() -> None:
    recording = read(CASES / "first/csv_first_motion_event_null.csv")
    vertical = recording.channel("accel_z_mps2")
    assert vertical is not None
    assert_allclose(vertical.values, [9.69, 9.70, 9.68], rtol=1e-12)
    assert_allclose(vertical.t_s, [0, 0.017, 0.034], rtol=0, atol=TIME_S)
    found = findings_of(recording)
    assert found["missing_value"] == 2
    assert "accel_columns_empty" in found


def test_hole_is_named_with_its_length_and_the_line_before() -> None:
    recording = read(CASES / "first/csv_nine_second_gap_in_pull.csv")
    hole = next(f for f in recording.findings if f.kind == "hole")
    assert hole.line == 62
    assert hole.time_s == pytest.approx(6.0)
    assert "9.1 s after line 62" in hole.text
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert speed.t_s.size == 110


def test_files_without_a_common_clock_stay_on_two_clocks() -> None:
    recording = read_log(
        [
            CASES / "first/two_clocks_gps_epoch_ms.csv",
            CASES / "first/two_clocks_accel_ns_since_boot.csv",
        ]
    )
    speed, accel = recording.channel("speed_mps"), recording.channel("accel_y_mps2")
    assert speed is not None
    assert accel is not None
    assert [clock.kind for clock in recording.clocks] == ["epoch", "elapsed"]
    assert recording.clocks[0].epoch_s == 1710000000.0
    assert (speed.clock, accel.clock) == (0, 1)
    assert_allclose(speed.t_s, np.arange(9.0), rtol=0, atol=TIME_S)
    # 20 ms steps of a clock that stands at 8.6e13 ns: kept exact by subtracting integers
    assert_allclose(accel.t_s, 0.02 * np.arange(400), rtol=0, atol=TIME_S)
    assert "two_clocks" in findings_of(recording)


@pytest.mark.parametrize(
    ("name", "unit", "sign"),
    [
        ("first/accel_rest_then_pull_plus_g_in_mps2.csv", "m/s2", 1.0),
        ("first/accel_rest_then_pull_minus_g_in_g.csv", "g", -1.0),
    ],
)
def test_acceleration_unit_is_told_by_the_rest_magnitude(name: str, unit: str, sign: float) -> None:
    recording = read(CASES / name)
    axes = [recording.channel(f"accel_{axis}_mps2") for axis in "xyz"]
    assert all(axis is not None for axis in axes)
    vectors = np.array([axis.values for axis in axes if axis is not None])
    rest = vectors[:, :100].mean(axis=1)
    # rest noise of the file is 0.04 m/s2 per sample, 0.004 in the mean of 100
    assert np.linalg.norm(rest) == pytest.approx(9.80665, abs=0.02)
    assert rest[2] * sign > 9.7
    assert axes[0] is not None
    assert axes[0].source_unit == unit
    # both platforms' files hold the same pull, 3 m/s2 at 5 s, once sign and unit are settled;
    # noise 0.04 in the mean of 10 samples
    pull = vectors[1, 245:255].mean() - rest[1]
    assert pull * sign == pytest.approx(3.0, abs=0.05)


def test_rest_magnitude_that_is_neither_is_refused_with_the_value(tmp_path: Path) -> None:
    lines = (CASES / "first/accel_rest_then_pull_plus_g_in_mps2.csv").read_text().splitlines()
    scaled = [lines[0]]
    for line in lines[1:]:
        t, *axes = line.split(",")
        scaled.append(",".join([t, *(f"{0.4 * float(value):.4f}" for value in axes)]))
    path = tmp_path / "accel.csv"
    path.write_text("\n".join(scaled) + "\n")
    with pytest.raises(ReadError, match=r"3\.92"):
        read(path)


@pytest.mark.parametrize(
    ("name", "step_s"),
    [
        ("second/csv_interval_column_in_seconds.csv", 0.0167),
        ("second/csv_interval_column_says_16_but_events_come_at_60ms.csv", 0.060),
    ],
)
def test_interval_column_is_only_compared_with_the_stamps(name: str, step_s: float) -> None:
    recording = read(CASES / name)
    accel = recording.channel("accel_y_mps2")
    assert accel is not None
    # the first file's stamps are rounded to 0.1 ms
    assert_allclose(np.diff(accel.t_s), step_s, rtol=0, atol=1.01e-4)
    assert findings_of(recording) == {"interval_disagrees": 1}


def test_epoch_stamps_give_the_run_that_starts_at_zero() -> None:
    speed = read(CASES / "second/coast_epoch_seconds_mass1329.csv").channel("speed_mps")
    assert speed is not None
    assert_allclose(speed.t_s, 0.5 * np.arange(247), rtol=0, atol=TIME_S)


def test_one_missing_cell_does_not_hide_the_row() -> None:
    accel = read(CASES / "second/csv_sparse_gps_dense_accel.csv").channel("accel_x_mps2")
    assert accel is not None
    assert accel.t_s.size == 100
    assert set(accel.values.tolist()) == {2.0}


def test_gga_alone_keeps_its_position_and_time_after_midnight() -> None:
    latitude = read(CASES / "second/nmea_over_midnight.nmea").channel("latitude_deg")
    assert latitude is not None
    assert_allclose(latitude.t_s, [0, 0.2, 0.4], rtol=0, atol=TIME_S)


def test_coarse_acceleration_is_kept_as_it_is() -> None:
    accel = read(CASES / "second/accel_rounded_to_a_tenth.csv").channel("accel_y_mps2")
    assert accel is not None
    assert set(accel.values.tolist()) == {2.0, 2.1}


def test_kilometres_per_hour_under_a_metric_name_are_doubted_and_a_stated_unit_settles_it() -> None:
    path = CASES / "physics/speed_column_named_mps_but_holds_kmh.csv"
    recording = read(path)
    (finding,) = recording.findings
    assert (finding.kind, finding.severity) == ("unit_suspect", "warning")
    assert "119 m/s" in finding.text
    speed = read(path, columns={"speed_mps": ColumnChoice(unit="km/h")}).channel("speed_mps")
    assert speed is not None
    assert speed.values[0] == pytest.approx(118.565 / 3.6)
    assert not read(path, columns={"speed_mps": ColumnChoice(unit="km/h")}).findings


@pytest.mark.parametrize(
    "name",
    [
        "physics/coast_uphill_0p4pct_mass1329.csv",
        "physics/coast_downhill_0p4pct_mass1329.csv",
        "physics/coast_downhill_1p6pct_never_stops_mass1329.csv",
        "physics/pull_75kw_with_gear_change_at_5s_mass1329.csv",
        "first/coast_exact_no_noise_mass1329.csv",
        "first/coast_narrow_speed_range_mass1329.csv",
        "first/ramp_1p2_mps2_noisy_irregular.csv",
        "first/accel_rest_then_pull_gps.csv",
    ],
)
def test_clean_runs_are_read_whole_without_a_word(name: str) -> None:
    path = CASES / name
    speed = read(path).channel("speed_mps")
    rows = [line.split(",") for line in path.read_text().splitlines()[1:]]
    assert speed is not None
    assert_allclose(speed.t_s, [float(row[0]) for row in rows], rtol=0, atol=TIME_S)
    assert_allclose(speed.values, [float(row[1]) for row in rows], rtol=0, atol=0)
    assert not speed.suspect.any()
    assert not read(path).findings
