"""Kept benchmark: z-scores of stopwatch gates against sessions of known truth.

Run by hand: ``python tests/benchmarks/gates.py [--sessions N] [--keep]``; prints one line
per ten sessions and the rms of z over all gates, which is 1 where the stated sd is the true one.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

_HERE = Path(__file__).resolve()
sys.path[:0] = [str(_HERE.parent), str(_HERE.parents[1] / "support"), str(_HERE.parents[2])]

from figures import Figure, keep_figures
from make_gates import time_gates
from make_sessions import recordings_of

from analysis.crosscheck.crosscheck import cross_check
from analysis.crosscheck.session import session_gates
from analysis.pipeline import analyse
from analysis.simulate.session import simulate_session
from logger.session.session import read_session

#: Of three pairs two are the session; the pulls of the third are the timed ones.
_PAIRS, _USED_RUNS = 3, 4


def main() -> None:
    """Time gates on simulated sessions and print the rms of z."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=200, metavar="N", help="default: 200")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, in place of earlier ones"
    )
    chosen = parser.parse_args()
    z: dict[str, list[float]] = {"pull": [], "coast": []}
    for number in range(chosen.sessions):
        seed = 1000 + number
        with tempfile.TemporaryDirectory(prefix="pullcoast_gates_") as folder:
            truth = simulate_session(Path(folder), seed=seed, pairs=_PAIRS)
            session = read_session(Path(folder))
            session = replace(session, logs=session.logs[:_USED_RUNS])
            found = analyse(session, recordings_of(session))
        rng = np.random.default_rng([seed, 77])
        runs = time_gates(truth, rng, from_run=_USED_RUNS, direction=1 - 2 * (number % 2))
        for gate in cross_check(runs, session_gates(found), find_run=False).gates:
            if gate.z is not None:
                z[gate.run.kind].append(gate.z)
        if (number + 1) % 10 == 0:
            print(_line(number + 1, z), flush=True)
    if chosen.keep:
        keep_figures("gates", figures(z), f"{chosen.sessions} sessions")


def figures(z: dict[str, list[float]]) -> list[Figure]:
    """Return the rms of z of all gates, of pulls and of coast-downs; 1 is right, no band is set."""

    def rms(values: list[float]) -> float:
        return float(np.sqrt(np.mean(np.square(values))))

    return [
        Figure("all gates, error over stated sd, rms", rms(z["pull"] + z["coast"])),
        Figure("gates of pulls, error over stated sd, rms", rms(z["pull"])),
        Figure("gates of coast-downs, error over stated sd, rms", rms(z["coast"])),
    ]


def _line(count: int, z: dict[str, list[float]]) -> str:
    every, pulls, coasts = (one.found for one in figures(z))
    return f"{count} sessions: rms z {every:.3f} (pulls {pulls:.3f}, coast-downs {coasts:.3f})"


if __name__ == "__main__":
    main()
