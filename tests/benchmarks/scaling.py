"""How time and memory of the session model grow with runs.

Run by hand: ``python tests/benchmarks/scaling.py [--keep]``. Ten times the runs may take at most
eleven times the model's time, and memory must grow no faster; both are ratios within one run.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
import tracemalloc
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_HERE = Path(__file__).resolve()
sys.path[:0] = [str(_HERE.parent), str(_HERE.parents[2])]

from figures import Figure, keep_figures

from analysis import pipeline
from analysis.model.fit import SessionFit, fit_session
from analysis.simulate.session import simulate_session
from logger.reading import read_log
from logger.session.session import read_session

_FEW, _MANY = 4, 40
#: Largest ratio of time, and of memory, of ten times the runs.
_GOAL = 11.0


def measured(pairs: int) -> tuple[float, float, int]:
    """Return seconds per round of the model, its peak memory [MB], and the rounds, for `pairs`."""
    taken: list[tuple[float, int]] = []

    def timed(*args: object, **more: object) -> SessionFit:
        start = time.process_time()
        fit = fit_session(*args, **more)  # type: ignore[arg-type]  # handed through
        taken.append((time.process_time() - start, fit.rounds))
        return fit

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "session"
        simulate_session(place, seed=5, pairs=pairs)
        session = read_session(place)
        recordings = tuple(read_log(list(log.files), columns=log.columns) for log in session.logs)
    setattr(pipeline, "fit_session", timed)  # measured in place  # noqa: B010
    pipeline.analyse(session, recordings)
    seconds, rounds = taken[-1]
    tracemalloc.start()
    pipeline.analyse(session, recordings)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return seconds / rounds, peak, rounds


def main() -> None:
    """Print the two ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, in place of earlier ones"
    )
    chosen = parser.parse_args()
    few, many = measured(_FEW), measured(_MANY)
    lines = [
        f"{2 * pairs:3d} runs: {one[0]:.3f} s a round, {one[2]} rounds, {one[1]:.0f} MB at most"
        for pairs, one in ((_FEW, few), (_MANY, many))
    ]
    found = (
        Figure(
            "ten times the runs, time of the model",
            many[0] * many[2] / (few[0] * few[2]),
            None,
            _GOAL,
            "x",
        ),
        Figure("ten times the runs, time of one round", many[0] / few[0], unit="x"),
        Figure("ten times the runs, memory", many[1] / few[1], None, _GOAL, "x"),
    )
    whole, a_round, memory = found
    lines.append(
        f"ten times the runs: {a_round.found:.1f} x the time a round, {whole.found:.1f} x in all "
        f"(goal {_GOAL:.0f} x), {memory.found:.1f} x the memory"
    )
    print("\n".join(lines))
    if chosen.keep:
        keep_figures("scaling", found, f"{2 * _FEW} and {2 * _MANY} runs")


if __name__ == "__main__":
    main()
