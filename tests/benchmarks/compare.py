"""How often a comparison claims a gain where there is none, and finds one where there is.

Run by hand: ``python tests/benchmarks/compare.py [--vehicles 67] [--cache DIR] [--keep]``. Of each
vehicle three sessions without a change make three pairs; a session each with 2, 4 and 8 % more
engine torque is set against all three. Beside the share found stands what `pullcoast plan` foretells.
"""

from __future__ import annotations

import argparse
import datetime
import itertools
import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
_HERE = Path(__file__).resolve()
sys.path[:0] = [str(_HERE.parent), str(_HERE.parents[2])]

import numpy as np
from compare_sessions import DAYS, GAINS, SimulatedSide, sides_of
from figures import Figure, keep_figures

from analysis.sessions.compare import Comparison, compare
from analysis.sessions.difference import share_found

#: Speeds at which road loads are compared [m/s]: 50 and 100 km/h.
_SPEEDS_MPS = (50.0 / 3.6, 100.0 / 3.6)
#: Claims where there is no gain, at most; gains of the size found, at least [%].
_FALSE_GOAL, _FOUND_GOAL = 8.0, {0.08: 80.0}


def share(flags: list[bool]) -> str:
    """Write how many of all, in per cent, with the standard error of independent trials."""
    rate = float(np.mean(flags))
    error = (rate * (1.0 - rate) / len(flags)) ** 0.5
    return f"{sum(flags)} of {len(flags)}, {100 * rate:.1f} ± {100 * error:.1f} %"


def spread(found: list[Comparison], truths: list[float]) -> str:
    """Write the rms of (found less true) over the stated sd, which should be 1."""
    scores = [
        (one.peak_w.value - true) / one.peak_w.sd
        for one, true in zip(found, truths, strict=True)
        if one.peak_w is not None
    ]
    return f"{float(np.sqrt(np.mean(np.square(scores)))):.2f}"


def main() -> None:
    """Print the shares."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=67, help="three pairs each (default: 67)")
    parser.add_argument(
        "--changed",
        type=int,
        default=25,
        help="of which so many with a changed engine (default: 25)",
    )
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--cache", type=Path, help="keep the sessions there for another run")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, in place of earlier ones"
    )
    chosen = parser.parse_args()
    none: list[Comparison] = []
    none_true: list[float] = []
    gains: dict[float, list[Comparison]] = {gain: [] for gain in GAINS}
    true: dict[float, list[float]] = {gain: [] for gain in GAINS}
    for seed in range(chosen.first_seed, chosen.first_seed + chosen.vehicles):
        changed = seed < chosen.first_seed + chosen.changed
        sides = sides_of(seed, chosen.cache, changed=changed)
        days = [sides[f"day{day}"] for day in range(DAYS)]
        for one, two in itertools.combinations(days, 2):
            none.append(compare(one.side, two.side))
            none_true.append(_true_difference(one, two))
        for gain in GAINS if changed else ():
            more = sides[f"gain{100 * gain:.0f}"]
            gains[gain] += [compare(day.side, more.side) for day in days]
            true[gain] += [_true_difference(day, more) for day in days]
        if sys.stderr.isatty():
            print(f"\r{seed} ", end="", file=sys.stderr, flush=True)
    today = datetime.datetime.now(tz=datetime.UTC).date()
    lines = [
        (
            f"{today}: {chosen.vehicles} vehicles from seed {chosen.first_seed}, 4 two-way pairs a session, "
            "clean phone, one road and one mass per vehicle"
        ),
        "the day's own deviation is drawn as large as the comparison allows for",
        "",
        "without a difference (three pairs of each vehicle; they are not independent):",
        (
            f"  gain in peak wheel power claimed: {share([_more(one) for one in none])} "
            f"(goal at most {_FALSE_GOAL:.0f} %)"
        ),
        f"  loss in peak wheel power claimed: {share([_less(one) for one in none])}",
        (
            f"  error over stated sd, rms: {spread(none, [0.0] * len(none))} against no difference, "
            f"{spread(none, none_true)} against that day's true difference"
        ),
    ]
    for speed in _SPEEDS_MPS:
        verdicts = [one.road_load.at(speed).verdict for one in none if one.road_load is not None]
        lines.append(
            f"  road load at {3.6 * speed:.0f} km/h: more claimed {share([v == 'more' for v in verdicts])}, "
            f"less {share([v == 'less' for v in verdicts])}"
        )
    lines += [
        "",
        (
            f"with more engine torque in {chosen.changed} vehicles, against three sessions each, a gain in "
            "peak wheel power claimed:"
        ),
    ]
    claimed = 100.0 * float(np.mean([_more(one) for one in none]))
    figures = [Figure("no difference, gain claimed", claimed, None, _FALSE_GOAL, "%")]
    planned = _foretold_sds(gains[GAINS[0]])
    for gain in GAINS:
        found = [_more(one) for one in gains[gain]]
        goal = _FOUND_GOAL.get(gain)
        said = "" if goal is None else f", goal at least {goal:.0f} %"
        rate = 100.0 * float(np.mean(found))
        figures.append(
            Figure(f"{100 * gain:.0f} % more torque, gain claimed", rate, goal, None, "%")
        )
        foretold = float(np.mean([share_found(gain, sd) for sd in planned]))
        lines.append(
            f"  {100 * gain:.0f} %: {share(found)} (foretold by plan {100 * foretold:.1f} %{said}); "
            f"error over stated sd, rms {spread(gains[gain], true[gain])}"
        )
    sds = [one.peak_w.sd / one.peak_w.first for one in none if one.peak_w is not None]
    lines += [
        "",
        f"stated sd of the difference: {100 * float(np.sqrt(np.mean(np.square(sds)))):.2f} %",
    ]
    print("\n".join(lines))
    if chosen.keep:
        changed_pairs = len(gains[GAINS[0]])
        keep_figures("compare", figures, f"{len(none)} pairs without, {changed_pairs} with a gain")


def _true_difference(first: SimulatedSide, other: SimulatedSide) -> float:
    """Return the true difference of the two days [W], for the mass as stated."""
    return (other.peak_w - first.peak_w) * (1.0 + first.mass_share)


def _more(one: Comparison) -> bool:
    return one.peak_w is not None and one.peak_w.verdict == "more"


def _less(one: Comparison) -> bool:
    return one.peak_w is not None and one.peak_w.verdict == "less"


def _foretold_sds(found: list[Comparison]) -> list[float]:
    """Return the relative sd of a difference that a plan for each vehicle foretells."""
    from plan import planned_by_side

    return [planned_by_side(one.first).difference_share for one in found[::DAYS]]


if __name__ == "__main__":
    main()
