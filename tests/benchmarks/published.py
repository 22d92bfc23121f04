"""Recovery of published vehicles: simulate them, record them with a phone, compare road loads.

Run by hand: ``python tests/benchmarks/published.py [--sessions N] [--keep]``. Masses and road loads
are published (see tests/support/make_published.py); engines, roads and weather are invented.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

_HERE = Path(__file__).resolve()
sys.path[:0] = [str(_HERE.parent), str(_HERE.parents[1] / "support"), str(_HERE.parents[2])]

from figures import Figure, keep_figures
from make_published import PUBLISHED, published_vehicle
from make_sessions import recordings_of

from analysis.pipeline import analyse
from analysis.simulate.session import simulate_session
from logger.session.session import read_session

_SPEEDS_MPS = np.array([50.0, 72.0, 100.0]) / 3.6
#: Goals for a clean phone and four two-way pairs [%].
_GOALS = (1.2, 1.2, 1.5)


def errors(name: str, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the relative errors of the road load at three speeds, and their stated sd."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "session"
        truth = simulate_session(place, seed=seed, pairs=4, vehicle=published_vehicle(name, seed))
        session = read_session(place)
        recordings = recordings_of(session)
    load = analyse(session, recordings).road_load
    assert load is not None
    true = truth.f0_n + truth.f1_n_per_mps * _SPEEDS_MPS + truth.f2_n_per_mps2 * _SPEEDS_MPS**2
    return load.force_n(_SPEEDS_MPS) / true - 1.0, load.force_sd_n(_SPEEDS_MPS) / true


def main() -> None:
    """Print one line per vehicle and the rms over all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=3, help="sessions per vehicle")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, in place of earlier ones"
    )
    chosen = parser.parse_args()
    lines = ["error of the road load at 50 / 72 / 100 km/h, rms over sessions [%]"]
    every, scaled = [], []
    for name in PUBLISHED:
        found = [errors(name, 300 + seed) for seed in range(chosen.sessions)]
        error = np.array([one for one, _ in found])
        every.append(error)
        scaled.append(error / np.array([sd for _, sd in found]))
        rms = 100.0 * np.sqrt(np.mean(error**2, axis=0))
        lines.append(f"{name:34s} {rms[0]:6.2f} {rms[1]:6.2f} {rms[2]:6.2f}")
        print(lines[-1], flush=True)
    rms = 100.0 * np.sqrt(np.mean(np.concatenate(every) ** 2, axis=0))
    z = np.concatenate(scaled)
    found_figures = [
        Figure(f"road load at {3.6 * speed:.0f} km/h, rms error", float(value), None, goal, "%")
        for speed, value, goal in zip(_SPEEDS_MPS, rms, _GOALS, strict=True)
    ]
    verdict = ["pass" if one.verdict == "met" else "MISS" for one in found_figures]
    held = float(np.mean(np.abs(z) < 1.96))
    found_figures.append(Figure("95 % intervals that hold the truth", 100.0 * held, unit="%"))
    lines.append(f"{'all':34s} {rms[0]:6.2f} {rms[1]:6.2f} {rms[2]:6.2f}")
    lines.append(f"{'goal':34s} {_GOALS[0]:6.2f} {_GOALS[1]:6.2f} {_GOALS[2]:6.2f}  {verdict}")
    lines.append(f"rms z {np.sqrt(np.mean(z**2)):.2f}; 95 % intervals hold {held:.1%}")
    print("\n".join(lines[-3:]))
    if chosen.keep:
        of = f"{len(PUBLISHED)} vehicles, {chosen.sessions} sessions each"
        keep_figures("published", found_figures, of)


if __name__ == "__main__":
    main()
