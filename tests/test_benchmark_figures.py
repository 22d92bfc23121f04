"""The table of figures and goals: verdicts, what is kept and read again, and that guide and README are true."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

BENCHMARKS = Path(__file__).resolve().parents[0] / "benchmarks"
sys.path.insert(0, str(BENCHMARKS))

from figures import Figure, Kept, keep_figures, keep_text, kept_figures, table
from run import BENCHMARKS as LISTED
from run import GUIDE, HEADLINES, README, headlines, main, quoted, with_headlines, with_table


@pytest.fixture
def trial_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep figures in a folder of this test."""
    monkeypatch.setenv("PULLCOAST_BENCHMARK_RESULTS", str(tmp_path))
    return tmp_path


@pytest.mark.parametrize(
    ("found", "lowest", "highest", "verdict"),
    [
        (1.19, None, 1.2, "met"),
        (1.2, None, 1.2, "met"),
        (1.2001, None, 1.2, "MISSED"),
        (79.9, 80.0, None, "MISSED"),
        (80.0, 80.0, None, "met"),
        (80.1, 80.0, None, "met"),
        (0.74, 0.75, 1.25, "MISSED"),
        (0.75, 0.75, 1.25, "met"),
        (1.25, 0.75, 1.25, "met"),
        (1.26, 0.75, 1.25, "MISSED"),
        (0.0, None, 0.0, "met"),
        (1.0, None, 0.0, "MISSED"),
        (5.0, None, None, "no goal"),
    ],
)
def test_verdict_at_below_and_above_the_bounds(
    found: float, lowest: float | None, highest: float | None, verdict: str
) -> None:
    assert Figure("a", found, lowest, highest).verdict == verdict


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_a_figure_is_a_finite_number(value: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        Figure("a", value)
    with pytest.raises(ValueError, match="finite"):
        Figure("a", 1.0, highest=value)


def test_texts_of_figures_and_goals() -> None:
    assert Figure("a", 1.2345, highest=1.5, unit="%").found_text == "1.23 %"
    assert Figure("a", 0.012345, highest=1.5, unit="x").found_text == "0.0123 x"
    assert Figure("a", 1.2345, highest=1.5, unit="%").goal == "at most 1.5 %"
    assert Figure("a", 93.0, lowest=80.0, unit="%").goal == "at least 80 %"
    assert Figure("a", 1.0, 0.75, 1.25, "x").goal == "0.75 to 1.25 x"
    assert Figure("a", 0.0, highest=0.0).goal == "at most 0"
    assert Figure("a", 3.0).goal == ""


def test_a_text_never_shows_a_missed_bound_as_reached() -> None:
    assert Figure("a", 1.2004, highest=1.2).found_text == "1.2004"
    assert Figure("a", 79.9999, lowest=80.0).found_text == "79.9999"


def test_what_is_kept_is_read_again_and_the_last_replaces_the_earlier(trial_folder: Path) -> None:
    assert kept_figures() == []
    keep_figures("beta", [Figure("old", 1.0)])
    figures = [Figure("rms", 1.25, None, 1.2, "%"), Figure("share", 2 / 3, 0.6, 0.7)]
    keep_figures("beta", figures, "7 sessions")
    keep_figures("alpha-part", [Figure("lost", 0.0, highest=0.0)])
    alpha, beta = kept_figures()
    assert (alpha.benchmark, beta.benchmark) == ("alpha-part", "beta")
    assert beta.figures == tuple(figures)
    assert beta.of == "7 sessions"
    assert "cores" in beta.machine
    names = sorted(path.name for path in (trial_folder / "figures").iterdir())
    assert names == ["alpha-part.json", "beta.json"]


def test_text_is_kept_in_place_of_the_earlier(trial_folder: Path) -> None:
    keep_text("beta", "an earlier run\n")
    path = keep_text("beta", "one\ntwo\n")
    assert path == trial_folder / "beta.txt"
    assert path.read_text(encoding="utf-8") == "one\ntwo\n"
    assert keep_text("beta", "three", "-part") == trial_folder / "beta-part.txt"


def test_what_is_kept_bears_no_date_in_its_name() -> None:
    """The last run replaces the one before; the history is the repository's."""
    names = [path.name for path in (BENCHMARKS / "results").rglob("*") if path.is_file()]
    assert len(names) > 10
    assert [name for name in names if re.search(r"\d{4}-\d{2}-\d{2}|seed", name)] == []


KEPT = [
    Kept("a", "2026-01-02", "3 runs", "X, 2 cores", 0.25, (Figure("short", 12.0, highest=3.0),)),
    Kept(
        "longer",
        "2026-01-03",
        "",
        "X, 2 cores",
        None,
        (Figure("a long figure", 0.5, 0.25, 1.0, "x"), Figure("none", 7.0)),
    ),
]


def test_table_is_aligned() -> None:
    lines = table(KEPT).splitlines()
    assert lines[:4] == [
        "benchmark  figure           found  goal         verdict  date",
        "a          short               12  at most 3    MISSED   2026-01-02",
        "longer     a long figure  0.500 x  0.25 to 1 x  met      2026-01-03",
        "longer     none                 7               no goal  2026-01-03",
    ]
    assert lines[4:6] == ["", "3 figures: 1 met, 1 MISSED, 1 no goal"]
    assert lines[6] == "X, 2 cores; load before the start: a 0.2 (3 runs); longer not known"


def test_every_listed_benchmark_is_there_and_keeps_figures() -> None:
    assert len({one.name for one in LISTED}) == len(LISTED)
    minutes = [one.minutes for one in LISTED]
    assert minutes == sorted(minutes)
    for one in LISTED:
        source = (BENCHMARKS / f"{one.name}.py").read_text(encoding="utf-8")
        called = {
            node.func.id
            for node in ast.walk(ast.parse(source))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        }
        assert "keep_figures" in called, one.name
        assert '"--keep"' in source, one.name


def test_what_is_kept_belongs_to_a_listed_benchmark() -> None:
    names = {one.name for one in LISTED}
    assert {kept.benchmark.partition("-")[0] for kept in kept_figures()} <= names


def test_showing_runs_nothing(trial_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    keep_figures("scaling", [Figure("time", 12.0, highest=11.0, unit="x")])
    assert main(["--kept"]) == 0
    assert capsys.readouterr().out == table(kept_figures()) + "\n"
    assert [path.name for path in trial_folder.iterdir()] == ["figures"]


@pytest.mark.parametrize(("ended", "found", "status"), [(0, 11.0, 0), (0, 11.5, 1), (3, 11.0, 1)])
def test_a_benchmark_that_fails_stops_no_other_and_shows_in_the_status(
    trial_folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    ended: int,
    found: float,
    status: int,
) -> None:
    started = []

    def finished(command: list[str], **_: object) -> subprocess.CompletedProcess[bytes]:
        started.append((Path(command[1]).name, command[2]))
        keep_figures("scaling", [Figure("time", found, highest=11.0, unit="x")])
        return subprocess.CompletedProcess(command, ended if len(started) == 1 else 0)

    # not one of those run: its goal, missed earlier, does not count
    keep_figures("batch", [Figure("time", 2.0, highest=0.6, unit="x")])
    monkeypatch.setattr(subprocess, "run", finished)
    assert main(["--only", "scaling", "--only", "start_up"]) == status
    assert started == [("start_up.py", "--keep"), ("scaling.py", "--keep")]
    out = capsys.readouterr().out
    assert table(kept_figures()) in out
    assert ("start_up ended with 3" in out) == (ended == 3)


def test_guide_and_readme_quote_what_is_kept(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """`run.py --kept --write-readme` would change neither."""
    monkeypatch.delenv("PULLCOAST_BENCHMARK_RESULTS", raising=False)
    assert main(["--kept"]) == 0
    assert quoted(GUIDE.read_text(encoding="utf-8")) == capsys.readouterr().out
    text = README.read_text(encoding="utf-8")
    assert with_headlines(text, headlines(kept_figures())) == text


def test_writing_puts_both_tables_into_their_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PULLCOAST_BENCHMARK_RESULTS", raising=False)
    guide, readme = tmp_path / "guide.md", tmp_path / "readme.md"
    before = [file.read_text(encoding="utf-8") for file in (GUIDE, README)]
    guide.write_text(with_table(before[0], "old"), encoding="utf-8")
    readme.write_text(with_headlines(before[1], "| old |\n"), encoding="utf-8")
    monkeypatch.setattr("run.GUIDE", guide)
    monkeypatch.setattr("run.README", readme)
    assert main(["--kept", "--write-readme"]) == 0
    assert [file.read_text(encoding="utf-8") for file in (guide, readme)] == before


def test_headlines_begin_with_what_is_missed() -> None:
    rows = headlines(kept_figures()).splitlines()
    assert len(rows) == len(HEADLINES) == 6
    verdicts = [row.split("|")[-2].strip() for row in rows]
    assert verdicts == sorted(verdicts, key=lambda verdict: verdict != "MISSED")
    with pytest.raises(ValueError, match="is kept of accuracy-clean"):
        headlines(KEPT)
    with pytest.raises(ValueError, match="no table of headlines"):
        with_headlines("# nothing\n", "x")


def test_another_table_leaves_the_rest_of_the_guide_alone() -> None:
    text = GUIDE.read_text(encoding="utf-8")
    other = with_table(text, "x\ny")
    assert quoted(other) == "x\ny\n"
    assert with_table(other, quoted(text).rstrip("\n")) == text
    with pytest.raises(ValueError, match="no block of text"):
        with_table("# nothing\n", "x")
