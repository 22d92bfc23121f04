"""Write a set of result files so that an interruption leaves the earlier ones whole."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from logger.errors import PullcoastError, is_there
from logger.visible import visible

try:
    import fcntl
except ImportError:  # no such locks on this system
    fcntl = None  # type: ignore[assignment]

__all__ = ["STAGING", "OutputError", "check_writable", "lock", "write_together"]

#: How the name of a folder begins in which files are made before they are moved into place.
STAGING = ".pullcoast-writing-"
#: A staging folder this old [s] was left by a run that was killed.
_ABANDONED_S = 3600.0


class OutputError(PullcoastError, OSError):
    """A place that results cannot be written to."""


def check_writable(folder: Path) -> None:
    """Make sure that `folder` can be made and written to, without making it.

    Raises
    ------
    OutputError
        Something stands in the way; the text names it.
    """
    existing = folder
    try:
        while existing != existing.parent and not is_there(existing):
            existing = existing.parent
        if not existing.is_dir():
            msg = f"{folder}: cannot write there, {existing} is not a folder. Choose another --out"
            raise OutputError(msg)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        msg = f"{folder}: cannot write there: {error.strerror or error}. Choose another --out"
        raise OutputError(msg) from error
    if not os.access(existing, os.W_OK | os.X_OK):
        msg = f"{folder}: cannot write there, {existing} is write-protected. Choose another --out"
        raise OutputError(msg)


def write_together(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Write files into `folder`, texts as UTF-8 and as `visible` shows them, all or none as far as an operating system can.

    Every file is first written and synced in a staging folder inside `folder`; only then are they
    moved into place one after another, each of which is atomic, within some 20 us for four files.
    Where one cannot be moved, the others are taken back. Of several writers one at a time moves its
    files, so that the last one's set stands there whole.

    Parameters
    ----------
    folder : Path
        Made when missing.
    files : mapping
        File name to its text or bytes.

    Raises
    ------
    OutputError
        Disk full, no permission, a folder in a file's place; earlier files are whole.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _clear_abandoned(folder)
        staging = Path(tempfile.mkdtemp(prefix=STAGING, dir=folder))
        try:
            for name, content in files.items():
                if isinstance(content, str):
                    content = visible(content).encode()
                with (staging / name).open("wb") as handle:
                    handle.write(content)
                    handle.flush()
                    os.fsync(handle.fileno())
            for name in files:
                if (folder / name).is_dir():
                    msg = f"{folder / name}: a folder stands where the file should go"
                    raise OutputError(msg)
            with _alone(folder):
                _move(staging, folder, list(files))
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        why = error.strerror or error
        msg = f"{folder}: cannot write the results: {why}. Earlier files there are unchanged"
        raise OutputError(msg) from error


def _move(staging: Path, folder: Path, names: Sequence[str]) -> None:
    """Move files into place; a second name for each earlier one lets them be taken back.

    It also keeps the file system from freeing an earlier file's blocks in the middle, which takes
    0.1 ms a file, and 5 ms on a busy machine: a kill meanwhile would leave files of both sets.
    """
    earlier = staging / "earlier"
    earlier.mkdir()
    for name in names:
        with contextlib.suppress(OSError):  # there is none, or a file system without links
            os.link(folder / name, earlier / name, follow_symlinks=False)
    moves = [(str(staging / name), str(folder / name)) for name in names]
    done = 0
    try:
        for made, place in moves:
            os.replace(made, place)
            done += 1
    except BaseException:
        for name in names[:done]:
            with contextlib.suppress(OSError):
                if (earlier / name).is_symlink() or (earlier / name).exists():
                    os.replace(earlier / name, folder / name)
                else:
                    (folder / name).unlink()
        raise


def lock(descriptor: int, *, wait: bool = True) -> bool:
    """Lock an open file or folder for this process alone; False where another one has it.

    It ends with the process. Where a system or a file system has no such locks it is always True.
    """
    if fcntl is None:
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX if wait else fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True
    return True


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Wait until nobody else moves files into `folder`; the lock of a killed writer is gone."""
    if fcntl is None:
        yield
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        lock(descriptor)
        yield
    finally:
        os.close(descriptor)


def _clear_abandoned(folder: Path) -> None:
    for staging in folder.glob(STAGING + "*"):
        with contextlib.suppress(OSError):
            if time.time() - staging.stat().st_mtime > _ABANDONED_S:
                shutil.rmtree(staging, ignore_errors=True)
