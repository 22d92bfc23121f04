"""Large tables are read by a faster way: same numbers, same refusals, same rows left out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from logger.errors import ReadError
from logger.reading import read
from logger.tables import rows_of_cells as table_rows


def test_the_c_reader_for_large_files_gives_the_same_numbers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(7)
    path = tmp_path / "motion.csv"
    axes = rng.normal([0, 0, 9.81], 0.5, (3000, 3))
    lines = [f"{0.01 * k:.2f},{x!r},{y!r},{z!r}" for k, (x, y, z) in enumerate(axes.tolist())]
    lines[5] = "0.05,,0.1,9.8"
    header = "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2\n"
    path.write_text(header + "\n".join(lines) + "\n")
    small = read(path)
    monkeypatch.setattr(table_rows, "_PANDAS_BYTES", 1000)
    large = read(path)
    for one, other in zip(small.channels, large.channels, strict=True):
        assert_allclose(one.t_s, other.t_s, rtol=0, atol=0)
        # older C readers round the 17th digit differently
        assert_allclose(one.values, other.values, rtol=5e-16)
    assert small.channels[0].t_s.size == 2999


@pytest.mark.parametrize(
    ("damage", "line", "word"),
    [
        ("0.07,0.1,oops,9.8", 9, "'oops' in line 9"),
        ("0.07,0.1,1e999,9.8", 9, "'1e999' in line 9"),
        ("0.07,0.1,0.2,9.8,7", 9, "5 fields"),
        ('0.07,"0,1",0.2,9.8', 9, "'0,1' in line 9"),
    ],
)
def test_damage_in_a_large_file_is_found_with_its_line(
    damage: str, line: int, word: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(table_rows, "_PANDAS_BYTES", 1000)
    lines = [f"{0.01 * k:.2f},0.1,0.2,9.81" for k in range(3000)]
    lines[7] = damage
    path = tmp_path / "motion.csv"
    path.write_text("time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2\n" + "\n".join(lines) + "\n")
    with pytest.raises(ReadError) as caught:
        read(path)
    assert caught.value.line == line
    assert word in str(caught.value)


@pytest.mark.parametrize("size", [1000, 10**9], ids=["large", "small"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("trailing", ["", ","])
def test_odd_rows_are_taken_out_alike_whatever_the_size(
    size: int, end: str, trailing: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A header with superscripts, a blank line, a short row, blank fields too many, a cut end."""
    monkeypatch.setattr(table_rows, "_PANDAS_BYTES", size)
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
