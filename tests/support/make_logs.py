"""Logs written by a test as text, and what reading makes of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from logger.errors import ReadError
from logger.findings import Finding
from logger.reading import read
from logger.recording import Recording

__all__ = ["SPEEDS", "Reader", "kinds", "numbers", "one", "parse", "refusal", "table", "times"]

#: Writes a text and reads it as a log.
Reader = Callable[..., Recording]

SPEEDS = [str(20 + k) for k in range(8)]


def parse(log: Path, text: str | bytes, **stated: object) -> Recording:
    log.write_bytes(text.encode() if isinstance(text, str) else text)
    return read(log, **stated)  # type: ignore[arg-type]


def refusal(log: Path, text: str | bytes, **stated: object) -> ReadError:
    with pytest.raises(ReadError) as caught:
        parse(log, text, **stated)
    return caught.value


def table(header: str, *columns: list[str], delimiter: str = ",") -> str:
    rows = (delimiter.join(row) for row in zip(*columns, strict=True))
    return header + "\n" + "\n".join(rows) + "\n"


def numbers(recording: Recording, name: str = "speed_mps") -> list[float]:
    channel = recording.channel(name)
    assert channel is not None, name
    return [round(value, 9) for value in channel.values.tolist()]


def times(recording: Recording, name: str = "speed_mps") -> list[float]:
    channel = recording.channel(name)
    assert channel is not None, name
    return [round(value, 9) for value in channel.t_s.tolist()]


def kinds(recording: Recording) -> list[str]:
    return [finding.kind for finding in recording.findings]


def one(recording: Recording, kind: str) -> Finding:
    (finding,) = [finding for finding in recording.findings if finding.kind == kind]
    return finding
