"""Tables that invite a wrong reading: each is read rightly or refused with its place.

The shapes are those of faults known from general libraries and from public recordings; expected
values follow from the texts written here, by hand.
"""

from __future__ import annotations

import re
import tracemalloc
from pathlib import Path

import pytest
from make_logs import SPEEDS, numbers, one, parse, refusal, table, times

from analysis.cli.main import main
from logger.errors import ReadError
from logger.reading import read
from logger.tables.table import ColumnChoice


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return tmp_path / "log.csv"


# --- numbers ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stamps", "delimiter"),
    [
        ([f"{1000 + 500 * k:,}" for k in range(8)], ";"),
        ([f"{1000 + 500 * k:,}".replace(",", ".") + ",0" for k in range(8)], ";"),
        ([f"{1000 + 500 * k:,}".replace(",", "'") for k in range(8)], ";"),
        ([f"{1000 + 500 * k:,}".replace(",", "\u00a0") for k in range(8)], "\t"),
        ([f'"{1000 + 500 * k:,}"' for k in range(8)], ","),
        ([f"{1_000_000 + 500 * k:,}" for k in range(8)], "\t"),
    ],
    ids=["comma", "point and comma", "apostrophe", "space", "quoted", "twice"],
)
def test_thousands_marks_are_refused_with_their_place(
    log: Path, stamps: list[str], delimiter: str
) -> None:
    """1,000 ms read as 1.000 ms would make a second a millisecond."""
    text = table(f"time_ms{delimiter}speed_mps", stamps, SPEEDS, delimiter=delimiter)
    error = refusal(log, text)
    assert error.line == 2
    assert error.column == 1
    assert repr(stamps[0].strip('"'))[1:-1] in error.found
    assert "thousands marks" in error.expected + error.remedy


def test_points_before_three_digits_are_doubted_where_the_comma_is_decimal(log: Path) -> None:
    stamps = [f"{1 + k}.{500}" for k in range(8)]
    speeds = [f"{v},5" for v in SPEEDS]
    error = refusal(log, table("time_ms;speed_mps", stamps, speeds, delimiter=";"))
    assert "'1.500'" in error.found
    assert "thousands" in error.found


def test_three_decimals_are_decimals_where_one_number_shows_it(log: Path) -> None:
    """0,000 cannot be thousands, and then neither can 20,125."""
    stamps = [f"{0.5 * k:.3f}".replace(".", ",") for k in range(8)]
    speeds = [f"{v},125" for v in SPEEDS]
    recording = parse(log, table("time_s;speed_mps", stamps, speeds, delimiter=";"))
    assert numbers(recording)[:2] == [20.125, 21.125]
    assert times(recording)[1] == 0.5


@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
def test_decimal_commas_are_seen_where_they_begin_late(log: Path, delimiter: str) -> None:
    """A vehicle stands for a minute: whole numbers alone, then decimals."""
    speeds = ["0"] * 60 + ["0,25", "1,5"]
    stamps = [str(k) for k in range(62)]
    text = table(f"time_s{delimiter}speed_mps", stamps, speeds, delimiter=delimiter)
    assert numbers(parse(log, text))[-2:] == [0.25, 1.5]


def test_quoted_decimal_commas_in_a_comma_table(log: Path) -> None:
    text = 'time_s,speed_mps,mark\n"0,0","20,25",\n"0,5","21,5","left, ""go"""\n"1,0","22,75",\n'
    recording = parse(log, text)
    assert times(recording) == [0, 0.5, 1]
    assert numbers(recording) == [20.25, 21.5, 22.75]
    assert [event.text for event in recording.events] == ['left, "go"']


@pytest.mark.parametrize("value", ["1e308", "-3e7"])
def test_what_no_sensor_gives_is_refused(log: Path, value: str) -> None:
    error = refusal(log, f"time_s,speed_mps,elevation_m\n0,1,5\n1,2,{value}\n2,3,5\n")
    assert error.line == 3


def test_a_last_number_that_lost_a_decimal_is_not_taken(log: Path) -> None:
    """22.5 may be what is left of 22.58."""
    recording = parse(log, "time_s,speed_mps\n0,9.50\n1,10.54\n2,22.5")
    assert numbers(recording) == [9.5, 10.54]
    assert one(recording, "short_row").line == 4


# --- columns and rows --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("second", "word"),
    [
        ("time_s,speed_mps,elevation_m", "stand there again"),
        ("time_s,elevation_m,speed_mps", "other column names"),
    ],
)
def test_columns_that_change_in_mid_file_are_refused(log: Path, second: str, word: str) -> None:
    rows = "".join(f"{k},1,5\n" for k in range(4))
    error = refusal(log, f"time_s,speed_mps,elevation_m\n{rows}{second}\n{rows}")
    assert error.line == 6
    assert word in error.found


def test_another_number_of_columns_in_mid_file_is_refused(log: Path) -> None:
    error = refusal(log, "time_s,speed_mps\n0,1\n1,2\ntime_s,elevation_m,speed_mps\n2,5,3\n")
    assert error.line == 4


def test_two_parts_in_wrong_order_are_refused_at_the_second(log: Path) -> None:
    stamps = [*range(500, 800), *range(300)]
    error = refusal(log, "time_s,speed_mps\n" + "".join(f"{t},1\n" for t in stamps))
    assert error.line == 302
    assert "300 rows" in error.found


def test_empty_rows_by_the_ten_thousand_are_one_finding(log: Path) -> None:
    text = "time_s,speed_mps\n0,1\n" + ",\n" * 20_000 + "1,2\n" + "\n" * 300 + "2,3\n\n\n"
    recording = parse(log, text)
    assert numbers(recording) == [1, 2, 3]
    finding = one(recording, "blank_row")
    assert (finding.count, finding.line) == (20_300, 3)
    # a later message still names the line of the file
    error = refusal(log, text.replace("2,3\n", "2,oops\n"))
    assert error.line == 20_304


def test_a_table_without_header_or_time_needs_numbers_and_a_rate(log: Path) -> None:
    text = "36,5\n72,5\n108,5\n"
    assert "counted from 1" in str(refusal(log, text))
    columns = {"speed_mps": ColumnChoice(header="1", unit="km/h")}
    assert "--rate-hz" in str(refusal(log, text, columns=columns))
    recording = parse(log, text, columns=columns, rate_hz=2.0)
    assert times(recording) == [0, 0.5, 1]
    assert numbers(recording) == [10, 20, 30]
    assert one(recording, "rate_stated").severity == "note"


def test_one_column_alone_is_a_table_when_it_is_pointed_out(log: Path) -> None:
    recording = parse(
        log, "10\n11\n12\n", columns={"speed_mps": ColumnChoice(header="1", unit="m/s")}, rate_hz=1
    )
    assert numbers(recording) == [10, 11, 12]
    assert numbers(parse(log, "speed_kmh\n36\n72\n", rate_hz=1)) == [10, 20]


def test_a_row_left_out_keeps_its_time_free_under_a_stated_rate(log: Path) -> None:
    rows = ["10,1"] * 9
    rows[4] = "10"
    recording = parse(log, "speed_mps,elevation_m\n" + "\n".join(rows) + "\n", rate_hz=1)
    assert times(recording) == [0, 1, 2, 3, 5, 6, 7, 8]


def test_a_rate_beside_time_stamps_is_not_used_and_it_is_said(log: Path) -> None:
    recording = parse(log, "time_s,speed_mps\n0,1\n1,2\n2,3\n", rate_hz=50)
    assert times(recording) == [0, 1, 2]
    assert "50 Hz" in one(recording, "rate_unused").text


def test_a_numbered_speed_without_a_unit_is_assumed_aloud(log: Path) -> None:
    columns = {
        "time_s": ColumnChoice(header="1", unit=None),
        "speed_mps": ColumnChoice(header="2", unit=None),
    }
    recording = parse(log, "0,10\n1,11\n2,12\n", columns=columns)
    assert one(recording, "speed_unit_assumed").severity == "warning"
    columns["speed_mps"] = ColumnChoice(header="9", unit=None)
    assert "from 1 to 2" in str(refusal(log, "0,10\n1,11\n2,12\n", columns=columns))


def test_a_sensor_that_gave_only_zeros_is_left_out(log: Path) -> None:
    rows = "".join(f"{k},{10 + k},0,0,0\n" for k in range(20))
    recording = parse(log, "time_s,speed_mps,ax [m/s2],ay [m/s2],az [m/s2]\n" + rows)
    assert {channel.name for channel in recording.channels} == {"speed_mps"}
    assert one(recording, "accel_all_zero").severity == "warning"


def test_unknown_is_known_after_a_conversion_to_km_h(log: Path) -> None:
    """-1 m/s, the code for unknown, is -3.6 where a program converted it with the rest."""
    recording = parse(log, "time_s,speed_kmh\n0,-3.6\n1,36\n2,72\n")
    assert numbers(recording) == [10, 20]
    assert one(recording, "unknown_code").count == 1


def test_a_text_in_every_row_is_no_mark(log: Path) -> None:
    rows = "".join(f"{k},1,lap 1\n" for k in range(10_001))
    recording = parse(log, "time_s,speed_mps,mark\n" + rows)
    assert recording.events == ()
    assert one(recording, "marks_left_out").count == 10_001


# --- GPX and NMEA ------------------------------------------------------------------------------


POINTS = "".join(
    f'<trkpt lat="52.1" lon="9.4"><time>2024-03-09T09:00:{k:02d}Z</time><speed>{10 + k}</speed>'
    "</trkpt>\n"
    for k in range(5)
)
TRACK = f"<gpx>\n<trk><trkseg>\n{POINTS}</trkseg></trk></gpx>\n"


# --- strictness, memory, the command -------------------------------------------------------------


def test_strict_turns_a_warning_into_a_refusal(log: Path) -> None:
    text = "time_s,speed_mps\n" + "".join(f"{k},{k % 7 + 10}\n" for k in range(20))
    sound = parse(log, text, strict=True)
    assert len(times(sound)) == 20
    error = refusal(log, text.replace("8,11\n", "8\n"), strict=True)
    assert error.line == 10
    assert "Left out as incomplete: 1 of 20 rows" in error.found
    assert "--strict" in error.expected


@pytest.mark.parametrize(
    "text",
    [
        "time_s,speed_mps\n0,1\n" + "\n" * 400_000 + "1,2\n",
        "time_s,speed_mps\n0,1\n" + ",\n" * 200_000 + "1,2\n",
        "time_s,speed_mps\n" + "".join(f'"{k}","{k % 50}"\n' for k in range(40_000)),
        "time_s,speed_mps\n" + "1,x\n" * 100_000,
        "time_s,speed_mps\n" + "".join(f"{k},{k % 50},\n" for k in range(40_000)),
    ],
    ids=["empty lines", "blank rows", "quoted", "words", "trailing"],
)
def test_memory_stays_below_ten_times_the_file(log: Path, text: str) -> None:
    """Beyond 4 MB that any reading takes; a list of one entry per empty line took 300 times."""
    log.write_text(text)
    tracemalloc.start()
    try:
        read(log)
    except ReadError:
        pass
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert peak < 10 * len(text) + 4e6


def test_a_heading_of_brackets_without_end_is_no_search_without_end(log: Path) -> None:
    """It took minutes when each bracket was searched to the end of the line."""
    error = refusal(log, "(" * 60_000 + ",speed_mps\n0,1\n1,2\n")
    assert len(str(error)) < 2000


def test_the_command_takes_rate_salvage_and_strict(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    track = tmp_path / "track.gpx"
    track.write_text(TRACK[: TRACK.rfind("<speed>")])
    assert main(["look", str(track)]) == 2
    assert "--salvage" in capsys.readouterr().err
    assert main(["look", str(track), "--salvage"]) == 0
    assert main(["look", str(track), "--salvage", "--strict"]) == 2
    untimed = tmp_path / "rows.csv"
    untimed.write_text("36\n72\n108\n")
    words = ["look", str(untimed), "--column", "speed_mps=1", "--unit", "speed_mps=km/h"]
    assert main(words) == 2
    assert main([*words, "--rate-hz", "1"]) == 0
    assert "top speed 108 km/h" in capsys.readouterr().out
    assert main([*words, "--rate-hz", "0"]) == 2
    assert "0.01 to 10000 Hz" in capsys.readouterr().err


def test_a_number_that_lost_its_point_in_the_last_row_is_no_fault_of_the_program(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """35973 for 35.973 after a rise of speed once ended the search for the pull's release."""
    speeds = [36 - 28 * 0.98**k for k in range(140)]
    rows = "".join(f"{k / 10:.1f},{v:.3f}\n" for k, v in enumerate(speeds))
    log = tmp_path / "log.csv"
    log.write_text(f"time_s,speed_mps\n{rows}14.0,35973\n")
    assert main(["look", str(log)]) == 0
    assert "away and back faster than a vehicle can" in " ".join(capsys.readouterr().out.split())


def test_a_sessions_log_is_named_as_the_user_named_the_session(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "airfield"
    folder.mkdir()
    (folder / "run.csv").write_text("time_s,speed_mps\n0,oops\n1,2\n2,3\n")
    monkeypatch.chdir(tmp_path)
    assert main(["report", "airfield", "--mass", "1480kg"]) == 2
    said = capsys.readouterr().err
    assert re.search(r"airfield.run\.csv, line 2", said)
    assert str(tmp_path) not in said
