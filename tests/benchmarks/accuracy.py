"""How accurate the estimator is on simulated sessions of known truth, beside its goals.

Run from anywhere: ``python tests/benchmarks/accuracy.py --case clean --sessions 60``. Each session is
simulated into a temporary folder, read back as a user's files would be, and analysed.
"""

from __future__ import annotations

import argparse
import datetime
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]
# one thread per process, or two processes on two cores wait for each other; before numpy is loaded
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

if TYPE_CHECKING:
    from accuracy_scores import Score

__all__ = ["judge", "main"]

OURS = "pullcoast"


def judge(job: tuple[str, int]) -> list[Score]:
    """Simulate one session and let every method judge it.

    Parameters
    ----------
    job : (case, seed)
        Name of the case, seed of the session.

    Returns
    -------
    list of Score
        One per method.
    """
    from accuracy_cases import CASES, analysed, opened
    from accuracy_scores import estimate_of, refused, score
    from logger.errors import PullcoastError

    name, seed = job
    with tempfile.TemporaryDirectory(prefix="pullcoast_accuracy_") as folder:
        one, reading_s = opened(CASES[name], seed, Path(folder) / "session")
    try:
        analysis, seconds = analysed(one)
    except PullcoastError as error:
        return [refused(OURS, name, seed, str(error))]
    except Exception as error:  # noqa: BLE001 a crash is a row of the table, not its end
        return [refused(OURS, name, seed, f"{type(error).__name__}: {error}", crashed=True)]
    return [score(OURS, name, seed, one.truth, estimate_of(analysis), reading_s + seconds)]


def _judged(jobs: list[tuple[str, int]], workers: int) -> Iterator[list[Score]]:
    if workers <= 1:
        yield from map(judge, jobs)
        return
    from multiprocessing import get_context

    with get_context("spawn").Pool(workers) as pool:
        yield from pool.imap(judge, jobs)


def main(argv: list[str] | None = None) -> int:
    """Print the table of each case asked for; return 0."""
    parser = argparse.ArgumentParser(description=__doc__)
    names = ("clean", "rough", "gps-only", "one-pair", "one-way")
    parser.add_argument("--case", choices=(*names, "all"), default="all")
    parser.add_argument("--sessions", type=int, default=60, help="per case (default: 60)")
    parser.add_argument("--first-seed", type=int, default=1, help="others follow (default: 1)")
    parser.add_argument("--workers", type=int, default=1, help="processes (default: 1)")
    parser.add_argument("--keep", action="store_true", help="also keep the table in results/")
    arguments = parser.parse_args(argv)
    from accuracy_cases import CASES
    from accuracy_table import table

    seeds = range(arguments.first_seed, arguments.first_seed + arguments.sessions)
    kept = [f"seeds {seeds[0]} to {seeds[-1]}"]
    for name in names if arguments.case == "all" else (arguments.case,):
        scores: list[Score] = []
        for found in _judged([(name, seed) for seed in seeds], arguments.workers):
            scores += found
            if sys.stderr.isatty():
                print(f"\r{name} {found[0].seed} ", end="", file=sys.stderr, flush=True)
        lines = table(scores, CASES[name])
        print("\n".join(lines), flush=True)
        kept += ["", *lines]
    if arguments.keep:
        today = datetime.datetime.now(datetime.UTC).date().isoformat()
        file = HERE / "results" / f"accuracy-{today}-{arguments.case}.txt"
        file.parent.mkdir(exist_ok=True)
        file.write_text("\n".join(kept) + "\n", encoding="utf-8")
        print(f"kept in {file}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
