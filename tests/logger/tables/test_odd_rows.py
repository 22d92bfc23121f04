"""Odd rows of a table: what counting and reading in pieces must not pass over.

What it protects: fields are counted many rows at a time, and pandas fills short rows up. A value in
the wrong column, a row lost without a word, or a character misread would be a lie that nobody sees.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.errors import ReadError
from logger.reading import read
from logger.recording import Recording
from logger.tables import cells, even_rows
from logger.tables.layout import layout_of

HEADER = "time_s,speed_mps,accel_x_mps2"


@pytest.fixture(params=["whole", "pieces"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Read every file in one piece, or in pieces of a hundred rows or so."""
    kind = str(request.param)
    size = 1600 if kind == "pieces" else 10**9
    monkeypatch.setattr(even_rows, "_PIECE", size)
    monkeypatch.setattr(cells, "_SMALLEST", size)
    monkeypatch.setattr(cells, "_LARGEST", size)
    return kind


def rows(count: int = 400, end: str = "") -> list[str]:
    return [f"{0.1 * k:.1f},{10 + 0.01 * k:.2f},{0.1 + k % 3 / 100:.2f}{end}" for k in range(count)]


def written(folder: Path, lines: list[str], header: str = HEADER) -> Path:
    path = folder / "log.csv"
    path.write_bytes(("\n".join([header, *lines]) + "\n").encode())
    return path


def speeds(recording: Recording) -> list[float]:
    channel = recording.channel("speed_mps")
    assert channel is not None
    return [round(v, 9) for v in channel.values.tolist()]


def counts(recording: Recording) -> dict[str, int]:
    return {f.kind: f.count for f in recording.findings if f.kind != "accel_axis_unnamed"}


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("long", [7, 100, 200, 399])
@pytest.mark.parametrize("short", [9, 101, 300])
def test_a_row_too_long_does_not_make_up_for_one_too_short(
    long: int, short: int, tmp_path: Path
) -> None:
    lines = rows()
    lines[long] += ",5.0"
    lines[short] = lines[short].rpartition(",")[0]
    recording = read(written(tmp_path, lines))
    assert counts(recording) == {"long_row": 1, "short_row": 1}
    left_out = {f.kind: f.line for f in recording.findings}
    assert left_out["long_row"] == long + 2
    assert left_out["short_row"] == short + 2
    assert speeds(recording) == [
        round(10 + 0.01 * k, 9) for k in range(400) if k not in (long, short)
    ]


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("place", [1, 57, 100, 200, 398])
def test_a_comma_that_moved_to_the_next_row_costs_the_short_row_and_says_so(
    place: int, tmp_path: Path
) -> None:
    lines = rows()
    expected = [10 + 0.01 * k for k in range(400) if k != place]
    lines[place] = lines[place].rpartition(",")[0]
    lines[place + 1] += ","
    recording = read(written(tmp_path, lines))
    assert speeds(recording) == [round(v, 9) for v in expected]
    assert counts(recording) == {"short_row": 1}


@pytest.mark.usefixtures("way")
def test_rows_of_nothing_but_commas_are_counted(tmp_path: Path) -> None:
    lines = rows()
    lines[50:50] = [",,"] * 3
    lines.insert(300, " , , ")
    recording = read(written(tmp_path, lines))
    assert speeds(recording) == [round(10 + 0.01 * k, 9) for k in range(400)]
    assert counts(recording) == {"blank_row": 4}


@pytest.mark.usefixtures("way")
def test_blank_rows_do_not_hide_how_many_of_the_rest_are_short(tmp_path: Path) -> None:
    lines = [*rows(6), *["1.0"] * 4, *[",,"] * 600]
    with pytest.raises(ReadError, match="4 such rows"):
        read(written(tmp_path, [*lines, "90.0,12.00,0.10"]))


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("place", [3, 100, 250])
def test_values_behind_the_comma_that_ends_rows_are_left_out_or_refused(
    place: int, tmp_path: Path
) -> None:
    lines = rows(end=",")
    lines[place] += "7"
    recording = read(written(tmp_path, lines))
    assert counts(recording) == {"long_row": 1}
    assert speeds(recording) == [round(10 + 0.01 * k, 9) for k in range(400) if k != place]
    for k in range(place + 1, place + 5):  # five of 400: more than 1 %
        lines[k] += "7"
    with pytest.raises(ReadError, match="4 fields where the header has 3") as caught:
        read(written(tmp_path, lines))
    assert caught.value.line == place + 2


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("word", ["0.12", "nan"])
def test_a_row_without_the_comma_that_ends_the_others_keeps_its_columns(
    word: str, tmp_path: Path
) -> None:
    """With a word among the numbers each cell is looked at, counted from the nearer end."""
    lines = rows(end=",")
    lines[9] = f"0.9,10.09,{word}"
    lines[20] = "2.0,10.20,nan,"
    recording = read(written(tmp_path, lines))
    accel = recording.channel("accel_x_mps2")
    assert accel is not None
    assert set(accel.values.round(9).tolist()) == {0.10, 0.11, 0.12}
    assert accel.values.size == 399 - (word == "nan")
    assert speeds(recording) == [round(10 + 0.01 * k, 9) for k in range(400)]


@pytest.mark.usefixtures("way")
def test_a_last_row_that_lost_the_comma_of_all_others_is_cut_off(tmp_path: Path) -> None:
    path = written(tmp_path, rows(end=","))
    path.write_bytes(path.read_bytes().removesuffix(b",\n"))
    recording = read(path)
    assert speeds(recording) == [round(10 + 0.01 * k, 9) for k in range(399)]
    assert counts(recording) == {"short_row": 1}


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("tail", [",", ",,", " ", "40.0", "40.0,", "40.0,14.00,0.1"])
def test_a_last_row_that_was_cut_is_counted_whatever_is_left_of_it(
    tail: str, tmp_path: Path
) -> None:
    path = written(tmp_path, rows())
    path.write_bytes(path.read_bytes() + tail.encode())
    recording = read(path)
    assert speeds(recording) == [round(10 + 0.01 * k, 9) for k in range(400)]
    assert counts(recording) == {"short_row": 1}


@pytest.mark.usefixtures("way")
def test_values_in_rows_without_a_time_alone_are_refused_in_words(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(b"time_s,speed_mps\n171000000.000,36.002\n1710000000.500,\n")
    with pytest.raises(ReadError, match="no row has both a time and a value"):
        read(path)


@pytest.mark.usefixtures("way")
def test_characters_of_old_programs_are_shown_as_written(tmp_path: Path) -> None:
    path = written(tmp_path, rows())
    path.write_bytes(path.read_bytes().replace(b"20.0,12.00", b"20.0,12\xb000"))
    assert any("'12°00' in line 202" in f.text for f in read(path).findings)


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize(
    "data",
    [b"time_s,speed_mps", b"time_s,speed_mps\n", b"0.0,1.0", b"\xef\xbb\xbftime_s,speed_mps"],
)
def test_a_table_of_one_line_is_refused_in_words(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(data)
    with pytest.raises(ReadError):
        read(path)


def test_rows_begin_with_the_line_that_the_look_at_the_header_cut() -> None:
    head = HEADER + "\n" + "# tyres at 2.3 bar\n" * 50 + "# tyres at"
    layout = layout_of("log.csv", head, complete=False)
    assert layout is not None
    assert head[layout.offset :] == "# tyres at"
    assert layout.first_line == 52


@pytest.mark.usefixtures("way")
def test_a_carriage_return_late_in_the_file_ends_a_line(tmp_path: Path) -> None:
    path = written(tmp_path, rows())
    head, mark, tail = path.read_bytes().partition(b"\n35.0,")
    path.write_bytes(head + b"\r" + mark[1:] + tail)
    assert speeds(read(path)) == [round(10 + 0.01 * k, 9) for k in range(400)]
