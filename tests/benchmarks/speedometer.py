"""Kept benchmark: a speedometer is blamed where it is wrong, and not where road and wind are met.

Run by hand: ``python tests/benchmarks/speedometer.py [--sessions N] [--keep]``. Roads slope by up to
0.8 %, wind blows at up to 4 m/s. Of three pairs two are the session; the runs of the third are timed at
gates, by a right speedometer one way (once up, once down) and by one that reads 4 % high both ways.
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
from make_gates import gate_speeds_kmh, time_gates
from make_sessions import recordings_of

from analysis.crosscheck.crosscheck import cross_check
from analysis.crosscheck.session import session_gates
from analysis.crosscheck.timed_runs import TimedRun
from analysis.pipeline import analyse
from analysis.simulate.road import SimSite, draw_site
from analysis.simulate.session import simulate_session
from analysis.simulate.truth import Truth
from logger.session.session import read_session

_PAIRS, _USED_RUNS = 3, 4
_MOST_SLOPE, _MOST_WIND_MPS = 0.008, 4.0
#: Errors of a stopwatch [s] and of a gate's reading [km/h]: by eye, and with care.
_TIMING = {"0.2 s and 1 km/h": (0.2, 1.0), "0.1 s and 0.5 km/h": (0.1, 0.5)}


def main() -> None:
    """Time gates on simulated sessions and count what is said of the speedometer."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=100, metavar="N", help="default: 100")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, in place of earlier ones"
    )
    chosen = parser.parse_args()
    counts: dict[tuple[str, str], list[bool]] = {}
    for number in range(chosen.sessions):
        seed = 7000 + number
        with tempfile.TemporaryDirectory(prefix="pullcoast_speedometer_") as folder:
            truth = simulate_session(Path(folder), seed=seed, pairs=_PAIRS, site=_site(seed))
            session = read_session(Path(folder))
            session = replace(session, logs=session.logs[:_USED_RUNS])
            gates = session_gates(analyse(session, recordings_of(session)))
        for part, (name, errors) in enumerate(_TIMING.items()):
            rng = np.random.default_rng([seed, 78, part])
            for way in (1, -1):
                runs = _timed(truth, rng, errors, way)
                off = cross_check(runs, gates).speedometer_off
                counts.setdefault(("false", name), []).append(off)
                undirected = [replace(run, direction=None) for run in runs]
                off = cross_check(undirected, gates).speedometer_off
                counts.setdefault(("undirected", name), []).append(off)
            both = [run for way in (1, -1) for run in _timed(truth, rng, errors, way, 1.04)]
            counts.setdefault(("found", name), []).append(cross_check(both, gates).speedometer_off)
        if (number + 1) % 10 == 0:
            found = {" ".join(key): f"{sum(v)} of {len(v)}" for key, v in counts.items()}
            print(number + 1, found, flush=True)
    if chosen.keep:
        keep_figures("speedometer", figures(counts), f"{chosen.sessions} sessions")


def _site(seed: int) -> SimSite:
    rng = np.random.default_rng([seed, 2])
    return replace(
        draw_site(rng),
        slope=float(rng.uniform(-_MOST_SLOPE, _MOST_SLOPE)),
        wind_mps=float(rng.uniform(-_MOST_WIND_MPS, _MOST_WIND_MPS)),
    )


def _timed(
    truth: Truth,
    rng: np.random.Generator,
    errors: tuple[float, float],
    way: int,
    scale: float = 1.0,
) -> list[TimedRun]:
    """Time one run one way: two pulls' gates from rest and two coast-downs."""
    high, middle, _ = gate_speeds_kmh(truth)
    return time_gates(
        truth, rng, time_sd_s=errors[0], speed_sd_kmh=errors[1], scale=scale, direction=way,
        pulls_kmh=((0, middle), (0, high)), from_run=_USED_RUNS,
    )  # fmt: skip


def figures(counts: dict[tuple[str, str], list[bool]]) -> list[Figure]:
    """Return how often a speedometer is blamed, in per cent."""
    what = {
        "false": ("right, one way: blamed", None, 8.0),
        "undirected": ("right, no direction: blamed", None, 8.0),
        "found": ("4 % high, both ways: found", 80.0, None),
    }
    return [
        Figure(
            f"{what[case][0]} ({name}; {sum(seen)} of {len(seen)})",
            100.0 * sum(seen) / len(seen),
            what[case][1],
            what[case][2],
            "%",
        )
        for (case, name), seen in counts.items()
    ]


if __name__ == "__main__":
    main()
