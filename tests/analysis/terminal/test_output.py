"""Files are written together, whole or not at all, also where the disk is full or two write at once."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

import analysis.terminal.output as output_module
from analysis.terminal.output import OutputError, check_writable, write_together


def test_files_are_written_and_replaced_together(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "results"
    write_together(folder, {"a.txt": "one", "b.txt": "Straße \udce9\n"})
    write_together(folder, {"a.txt": "two"})
    assert sorted(path.name for path in folder.iterdir()) == ["a.txt", "b.txt"]
    assert (folder / "a.txt").read_text(encoding="utf-8") == "two"
    assert (folder / "b.txt").read_bytes() == "Straße \\udce9\n".encode()


def test_interrupted_while_writing_leaves_the_old_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_together(tmp_path, {"a.txt": "old", "b.txt": "old"})
    calls = []

    def interrupt(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 2:
            raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_together(tmp_path, {"a.txt": "new", "b.txt": "new"})
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {
        "a.txt": "old",
        "b.txt": "old",
    }


def test_full_disk_is_one_clear_message_and_leaves_the_old_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_together(tmp_path, {"a.txt": "old"})

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left on device. Earlier files there are unch"):
        write_together(tmp_path, {"a.txt": "new"})
    assert (tmp_path / "a.txt").read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_folder_in_the_place_of_a_file_is_named_before_anything_changes(tmp_path: Path) -> None:
    write_together(tmp_path, {"a.txt": "old"})
    (tmp_path / "b.txt").mkdir()
    with pytest.raises(OutputError, match=r"b\.txt: a folder stands"):
        write_together(tmp_path, {"a.txt": "new", "b.txt": "new"})
    assert (tmp_path / "a.txt").read_text() == "old"


@pytest.mark.parametrize("error", [KeyboardInterrupt, PermissionError(13, "Permission denied")])
def test_files_moved_before_one_that_cannot_be_are_taken_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    write_together(tmp_path, {"a.txt": "old", "b.txt": "old"})
    replace = os.replace
    calls = []

    def fail_late(source: str, target: str) -> None:
        calls.append(target)
        if len(calls) == 3:
            raise error
        replace(source, target)

    monkeypatch.setattr(os, "replace", fail_late)
    with pytest.raises((KeyboardInterrupt, OutputError)):
        write_together(tmp_path, {"a.txt": "new", "c.txt": "new", "b.txt": "new"})
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {
        "a.txt": "old",
        "b.txt": "old",
    }


@pytest.mark.skipif(os.name == "nt", reason="locks of POSIX systems")
def test_two_writers_never_leave_files_of_both(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second one begins to move its files while the first is between two of its own."""
    names = ("a.txt", "b.txt")
    write_together(tmp_path, dict.fromkeys(names, "old"))
    second = threading.Thread(target=write_together, args=(tmp_path, dict.fromkeys(names, "two")))
    between = threading.Event()
    replace = os.replace

    def slowly(source: str, target: str) -> None:
        replace(source, target)
        if threading.current_thread() is not second and target.endswith("a.txt"):
            second.start()
            between.wait(0.5)  # time enough for the second to come as far as it can
        if threading.current_thread() is second and target.endswith("b.txt"):
            between.set()

    monkeypatch.setattr(os, "replace", slowly)
    write_together(tmp_path, dict.fromkeys(names, "one"))
    second.join()
    assert [(tmp_path / name).read_text() for name in names] == ["two", "two"]


def test_leftovers_of_a_killed_run_are_cleared_once_they_are_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = tmp_path / f"{output_module.STAGING}abc"
    left.mkdir()
    write_together(tmp_path, {"a.txt": "x"})
    assert left.exists()  # another run may be writing there right now
    os.utime(left, (0, 0))
    write_together(tmp_path, {"a.txt": "x"})
    assert not left.exists()


def test_unwritable_places_are_found_before_the_work(tmp_path: Path) -> None:
    check_writable(tmp_path / "not" / "there" / "yet")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="is not a folder"):
        check_writable(tmp_path / "file" / "results")
    # POSIX file systems allow 255 bytes, and Windows as many characters
    with pytest.raises(OutputError, match="cannot write there"):
        check_writable(tmp_path / ("x" * 300))
