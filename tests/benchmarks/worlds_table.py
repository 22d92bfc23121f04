"""Many judged sessions of worlds as tables, and the figures that are kept of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from figures import Figure
from named_worlds import WORLDS
from numpy.typing import NDArray
from worlds_scores import SPEEDS_KMH, Row

__all__ = ["figures", "tables"]

Floats = NDArray[np.float64]

# shares of a normal distribution within these numbers of sd
_INSIDE_68, _INSIDE_95 = 0.9945, 1.9600
#: Largest rms error of the peak by grade, and of the road load at each speed (ratios).
PEAK_GOALS = {"clean": 0.015, "rough": 0.025, "one pair": 0.025, "fixes only": 0.05}
LOAD_GOALS = {"clean": (0.012, 0.011, 0.014)}
#: A single world may reach this many times the goal of its grade.
_ONE_WORLD = 2.5
#: Shares that 95 % intervals may hold: over all worlds, and in a single one (%).
_BAND, _ONE_WORLD_BAND = (93.0, 97.5), (88.0, 99.5)
_BIAS_SD = 0.3


def _peaks(rows: Sequence[Row]) -> tuple[Floats, Floats, Floats]:
    """Return errors, sds, and whether intervals hold, of the rows that have a peak."""
    there = [row for row in rows if row.peak_error is not None and row.peak_sd is not None]
    return (
        np.array([row.peak_error for row in there], dtype=np.float64),
        np.array([row.peak_sd for row in there], dtype=np.float64),
        np.array([row.peak_inside for row in there], dtype=np.float64),
    )


def _loads(rows: Sequence[Row], at: int) -> tuple[Floats, Floats]:
    """Return errors and sds at one of the speeds."""
    there = [row for row in rows if row.load_error[at] is not None]
    return (
        np.array([row.load_error[at] for row in there], dtype=np.float64),
        np.array([row.load_sd[at] for row in there], dtype=np.float64),
    )


def _all_loads(rows: Sequence[Row]) -> tuple[Floats, Floats]:
    each = [_loads(rows, at) for at in range(len(SPEEDS_KMH))]
    return np.concatenate([one[0] for one in each]), np.concatenate([one[1] for one in each])


def _rms(values: Floats | Sequence[float | None]) -> float:
    known = np.array([value for value in values if value is not None], dtype=np.float64)
    return float(np.sqrt(np.mean(known**2))) if known.size else float("nan")


def _share(held: Floats | NDArray[np.bool_]) -> float:
    return float(np.mean(held)) if held.size else float("nan")


def _cells(values: Sequence[float], width: int = 7, digits: int = 2) -> str:
    return "".join(
        f"{value:{width}.{digits}f}" if np.isfinite(value) else f"{'-':>{width}}"
        for value in values
    )


def tables(by_world: Mapping[str, Sequence[Row]]) -> list[str]:
    """Return two tables, a line a world and pooled lines below: peak power, road load.

    Errors in % of the truth; `mean z` is the mean of error over stated sd (bias in sd), `rms z` its
    root mean square (1 when honest); shares of 95 % and 68 % intervals that hold the truth, in %.
    """
    groups = dict(by_world)
    everything = [row for rows in by_world.values() for row in rows]
    for grade in dict.fromkeys(WORLDS[name].grade for name in by_world):
        some = [row for row in everything if WORLDS[row.world].grade == grade]
        groups[f"all {grade}"] = some
    groups["all worlds"] = everything
    lines = [
        (
            f"peak wheel power{'':8}{'n':>5}{'fail':>5}{'gears':>6}{'rms':>7}{'bias':>7}{'mean z':>7}"
            f"{'rms z':>7}{'95 %':>7}{'68 %':>7}{'oracle':>8}"
        )
    ]
    for name, rows in groups.items():
        errors, sds, inside = _peaks(rows)
        failed = sum(bool(row.failure) for row in rows)
        wrong = sum(row.gears != row.true_gears for row in rows if not row.failure)
        z = errors / sds
        figures = (100 * _rms(errors), 100 * _share(errors), _share(z), _rms(z))
        shares = (100 * _share(inside), 100 * _share(np.abs(z) <= _INSIDE_68))
        best = 100 * _rms([row.peak_oracle for row in rows])
        lines.append(
            f"{name:24}{len(rows):5}{failed:5}{wrong:6}{_cells(figures)}{_cells(shares, digits=1)}"
            f"{_cells([best], 8)}"
        )
    speeds = "".join(f"{speed:7.0f}" for speed in SPEEDS_KMH)
    lines += ["", f"{'':29}{'rms at km/h':>21}{'bias at km/h':>21}{'':28}{'oracle at km/h':>21}"]
    lines.append(
        f"road load{'':15}{'n':>5}{speeds}{speeds}{'mean z':>7}{'rms z':>7}{'95 %':>7}{'68 %':>7}{speeds}"
    )
    for name, rows in groups.items():
        each = [_loads(rows, at)[0] for at in range(len(SPEEDS_KMH))]
        errors, sds = _all_loads(rows)
        z = errors / sds
        held = (100 * _share(np.abs(z) <= _INSIDE_95), 100 * _share(np.abs(z) <= _INSIDE_68))
        best_of = [
            100 * _rms([row.load_oracle[at] for row in rows]) for at in range(len(SPEEDS_KMH))
        ]
        lines.append(
            f"{name:24}{len(rows):5}{_cells([100 * _rms(one) for one in each])}"
            f"{_cells([100 * _share(one) for one in each])}"
            f"{_cells([_share(z), _rms(z)])}{_cells(held, digits=1)}{_cells(best_of)}"
        )
    lines += ["", "sessions that fail:"]
    failures = [row for row in everything if row.failure]
    for name in dict.fromkeys(row.world for row in failures):
        some = [row for row in failures if row.world == name]
        lines.append(f"  {name}: {len(some)}, seed {some[0].seed}: {some[0].failure[:150]}")
    if not failures:
        lines.append("  none")
    return lines


def figures(by_world: Mapping[str, Sequence[Row]]) -> list[Figure]:
    """Return what is kept: errors by grade, honesty over all, and the worst world of each kind."""
    everything = [row for rows in by_world.values() for row in rows]
    found = []
    for grade, goal in PEAK_GOALS.items():
        some = [row for row in everything if WORLDS[row.world].grade == grade]
        found += _known(f"{grade}: peak wheel power, rms error", _rms(_peaks(some)[0]), goal)
        for at, most in enumerate(LOAD_GOALS.get(grade, ())):
            name = f"{grade}: road load at {SPEEDS_KMH[at]:.0f} km/h, rms error"
            found += _known(name, _rms(_loads(some, at)[0]), most)
    over_goal = {
        name: _rms(_peaks(rows)[0]) / PEAK_GOALS[WORLDS[name].grade]
        for name, rows in by_world.items()
        if WORLDS[name].grade in PEAK_GOALS
    }
    found += _extreme("peak, rms error over its grade's goal", over_goal, None, _ONE_WORLD, "x")
    for what, judge in (("peak", _peak_honesty), ("road load", _load_honesty)):
        held, bias = judge(everything)
        if np.isfinite(held):
            found += [
                Figure(f"all worlds: {what}, 95 % intervals hold", held, *_BAND, "%"),
                Figure(f"all worlds: {what}, bias", abs(bias), None, _BIAS_SD, "sd"),
            ]
        each = {name: judge(rows) for name, rows in by_world.items()}
        shares = {name: held for name, (held, _) in each.items()}
        biases = {name: abs(bias) for name, (_, bias) in each.items()}
        name = f"{what}, 95 % intervals hold"
        found += _extreme(name, shares, _ONE_WORLD_BAND[0], None, "%")
        found += _extreme(name, shares, None, _ONE_WORLD_BAND[1], "%")
        found += _extreme(f"{what}, bias", biases, None, _BIAS_SD, "sd")
    failed = float(sum(bool(row.failure) for row in everything))
    found.append(Figure("sessions that fail", failed, None, 0.0))
    return found


def _known(name: str, ratio: float, highest: float) -> list[Figure]:
    """Return a ratio as a figure in %; nothing where no session has it."""
    return [Figure(name, 100 * ratio, None, 100 * highest, "%")] if np.isfinite(ratio) else []


def _peak_honesty(rows: Sequence[Row]) -> tuple[float, float]:
    """Return the share of 95 % intervals that hold the peak [%], and its bias in sd."""
    errors, sds, inside = _peaks(rows)
    return 100 * _share(inside), _share(errors / sds)


def _load_honesty(rows: Sequence[Row]) -> tuple[float, float]:
    """Return the share of 95 % intervals that hold the road load [%], and its bias in sd."""
    errors, sds = _all_loads(rows)
    z = errors / sds
    return 100 * _share(np.abs(z) <= _INSIDE_95), _share(z)


def _extreme(
    what: str, of_world: Mapping[str, float], lowest: float | None, highest: float | None, unit: str
) -> list[Figure]:
    """Return the figure of the world that is nearest to a bound, or beyond it."""
    known = {name: value for name, value in of_world.items() if np.isfinite(value)}
    if not known:
        return []
    side = min if highest is None else max
    name = side(known, key=lambda one: known[one])
    word = "lowest" if highest is None else "highest"
    return [Figure(f"{word} of a world: {what} ({name})", known[name], lowest, highest, unit)]
