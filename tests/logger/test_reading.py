"""What every reader promises: rising times, SI units, helpful refusals, the same through gzip."""

from __future__ import annotations

import gzip
import os
import random
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from logger.errors import ReadError
from logger.reading import FORMATS, read
from logger.recording import Recording
from logger.tables.table import ColumnChoice
from logger.writing import write_table

CASES = Path(__file__).resolve().parents[1] / "data" / "cases"
TABLE = "time_s,latitude_deg,longitude_deg,speed_mps\n" + "".join(
    f"{t},{52.1 + 0.0001 * t:.6f},9.400000,{11.1195:.4f}\n" for t in range(20)
)
GPX = (
    '<?xml version="1.0"?>\n<gpx version="1.0" creator="made up">\n<trk><trkseg>\n'
    + "".join(
        f'<trkpt lat="{52.1 + 0.0001 * t:.6f}" lon="9.4"><time>2024-03-09T09:00:{t:02d}Z</time>'
        f"<speed>11.1195</speed></trkpt>\n"
        for t in range(20)
    )
    + "</trkseg></trk>\n</gpx>\n"
)


def _sentence(body: str) -> str:
    total = 0
    for character in body:
        total ^= ord(character)
    return f"${body}*{total:02X}\r\n"


NMEA = "".join(
    _sentence(
        f"GPRMC,0900{t:02d}.00,A,5206.{60 * t:04d},N,00924.0000,E,{11.1195 * 3600 / 1852:.6f},0.0,"
        "090324,,,A"
    )
    for t in range(20)
)
CONTENTS = {"table": TABLE, "GPX": GPX, "NMEA": NMEA}


@pytest.fixture(params=list(CONTENTS))
def log(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, Path]:
    """Write the same drive in one of the formats, under a name that says nothing."""
    name = str(request.param)
    path = tmp_path / "drive.dat"
    path.write_bytes(CONTENTS[name].encode())
    return name, path


def assert_sound(recording: Recording) -> None:
    """Check what holds for every recording, whatever was in the file."""
    assert recording.channels
    for channel in recording.channels:
        assert np.isfinite(channel.t_s).all()
        assert np.isfinite(channel.values).all()
        assert (np.diff(channel.t_s) > 0).all()
        assert not channel.values.flags.writeable
        assert 0 <= channel.clock < len(recording.clocks)
    first = min(channel.t_s[0] for channel in recording.channels if channel.clock == 0)
    assert first == 0.0
    for finding in recording.findings:
        assert finding.text.strip()
        assert finding.count >= 1


def test_every_format_gives_the_same_drive(log: tuple[str, Path]) -> None:
    name, path = log
    recording = read(path)
    assert recording.sources[0].format == name
    assert_sound(recording)
    speed = recording.channel("speed_mps")
    latitude = recording.channel("latitude_deg")
    assert speed is not None
    assert latitude is not None
    assert_allclose(speed.t_s, np.arange(20.0), rtol=0, atol=1e-9)
    # six decimals of knots are 5e-7 m/s
    assert_allclose(speed.values, 11.1195, rtol=0, atol=1e-6)
    assert latitude.values[0] == pytest.approx(52.1, abs=1e-9)
    assert not recording.findings


def test_a_named_format_skips_the_guess(log: tuple[str, Path]) -> None:
    name, path = log
    assert read(path, format=name.lower()).sources[0].format == name
    with pytest.raises(ReadError, match="unknown format 'fancy'"):
        read(path, format="fancy")


def test_gzip_is_known_by_content_not_by_name(log: tuple[str, Path]) -> None:
    _, path = log
    plain = read(path)
    packed = path.with_suffix(".packed")
    packed.write_bytes(gzip.compress(path.read_bytes()))
    again = read(packed)
    for one, other in zip(plain.channels, again.channels, strict=True):
        assert_allclose(one.values, other.values, rtol=0, atol=0)
        assert_allclose(one.t_s, other.t_s, rtol=0, atol=0)


def test_gzip_in_several_members_is_read_whole(log: tuple[str, Path]) -> None:
    _, path = log
    data = path.read_bytes()
    half = len(data) // 2
    path.write_bytes(gzip.compress(data[:half]) + gzip.compress(data[half:]))
    assert read(path).channels[0].t_s.size == 20


@pytest.mark.parametrize("share", range(1, 16))
def test_cut_off_files_are_refused_or_say_so(log: tuple[str, Path], share: int) -> None:
    """No half-written number is taken: what is read is the beginning of the true drive."""
    _, path = log
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * share // 16])
    try:
        recording = read(path)
    except ReadError:
        return
    assert_sound(recording)
    speed = recording.channel("speed_mps")
    if speed is not None:
        assert_allclose(speed.values, 11.1195, rtol=0, atol=1e-6)
        assert_allclose(speed.t_s, np.arange(float(speed.t_s.size)), rtol=0, atol=1e-9)


@pytest.mark.parametrize("share", range(1, 16))
def test_cut_off_gzip_is_refused(log: tuple[str, Path], share: int) -> None:
    _, path = log
    packed = gzip.compress(path.read_bytes(), mtime=0)
    path.write_bytes(packed[: max(3, len(packed) * share // 16)])
    with pytest.raises(ReadError, match="gzip"):
        read(path)


def test_empty_files_are_refused(tmp_path: Path) -> None:
    for content in (b"", b"\n\n  \r\n", b"\xef\xbb\xbf", b"\x00" * 4096, gzip.compress(b"")):
        path = tmp_path / "empty.csv"
        path.write_bytes(content)
        with pytest.raises(ReadError, match="empty"):
            read(path)


def test_a_folder_a_missing_file_and_a_pipe_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="folder"):
        read(tmp_path)
    with pytest.raises(ReadError, match="no such file"):
        read(tmp_path / "nowhere.csv")
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(ReadError, match="pipe"):
        read(pipe)
    with pytest.raises(ReadError):
        read("bad\x00name")


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may read every file")
def test_an_unreadable_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "secret.csv"
    path.write_text(TABLE)
    path.chmod(0)
    with pytest.raises(ReadError, match="cannot be opened"):
        read(path)


def test_a_gzip_bomb_is_stopped_early(tmp_path: Path) -> None:
    path = tmp_path / "bomb.csv.gz"
    machine = zlib.compressobj(9, wbits=31)
    zeros = b"0" * 1_000_000
    packed = b"".join(machine.compress(zeros) for _ in range(60)) + machine.flush()
    path.write_bytes(packed)
    with pytest.raises(ReadError, match="shrinks less than"):
        read(path)


def test_damaged_gzip_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.csv.gz"
    packed = bytearray(gzip.compress(TABLE.encode(), mtime=0))
    packed[len(packed) // 2] ^= 0xFF
    path.write_bytes(bytes(packed))
    with pytest.raises(ReadError, match="gzip"):
        read(path)


WRONG_KINDS = {
    "spreadsheet": (b"PK\x03\x04" + b"\x00" * 30, "ZIP archive"),
    "fit": (b"\x0e\x10\xd9\x07\x00\x00\x00\x00.FIT" + b"\x00" * 40, "FIT activity"),
    "pdf": (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "PDF"),
    "png": (b"\x89PNG\r\n\x1a\n" + b"\x00" * 30, "picture"),
    "jpeg": (b"\xff\xd8\xff\xe0" + b"\x00" * 30, "picture"),
    "movie": (b"\x00\x00\x00\x18ftypmp42" + b"\x00" * 30, "video"),
    "database": (b"SQLite format 3\x00" + b"\x00" * 30, "database"),
    "parquet": (b"PAR1" + b"\x00" * 30, "Parquet"),
    "html": (b"<!DOCTYPE html>\n<html><body>Sign in</body></html>", "HTML page"),
    "html after a comment": (b"<!-- saved -->\n<html></html>", "HTML page"),
    "json": (b'{"type": "FeatureCollection"}', "JSON"),
    "json list": (b'[{"t": 1}]', "JSON"),
    "kml": (b'<?xml version="1.0"?>\n<kml xmlns="x"></kml>', "KML"),
    "tcx": (b'<?xml version="1.0"?>\n<TrainingCenterDatabase/>', "TCX"),
    "other xml": (b"<?xml version='1.0'?>\n<notes><note/></notes>", "XML, but not GPX"),
    "gzip twice": (gzip.compress(gzip.compress(b"x")), "gzip data inside"),
    "noise": (bytes(range(1, 32)) * 40, "binary data"),
    "prose": (b"Dear reader,\nthere is no table here\nnor there\n", "no table"),
    "one number": (b"42\n", "no table"),
}


@pytest.mark.parametrize("kind", list(WRONG_KINDS))
def test_what_is_no_log_gets_its_own_refusal(kind: str, tmp_path: Path) -> None:
    content, word = WRONG_KINDS[kind]
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    with pytest.raises(ReadError) as caught:
        read(path)
    assert word in str(caught.value)
    assert str(path) in str(caught.value)


def test_a_chosen_column_means_nothing_to_a_log_without_tables(tmp_path: Path) -> None:
    path = tmp_path / "track.gpx"
    path.write_text(GPX)
    recording = read(path, columns={"speed_mps": ColumnChoice(header="GPS speed", unit="km/h")})
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert speed.values[0] == 11.1195


def test_formats_are_tried_from_the_sure_to_the_general() -> None:
    assert [kind.name for kind in FORMATS] == ["GPX", "NMEA", "table"]


@pytest.mark.parametrize(
    ("text", "loaded"), [(GPX, []), (NMEA, []), (TABLE, ["pandas"])], ids=["gpx", "nmea", "table"]
)
def test_reading_loads_pandas_for_a_table_alone(
    text: str, loaded: list[str], tmp_path: Path
) -> None:
    """A third of a second of imports would be most of the time of reading a track."""
    path = tmp_path / "drive.log"
    path.write_text(text)
    code = (
        "import sys; from logger.reading import read; "
        f"read({str(path)!r}); "
        "print([m for m in ('pandas', 'scipy', 'matplotlib', 'gpxpy') if m in sys.modules])"
    )
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root
    )
    assert done.stdout.strip() == str(loaded)


def test_random_damage_never_ends_in_anything_but_a_reading_or_a_refusal(tmp_path: Path) -> None:
    """600 damaged copies of the cases, the same ones each time."""
    rng = random.Random(20240309)
    files = sorted(path for path in CASES.rglob("*") if path.is_file())
    pieces = [b",", b";", b'"', b"\n", b"\r", b"\x00", b"nan", b"-", b"1e999", b"<", b">", b"&"]
    pieces += [b"$", b"*", b"\t", b"\xff\xfe", b"\xef\xbb\xbf", b"9" * 30, b"\xd9\xa3", b"-1"]
    path = tmp_path / "damaged"
    outcomes = {"read": 0, "refused": 0}
    for _ in range(600):
        data = bytearray(rng.choice(files).read_bytes()[:3000])
        for _ in range(rng.randint(1, 4)):
            at = rng.randrange(len(data) + 1)
            kind = rng.randrange(4)
            if kind == 0 and data:
                data[at - 1] = rng.randrange(256)
            elif kind == 1:
                data[at:at] = rng.choice(pieces)
            elif kind == 2:
                del data[at : at + rng.randint(1, 40)]
            else:
                other = rng.randrange(len(data) + 1)
                data[at:at] = data[other : other + rng.randint(1, 80)]
        path.write_bytes(bytes(data))
        try:
            assert_sound(read(path))
            outcomes["read"] += 1
        except ReadError:
            outcomes["refused"] += 1
    # both happen often, so neither the reader nor the damage is trivial
    assert min(outcomes.values()) > 60


def test_written_and_read_again_every_format_is_the_same(log: tuple[str, Path]) -> None:
    _, path = log
    recording = read(path)
    again_path = path.with_name("again.csv")
    write_table(again_path, recording)
    again = read(again_path)
    assert {c.name for c in again.channels} == {c.name for c in recording.channels}
    for channel in recording.channels:
        other = again.channel(channel.name)
        assert other is not None
        assert_allclose(other.t_s, channel.t_s, rtol=0, atol=0)
        assert_allclose(other.values, channel.values, rtol=0, atol=0)
