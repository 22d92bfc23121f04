"""Logs inside ZIP archives: one recording is read as its files are, anything else is refused in words."""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from analysis.cli.main import main
from logger.errors import ReadError
from logger.reading import read, read_log

GPS = "time_s,speed_mps\n" + "".join(f"{t},{0.5 * t:.2f}\n" for t in range(40))
MOTION = "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2\n" + "".join(
    f"{0.1 * k:.1f},0.5,0,9.81\n" for k in range(400)
)


def packed(place: Path, members: Mapping[str, str | bytes]) -> Path:
    with zipfile.ZipFile(place, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return place


def test_one_log_inside_is_that_log(tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_text(GPS, encoding="utf-8")
    plain = read(tmp_path / "run.csv").channels[0]
    members: dict[str, str | bytes] = {
        "export/run.csv": GPS,
        "export/photo.jpg": b"\xff\xd8",
        "__MACOSX/export/._run.csv": "x",
    }
    inside = read(packed(tmp_path / "run.zip", members)).channels[0]
    assert inside.name == plain.name == "speed_mps"
    assert np.array_equal(inside.values, plain.values)


def test_the_files_of_one_recording_are_joined_as_two_files_are(tmp_path: Path) -> None:
    files = []
    for name, text in (("gps.csv", GPS), ("motion.csv", MOTION)):
        files.append(tmp_path / name)
        files[-1].write_text(text, encoding="utf-8")
    expected = read_log(files)
    found = read(packed(tmp_path / "both.zip", {"gps.csv": GPS, "motion.csv": MOTION}))
    assert [one.name for one in found.channels] == [one.name for one in expected.channels]
    assert len(found.channels) == 4


def test_an_error_names_the_archive_and_the_log_in_it(tmp_path: Path) -> None:
    place = packed(tmp_path / "run.zip", {"a/run.csv": "time_s,speed_mps\n0,1\n1,fast\n2,slow\n"})
    with pytest.raises(ReadError, match=r"run\.zip/a/run\.csv.*line 3"):
        read(place)


def _encrypted(place: Path) -> Path:
    """Set the flag of encryption in both headers (PKWARE, APPNOTE 4.4.4, bit 0)."""
    packed(place, {"run.csv": GPS})
    data = bytearray(place.read_bytes())
    data[6] |= 1
    data[data.rindex(b"PK\x01\x02") + 8] |= 1
    place.write_bytes(data)
    return place


def _damaged(place: Path) -> Path:
    data = bytearray(packed(place, {"run.csv": GPS}).read_bytes())
    data[60] ^= 0xFF
    place.write_bytes(data)
    return place


def _bomb(place: Path) -> Path:
    return packed(place, {"run.csv": b"0" * 30_000_000})


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda place: packed(place, {"photo.jpg": b"x"}), "without a log in it .photo.jpg"),
        (lambda place: packed(place, {}), "ZIP archive"),
        (lambda place: packed(place, {"[Content_Types].xml": "x", "a.txt": "x"}), "spreadsheet"),
        (lambda place: packed(place, {f"{k}.csv": GPS for k in range(9)}), "with 9 logs"),
        (
            lambda place: packed(place, {"run1.csv": GPS, "run2.csv": GPS}),
            (
                "several recordings: run2.csv and run1.csv both have speed|"
                "several recordings: run1.csv and run2.csv both have speed"
            ),
        ),
        (_encrypted, "is encrypted"),
        (_damaged, "damaged"),
        (_bomb, "unpacks to over 1"),
    ],
)
def test_anything_else_is_refused_with_the_reason(tmp_path: Path, make: object, words: str) -> None:
    assert callable(make)
    with pytest.raises(ReadError, match=words) as caught:
        read(make(tmp_path / "given.zip"))
    assert "given.zip" in str(caught.value)


def test_names_that_lead_elsewhere_write_nothing(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    place = packed(tmp_path / "in" / "run.zip", {"../evil.csv": GPS})
    before = sorted(tmp_path.rglob("*"))
    assert read(place).channels[0].name == "speed_mps"
    assert sorted(tmp_path.rglob("*")) == before


def test_commands_take_archives(
    sample: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder of archives is a session; beside logs an archive is a copy of them."""
    folder = tmp_path / "outing"
    folder.mkdir()
    for log in sorted(sample.glob("run*.csv")):
        packed(folder / f"{log.stem}.zip", {log.name: log.read_bytes()})
    assert main(["look", str(folder / "run01.zip")]) == 0
    assert "speed_mps" in capsys.readouterr().out
    words = ["report", str(folder), "--mass", "1573kg", "--quiet", "--out", str(tmp_path / "out")]
    assert main(words) == 0
    assert (tmp_path / "out" / "report.html").exists()
