"""Parts of recordings on the disk: appended to, made sure of, moved into place."""

from __future__ import annotations

import contextlib
import errno
import os
from dataclasses import dataclass
from pathlib import Path

if os.name == "posix":
    import fcntl
else:
    import msvcrt

__all__ = ["Part", "Refusal", "State", "lock_file", "move_into_place", "no_space"]


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """How much of a recording is here, and whether it is whole and in its place."""

    have: int
    done: bool


class Refusal(Exception):
    """A request that is answered by an error: status, plain words, and where to go on."""

    def __init__(self, status: int, text: str, state: State | None = None) -> None:
        super().__init__(text)
        self.status = status
        self.text = text
        self.state = state


class Part:
    """An open part that bytes are appended to; not more than the recording's length."""

    def __init__(self, path: Path, start: int, length: int) -> None:
        self.start = start
        self.have = start
        self.length = length
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o600)
        try:
            os.ftruncate(self._file, start)
            os.lseek(self._file, start, os.SEEK_SET)
        except BaseException:
            os.close(self._file)
            raise

    def write(self, data: bytes) -> None:
        """Append bytes.

        Raises
        ------
        Refusal
            413 beyond the length, and then nothing of this part is kept; 507 on a full disk, and
            what fitted is kept.
        """
        if self.have + len(data) > self.length:
            os.ftruncate(self._file, self.start)
            self.have = self.start
            msg = f"more bytes than Upload-Length ({self.length}) says"
            raise Refusal(413, msg, State(have=self.start, done=False))
        rest = memoryview(data)
        while rest:
            try:
                written = os.write(self._file, rest)
            except OSError as error:
                raise no_space(error, State(have=self.have, done=False)) from error
            self.have += written
            rest = rest[written:]

    def settle(self) -> int:
        """Make sure that all is on the disk, close, and return how many bytes there are."""
        try:
            os.fsync(self._file)
            return os.fstat(self._file).st_size
        except OSError as error:
            raise no_space(error, None) from error
        finally:
            os.close(self._file)


def no_space(error: OSError, state: State | None) -> Refusal:
    """Return the answer to a phone when this computer cannot write.

    Parameters
    ----------
    error : OSError
        What stood in the way.
    state : State or None
        What is here of the recording.
    """
    full = error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))
    what = "the computer's disk is full" if full else f"the computer cannot write: {error.strerror}"
    return Refusal(
        507, f"{what}. What had arrived is kept; the recording stays on the phone", state
    )


def lock_file(path: Path) -> int | None:
    """Hold a lock that ends with the process, however it ends.

    Parameters
    ----------
    path : Path
        Made when missing.

    Returns
    -------
    int or None
        What to close to give it back; None where the file system has no locks.

    Raises
    ------
    BlockingIOError
        Somebody else holds it.
    """
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        if os.name == "posix":
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        else:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
    except OSError as error:
        os.close(handle)
        if error.errno in (errno.EACCES, errno.EAGAIN, errno.EDEADLK):
            raise BlockingIOError(errno.EAGAIN, "in use", str(path)) from error
        return None  # a file system without locks: go on without
    return handle


def move_into_place(part: Path, target: Path) -> None:
    """Give a file its name, never taking another's; atomic, and on the disk afterwards.

    Parameters
    ----------
    part, target : Path
        On the same file system.

    Raises
    ------
    FileExistsError
        Something has that name.
    OSError
        It cannot be moved; it stays.
    """
    try:
        os.link(part, target)
        os.unlink(part)
    except FileExistsError:
        raise
    except OSError:  # a file system without links
        if target.exists():
            if os.path.samefile(part, target):
                os.unlink(part)
                return
            raise FileExistsError(errno.EEXIST, "exists", str(target)) from None
        os.rename(part, target)
    mask = os.umask(0)
    os.umask(mask)
    os.chmod(target, 0o666 & ~mask)
    with contextlib.suppress(OSError):  # not every system lets a folder be opened
        handle = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
