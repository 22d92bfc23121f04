"""How much faster a batch is with two workers than with one, and what it costs to find nothing new.

Run by hand on a quiet machine of two processors: ``python tests/benchmarks/batch.py [--sessions N]
[--keep]``. Two workers may take at most 0.6 of the time of one. Whether the machine was quiet is told
by the processor time of all processes beside the time on the clock: where others take turns, the
ratio says little.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_HERE = Path(__file__).resolve()
_ROOT = _HERE.parents[2]
sys.path[:0] = [str(_HERE.parent), str(_ROOT)]

from figures import Figure, keep_figures

from analysis.simulate.session import simulate_session

_GOAL = 0.6


def batch(package: Path, folder: Path, out: Path, workers: int) -> tuple[float, float]:
    """Return seconds on the clock, and seconds of all processors, of one batch."""
    command = [sys.executable, "-m", "analysis", "batch", str(folder), "--out", str(out)]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    done = subprocess.run(
        [*command, "--workers", str(workers), "--quiet"],
        cwd=package,
        capture_output=True,
        text=True,
        check=False,
    )
    clock_s = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode != 0:
        sys.exit(f"the batch failed: {done.stderr}")
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return clock_s, cpu_s


def digest(out: Path) -> str:
    """Return a digest of every file of a batch's results."""
    total = hashlib.sha256()
    for path in sorted(out.rglob("*")):
        if path.is_file() and not path.name.startswith("."):
            total.update(f"{path.relative_to(out)}\0".encode() + path.read_bytes())
    return total.hexdigest()


def main() -> None:
    """Make the sessions, run them with one worker and with two, and once more."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=100, metavar="N")
    parser.add_argument("--pairs", type=int, default=1, metavar="N", help="two-way pairs of each")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, in place of earlier ones"
    )
    chosen = parser.parse_args()
    load = os.getloadavg()[0]
    with tempfile.TemporaryDirectory() as place:
        package, folder = Path(place) / "package", Path(place) / "sessions"
        for name in ("logger", "analysis"):  # nobody changes the code in between
            shutil.copytree(
                _ROOT / name, package / name, ignore=shutil.ignore_patterns("__pycache__")
            )
        for seed in range(chosen.sessions):
            simulate_session(folder / f"s{seed:03d}", seed=seed, pairs=chosen.pairs)
        warm = Path(place) / "warm"
        batch(package, folder / "s000", warm, 1)  # compiles the modules, fills the caches
        one_s, one_cpu = batch(package, folder, Path(place) / "one", 1)
        two_s, two_cpu = batch(package, folder, Path(place) / "two", 2)
        again_s, _ = batch(package, folder, Path(place) / "two", 2)
        same = digest(Path(place) / "one") == digest(Path(place) / "two")
    what = f"{chosen.sessions} sessions of {chosen.pairs} pair(s)"
    ratio = Figure("two workers, time over one", two_s / one_s, None, _GOAL, "x")
    figures = [
        ratio,
        Figure("nothing new, time over one worker", again_s / one_s, unit="x"),
        Figure("sets of results that two workers make otherwise", float(not same), None, 0.0),
    ]
    lines = [
        f"{what}, {os.cpu_count()} processors, load before the start {load:.1f}",
        f"one worker:  {one_s:7.1f} s on the clock, {one_cpu:7.1f} s of processors",
        f"two workers: {two_s:7.1f} s on the clock, {two_cpu:7.1f} s of processors",
        f"ratio {ratio.found:.2f} (goal {_GOAL}); "
        + ("met" if ratio.verdict == "met" else "NOT met"),
        f"nothing new: {again_s:7.1f} s",
        f"results of one and of two workers are {'the same' if same else 'NOT THE SAME'} files",
    ]
    # one worker alone fills one processor and no more, if it is let
    if one_cpu / one_s < 0.9:
        got = f"one worker got {100 * one_cpu / one_s:.0f} % of a processor"
        lines += [
            f"others were at work: {got}, so the ratio says little;",
            f"by processor time, two free processors would make it {0.5 * two_cpu / one_cpu:.2f}",
        ]
    print("\n".join(lines))
    if chosen.keep:
        share = f"one worker got {100 * one_cpu / one_s:.0f} % of a processor"
        keep_figures("batch", figures, f"{what}; {share}")


if __name__ == "__main__":
    main()
