"""A doubtful session among others: its level in every file, and the exit status where it is asked for."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest
from make_several import sample_days
from make_written import valid

from analysis.cli.main import main

#: Speeds of a display that shows 7 % too little: the positions of the same log say so.
_SCALED = '[log.columns]\nspeed_mps = {header = "speed_mps", scale = 0.93}\n'


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with two small sessions, the second of other speeds than its positions."""
    folder = sample_days(tmp_path_factory.mktemp("days"))
    toml = folder / "friday" / "session.toml"
    logs = toml.read_text(encoding="utf-8").split("[[log]]")
    scaled = [f"[[log]]{log.rstrip()}\n{_SCALED}\n" for log in logs[1:]]
    toml.write_text(logs[0] + "".join(scaled), encoding="utf-8")
    return folder


def test_several_sessions(days: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    both = ["report", str(days / "monday"), str(days / "friday"), "--out", str(tmp_path)]
    assert main(both) == 0
    early = {path: path.read_bytes() for path in tmp_path.rglob("*.json")}
    capsys.readouterr()
    assert main([*both, "--refuse-doubtful"]) == 1
    assert {path: path.read_bytes() for path in tmp_path.rglob("*.json")} == early
    found = valid((tmp_path / "shared.json").read_text(encoding="utf-8"))
    levels = [one["trust"]["level"] for one in found["sessions"]]
    assert levels[0] != "doubtful"
    assert levels[1] == "doubtful"
    (finding,) = [one for one in found["findings"] if one["kind"] == "session_doubtful"]
    assert finding["text"].startswith("friday is doubtful by itself")
    assert "scale = " in finding["text"]
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert re.search(r"<td[^>]*>doubtful</td>", page)


def test_a_comparison(days: Path, tmp_path: Path) -> None:
    both = ["compare", str(days / "monday"), str(days / "friday"), "--out", str(tmp_path)]
    assert main([*both, "--refuse-doubtful"]) == 1
    assert main(both) == 0
    found = valid((tmp_path / "compare.json").read_text(encoding="utf-8"))
    assert [one["trust"]["level"] == "doubtful" for one in found["sessions"]] == [False, True]
    kinds = [one["kind"] for one in found["comparisons"][0]["findings"]]
    assert "session_doubtful" in kinds


def test_a_comparison_with_an_earlier_result(days: Path, tmp_path: Path) -> None:
    assert main(["report", str(days / "friday"), "--out", str(tmp_path / "kept")]) == 0
    results = tmp_path / "kept" / "results.json"
    both = ["compare", str(days / "monday"), str(results), "--out", str(tmp_path / "out")]
    assert main([*both, "--refuse-doubtful"]) == 1
    # files of the first days say nothing of trust
    early = json.loads(results.read_text(encoding="utf-8"))
    del early["trust"]
    results.write_text(json.dumps(early), encoding="utf-8")
    assert main([*both, "--refuse-doubtful"]) == 0
    found = valid((tmp_path / "out" / "compare.json").read_text(encoding="utf-8"))
    assert found["sessions"][1]["trust"] is None


def test_a_batch(days: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = ["batch", str(days), "--out", str(tmp_path / "out"), "--workers", "1"]
    assert main(whole) == 0
    assert "1 of them doubtful" in capsys.readouterr().out
    assert main([*whole, "--refuse-doubtful"]) == 1
    with (tmp_path / "out" / "batch.csv").open(encoding="utf-8") as file:
        rows = {row["session"]: row for row in csv.DictReader(file)}
    assert rows["friday"]["trust"] == "doubtful"
    assert rows["monday"]["trust"] in ("good", "fair", "rough")
    assert "doubtful" in (tmp_path / "out" / "batch.html").read_text(encoding="utf-8")


def test_runs_of_several_sessions_are_left_out_by_name(days: Path, tmp_path: Path) -> None:
    """NAME:6 is of that session alone; the option may be repeated, and adds to session.toml."""
    four = tmp_path / "four"
    assert main(["sample", str(four), "--pairs", "2", "--seed", "1", "--phone", "gps-only"]) == 0
    toml = four / "session.toml"
    toml.write_text("leave_out = [1]\n" + toml.read_text(encoding="utf-8"), encoding="utf-8")
    out = tmp_path / "out"
    both = ["report", str(four), str(days / "friday"), "--out", str(out)]
    assert main([*both, "--leave-out", "friday:2", "--leave-out", "four:run03.csv"]) == 0
    left = {}
    for name, gone in (("four", {1, 3}), ("friday", {2})):
        found = json.loads((out / name / "results.json").read_text(encoding="utf-8"))
        (one,) = [one for one in found["findings"] if one["kind"] == "left_out"]
        left[name] = one["text"]
        used = {coast["run"] for coast in found["coasts"] if coast["used"]}
        assert used
        assert not used & gone
    assert "2 runs (1, 3)" in left["four"]
    assert "1 run (2)" in left["friday"]
    assert main([*both, "--leave-out", "2"]) == 2
