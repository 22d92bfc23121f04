"""How accurate the estimator is on simulated sessions of known truth, beside its goals.

Run from anywhere: ``python tests/benchmarks/accuracy.py --case clean --sessions 60``. Each session is
simulated into a temporary folder, read back as a user's files would be, and analysed. Beside it
stand an oracle (the same fit, told everything but the answer) and three ways of practitioners.
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import platform
import sys
import tempfile
from collections.abc import Callable, Iterator
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]
# one thread per process, or two processes on two cores wait for each other; before numpy is loaded
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

if TYPE_CHECKING:
    from accuracy_cases import Opened
    from accuracy_scores import Score

__all__ = ["judge", "main"]

OURS, ORACLE = "pullcoast", "oracle"


def judge(job: tuple[str, int, bool]) -> list[Score]:
    """Simulate one session and let every method judge it.

    Parameters
    ----------
    job : (case, seed, alone)
        Name of the case, seed of the session, whether only the project itself judges it.

    Returns
    -------
    list of Score
        One per method, the project's own first.
    """
    from accuracy_cases import CASES, analysed, opened
    from accuracy_scores import Estimate, estimate_of, scored

    name, seed, alone = job
    with tempfile.TemporaryDirectory(prefix="pullcoast_accuracy_") as folder:
        one, reading_s = opened(CASES[name], seed, Path(folder) / "session")

    def own(one: Opened) -> Estimate:
        return estimate_of(analysed(one))

    methods: dict[str, Callable[[Opened], Estimate]] = {OURS: own}
    if not alone:
        from oracle import oracle
        from rivals import RIVALS

        methods |= {ORACLE: oracle, **RIVALS}
    return [
        scored(method, name, seed, one, by, reading_s if method == OURS else 0.0)
        for method, by in methods.items()
    ]


def _judged(jobs: list[tuple[str, int, bool]], workers: int) -> Iterator[list[Score]]:
    if workers <= 1:
        yield from map(judge, jobs)
        return
    from multiprocessing import get_context

    with get_context("spawn").Pool(workers) as pool:
        yield from pool.imap(judge, jobs)


def methods(scores: list[Score]) -> list[str]:
    """Return the names of the methods in the order in which they first judge."""
    return list(dict.fromkeys(one.method for one in scores))


def main(argv: list[str] | None = None) -> int:
    """Print the table of each case asked for; return 0."""
    parser = argparse.ArgumentParser(description=__doc__)
    names = ("clean", "rough", "gps-only", "one-pair", "one-way")
    parser.add_argument("--case", choices=(*names, "all"), default="all")
    parser.add_argument("--sessions", type=int, default=60, help="per case (default: 60)")
    parser.add_argument("--first-seed", type=int, default=1, help="others follow (default: 1)")
    parser.add_argument("--workers", type=int, default=1, help="processes (default: 1)")
    parser.add_argument("--alone", action="store_true", help="without oracle and rivals")
    parser.add_argument("--scores", type=Path, help="add each session's scores to this file")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, and beside the oracle the table"
    )
    arguments = parser.parse_args(argv)
    if arguments.sessions < 1 or arguments.workers < 1:
        parser.error("--sessions and --workers are at least 1")
    from accuracy_cases import CASES
    from accuracy_table import figures, ratios, table
    from figures import keep_figures, keep_text

    seeds = range(arguments.first_seed, arguments.first_seed + arguments.sessions)
    today = datetime.datetime.now(datetime.UTC).date().isoformat()
    kept = [
        (
            f"{today}: seeds {seeds[0]} to {seeds[-1]}, Python {platform.python_version()}, numpy "
            f"{metadata.version('numpy')}, scipy {metadata.version('scipy')}"
        )
    ]
    for name in names if arguments.case == "all" else (arguments.case,):
        scores: list[Score] = []
        jobs = [(name, seed, arguments.alone) for seed in seeds]
        for found in _judged(jobs, arguments.workers):
            scores += found
            if arguments.scores is not None:
                with arguments.scores.open("a", encoding="utf-8") as out:
                    out.writelines(json.dumps(one.as_dict()) + "\n" for one in found)
            if sys.stderr.isatty():
                print(f"\r{name} {found[0].seed} ", end="", file=sys.stderr, flush=True)
        by = {method: [one for one in scores if one.method == method] for method in methods(scores)}
        lines = table(by[OURS], CASES[name])
        lines += ratios(by, OURS, ORACLE, CASES[name])
        print("\n".join(lines), flush=True)
        kept += ["", *lines]
        if arguments.keep:
            found_of_case = figures(by, OURS, ORACLE, CASES[name])
            keep_figures(f"accuracy-{name}", found_of_case, f"{len(seeds)} sessions")
    if arguments.keep and not arguments.alone:
        file = keep_text("accuracy", "\n".join(kept), f"-{arguments.case}-oracle")
        print(f"kept in {file}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
