"""A capture folder opened by a test, and a recording sent into it without any server."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from logger.capture.uploads import Limits, Store

__all__ = ["DATA", "KEY", "LIMITS", "opened", "send"]

KEY = "0123456789abcdef0123456789abcdef"
DATA = b"time_s,speed_mps\n0,1\n1,2\n"
LIMITS = Limits(free_bytes=0)


@contextmanager
def opened(folder: Path, limits: Limits = LIMITS) -> Iterator[Store]:
    store = Store(folder, limits)
    try:
        yield store
    finally:
        store.close()


def send(
    store: Store, data: bytes, *, key: str = KEY, length: int | None = None, name: str = ""
) -> None:
    """Append `data` to what is there, as the server does."""
    whole = len(data) if length is None else length
    part = store.begin(key, store.state(key).have, whole, name)
    assert part is not None
    part.write(data)
    assert part.settle() == part.have
