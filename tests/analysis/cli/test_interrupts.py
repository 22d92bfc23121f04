"""Ctrl-C at any moment: status 130, one line, no traceback, no half-written file.

Real signals to a real process. The interpreter's own start, before the first line of the project
runs, answers in its own way; so the first moment is that at which the project is being loaded.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
#: Starts the command as `python -m analysis` does, once a byte on stdout has said so.
START = "import os, sys; os.write(1, b'x'); from analysis.__main__ import main; sys.exit(main())"


def interrupted(after_s: float, out: Path) -> tuple[int, str]:
    """Send SIGINT to a report so long after the project's first line; return how it ended."""
    process = subprocess.Popen(
        [
            sys.executable,
            "-c",
            START,
            "report",
            "sample_logs/van_bare",
            "--out",
            str(out),
            "--quiet",
        ],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.read(1) == "x"
    time.sleep(after_s)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    return process.returncode, errors


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX systems")
def test_ctrl_c_at_any_moment_is_one_line_and_no_half_written_file(tmp_path: Path) -> None:
    rng = random.Random(5)
    for number in range(int(os.environ.get("PULLCOAST_INTERRUPTS", "6"))):
        out = tmp_path / f"out{number}"
        moment = rng.uniform(0.0, 0.1 if number % 2 else 1.5)
        status, errors = interrupted(moment, out)
        said = f"after {moment:.3f} s: {status} {errors}"
        assert status in (0, 130), said
        assert errors == ("" if status == 0 else "pullcoast: left by Ctrl-C\n"), said
        names = sorted(path.name for path in out.iterdir()) if out.exists() else []
        whole = ["curves.csv", "report.html", "results.json", "speed_time.csv"]
        assert names in ([], whole), said
