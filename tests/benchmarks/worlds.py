"""How honest the estimator is in worlds that share none of its assumptions.

Run from anywhere: ``python tests/benchmarks/worlds.py --sessions 20``. Each session of each world of
`tests/truth` is written as a user's folder, read and analysed by the way that `pullcoast report`
goes, and compared with its truth, beside an oracle that knows the true path. What was judged is
kept row by row in a file, so that an interrupted run goes on where it stopped, unless the program
or the worlds have changed since.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "truth"), str(HERE.parents[1])]
# one thread per process, or two processes on two cores wait for each other; before numpy is loaded
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from figures import keep_figures, keep_text
from named_worlds import WORLDS
from worlds_scores import Row, judged, program
from worlds_table import figures, tables

__all__ = ["main"]

Job = tuple[str, int, str]


def _earlier(file: Path, state: str) -> dict[tuple[str, int], Row]:
    """Return the rows of an earlier run of the same program and worlds."""
    found = {}
    if file.exists():
        for line in file.read_text(encoding="utf-8").splitlines():
            try:
                fields = json.loads(line)
            except json.JSONDecodeError:
                continue  # cut off by an interruption: judged again
            if fields["program"] == state:
                found[fields["world"], fields["seed"]] = Row.of_dict(fields)
    return found


def _judged(jobs: list[Job], workers: int) -> Iterator[Row]:
    if workers <= 1:
        yield from map(judged, jobs)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(judged, jobs)


def main(argv: list[str] | None = None) -> int:
    """Print the tables of the worlds asked for; return 0."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--world", nargs="+", choices=list(WORLDS), help="default: all")
    parser.add_argument("--sessions", type=int, default=20, help="per world (default: 20)")
    parser.add_argument("--first-seed", type=int, default=1, help="others follow (default: 1)")
    parser.add_argument("--workers", type=int, default=1, help="processes (default: 1)")
    parser.add_argument("--list", action="store_true", help="list the worlds and do nothing else")
    parser.add_argument("--keep", action="store_true", help="also keep tables and figures")
    parser.add_argument(
        "--rows",
        type=Path,
        default=Path(tempfile.gettempdir()) / "pullcoast_worlds.jsonl",
        help="file of what was judged, added to (default: %(default)s)",
    )
    chosen = parser.parse_args(argv)
    if chosen.sessions < 1 or chosen.workers < 1:
        parser.error("--sessions and --workers are at least 1")
    if chosen.list:
        for world in WORLDS.values():
            print(f"{world.name} ({world.grade}): {world.about} [{world.source}]")
        return 0
    state = program()
    names = chosen.world or list(WORLDS)
    seeds = range(chosen.first_seed, chosen.first_seed + chosen.sessions)
    # seed by seed: an interrupted run has seen every world alike
    wanted = [(name, seed) for seed in seeds for name in names]
    rows = _earlier(chosen.rows, state)
    jobs = [(name, seed, state) for name, seed in wanted if (name, seed) not in rows]
    with chosen.rows.open("a", encoding="utf-8") as out:
        for done, row in enumerate(_judged(jobs, chosen.workers), 1):
            rows[row.world, row.seed] = row
            out.write(json.dumps(row.as_dict()) + "\n")
            out.flush()
            if sys.stderr.isatty() or done % 50 == 0:
                progress = f"{done} of {len(jobs)}: {row.world} {row.seed}"
                print(f"\r{progress:60}", end="", file=sys.stderr, flush=True)
    by_world = {name: [rows[name, seed] for seed in seeds] for name in names}
    lines = tables(by_world)
    print("\n".join(lines))
    if chosen.keep:
        file = keep_text("worlds", "\n".join(lines))
        of = f"{len(seeds)} sessions of {len(names)} worlds, seeds from {seeds[0]}"
        keep_figures("worlds", figures(by_world), of)
        print(f"kept in {file}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
