"""What is shown while a command works: nothing where nobody looks, how far a reading is where someone does."""

from __future__ import annotations

import io
import time
from pathlib import Path

import numpy as np
import pytest

from analysis.terminal import progress as progress_module
from analysis.terminal.progress import Progress
from logger.reading import read, read_log

TABLE = "t (s),v (m/s)\n" + "".join(f"{k / 10:.1f},{20 + k % 50 / 10:.1f}\n" for k in range(40_000))
WORDS = TABLE.replace(",20.0\n", ",nan\n")


def rmc(k: int) -> str:
    body = f"GPRMC,{k // 3600:02d}{k // 60 % 60:02d}{k % 60:02d}.0,A,,,,,20.0,,090324,,"
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"${body}*{total:02X}\n"


NMEA = "".join(map(rmc, range(8_000)))
GPX = (
    '<gpx version="1.0" creator="x"><trk><trkseg>'
    + "".join(
        f'<trkpt lat="52" lon="9"><time>2024-03-09T{k // 3600:02d}:{k // 60 % 60:02d}:{k % 60:02d}Z</time>'
        "<speed>20.0</speed></trkpt>"
        for k in range(4_000)
    )
    + "</trkseg></trk></gpx>"
)


@pytest.mark.parametrize("text", [TABLE, WORDS, NMEA, GPX], ids=["table", "words", "nmea", "gpx"])
def test_reading_tells_how_far_it_is(tmp_path: Path, text: str) -> None:
    path = tmp_path / "log.csv"
    path.write_text(text)
    told: list[tuple[int, int]] = []
    recording = read(path, progress=lambda done, total: told.append((done, total)))
    size = path.stat().st_size
    done = [one for one, _ in told]
    assert {total for _, total in told} == {size}
    assert done == sorted(done)
    assert 0 < done[0] < size  # before the end as well
    assert done[-1] == size
    quiet = read(path)
    assert [c.values.sum() for c in recording.channels] == [c.values.sum() for c in quiet.channels]


def test_several_files_are_told_as_one(tmp_path: Path) -> None:
    paths = [tmp_path / "a.csv", tmp_path / "b.nmea"]
    paths[0].write_text("t (s),acc x (m/s2)\n" + "".join(f"{k / 10},{k % 7}\n" for k in range(500)))
    paths[1].write_text(NMEA)
    told: list[tuple[int, int]] = []
    read_log(paths, progress=lambda done, total: told.append((done, total)))
    sizes = [path.stat().st_size for path in paths]
    assert told[0] == (sizes[0], sum(sizes))
    assert told[-1] == (sum(sizes), sum(sizes))
    assert bool(np.all(np.diff([done for done, _ in told]) >= 0))


class Terminal(io.StringIO):
    """A stderr that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def shown(monkeypatch: pytest.MonkeyPatch, stderr: io.StringIO) -> str:
    monkeypatch.setattr("sys.stderr", stderr)
    monkeypatch.setattr(progress_module, "PATIENCE_S", 0.0)
    monkeypatch.setenv("TERM", "xterm")
    with Progress() as progress:
        progress.show("reading drive.csv")
        progress.share(30, 100)
        deadline = time.monotonic() + 20.0
        while "reading" not in stderr.getvalue() and stderr.isatty():
            assert time.monotonic() < deadline, "nothing was shown"
            time.sleep(0.01)
        progress.share(60, 100)
        progress.show("fitting")
    return stderr.getvalue()


def test_a_terminal_sees_what_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    assert "reading drive.csv" in shown(monkeypatch, Terminal())


def test_a_pipe_sees_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    assert shown(monkeypatch, io.StringIO()) == ""
