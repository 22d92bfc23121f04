"""Bytes of a large file that stay in the file: sliced and searched like bytes, read as asked for.

Reading from the system's cache twice takes less time than touching memory of the file's size once.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TypeAlias

__all__ = ["Contents", "FileBytes", "whole"]

#: Bytes in which something is looked for: few at first, as it is mostly near.
_FIRST_LOOK, _LONGEST_LOOK = 1 << 12, 1 << 20


class FileBytes:
    """The bytes of a file as it was when it was opened.

    Parameters
    ----------
    path : Path
        A regular file.

    Raises
    ------
    OSError
        It cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb", buffering=0)
        self._stamp = self._stamp_now()
        self._size = self._stamp[0]
        self._cut = False

    def _stamp_now(self) -> tuple[int, int]:
        known = os.fstat(self._file.fileno())
        return known.st_size, known.st_mtime_ns

    def __len__(self) -> int:
        return self._size

    def __getitem__(self, part: slice) -> bytes:
        start, stop, _ = part.indices(self._size)
        self._file.seek(start)
        pieces = []
        while start < stop:
            piece = self._file.read(stop - start)
            if not piece:  # somebody made the file shorter
                self._cut = True
                break
            pieces.append(piece)
            start += len(piece)
        return pieces[0] if len(pieces) == 1 else b"".join(pieces)

    def find(self, wanted: bytes, start: int = 0) -> int:
        """Return where `wanted` stands first from `start` on; -1 where it does not."""
        look = _FIRST_LOOK
        while start < self._size:
            at = self[start : start + look + len(wanted) - 1].find(wanted)
            if at >= 0:
                return start + at
            start += look
            look = min(8 * look, _LONGEST_LOOK)
        return -1

    def changed(self) -> bool:
        """Tell whether the file was written to since it was opened."""
        return self._cut or self._stamp_now() != self._stamp

    def close(self) -> None:
        """Give the file back."""
        self._file.close()


#: What a file holds: its bytes, or where they are.
Contents: TypeAlias = bytes | FileBytes


def whole(data: Contents) -> bytes:
    """Return all bytes in memory."""
    return data if isinstance(data, bytes) else data[:]
