"""Commands started, waited for and killed by the faults, and the files that reports leave."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

__all__ = [
    "COMMAND",
    "RESULTS",
    "ROOT",
    "kill_group",
    "made_session",
    "pullcoast",
    "result_set",
    "start_command",
]

ROOT = Path(__file__).resolve().parents[2]
COMMAND = [sys.executable, "-m", "analysis"]
RESULTS = ("report.html", "results.json", "curves.csv", "speed_time.csv")


def pullcoast(*words: str | Path, **more: Any) -> subprocess.CompletedProcess[str]:
    """Run a command to its end."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done: subprocess.CompletedProcess[str] = subprocess.run(
        [*COMMAND, *map(str, words)],
        capture_output=True,
        text=True,
        env=environment,
        timeout=600,
        check=False,
        **more,
    )
    return done


def start_command(*words: str | Path) -> subprocess.Popen[bytes]:
    """Start a command in a group of processes of its own."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        [*COMMAND, *map(str, words)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment,
        start_new_session=True,
    )


def kill_group(process: subprocess.Popen[bytes]) -> None:
    """Kill a command and all of its workers as a power cut would."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def result_set(folder: Path) -> tuple[bytes, ...]:
    """Return the bytes of a report's files."""
    return tuple((folder / name).read_bytes() for name in RESULTS)


def made_session(place: Path, seed: int = 3) -> Path:
    """Simulate a session of one pair of runs."""
    folder = place / f"session{seed}"
    done = pullcoast("sample", folder, "--pairs", "1", "--seed", str(seed))
    assert done.returncode == 0, done.stderr
    return folder
