"""`report --open` shows the page in the system's browser."""

from __future__ import annotations

import webbrowser
from pathlib import Path

import pytest

from analysis.cli.main import main


def test_the_page_is_opened_and_named_where_nothing_opens_it(
    copied: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    opened: list[str] = []

    def take(address: str) -> bool:
        opened.append(address)
        return True

    monkeypatch.setattr(webbrowser, "open", take)
    page = (copied / "results" / "report.html").resolve().as_uri()
    assert main(["report", str(copied)]) == 0
    assert opened == []
    assert main(["report", str(copied), "--open"]) == 0
    assert opened == [page]
    capsys.readouterr()
    monkeypatch.setattr(webbrowser, "open", lambda _: False)
    assert main(["report", str(copied), "--open", "--quiet"]) == 0
    assert page in capsys.readouterr().err
