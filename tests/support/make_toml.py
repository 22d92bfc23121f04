"""Session folders with a session.toml that a test writes."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.errors import SessionError
from logger.session.session import read_session

__all__ = ["make_folder", "minimal", "refuse", "write"]


def make_folder(folder: Path) -> Path:
    """Make a session folder that holds four empty logs and no session.toml."""
    folder.mkdir()
    for name in ("run1_gps.gpx", "run1_motion.csv", "run2.csv.gz", "run3.csv"):
        (folder / name).write_bytes(b"")
    return folder


def write(folder: Path, text: str) -> Path:
    file = folder / "session.toml"
    file.write_text(text, encoding="utf-8")
    return file


def minimal(vehicle: str = "mass_kg = 1480", rest: str = "", log: str = "") -> str:
    log = log or '[[log]]\nfile = "run3.csv"\n'
    return f"[vehicle]\n{vehicle}\n{rest}\n{log}"


def refuse(folder: Path, text: str, **options: bool) -> SessionError:
    write(folder, text)
    with pytest.raises(SessionError) as caught:
        read_session(folder, **options)
    return caught.value
