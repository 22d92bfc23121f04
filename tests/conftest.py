"""Lets tests import the helpers that lie beside them, and keeps them to one thread."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Playwright

# before anything imports numpy: threads gain nothing on matrices of this size and disturb each other
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# whoever starts the tests in the background may have Ctrl-C ignored, and a process started from here
# would inherit that: what the tests see of Ctrl-C is what a person at a terminal sees
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture(scope="session")
def chromium() -> Iterator[tuple[Playwright, Browser]]:
    """Give playwright and one browser for all tests of the capture page."""
    from make_browser import launched

    yield from launched()
