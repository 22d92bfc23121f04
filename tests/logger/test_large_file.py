"""A large file is read where it lies, and read again where somebody wrote to it meanwhile.

What it protects: a recording that still goes on, or a copy that is still under way, must never give
rows that are made of two states of the file.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import large_file, reading, source
from logger.errors import ReadError
from logger.large_file import Contents, FileBytes
from logger.reading import read
from logger.recording import Recording
from logger.tables import rows_of_cells as table_rows

ROWS = 4000


def text(rows: int, speed_mps: float = 20.0) -> bytes:
    lines = [f"{0.1 * k:.1f},{speed_mps + k % 50 / 10:.1f}" for k in range(rows)]
    return ("\n".join(["time_s,speed_mps", *lines]) + "\n").encode()


def values(recording: Recording) -> list[float]:
    channel = recording.channel("speed_mps")
    assert channel is not None
    return [round(v, 9) for v in channel.values.tolist()]


@pytest.fixture(autouse=True)
def small_is_large(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table_rows, "_PANDAS_BYTES", 0)
    monkeypatch.setattr(source, "LARGE_BYTES", 0)


@given(
    data=st.binary(min_size=1, max_size=300),
    wanted=st.binary(min_size=1, max_size=3),
    start=st.integers(0, 320),
    stop=st.integers(-320, 320),
)
def test_slices_and_searches_are_those_of_the_bytes(
    data: bytes, wanted: bytes, start: int, stop: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("bytes") / "log"
    path.write_bytes(data)
    lying = FileBytes(path)
    assert len(lying) == len(data)
    assert lying[start:stop] == data[start:stop]
    assert lying[-2:] == data[-2:]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(large_file, "_FIRST_LOOK", 4)
        patch.setattr(large_file, "_LONGEST_LOOK", 16)
        assert lying.find(wanted, start) == data.find(wanted, start)
    assert not lying.changed()
    lying.close()


def changing(path: Path, after: int, new: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the file get new content, in place, after some slices were read."""
    seen = 0
    read_slice = FileBytes.__getitem__

    def read_and_change(self: FileBytes, part: slice) -> bytes:
        nonlocal seen
        seen += 1
        if seen == after:
            path.write_bytes(new)
        return read_slice(self, part)

    monkeypatch.setattr(FileBytes, "__getitem__", read_and_change)


@pytest.mark.parametrize("after", [1, 2, 4, 6, 8, 9, 10, 12, 14])
@pytest.mark.parametrize(
    "new",
    [
        text(ROWS // 3),
        text(ROWS + 500),
        text(ROWS, speed_mps=30.0),
        text(ROWS).replace(b"\n", b",7\n").replace(b"speed_mps,7", b"speed_mps"),
    ],
    ids=["shorter", "longer", "other", "wider"],
)
def test_a_file_that_is_written_to_is_read_again_as_it_is_then(
    after: int, new: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, still = tmp_path / "log.csv", tmp_path / "still.csv"
    still.write_bytes(new)
    path.write_bytes(text(ROWS))
    old = values(read(path))
    try:
        expected: list[float] | str = values(read(still))
    except ReadError as error:
        expected = str(error).replace(str(still), str(path))
    changing(path, after, new, monkeypatch)
    try:
        found: list[float] | str = values(read(path))
    except ReadError as error:
        found = str(error)
    assert path.read_bytes() == new, "the file never changed: fewer slices are read"
    assert found == expected
    assert found != old


def test_a_file_that_vanishes_while_it_is_read_costs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(text(ROWS))
    read_slice = FileBytes.__getitem__

    def read_and_unlink(self: FileBytes, part: slice) -> bytes:
        path.unlink(missing_ok=True)
        return read_slice(self, part)

    monkeypatch.setattr(FileBytes, "__getitem__", read_and_unlink)
    assert np.isclose(values(read(path))[-1], 20.0 + (ROWS - 1) % 50 / 10)


@pytest.mark.filterwarnings("error::ResourceWarning")
def test_a_file_that_is_refused_is_given_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On some systems nobody else could rename or delete it."""
    opened: list[FileBytes] = []
    contents_of = source.contents_of

    def watched(path: Path) -> Contents:
        data = contents_of(path)
        assert isinstance(data, FileBytes)
        opened.append(data)
        return data

    monkeypatch.setattr(reading, "contents_of", watched)
    for name, text_of in (("a.csv", b"PK\x03\x04" + b"x" * 50), ("b.csv", b"a,b\n1,2\n3,x\n")):
        (tmp_path / name).write_bytes(text_of)
        with pytest.raises(ReadError):
            read(tmp_path / name)
    assert len(opened) == 2
    for one in opened:
        with pytest.raises(ValueError, match="closed file"):
            one[:1]


def test_tracks_and_packed_logs_are_read_alike_however_large(tmp_path: Path) -> None:
    track = tmp_path / "log.gpx"
    points = "".join(
        f'<trkpt lat="52.{k:04d}" lon="9.4"><time>2024-03-09T09:00:{k:02d}Z</time>'
        f"<speed>{k}</speed></trkpt>"
        for k in range(20)
    )
    track.write_text(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>")
    assert values(read(track)) == list(range(20))
    blank = tmp_path / "blank.csv"
    blank.write_bytes(b" \n" * 50)
    with pytest.raises(ReadError, match="the file is empty"):
        read(blank)
