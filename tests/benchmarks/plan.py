"""What a plan foretells against the errors of simulated sessions.

Run by hand: ``python tests/benchmarks/plan.py [--vehicles 50] [--cache DIR] [--keep]``. Each vehicle's
two sessions of four pairs are planned knowing nothing but kind, masses, and between which speeds
they were driven. The rms of what was foretold must be within 25 % of the rms error.
"""

from __future__ import annotations

import argparse
import datetime
import os
import sys
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
_HERE = Path(__file__).resolve()
sys.path[:0] = [str(_HERE.parent), str(_HERE.parents[2])]

import numpy as np
from compare_sessions import SimulatedSide, sides_of
from figures import Figure, keep_figures

from analysis.planning.outing import guess
from analysis.planning.plan import OutingPrediction, predict_outing
from analysis.sessions.side import Side

_DAYS = ("day0", "day1")
_SPEEDS_MPS = (50.0 / 3.6, 100.0 / 3.6)
#: OutingPrediction over achieved.
_GOAL = (0.75, 1.25)


def errors(one: SimulatedSide) -> list[float]:
    """Return the relative errors of peak and of road load at 50 and 100 km/h."""
    power, load = one.side.power, one.side.road_load
    assert power is not None
    assert load is not None
    found = [power.peak_w / one.peak_w - 1.0]
    for speed in _SPEEDS_MPS:
        basis = speed ** np.arange(3.0)
        true = float(basis @ np.array(one.load))
        found.append(float(load.force_n(np.array([speed]))[0]) / true - 1.0)
    return found


def stated(one: SimulatedSide) -> list[float]:
    """Return the relative sd that the session itself states."""
    power, load = one.side.power, one.side.road_load
    assert power is not None
    assert load is not None
    speeds = np.array(_SPEEDS_MPS)
    return [power.peak_sd_w / power.peak_w, *(load.force_sd_n(speeds) / load.force_n(speeds))]


def foretold(one: OutingPrediction) -> list[float]:
    """Return the relative sd that the plan foretells."""
    return [one.peak_share, *(load.share for load in one.loads)]


def planned_by_side(one: Side) -> OutingPrediction:
    """Return the plan of an outing of this vehicle between the speeds driven."""
    assert one.road_load is not None
    low, high = one.road_load.speed_range_mps
    # the range is that of all runs together: the driver aims lower and ends higher by some 1 %
    return predict_outing(replace(guess(one.masses), top_mps=0.99 * high, end_mps=low))


def rms(values: list[list[float]]) -> list[float]:
    """Return the rms of each column."""
    return [float(one) for one in np.sqrt(np.mean(np.square(np.array(values)), axis=0))]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=50, help="two sessions each (default: 50)")
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--cache", type=Path, help="keep the sessions there for another run")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, in place of earlier ones"
    )
    chosen = parser.parse_args()
    missed, said, planned = [], [], []
    for seed in range(chosen.first_seed, chosen.first_seed + chosen.vehicles):
        sides = sides_of(seed, chosen.cache, changed=False)
        plan = foretold(planned_by_side(sides[_DAYS[0]].side))
        for day in _DAYS:
            one = sides[day]
            missed.append(errors(one))
            said.append(stated(one))
            planned.append(plan)
    today = datetime.datetime.now(tz=datetime.UTC).date()
    lines = [
        (
            f"{today}: {len(missed)} simulated sessions of {chosen.vehicles} vehicles from seed "
            f"{chosen.first_seed}, 4 two-way pairs, clean phone; planned by kind, masses and speeds"
        ),
        "rms of relative errors; goal: foretold within 25 % of achieved",
        "",
        f"{'':24}{'foretold':>10}{'achieved':>10}{'stated':>10}{'foretold / achieved':>22}",
    ]
    names = ("peak wheel power", "road load at 50 km/h", "road load at 100 km/h")
    columns = (rms(planned), rms(missed), rms(said))
    figures = []
    for name, plan_sd, miss, own in zip(names, *columns, strict=True):
        ratio = plan_sd / miss
        figures.append(Figure(f"{name}, foretold over achieved error", ratio, *_GOAL, "x"))
        lines.append(
            f"{name:24}{100 * plan_sd:9.2f} %{100 * miss:9.2f} %{100 * own:9.2f} %{ratio:22.2f}"
        )
    lines += [
        "",
        f"standard error of an rms of {len(missed)}: {100 / np.sqrt(2 * len(missed)):.0f} %",
    ]
    print("\n".join(lines))
    if chosen.keep:
        keep_figures("plan", figures, f"{len(missed)} sessions")


if __name__ == "__main__":
    main()
