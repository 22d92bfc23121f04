"""Lets tests import the helpers that lie beside them, and keeps them to one thread."""

from __future__ import annotations

import os
import shutil
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from collections.abc import Iterator

    from make_capture import Client, ThreadServer
    from playwright.sync_api import Browser, Playwright

# before anything imports numpy: threads gain nothing on matrices of this size and disturb each other
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# pages say when they were made: the same moment in every test
os.environ.setdefault("SOURCE_DATE_EPOCH", "1750000000")

# whoever starts the tests in the background may have Ctrl-C ignored, and a process started from here
# would inherit that: what the tests see of Ctrl-C is what a person at a terminal sees
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

sys.path[:0] = [str(Path(__file__).parent / room) for room in ("support", "truth")]

# the same examples in every run: what is found by chance belongs into the benchmarks that fuzz
settings.register_profile("same", derandomize=True, deadline=None, database=None)
settings.load_profile("same")


@pytest.fixture(scope="session")
def chromium() -> Iterator[tuple[Playwright, Browser]]:
    """Give playwright and one browser for all tests of the capture page."""
    from make_browser import launched

    yield from launched()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ThreadServer]:
    """Serve one folder for all tests of a file that need no capture server of their own."""
    from make_capture import thread_server

    with thread_server(tmp_path_factory.mktemp("capture") / "outing") as served:
        yield served


@pytest.fixture
def phone(server: ThreadServer) -> Client:
    """Give a client of that server."""
    return server.client


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one pair of simulated runs, shared by the tests of a file; they must not change it."""
    from analysis.cli.main import main

    folder = tmp_path_factory.mktemp("sample") / "airfield"
    assert main(["sample", str(folder), "--pairs", "1"]) == 0
    return folder


@pytest.fixture
def copied(sample: Path, tmp_path: Path) -> Path:
    """Copy the sample, for a test that changes it."""
    return Path(shutil.copytree(sample, tmp_path / "airfield"))
