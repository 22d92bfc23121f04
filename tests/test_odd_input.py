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
