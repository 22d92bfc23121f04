"""NMEA 0183: talkers, checksums, void fixes, midnight, sentences between binary data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from logger.errors import ReadError
from logger.reading import read
from logger.recording import Recording

KNOT_MPS = 1852 / 3600  # definition of the international knot


def sentence(body: str) -> str:
    """Return a sentence with its checksum: exclusive or of all characters between $ and *."""
    total = 0
    for character in body:
        total ^= ord(character)
    return f"${body}*{total:02X}\r\n"


def rmc(time: str, knots: str = "20.00", date: str = "090324", talker: str = "GP") -> str:
    return sentence(f"{talker}RMC,{time},A,5206.0000,N,00924.0000,E,{knots},12.0,{date},,,A")


def read_bytes(tmp_path: Path, data: bytes | str) -> Recording:
    path = tmp_path / "log.nmea"
    path.write_bytes(data.encode("latin-1") if isinstance(data, str) else data)
    return read(path)


def speed(recording: Recording) -> tuple[list[float], list[float]]:
    channel = recording.channel("speed_mps")
    assert channel is not None
    return channel.t_s.round(9).tolist(), (channel.values / KNOT_MPS).round(9).tolist()


def test_a_sentence_from_the_standards_own_example(tmp_path: Path) -> None:
    """The commonest example sentence of RMC in textbooks; from memory: 22.4 kn, 4807.038 N."""
    recording = read_bytes(
        tmp_path, "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
    )
    assert speed(recording) == ([0.0], [22.4])
    latitude = recording.channel("latitude_deg")
    longitude = recording.channel("longitude_deg")
    assert latitude is not None
    assert longitude is not None
    assert latitude.values[0] == pytest.approx(48 + 7.038 / 60, abs=1e-12)
    assert longitude.values[0] == pytest.approx(11 + 31.0 / 60, abs=1e-12)
    # 1994-03-23 12:35:19 UTC by the calendar
    assert recording.clocks[0].epoch_s == np.datetime64("1994-03-23T12:35:19").astype(float)


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "BD", "GB", "II"])
def test_any_talker(tmp_path: Path, talker: str) -> None:
    text = rmc("090000.00", talker=talker) + rmc("090001.00", talker=talker)
    assert speed(read_bytes(tmp_path, text)) == ([0, 1], [20, 20])


def test_south_and_west_are_negative(tmp_path: Path) -> None:
    text = sentence("GPRMC,090000,A,3330.0000,S,07030.0000,W,10,0,090324,,,A")
    recording = read_bytes(tmp_path, text)
    latitude = recording.channel("latitude_deg")
    longitude = recording.channel("longitude_deg")
    assert latitude is not None
    assert longitude is not None
    assert (latitude.values[0], longitude.values[0]) == (-33.5, -70.5)


def test_minutes_are_the_two_digits_before_the_dot(tmp_path: Path) -> None:
    """A latitude padded to three degree digits is still 23.8 degrees, and 95 is refused."""
    text = sentence("GPGGA,090000,02348.00,N,00924.0,E,1,9,1.0,5.0,M,,M,,")
    latitude = read_bytes(tmp_path, text).channel("latitude_deg")
    assert latitude is not None
    assert latitude.values[0] == pytest.approx(23.8)
    with pytest.raises(ReadError, match="1 unreadable"):
        read_bytes(tmp_path, sentence("GPGGA,090000,9548.00,N,00924.0,E,1,9,1.0,5.0,M,,M,,"))


def test_speed_from_vtg_goes_to_the_moment_before(tmp_path: Path) -> None:
    gga = "GPGGA,{},5206.0,N,00924.0,E,1,9,1.0,101.5,M,45.0,M,,"
    text = "".join(
        sentence(gga.format(time)) + sentence(f"GPVTG,5.0,T,,M,{knots},N,,K,A")
        for time, knots in (("090000.0", "20.0"), ("090000.5", "21.0"))
    )
    text += sentence(gga.format("090001.0")) + sentence("GPVTG,5.0,T,,M,,N,36.0,K,A")
    recording = read_bytes(tmp_path, text)
    channel = recording.channel("speed_mps")
    assert channel is not None
    assert_allclose(channel.values, [20 * KNOT_MPS, 21 * KNOT_MPS, 10.0], rtol=1e-12)
    assert recording.clocks[0].kind == "time_of_day"
    assert [f.kind for f in recording.findings] == ["date_unknown"]


def test_sentences_between_binary_data_and_banners_are_found(tmp_path: Path) -> None:
    """Receivers send their own binary messages between sentences and on the same line."""
    noise = bytes([0xB5, 0x62, 0x01, 0x07, 0x24, 0x00, 0xFF, 0x0A, 0x24, 0x47])
    data = (
        b"**** program start ****\r\n# a comment\r\n"
        + noise
        + rmc("090000.00").encode()
        + noise
        + rmc("090000.10", "21.00").encode().strip()
        + noise
        + rmc("090000.20", "22.00").encode()
    )
    assert speed(read_bytes(tmp_path, data)) == ([0, 0.1, 0.2], [20, 21, 22])


def test_utf16_text_with_a_mark(tmp_path: Path) -> None:
    text = rmc("090000.00") + rmc("090001.00")
    assert speed(read_bytes(tmp_path, text.encode("utf-16"))) == ([0, 1], [20, 20])


def test_wrong_missing_and_short_checksums_are_left_out_and_named(tmp_path: Path) -> None:
    good = rmc("090000.00")
    wrong = rmc("090001.00").replace("20.00", "90.00")
    missing = rmc("090002.00").split("*")[0] + "\r\n"
    short = rmc("090003.00").strip()[:-1] + "\r\n"
    recording = read_bytes(tmp_path, good + wrong + missing + short + rmc("090004.00"))
    assert speed(recording)[0] == [0, 4]
    found = {f.kind: (f.line, f.count) for f in recording.findings}
    assert found == {"wrong_checksum": (2, 1), "no_checksum": (3, 2)}


def test_a_file_of_void_fixes_is_refused_with_the_counts(tmp_path: Path) -> None:
    text = sentence("GPRMC,090000.00,V,,,,,,,090324,,,N") * 3
    with pytest.raises(ReadError, match="3 void") as caught:
        read_bytes(tmp_path, text)
    assert caught.value.line == 1


def test_the_position_of_a_void_moment_is_not_taken_from_gga(tmp_path: Path) -> None:
    text = rmc("090000.00")
    text += sentence("GPRMC,090001.00,V,,,,,,,090324,,,N")
    text += sentence("GPGGA,090001.00,0000.0,N,00000.0,E,1,9,1.0,5.0,M,,M,,")
    text += rmc("090002.00")
    latitude = read_bytes(tmp_path, text).channel("latitude_deg")
    assert latitude is not None
    assert latitude.t_s.tolist() == [0, 2]


def test_midnight_with_and_without_a_date(tmp_path: Path) -> None:
    dated = rmc("235959.50") + rmc("000000.00", date="100324") + rmc("000000.50", date="100324")
    assert speed(read_bytes(tmp_path, dated))[0] == [0, 0.5, 1.0]
    undated = rmc("235959.50", date="") + rmc("000000.00", date="") + rmc("000000.50", date="")
    assert speed(read_bytes(tmp_path, undated))[0] == [0, 0.5, 1.0]


def test_a_jump_ahead_is_a_hole_and_a_step_back_is_left_out(tmp_path: Path) -> None:
    times = [f"0900{k:02d}.00" for k in range(60)] + ["091100.00", "091101.00"]
    times.insert(30, "090028.70")
    text = "".join(
        sentence(f"GPRMC,{time},A,5206.{40 * k:04d},N,00924.0000,E,20.00,12.0,090324,,,A")
        for k, time in enumerate(times)
    )
    recording = read_bytes(tmp_path, text)
    kinds = {f.kind: f for f in recording.findings}
    assert set(kinds) == {"time_steps_back", "hole"}
    assert kinds["time_steps_back"].line == 31
    assert kinds["hole"].time_s == pytest.approx(59.0)
    assert recording.channels[0].t_s[-1] == pytest.approx(661.0)


@settings(max_examples=40)
@given(
    steps=st.lists(st.integers(1, 30), min_size=1, max_size=25),
    tenths=st.lists(st.integers(0, 1500), min_size=26, max_size=26),
    noise=st.binary(max_size=20),
)
@example(steps=[1], tenths=[0] * 26, noise=b"\xfe\xff")
def test_any_regular_stream_is_read_exactly(
    steps: list[int], tenths: list[int], noise: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Times in hundredths over midnight, speeds in tenths of a knot, noise between sentences."""
    start = 86_399 * 100
    stamps = np.concatenate(([0], np.cumsum([10 * step for step in steps])))
    data = b""
    noise = noise.replace(b"$", b"_").replace(b"*", b"_")
    for stamp, tenth in zip(stamps.tolist(), tenths, strict=False):
        of_day = (start + stamp) % 8_640_000
        seconds, hundredths = divmod(of_day, 100)
        text = f"{seconds // 3600:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}.{hundredths:02d}"
        date = "090324" if start + stamp < 8_640_000 else "100324"
        data += noise + rmc(text, f"{tenth / 10:.1f}", date).encode()
    path = tmp_path_factory.mktemp("nmea") / "log"
    path.write_bytes(data)
    from logger.formats.nmea import parse_nmea

    rows = parse_nmea(str(path), data)
    column = rows.column("speed_mps")
    assert column is not None
    assert_allclose(rows.stamps.t_s, stamps / 100, rtol=0, atol=1e-9)
    assert_allclose(
        column.values, np.array(tenths[: stamps.size]) / 10 * KNOT_MPS, rtol=0, atol=1e-12
    )


def test_a_vtg_ahead_of_its_moment_gives_its_speed_to_that(tmp_path: Path) -> None:
    """VTG has no time of its own: in a log that begins with one, each belongs to what follows."""
    gga = "GPGGA,{},5206.0000,N,00924.0000,E,1,08,0.9,100.0,M,46.9,M,,"
    parts = [
        sentence(f"GPVTG,5.0,T,,M,{knots},N,,K,A") + sentence(gga.format(f"09000{k}.0"))
        for k, knots in enumerate(("20.0", "21.0", "22.5"))
    ]
    assert speed(read_bytes(tmp_path, "".join(parts))) == ([0.0, 1.0, 2.0], [20.0, 21.0, 22.5])
    # a moment without a fix takes its VTG with it
    void = sentence("GPVTG,,T,,M,99.0,N,,K,A") + sentence("GPRMC,090001.0,V,,,,,,,090324,,,N")
    found = speed(read_bytes(tmp_path, parts[0] + void + parts[2]))
    assert found == ([0.0, 2.0], [20.0, 22.5])
    # the speed of an RMC wins, wherever the VTG stands
    text = "".join(
        sentence(f"GPVTG,5.0,T,,M,{k}.0,N,,K,A") + rmc(f"09000{k}.0", "30.00") for k in range(3)
    )
    assert speed(read_bytes(tmp_path, text))[1] == [30.0, 30.0, 30.0]
