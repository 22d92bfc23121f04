"""Lines at a terminal end between words, whatever its width."""

from __future__ import annotations

import io
import os
import shutil

import pytest

from analysis.terminal.colour import Painted
from analysis.terminal.lines import fitted, wrap


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def _written(text: str, columns: int, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(shutil, "get_terminal_size", lambda: os.terminal_size((columns, 24)))
    terminal = _Terminal()
    Painted(terminal, str, colour=False).write(text)
    return terminal.getvalue()


def test_a_long_message_is_filled_at_the_terminals_width(monkeypatch: pytest.MonkeyPatch) -> None:
    text = "pullcoast: " + "a coast-down of some length " * 12
    for columns in (40, 80, 100):
        lines = _written(text, columns, monkeypatch).split("\n")
        assert max(map(len, lines)) <= columns
        assert " ".join(" ".join(lines).split()) == " ".join(text.split())
        assert not any(line.endswith("coast-") for line in lines)
        assert all(line.startswith("  ") for line in lines[1:])


def test_a_pipe_gets_the_text_as_it_is() -> None:
    pipe = io.StringIO()
    text = "word " * 100
    Painted(pipe, str, colour=False).write(text)
    assert pipe.getvalue() == text


def test_paths_stay_whole_and_progress_is_left_alone() -> None:
    path = "/a/folder/with-a-very-long/name-of-its-own/run01.csv"
    assert path in wrap(f"Written to {path}", 30)
    assert fitted("\rreading " + "x" * 100, 40) == "\rreading " + "x" * 100
