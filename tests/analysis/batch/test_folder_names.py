"""Folders of sessions may have any name that a file system allows."""

from __future__ import annotations

import csv
import os
import shutil
from pathlib import Path

import pytest

from analysis.cli.main import main


@pytest.mark.skipif(os.name == "nt", reason="names of bytes are a matter of POSIX systems")
def test_batch_takes_names_that_are_no_text(
    sample: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    outings, out = tmp_path / "outings", tmp_path / "all"
    outings.mkdir()
    named = outings / os.fsdecode(b"day\xff")
    try:
        shutil.copytree(sample, named)
    except OSError:
        pytest.skip("this file system takes no such name")
    assert main(["batch", str(outings), "--out", str(out), "--workers", "1"]) == 0
    printed = capsys.readouterr()
    assert "1 session" in printed.out
    assert printed.err == ""
    (row,) = csv.DictReader((out / "batch.csv").read_text(encoding="utf-8").splitlines())
    assert row["result"] == "done"
    assert row["session"].startswith("day")
    # the report lies where the table says, by a link that a browser can follow
    assert len(list(out.rglob("report.html"))) == 1
    (out / "batch.html").read_text(encoding="utf-8").encode("ascii", "xmlcharrefreplace")


@pytest.mark.skipif(os.name == "nt", reason="names of bytes are a matter of POSIX systems")
def test_sessions_put_together_may_have_such_names(
    sample: Path, sample_of_friday: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    places = []
    for name, made in ((b"a\xff", sample), (b"b\xfe", sample_of_friday)):
        places.append(tmp_path / os.fsdecode(name))
        try:
            shutil.copytree(made, places[-1])
        except OSError:
            pytest.skip("this file system takes no such name")
    words = ["report", *map(str, places), "--out", str(tmp_path / "out"), "--full"]
    assert main(words) in (0, 1)
    assert "fault of pullcoast" not in capsys.readouterr().err
    assert main(["compare", *map(str, places), "--out", str(tmp_path / "compared")]) == 0
    page = (tmp_path / "compared" / "compare.html").read_text(encoding="utf-8")
    assert "\udcff" not in page


@pytest.fixture(scope="module")
def sample_of_friday(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("friday") / "friday"
    assert main(["sample", str(place), "--pairs", "1", "--seed", "2"]) == 0
    return place
