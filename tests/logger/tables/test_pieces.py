"""A table that is read in pieces gives the numbers, refusals and rows left out of one read whole."""

from __future__ import annotations

from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from logger.errors import ReadError
from logger.reading import read
from logger.tables import cells, even_rows
from logger.tables.even_rows import cuts

#: Numbers are read to the nearest float from pandas 3.1 on, which says so by deprecating its choice of
#: precisions; before, 17 digits are read, zeros behind the point among them, and rounded twice.
EXACT = tuple(int(part) for part in version("pandas").split(".")[:2]) >= (3, 1)
READ_RTOL, READ_ATOL = (0.0, 0.0) if EXACT else (5e-16, 1e-16)


def in_pieces(monkeypatch: pytest.MonkeyPatch, size: int) -> None:
    """Let a table be counted and read in pieces of about `size` bytes."""
    monkeypatch.setattr(even_rows, "_PIECE", size)
    monkeypatch.setattr(cells, "_SMALLEST", size)
    monkeypatch.setattr(cells, "_LARGEST", size)


def test_a_table_read_in_pieces_gives_the_same_numbers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(7)
    path = tmp_path / "motion.csv"
    axes = rng.normal([0, 0, 9.81], 0.5, (3000, 3))
    lines = [f"{0.01 * k:.2f},{x!r},{y!r},{z!r}" for k, (x, y, z) in enumerate(axes.tolist())]
    lines[5] = "0.05,,0.1,9.8"
    axes[5] = (np.nan, 0.1, 9.8)
    header = "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2\n"
    path.write_text(header + "\n".join(lines) + "\n")
    whole = read(path)
    in_pieces(monkeypatch, 1000)
    pieces = read(path)
    for one, other, axis in zip(whole.channels, pieces.channels, axes.T, strict=True):
        assert_allclose(one.t_s, other.t_s, rtol=0, atol=0)
        assert_allclose(one.values, other.values, rtol=0, atol=0)
        assert_allclose(one.values, axis[np.isfinite(axis)], rtol=READ_RTOL, atol=READ_ATOL)
    assert whole.channels[0].t_s.size == 2999


@pytest.mark.parametrize(
    ("damage", "line", "word"),
    [
        ("0.07,0.1,oops,9.8", 9, "'oops' in line 9"),
        ("0.07,0.1,1e999,9.8", 9, "'1e999' in line 9"),
        ("0.07,0.1,0.2,9.8,7", 9, "line 9"),
        ('0.07,"0,1",0.2,9.8', 9, "'0,1' in line 9"),
    ],
)
@pytest.mark.parametrize("size", [1000, 10**9], ids=["pieces", "whole"])
def test_damage_is_found_with_its_line(
    damage: str, line: int, word: str, size: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    in_pieces(monkeypatch, size)
    lines = [f"{0.01 * k:.2f},0.1,0.2,9.81" for k in range(3000)]
    lines[7] = damage
    path = tmp_path / "motion.csv"
    header = "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2\n"
    path.write_text(header + "\n".join(lines) + "\n")
    found = [f for f in read(path).findings if f.severity == "warning"]
    assert [(f.line, f.count) for f in found] == [(line, 1)]
    assert word in found[0].text
    lines[7:38] = [damage] * 31  # of 3000: more than 1 %
    path.write_text(header + "\n".join(lines) + "\n")
    with pytest.raises(ReadError) as caught:
        read(path)
    assert caught.value.line == line


@pytest.mark.parametrize("size", [1000, 10**9], ids=["pieces", "whole"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("trailing", ["", ","])
def test_odd_rows_are_taken_out_alike_in_one_piece_or_many(
    size: int, end: str, trailing: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A header with superscripts, a blank line, a short row, blank fields too many, a cut end."""
    in_pieces(monkeypatch, size)
    rows = [f"{0.01 * k:.2f},0.1,0.2,9.81{trailing}" for k in range(400)]
    rows[10] = ""
    rows[20] = "0.20,0.1"
    rows[30] += ",,"
    rows.append("4.00,0.1,0.2,9.")
    path = tmp_path / "motion.csv"
    header = f"time_s,acc x [m/s²],acc y [m/s²],acc z [m/s²]{trailing}"
    path.write_bytes(end.join([header, *rows]).encode())
    recording = read(path)
    accel = recording.channel("accel_z_mps2")
    assert accel is not None
    expected = [0.01 * k for k in range(400) if k not in (10, 20)]
    assert_allclose(accel.t_s, expected, rtol=0, atol=1e-9)
    found = {(f.kind, f.line, f.count) for f in recording.findings}
    assert found == {("blank_row", 12, 1), ("short_row", 22, 1), ("short_row", 402, 1)}


@pytest.mark.parametrize("size", [1, 7, 50, 10**6])
def test_pieces_are_the_whole_lines_of_the_text(size: int) -> None:
    text = b"a,b\n" + b"".join(b"%d,%s\n" % (k, b"9" * (k % 50)) for k in range(500)) + b"12,3"
    places = list(cuts(text, size, 4))
    assert b"".join(text[start:end] for start, end in places) == text[4:].removesuffix(b"12,3")
    assert all(
        text[end - 1 : end] == b"\n" and end - start >= min(size, 3) for start, end in places
    )
    assert list(cuts(b"time_s", size, 0)) == list(cuts(b"a,b\n", size, 4)) == []


@pytest.mark.parametrize("size", [1000, 10**9], ids=["pieces", "whole"])
@pytest.mark.parametrize("word", ["", "n/a", "NaN"])
@pytest.mark.parametrize("mark", [".", ","], ids=["point", "comma"])
def test_stamps_of_19_digits_stay_exact_beside_a_word_late_in_the_file(
    mark: str, word: str, size: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A float holds nanoseconds since 1970 to 256 ns; the steps here are of 7 ns and a prime's."""
    in_pieces(monkeypatch, size)
    stamps = [1_710_000_000_123_456_789 + 10_000_019 * k + 7 * (k % 3) for k in range(500)]
    rows = [f"{ns};{20 + k % 50 / 10:.1f};0.1".replace(".", mark) for k, ns in enumerate(stamps)]
    rows[400] = rows[400].rpartition(";")[0] + f";{word}"
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["timestamp_ns;speed (m/s);accel x (m/s2)", *rows]) + "\n")
    recording = read(path)
    speed, accel = recording.channel("speed_mps"), recording.channel("accel_x_mps2")
    assert speed is not None
    assert accel is not None
    expected = [(ns - stamps[0]) * 1e-9 for ns in stamps]
    assert_allclose(speed.t_s, expected, rtol=0, atol=1e-15)  # sums of whole ns, rounded once
    assert_allclose(speed.values, [20 + k % 50 / 10 for k in range(500)], rtol=1e-15)
    assert accel.t_s.tolist() == [t for k, t in enumerate(speed.t_s.tolist()) if k != 400]
    words = [(f.kind, f.line) for f in recording.findings if f.kind == "missing_value"]
    assert words == ([("missing_value", 402)] if word else [])
