"""A part of the benchmark `odd_input`: every case ends with a result or a refusal, soon."""

from __future__ import annotations

import os
from itertools import chain
from pathlib import Path

import pytest
from make_odd_input import SAMPLE, damaged, objects, outputs, spans

from analysis.cli.main import main


def test_damaged_files_are_read_or_refused(tmp_path: Path) -> None:
    assert main(["report", str(SAMPLE), "--out", str(tmp_path / "out"), "--quiet"]) == 0
    text = (tmp_path / "out" / "results.json").read_text(encoding="utf-8")
    (tmp_path / "in").mkdir()
    cases = damaged(240, tmp_path / "in", text, seed=2)
    assert [found for name, case in cases if (found := case()) is not None] == []


@pytest.mark.skipif(os.name != "posix", reason="objects and shells of POSIX systems")
def test_odd_objects_spans_and_outputs_are_no_fault(tmp_path: Path) -> None:
    for name in ("objects", "spans", "outputs"):
        (tmp_path / name).mkdir()
    cases = chain(
        objects(tmp_path / "objects", 9), spans(tmp_path / "spans", 11), outputs(tmp_path, 15)
    )
    assert [(name, found) for name, case in cases if (found := case()) is not None] == []


def test_a_message_about_a_key_of_a_whole_page_is_short(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """All of found, expected, key and remedy are cut, each at 600 characters."""
    key = "x" * 100_000
    for text in (f"[vehicle]\n{key} = 1\n", f'[vehicle]\nmass_kg = 1400\ntyre = "{key}"\n'):
        (tmp_path / "session.toml").write_text(text)
        assert main(["report", str(tmp_path)]) == 2
        assert len(capsys.readouterr().err) < 3000
