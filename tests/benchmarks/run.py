"""Every figure that has a goal, in one table: run all benchmarks, or show what is kept of them.

Run from an environment that pullcoast is installed in, on a quiet machine:

    python tests/benchmarks/run.py                        # all, short ones first, then the table
    python tests/benchmarks/run.py --only start_up        # one, then the table
    python tests/benchmarks/run.py --kept                 # the table of what is kept
    python tests/benchmarks/run.py --kept --write-readme  # and into the READMEs

Ends with 1 where a benchmark failed or one of its figures misses its goal. A benchmark that fails
does not stop the others; its earlier figures stay in the table with their date.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(ROOT)]

from figures import Figure, Kept, kept_figures, table

from logger.writing import write_text_atomic

__all__ = [
    "BENCHMARKS",
    "GUIDE",
    "HEADLINES",
    "README",
    "SECTION",
    "Benchmark",
    "headlines",
    "main",
    "quoted",
    "with_headlines",
    "with_table",
]

#: Quotes the headlines.
README = ROOT / "README.md"
#: Quotes the whole table.
GUIDE = ROOT / "tests" / "README.md"
SECTION = "## How well it does\n"
_FENCE, _END = "\n```text\n", "```\n"
_TOP = "| of | figure | found | goal | |\n|---|---|---|---|---|\n"

#: What the README shows: benchmark, figure, and what it is of in a reader's words.
HEADLINES = (
    ("accuracy-clean", "road load at 50 km/h, rms error", "four pairs of runs, good phone"),
    ("accuracy-one-pair", "road load at 50 km/h, rms error", "one pair of runs, good phone"),
    (
        "accuracy-clean",
        "road load, three speeds: 68 % intervals hold",
        "four pairs of runs, good phone",
    ),
    ("accuracy-clean", "peak wheel power, rms error", "four pairs of runs, good phone"),
    (
        "accuracy-clean",
        "road load, three speeds: 95 % intervals hold",
        "four pairs of runs, good phone",
    ),
    ("compare", "no difference, gain claimed", "two sessions compared"),
)


@dataclass(frozen=True, slots=True)
class Benchmark:
    """One script beside this one.

    Parameters
    ----------
    name : str
        The script without ``.py``; its figures are kept under this name, or this and a dash and a
        part.
    minutes : float
        What to expect on a quiet machine of two cores, roughly.
    """

    name: str
    minutes: float


#: Short ones first. The minutes are rough: of shorter runs, carried on in proportion.
BENCHMARKS = (
    Benchmark("start_up", 1),
    Benchmark("scaling", 1),
    Benchmark("page_kill", 3),
    Benchmark("reading_speed", 4),
    Benchmark("page_cut", 4),
    Benchmark("published", 4),
    Benchmark("verdicts", 5),
    Benchmark("gates", 8),
    Benchmark("speedometer", 8),
    Benchmark("batch", 8),
    Benchmark("copies", 8),
    Benchmark("odd_input", 8),
    Benchmark("plan", 12),
    Benchmark("faults", 20),
    Benchmark("road", 25),
    Benchmark("compare", 25),
    Benchmark("wrong_input", 30),
    Benchmark("accuracy", 45),
    Benchmark("worlds", 60),
    Benchmark("mutants", 90),
)


def quoted(text: str) -> str:
    """Return the table that a guide quotes."""
    section = text.partition(SECTION)[2]
    return section.partition(_FENCE)[2].partition(_END)[0]


def with_table(text: str, lines: str) -> str:
    """Return a guide with another table quoted; the rest stays as it is."""
    before, heading, section = text.partition(SECTION)
    above, fence, rest = section.partition(_FENCE)
    _, end, below = rest.partition(_END)
    if not end:
        message = f'no block of text below "{SECTION.strip()}": put one there'
        raise ValueError(message)
    return f"{before}{heading}{above}{fence}{lines}\n{end}{below}"


def headlines(every: Sequence[Kept]) -> str:
    """Return the headline figures as rows of a table, missed goals first."""
    found = {(kept.benchmark, one.what): one for kept in every for one in kept.figures}
    rows: list[tuple[str, Figure]] = []
    for benchmark, what, of in HEADLINES:
        if (benchmark, what) not in found:
            message = f'no figure "{what}" is kept of {benchmark}: run it, or choose another'
            raise ValueError(message)
        rows.append((of, found[benchmark, what]))
    rows.sort(key=lambda row: row[1].verdict != "MISSED")
    return "".join(
        f"| {of} | {one.what} | {one.found_text} | {one.goal} | {one.verdict} |\n"
        for of, one in rows
    )


def with_headlines(text: str, rows: str) -> str:
    """Return a README with other rows in its table of headlines; the rest stays as it is."""
    before, heading, section = text.partition(SECTION)
    above, top, rest = section.partition(_TOP)
    if not top:
        message = f'no table of headlines below "{SECTION.strip()}": put its first two lines there'
        raise ValueError(message)
    below = rest.splitlines(keepends=True)
    while below and below[0].startswith("| "):
        del below[0]
    return f"{before}{heading}{above}{top}{rows}{''.join(below)}"


def _belongs(kept: Kept, names: Sequence[str]) -> bool:
    return kept.benchmark.partition("-")[0] in names


def main(argv: list[str] | None = None) -> int:
    """Run what was asked for and print the table; 1 where something failed or missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    names = [one.name for one in BENCHMARKS]
    parser.add_argument("--only", action="append", choices=names, help="may be repeated")
    parser.add_argument("--kept", action="store_true", help="run nothing, show what is kept")
    parser.add_argument(
        "--write-readme", action="store_true", help="put the table into tests/README.md"
    )
    chosen = parser.parse_args(argv)
    if chosen.kept and chosen.only:
        parser.error("--kept runs nothing: leave --only out")
    wanted = [one for one in BENCHMARKS if one.name in (chosen.only or names)]
    failed = []
    if not chosen.kept:
        total = sum(one.minutes for one in wanted)
        print(f"{len(wanted)} benchmarks, about {total:g} minutes", flush=True)
        for one in wanted:
            print(f"\n== {one.name}, about {one.minutes:g} min", flush=True)
            command = [sys.executable, str(HERE / f"{one.name}.py"), "--keep"]
            done = subprocess.run(command, cwd=ROOT, check=False)
            if done.returncode != 0:
                failed.append(f"{one.name} ended with {done.returncode}")
        print()
    every = kept_figures()
    print(table(every))
    if chosen.write_readme:
        text = GUIDE.read_text(encoding="utf-8")
        write_text_atomic(GUIDE, with_table(text, table(every)))
        text = README.read_text(encoding="utf-8")
        write_text_atomic(README, with_headlines(text, headlines(every)))
    if chosen.kept:
        return 0
    if failed:
        print(f"\nnot done, or not as it should: {'; '.join(failed)}")
    run = [one.name for one in wanted]
    missed = any(
        figure.verdict == "MISSED"
        for kept in every
        if _belongs(kept, run)
        for figure in kept.figures
    )
    return 1 if failed or missed else 0


if __name__ == "__main__":
    sys.exit(main())
