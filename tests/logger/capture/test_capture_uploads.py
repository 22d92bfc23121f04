"""Recordings on the disk: kept through kills and full disks, named safely, never overwritten."""

from __future__ import annotations

import errno
import json
import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from make_store import DATA, KEY, LIMITS, opened, send

from logger.capture import parts, uploads
from logger.capture.parts import Refusal, State
from logger.capture.uploads import Limits, Store, StoreError

OTHER = "f" * 32


def recordings(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.csv"))


def test_a_part_outlives_the_server(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        send(store, DATA[:7], length=len(DATA), name="town")
        assert store.unfinished() == [("town", 7, len(DATA))]
    with opened(tmp_path) as store:
        assert store.state(KEY) == State(have=7, done=False)
        send(store, DATA[7:], length=len(DATA))
        assert store.finish(KEY).read_bytes() == DATA
        assert store.state(KEY) == State(have=len(DATA), done=True)
        assert store.unfinished() == []
    with opened(tmp_path) as store:
        assert store.state(KEY) == State(have=len(DATA), done=True)
        assert store.begin(KEY, 0, len(DATA), "") is None


class Killed(BaseException):
    """Stands in for the end of the process: nothing catches it."""


@pytest.mark.parametrize("moment", ["before the move", "after the link", "after the move"])
def test_a_kill_while_moving_into_place_leaves_one_whole_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    def killed(*_: object) -> None:
        raise Killed

    store = Store(tmp_path, LIMITS)
    send(store, DATA)
    step = {"before the move": "link", "after the link": "unlink", "after the move": "chmod"}
    with monkeypatch.context() as patch:
        patch.setattr(os, step[moment], killed)
        with pytest.raises(Killed):
            store.finish(KEY)
    store.close()
    with opened(tmp_path) as again:
        assert again.state(KEY) == State(have=len(DATA), done=True)
        assert [path.read_bytes() for path in recordings(tmp_path)] == [DATA]
        assert not list(again.incoming.glob("*.part"))
        assert again.unlisted() == [KEY]
        again.mark_listed(KEY)
    with opened(tmp_path) as again:
        assert again.unlisted() == []


def test_a_kill_while_remembering_loses_no_part(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_: object) -> None:
        raise Killed

    store = Store(tmp_path, LIMITS)
    send(store, DATA[:7], length=len(DATA))
    with monkeypatch.context() as patch:
        patch.setattr(uploads, "write_text_atomic", killed)
        with pytest.raises(Killed):
            store.finish(KEY)
    (store.incoming / ".half.part").write_bytes(b"{")  # what a kill leaves of a sidecar
    store.close()
    with opened(tmp_path) as again:
        assert again.state(KEY) == State(have=7, done=False)
        assert not (again.incoming / ".half.part").exists()


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "null", '{"length": 1}', "[" * 9000, '{"length": -5}', "\x00" * 100]
    + [
        json.dumps({"length": 25, "name": "", "file": file, "listed": False})
        for file in ("../x.csv", "/etc/passwd", 5)
    ],
)
def test_a_damaged_sidecar_only_means_sending_again(tmp_path: Path, text: str) -> None:
    with opened(tmp_path) as store:
        send(store, DATA[:7], length=len(DATA))
        (store.incoming / f"{KEY}.json").write_text(text)
    with opened(tmp_path) as store:
        have = store.state(KEY).have
        assert have == 0
        send(store, DATA)
        assert store.finish(KEY).read_bytes() == DATA
    assert [path.parent for path in recordings(tmp_path)] == [tmp_path]


def test_a_recording_taken_away_is_asked_for_again(tmp_path: Path) -> None:
    """A phone must not learn that this computer has what it has no more."""
    with opened(tmp_path) as store:
        send(store, DATA)
        store.finish(KEY).unlink()
        assert store.state(KEY) == State(have=0, done=False)
        send(store, DATA)
        assert store.finish(KEY).read_bytes() == DATA


def test_no_name_is_taken_from_another_file(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        send(store, DATA)
        first = store.finish(KEY)
        first.rename(tmp_path / "kept")
        first.write_bytes(b"somebody else's")
        (tmp_path / "kept").replace(tmp_path / "mine.csv")
        store_key = KEY[:8] + "0" * 24  # the same first digits
        send(store, DATA, key=store_key)
        second = store.finish(store_key)
        assert second != first
        assert first.read_bytes() == b"somebody else's"
        assert second.read_bytes() == DATA


def test_no_name_is_taken_where_files_cannot_be_linked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    part, target = tmp_path / "part", tmp_path / "target"
    part.write_bytes(DATA)
    target.write_bytes(b"somebody else's")
    with pytest.raises(FileExistsError):
        parts.move_into_place(part, target)
    assert target.read_bytes() == b"somebody else's"
    parts.move_into_place(part, tmp_path / "free")
    assert (tmp_path / "free").read_bytes() == DATA
    assert not part.exists()


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EROFS])
def test_a_disk_that_fills_up_keeps_what_fitted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    rng = random.Random(code)
    data = rng.randbytes(50_000)
    room = 20_000
    real = os.write

    def filling(handle: int, piece: bytes) -> int:
        nonlocal room
        if room == 0:
            raise OSError(code, os.strerror(code))
        written = real(handle, piece[:room])
        room -= written
        return written

    with opened(tmp_path) as store:
        part = store.begin(KEY, 0, len(data), "")
        assert part is not None
        with monkeypatch.context() as patch:
            patch.setattr(os, "write", filling)
            with pytest.raises(Refusal, match="stays on the phone") as refused:
                part.write(data)
        assert refused.value.status == 507
        assert part.settle() == 20_000
        assert store.state(KEY) == State(have=20_000, done=False)
        send(store, data[20_000:], length=len(data))
        assert store.finish(KEY).read_bytes() == data


def test_a_disk_too_full_for_the_name_keeps_the_part(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with opened(tmp_path) as store:
        send(store, DATA)
        with monkeypatch.context() as patch:
            patch.setattr(uploads, "write_text_atomic", full)
            with pytest.raises(Refusal, match="disk is full"):
                store.finish(KEY)
            with pytest.raises(Refusal, match="disk is full"):
                store.begin(OTHER, 0, 10, "")
        assert store.is_whole(KEY)
        assert store.finish(KEY).read_bytes() == DATA


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of one megabyte, where this machine lets one be made."""
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)]
    try:
        made = subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        made = False
    if not made:
        pytest.skip("no disk can be mounted here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_disk_that_is_really_full(small_disk: Path) -> None:
    data = random.Random(3).randbytes(600_000)
    with opened(small_disk) as store:
        part = store.begin(KEY, 0, len(data), "")
        assert part is not None
        (small_disk / "ballast").write_bytes(bytes(600_000))
        with pytest.raises(Refusal) as refused:
            part.write(data)
        assert refused.value.status == 507
        have = part.settle()
        assert 0 < have < len(data)
        assert (store.incoming / f"{KEY}.part").read_bytes() == data[:have]
        with pytest.raises(Refusal, match=r"only \d"):
            store.begin(KEY, have, len(data), "")
        (small_disk / "ballast").unlink()
        send(store, data[have:], length=len(data))
        assert store.finish(KEY).read_bytes() == data


def test_a_folder_takes_so_many_recordings(tmp_path: Path) -> None:
    with opened(tmp_path, Limits(free_bytes=0, recordings=2)) as store:
        for key in (KEY, OTHER):
            send(store, DATA, key=key)
            store.finish(key)
        with pytest.raises(Refusal, match="another --dir") as refused:
            store.begin("a" * 32, 0, 10, "")
        assert refused.value.status == 507
        store.file(KEY).unlink()
        send(store, DATA, key="a" * 32)


def test_one_server_for_a_folder(tmp_path: Path) -> None:
    with opened(tmp_path):
        code = (
            "from pathlib import Path; from logger.capture.uploads import *\n"
            f"try: Store(Path({str(tmp_path)!r}), Limits())\n"
            "except StoreError as error: print(error)"
        )
        done = subprocess.run(
            [sys.executable, "-c", code],
            cwd=Path(__file__).resolve().parents[3],
            capture_output=True,
            text=True,
            check=True,
        )
        assert "another `pullcoast capture`" in done.stdout
    with opened(tmp_path) as store:
        assert store.state(KEY) == State(have=0, done=False)


def test_a_folder_that_cannot_be_written_to_is_reported(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError, match="--dir"):
        Store(tmp_path / "file", LIMITS)
    with pytest.raises(StoreError, match="--dir"):
        Store(tmp_path / "file" / "deeper", LIMITS)


def test_offsets_and_lengths_are_held_to(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        send(store, DATA[:7], length=len(DATA))
        for offset in (0, 6, 8, len(DATA)):
            with pytest.raises(Refusal) as refused:
                store.begin(KEY, offset, len(DATA), "")
            assert (refused.value.status, refused.value.state) == (409, State(have=7, done=False))
        with pytest.raises(Refusal, match="id of its own"):
            store.begin(KEY, 7, len(DATA) + 1, "")
        part = store.begin(KEY, 7, len(DATA), "")
        assert part is not None
        with pytest.raises(Refusal) as refused:
            part.write(DATA)
        assert refused.value.status == 413
        assert part.settle() == 7


def test_nothing_is_left_open(tmp_path: Path) -> None:
    """A server that takes parts for weeks must not run out of files."""

    def handles() -> int:
        return len(os.listdir("/proc/self/fd"))

    if not os.path.isdir("/proc/self/fd"):
        pytest.skip("open files cannot be counted here")
    before = handles()
    actions: list[Callable[[Store], object]] = [
        lambda store: store.begin(OTHER, 5, 10, ""),
        lambda store: store.begin(OTHER, 0, 10**12, ""),
    ]
    with opened(tmp_path) as store:
        for number in range(20):
            send(store, DATA, key=f"{number:032x}")
            store.finish(f"{number:032x}")
            for action in actions:
                with pytest.raises(Refusal):
                    action(store)
    assert handles() == before
