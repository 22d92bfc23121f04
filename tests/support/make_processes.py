"""Waiting for processes that tests start."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

__all__ = ["alive", "until"]


def alive(process: int) -> bool:
    """Say whether a process runs; one that has ended and waits for its parent does not."""
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(") ")[2][0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


def until(met: Callable[[], object], seconds: float = 120.0) -> None:
    """Wait until something is so."""
    deadline = time.monotonic() + seconds
    while not met():
        assert time.monotonic() < deadline, "it did not come to that"
        time.sleep(0.02)
