"""Times, tracks and sentences that invite a wrong reading: each is read rightly or refused with its place.

The shapes are those of faults known from general libraries and from public recordings; expected
values follow from the texts written here, by hand.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from make_logs import SPEEDS, numbers, one, parse, refusal, table, times

from logger.reading import read_log


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return tmp_path / "log.csv"


# --- time ------------------------------------------------------------------------------------


def test_date_and_time_in_digits_alone_are_no_number_of_seconds(log: Path) -> None:
    stamps = ["20240309095959", "20240309100000", "20240309100001"]
    recording = parse(log, table("time,speed_mps", stamps, ["1", "2", "3"]))
    assert times(recording) == [0, 1, 2]


@pytest.mark.parametrize("zone", ["+99:00", "-17:00"])
def test_a_zone_that_is_nowhere_is_refused(log: Path, zone: str) -> None:
    stamps = [f"2024-03-09T10:00:0{k}{zone}" for k in range(3)]
    assert refusal(log, table("time,speed_mps", stamps, ["1", "2", "3"])).line == 2


def test_days_are_no_unit_of_time(log: Path) -> None:
    """Spreadsheets count days: steps of 1/86400."""
    stamps = [f"{45360 + k / 86400:.9f}" for k in range(8)]
    assert "no unit of time fits" in refusal(log, table("time,speed_mps", stamps, SPEEDS)).found


@pytest.mark.parametrize("zeros", [".".ljust(5000, "0"), "." + "1" * 5000], ids=["zeros", "ones"])
def test_stamps_of_thousands_of_digits_are_read(log: Path, zeros: str) -> None:
    """Python refuses to read whole numbers of more than 4300 digits."""
    stamps = [f"{1_710_000_000 + k}{zeros}" for k in range(3)]
    assert times(parse(log, table("timestamp,speed_mps", stamps, ["1", "2", "3"]))) == [0, 1, 2]


def test_a_time_beyond_all_calendars_is_refused(log: Path) -> None:
    assert refusal(log, "time_s,speed_mps\n-1e308,1\n0,2\n1e308,3\n").line == 2


@pytest.mark.parametrize(
    "early",
    [["1980-01-06T00:00:00Z"] * 3, ["1999-11-30T00:00:0{k}Z"] * 3],
    ids=["one moment", "running"],
)
def test_dates_before_the_clock_was_set_are_left_out(log: Path, early: list[str]) -> None:
    stamps = [text.format(k=k) for k, text in enumerate(early)]
    stamps += [f"2024-03-09T10:00:{k:02d}Z" for k in range(10)]
    recording = parse(log, table("time,speed_mps", stamps, [str(k) for k in range(13)]))
    assert times(recording) == list(range(10))
    assert numbers(recording)[0] == 3
    assert one(recording, "stray_date").count == 3
    # 2024-03-09T10:00:00Z in seconds since 1970, by the calendar of the standard library
    assert recording.clocks[0].epoch_s == 1709978400.0


def test_time_since_boot_before_the_first_fix_is_left_out(log: Path) -> None:
    stamps = [12345, 13345, *(1_710_000_000_000 + 1000 * k for k in range(9))]
    text = table("timestamp_ms,speed_mps", [str(t) for t in stamps], [str(k) for k in range(11)])
    recording = parse(log, text)
    assert times(recording) == list(range(9))
    assert recording.clocks[0].epoch_s == 1_710_000_000.0


def test_a_remembered_place_at_the_start_is_left_out(log: Path) -> None:
    rows = ["0,51.0,9.4,0"] + [f"{46 + k},{52 + 0.0002 * k:.4f},9.4,22.2" for k in range(20)]
    text = "time_s,latitude,longitude,speed_mps\n" + "\n".join(rows) + "\n"
    recording = parse(log, text)
    assert times(recording)[0] == 0
    assert len(times(recording)) == 20
    # one degree of latitude is 111.2 km on a sphere of 6371 km
    assert "111.2 km" in one(recording, "stale_start").text


def test_one_stuck_stamp_is_refused_however_short_the_log(log: Path) -> None:
    stamps = ["1999-11-30 00:00:00"] * 12
    error = refusal(log, table("time,speed_mps", stamps, [str(k) for k in range(12)]))
    assert "11 of 12 rows" in error.found


@pytest.mark.parametrize(
    ("zone_a", "zone_b", "expected"),
    [
        ("Z", "Z", "differed by 5.5 h"),
        ("Z", "", "One names no time zone; a difference of 5.5 h"),
        ("", "", "Neither names a time zone; a difference of 5.5 h"),
    ],
)
def test_zone_errors_of_half_hours_are_named(
    tmp_path: Path, zone_a: str, zone_b: str, expected: str
) -> None:
    for name, column, clock, zone in (
        ("gps.csv", "speed_mps", "04:00", zone_a),
        ("obd.csv", "engine_speed_rpm", "09:30", zone_b),
    ):
        rows = "".join(f"2024-03-09T{clock}:{k:02d}{zone},20\n" for k in range(60))
        (tmp_path / name).write_text(f"time,{column}\n" + rows)
    recording = read_log([tmp_path / "gps.csv", tmp_path / "obd.csv"])
    texts = [f.text for f in recording.findings if f.kind in ("zone_difference", "two_clocks")]
    assert len(texts) == 1
    assert expected in texts[0]
    assert str(tmp_path) not in texts[0]


# --- GPX and NMEA ------------------------------------------------------------------------------


POINTS = "".join(
    f'<trkpt lat="52.1" lon="9.4"><time>2024-03-09T09:00:{k:02d}Z</time><speed>{10 + k}</speed>'
    "</trkpt>\n"
    for k in range(5)
)
TRACK = f"<gpx>\n<trk><trkseg>\n{POINTS}</trkseg></trk></gpx>\n"


@pytest.mark.parametrize("share", range(1, 16))
def test_a_cut_off_track_is_salvaged_only_on_request(log: Path, share: int) -> None:
    """What is salvaged are the points whose end tag is there, and no other."""
    part = TRACK[: len(TRACK) * share // 16]
    whole = part.count("</trkpt>")
    error = refusal(log, part)
    assert ("--salvage" in error.remedy) == (whole > 0)
    if whole == 0:
        refusal(log, part, salvage=True)
        return
    recording = parse(log, part, salvage=True)
    assert numbers(recording) == [10 + k for k in range(whole)]
    assert times(recording) == list(range(whole))
    finding = one(recording, "salvaged")
    assert (finding.count, finding.severity) == (whole, "warning")


def test_a_whole_track_is_the_same_with_and_without_salvage(log: Path) -> None:
    assert numbers(parse(log, TRACK, salvage=True)) == numbers(parse(log, TRACK))
    assert not [f for f in parse(log, TRACK, salvage=True).findings if f.kind == "salvaged"]


def test_what_is_damaged_otherwise_is_not_salvaged(log: Path) -> None:
    assert (
        "not well-formed"
        in refusal(log, TRACK.replace("</speed>", "</spe>", 1), salvage=True).found
    )


def test_a_block_of_zeros_behind_a_track_is_no_part_of_it(log: Path) -> None:
    assert numbers(parse(log, TRACK.encode() + bytes(4096))) == [10, 11, 12, 13, 14]


@pytest.mark.parametrize(
    "text",
    [
        "Error: could not connect to the database\n at line 5 of x\n",
        "Warning: f(a, b), in c on 12\n",
    ],
)
def test_a_programs_error_text_named_gpx_is_told_to_be_none(tmp_path: Path, text: str) -> None:
    error = refusal(tmp_path / "track.gpx", text)
    assert "no GPX file in spite of its name" in error.found
    assert text[:20] in error.found


def sentence(body: str) -> str:
    total = 0
    for character in body:
        total ^= ord(character)
    return f"${body}*{total:02X}\r\n"


def rmc(clock: str, knots: str, date: str = "090324", status: str = "A") -> str:
    return sentence(f"GPRMC,{clock},{status},5206.0000,N,00924.0000,E,{knots},0.0,{date},,,A")


def test_speed_after_a_void_fix_belongs_to_no_other(log: Path) -> None:
    vtg = sentence("GPVTG,0.0,T,,M,99.0,N,183.3,K,A")
    text = "".join(
        rmc(f"0900{k:02d}.00", "") + rmc(f"0900{k:02d}.50", "", status="V") + vtg for k in range(5)
    )
    assert parse(log, text).channel("speed_mps") is None


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be"])
def test_nmea_in_utf16_without_a_mark(log: Path, encoding: str) -> None:
    text = "".join(rmc(f"0900{k:02d}.00", "36") for k in range(4))
    # a knot is 1852 m per hour
    assert numbers(parse(log, text.encode(encoding))) == [round(36 * 1852 / 3600, 9)] * 4


def test_a_date_that_comes_after_midnight_holds_for_the_moments_before(log: Path) -> None:
    text = rmc("235958", "20", "") + rmc("235959", "20", "")
    text += rmc("000000", "21", "100324") + rmc("000001", "22", "100324")
    recording = parse(log, text)
    assert times(recording) == [0, 1, 2, 3]
    # 2024-03-09T23:59:58Z
    assert recording.clocks[0].epoch_s == 1710028798.0


def test_minutes_of_an_angle_stay_below_sixty(log: Path) -> None:
    good = "".join(rmc(f"0900{k:02d}.00", "36") for k in range(4))
    bad = sentence("GPRMC,090004.00,A,5275.0000,N,00924.0000,E,36,0.0,090324,,,A")
    recording = parse(log, good + bad)
    assert len(times(recording)) == 4
    assert one(recording, "broken_sentence").line == 5
