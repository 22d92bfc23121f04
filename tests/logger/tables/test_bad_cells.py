"""A few bad cells: left out, counted and named; more than 1 % of a channel is refused.

What it protects: one slip must not cost a drive, and no slip may pass for a measurement.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.errors import ReadError
from logger.reading import read
from logger.recording import Recording

ROWS = 300


def drive(tmp_path: Path, changes: dict[int, str], column: int) -> Path:
    """Write 300 rows of a drive north at 10 to 25 m/s, with some cells of a column replaced."""
    lines = ["date,time,speed_mps,latitude,longitude"]
    for k in range(ROWS):
        cells = ["2024-03-09", f"10:{k // 60:02d}:{k % 60:02d}", f"{10 + 0.05 * k:.3f}"]
        metres = 10 * k + 0.025 * k * k
        cells += [f"{49 + metres / 111_195:.7f}", "-30.0000000"]
        if k in changes:
            cells[column] = changes[k]
        lines.append(",".join(cells))
    path = tmp_path / "drive.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def size(recording: Recording, name: str) -> int:
    channel = recording.channel(name)
    assert channel is not None
    return channel.t_s.size


@pytest.mark.parametrize(
    ("column", "cell", "kind", "channel"),
    [
        (0, "90/02/2032", "bad_time", "speed_mps"),
        (0, "2024-02-30", "bad_time", "speed_mps"),
        (1, "10:61:07", "bad_time", "speed_mps"),
        (2, "0.000 km/h", "bad_cell", "speed_mps"),
        (2, "1e400", "bad_cell", "speed_mps"),
        (2, "-0.0002", "impossible_value", "speed_mps"),
        (2, "-0.129", "impossible_value", "speed_mps"),
        (2, "1e9", "impossible_value", "speed_mps"),
        (3, "49.07 N", "bad_cell", "latitude_deg"),
        (3, "491.5", "impossible_value", "latitude_deg"),
        (4, "oops", "bad_cell", "longitude_deg"),
    ],
)
def test_a_few_bad_cells_are_left_out_and_named_and_more_are_refused(
    column: int, cell: str, kind: str, channel: str, tmp_path: Path
) -> None:
    recording = read(drive(tmp_path, {100: cell, 200: cell, 201: cell}, column))
    found = [f for f in recording.findings if f.kind == kind]
    assert [(f.line, f.count, f.severity) for f in found] == [(102, 3, "warning")]
    assert size(recording, channel) == ROWS - 3
    with pytest.raises(ReadError) as caught:
        read(drive(tmp_path, dict.fromkeys(range(100, 104), cell), column))
    assert caught.value.line == 102


def test_a_bad_time_among_the_first_rows_costs_its_row_alone(tmp_path: Path) -> None:
    assert size(read(drive(tmp_path, {0: "25:99:00"}, 1)), "speed_mps") == ROWS - 1


@pytest.mark.parametrize(("row", "wrong"), [(0, "91.0"), (ROWS - 1, "99.0"), (150, "95.0")])
def test_a_single_speed_no_vehicle_reaches_is_not_used(
    row: int, wrong: str, tmp_path: Path
) -> None:
    recording = read(drive(tmp_path, {row: wrong}, 2))
    speed = recording.channel("speed_mps")
    assert speed is not None
    assert speed.suspect.tolist() == [k == row for k in range(ROWS)]
    assert [f.line for f in recording.findings if f.kind == "false_spike"] == [row + 2]
