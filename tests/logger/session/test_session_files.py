"""Files of a session: in its folder, there, readable, once; links and refusals."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from make_toml import make_folder, minimal, refuse, write

from logger.errors import SessionError
from logger.session.session import read_session


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make_folder(tmp_path / "outing")


def test_session_file_that_cannot_be_opened(folder: Path) -> None:
    (folder / "session.toml").mkdir()
    with pytest.raises(SessionError, match="cannot be read: is a directory"):
        read_session(folder)


def test_session_file_that_is_a_broken_link(folder: Path) -> None:
    (folder / "session.toml").symlink_to("gone.toml")
    with pytest.raises(SessionError, match="cannot be read: no such file"):
        read_session(folder)


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read everything"
)
def test_files_without_permission(folder: Path) -> None:
    file = write(folder, minimal())
    (folder / "run3.csv").chmod(0)
    with pytest.raises(SessionError, match="may not be read"):
        read_session(folder)
    file.chmod(0)
    with pytest.raises(SessionError, match="permission denied"):
        read_session(folder)


def test_log_that_may_not_be_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # the superuser may read everything, so the answer of the system is replaced
    monkeypatch.setattr("logger.session.files.os.access", lambda path, mode: False)
    assert "may not be read" in str(refuse(folder, minimal()))


def test_folder_without_session_file_names_the_mass_option(folder: Path) -> None:
    for path in (folder, folder / "session.toml"):
        with pytest.raises(SessionError, match=r"--mass 1480kg") as caught:
            read_session(path)
        assert caught.value.path == str(folder)


def test_what_is_no_folder(folder: Path) -> None:
    with pytest.raises(SessionError, match=r"a single file.*--mass"):
        read_session(folder / "run3.csv")
    with pytest.raises(SessionError, match=r"no such file or folder.*did you mean outing"):
        read_session(folder.parent / "outin")
    with pytest.raises(SessionError, match="cannot be looked at"):
        read_session(Path("x" * 5000))


OUTSIDE = ["../other.csv", "sub/../../other.csv", "link.csv", "linked_folder/other.csv", "ABSOLUTE"]


@pytest.mark.parametrize("name", OUTSIDE)
def test_paths_out_of_the_folder_need_permission(folder: Path, name: str) -> None:
    outside = folder.parent / "other.csv"
    outside.write_bytes(b"")
    (folder / "sub").mkdir()
    (folder / "link.csv").symlink_to(outside)
    (folder / "linked_folder").symlink_to(folder.parent)
    name = str(outside) if name == "ABSOLUTE" else name
    text = minimal(log=f'[[log]]\nfile = "{name}"')
    error = refuse(folder, text)
    assert error.key == "log[1].file"
    assert "leads out of the session folder" in error.found
    assert "--allow-outside" in error.remedy
    session = read_session(folder, allow_outside=True)
    assert session.logs[0].files[0].resolve() == outside.resolve()


def test_missing_file_outside_is_missing_even_with_permission(folder: Path) -> None:
    error = refuse(folder, minimal(log='[[log]]\nfile = "../gone.csv"'), allow_outside=True)
    assert "no file '../gone.csv'" in error.found


def test_links_and_subfolders_inside_the_folder_are_fine(folder: Path) -> None:
    (folder / "day1").mkdir()
    (folder / "day1" / "a.csv").write_bytes(b"")
    (folder / "b.csv").symlink_to("run3.csv")
    files = f'["day1/a.csv", "b.csv", "{folder / "run1_motion.csv"}"]'
    write(folder, minimal(log=f"[[log]]\nfiles = {files}"))
    assert [file.name for file in read_session(folder).logs[0].files] == [
        "a.csv",
        "b.csv",
        "run1_motion.csv",
    ]


def test_link_that_turns_in_a_circle(folder: Path) -> None:
    (folder / "loop.csv").symlink_to("loop.csv")
    error = refuse(folder, minimal(log='[[log]]\nfile = "loop.csv"'))
    assert "loop.csv" in error.found
    with pytest.raises(SessionError, match=r"loop\.csv: cannot be looked at"):
        read_session(folder / "loop.csv")


def test_the_same_log_through_a_link_is_found_twice(folder: Path) -> None:
    (folder / "b.csv").symlink_to("run3.csv")
    error = refuse(folder, minimal(log='[[log]]\nfile = "run3.csv"\n[[log]]\nfile = "b.csv"'))
    assert "in log[1] already" in error.found


def test_two_thousand_logs(folder: Path) -> None:
    names = [f"r{number}.csv" for number in range(2000)]
    for name in names:
        (folder / name).write_bytes(b"")
    write(folder, minimal(log="".join(f'[[log]]\nfile = "{name}"\n' for name in names)))
    assert len(read_session(folder).logs) == 2000
