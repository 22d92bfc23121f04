"""A file that somebody writes to while it is read is read again as it is then.

What it protects: a recording that still goes on, or a copy that is still under way, must never give
rows that are made of two states of the file.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any, Self

import numpy as np
import pytest

from logger import source
from logger.errors import ReadError
from logger.reading import read
from logger.recording import Recording

ROWS = 4000


def text(rows: int, speed_mps: float = 20.0) -> bytes:
    lines = [f"{0.1 * k:.1f},{speed_mps + k % 50 / 10:.1f}" for k in range(rows)]
    return ("\n".join(["time_s,speed_mps", *lines]) + "\n").encode()


def values(recording: Recording) -> list[float]:
    channel = recording.channel("speed_mps")
    assert channel is not None
    return [round(v, 9) for v in channel.values.tolist()]


class Watched:
    """An open file to which something happens in the middle of its first reading."""

    def __init__(self, file: IO[bytes], share: float, happen: Callable[[], object]) -> None:
        self._file = file
        self._share = share
        self._happen: Callable[[], object] | None = happen

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def read(self, size: int) -> bytes:
        if self._happen is None:
            return self._file.read(size)
        first = self._file.read(int(self._share * size))
        self._happen()
        self._happen = None
        return first + self._file.read(size - len(first))


def watch(
    monkeypatch: pytest.MonkeyPatch, share: float, happen: Callable[[], object]
) -> list[IO[bytes]]:
    """Let something happen once while a file is read; return the files that are opened."""
    opened: list[IO[bytes]] = []
    usual = Path.open

    def open_watched(self: Path, mode: str = "r", **more: Any) -> Any:
        file = usual(self, mode, **more)
        if mode != "rb" or opened:
            return file
        opened.append(file)
        return Watched(file, share, happen)

    monkeypatch.setattr(Path, "open", open_watched)
    return opened


@pytest.mark.parametrize("share", [0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0])
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
    share: float, new: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, still = tmp_path / "log.csv", tmp_path / "still.csv"
    still.write_bytes(new)
    path.write_bytes(text(ROWS))
    os.utime(path, (1.7e9, 1.7e9))  # else a clock that ticks slowly may show the same time
    old = values(read(path))
    try:
        expected: list[float] | str = values(read(still))
    except ReadError as error:
        expected = str(error).replace(str(still), str(path))
    opened = watch(monkeypatch, share, lambda: path.write_bytes(new))
    try:
        found: list[float] | str = values(read(path))
    except ReadError as error:
        found = str(error)
    assert opened
    assert path.read_bytes() == new, "the file never changed"
    assert found == expected
    assert found != old


def test_a_file_that_grows_too_large_while_it_is_read_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(text(10))
    monkeypatch.setattr(source, "MAX_BYTES", len(text(ROWS)) - 1)
    watch(monkeypatch, 0.5, lambda: path.write_bytes(text(ROWS)))
    with pytest.raises(ReadError, match="the file holds more than"):
        read(path)


def test_a_file_that_vanishes_while_it_is_read_costs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(text(ROWS))
    watch(monkeypatch, 0.5, path.unlink)
    assert np.isclose(values(read(path))[-1], 20.0 + (ROWS - 1) % 50 / 10)


@pytest.mark.filterwarnings("error::ResourceWarning")
@pytest.mark.parametrize("content", [b"PK\x03\x04" + b"x" * 50, b"a,b\n1,2\n3,x\n"])
def test_a_file_that_is_refused_is_given_back(
    content: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On some systems nobody else could rename or delete it."""
    path = tmp_path / "a.csv"
    path.write_bytes(content)
    opened = watch(monkeypatch, 0.5, lambda: None)
    with pytest.raises(ReadError):
        read(path)
    assert [file.closed for file in opened] == [True]


def test_tracks_and_blank_files_are_read_as_ever(tmp_path: Path) -> None:
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
