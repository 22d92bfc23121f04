"""One session of a world judged, and many sessions as tables."""

from __future__ import annotations

import hashlib
import tempfile
import time
import traceback
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from figures import Figure
from named_worlds import WORLDS
from numpy.typing import NDArray
from true_sessions import simulate
from worlds_oracle import oracle

from analysis.pipeline import analyse
from logger.errors import PullcoastError
from logger.reading import read_log
from logger.session.session import read_session

__all__ = ["SPEEDS_KMH", "Row", "figures", "judged", "program", "tables"]

Floats = NDArray[np.float64]

#: Speeds at which road loads are compared, where coast-downs covered them [km/h].
SPEEDS_KMH = (50.0, 72.0, 100.0)
# shares of a normal distribution within these numbers of sd
_INSIDE_68, _INSIDE_95 = 0.9945, 1.9600
#: Largest rms error of the peak by grade, and of the road load at each speed (ratios).
PEAK_GOALS = {"clean": 0.015, "rough": 0.025, "one pair": 0.025, "fixes only": 0.05}
LOAD_GOALS = {"clean": (0.012, 0.011, 0.014)}
#: A single world may reach this many times the goal of its grade.
_ONE_WORLD = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One session; errors and sd relative to the truth, None where nothing is said or covered.

    Parameters
    ----------
    world, seed, program : str, int, str
        Which session, judged by which state of the program and of the worlds.
    load_error, load_sd, load_oracle : tuple of 3
        At `SPEEDS_KMH`.
    peak_error, peak_sd, peak_oracle : float or None
        Of the peak wheel power.
    peak_inside : bool or None
        Whether its 95 % interval holds the truth.
    gears, true_gears : int
        Found and driven.
    failure : str
        Why there is no result; empty when there is one.
    seconds : float
        Processor time of reading and analysis [s].
    """

    world: str
    seed: int
    program: str
    load_error: tuple[float | None, ...] = (None, None, None)
    load_sd: tuple[float | None, ...] = (None, None, None)
    load_oracle: tuple[float | None, ...] = (None, None, None)
    peak_error: float | None = None
    peak_sd: float | None = None
    peak_oracle: float | None = None
    peak_inside: bool | None = None
    gears: int = 0
    true_gears: int = 0
    failure: str = ""
    seconds: float = 0.0

    def as_dict(self) -> dict[str, Any]:
        """Return what `json` can write; `of_dict` takes it back."""
        return asdict(self)

    @classmethod
    def of_dict(cls, fields: dict[str, Any]) -> Row:
        """Return the row of what `as_dict` gave, read back from JSON or not."""
        lists = {key: tuple(one) for key, one in fields.items() if isinstance(one, list)}
        return cls(**(fields | lists))


def program() -> str:
    """Return a digest of everything that a row depends on: the program, the worlds, the oracle."""
    here = Path(__file__).resolve().parent
    root = here.parents[1]
    files = [*root.glob("analysis/**/*.py"), *root.glob("logger/**/*.py")]
    files += [*root.glob("tests/truth/*.py"), *here.glob("worlds_*.py")]
    digest = hashlib.sha256()
    for file in sorted(files):
        digest.update(str(file.relative_to(root)).encode())
        digest.update(file.read_bytes())
    return digest.hexdigest()[:16]


def judged(job: tuple[str, int, str]) -> Row:
    """Simulate one session, analyse its folder as a user's, and compare with the truth.

    Parameters
    ----------
    job : (world, seed, program)
        As in `Row`.

    Returns
    -------
    Row
        A refusal or an exception becomes a row, not an end.
    """
    name, seed, state = job
    with tempfile.TemporaryDirectory(prefix="pullcoast_worlds_") as folder:
        place = Path(folder) / "session"
        truth = simulate(WORLDS[name], seed, place)
        speeds = np.array(SPEEDS_KMH) / 3.6
        covered = [truth.covered(float(speed)) for speed in speeds]
        best = oracle(truth, speeds, np.random.default_rng([seed, 9]))
        kept = Row(
            world=name,
            seed=seed,
            program=state,
            load_oracle=_where(covered, best.load_error),
            peak_oracle=best.peak_error,
            true_gears=len(truth.power),
        )
        start_s = time.process_time()
        try:
            session = read_session(place)
            logs = tuple(read_log(entry.files, columns=entry.columns) for entry in session.logs)
            outcome = analyse(session, logs)
        except PullcoastError as error:
            return _failed(kept, str(error).partition("\n")[0])
        except Exception as error:  # noqa: BLE001
            last = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{Path(last.filename).name}:{last.lineno}"
            return _failed(kept, f"{type(error).__name__} at {where}: {error}")
        seconds = time.process_time() - start_s
    load, power = outcome.road_load, outcome.power
    if load is None:
        return _failed(kept, "no road load")
    true = truth.force_n(speeds)
    fields = kept.as_dict() | {
        "load_error": _where(covered, load.force_n(speeds) / true - 1.0),
        "load_sd": _where(covered, load.force_sd_n(speeds) / true),
        "seconds": seconds,
    }
    if power is None or power.peak_w is None:
        fields["failure"] = "no peak wheel power"
    else:
        low, high = power.peak_ci95_w
        fields |= {
            "peak_error": power.peak_w / truth.peak_w - 1.0,
            "peak_sd": power.peak_sd_w / truth.peak_w,
            "peak_inside": bool(low <= truth.peak_w <= high),
            "gears": len(power.gears),
        }
    return Row.of_dict(fields)


def _where(covered: Sequence[bool], values: Sequence[float] | Floats) -> tuple[float | None, ...]:
    return tuple(
        float(value) if held else None for held, value in zip(covered, values, strict=True)
    )


def _failed(kept: Row, why: str) -> Row:
    return replace(kept, failure=why)


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
    """Return what is kept: errors by grade and world, coverage and bias, failures, beside goals."""
    everything = [row for rows in by_world.values() for row in rows]
    found = []
    for grade, goal in PEAK_GOALS.items():
        some = [row for row in everything if WORLDS[row.world].grade == grade]
        if some:
            size = 100 * _rms(_peaks(some)[0])
            found.append(
                Figure(f"{grade}: peak wheel power, rms error", size, None, 100 * goal, "%")
            )
        for at, speed in enumerate(SPEEDS_KMH):
            if some and grade in LOAD_GOALS:
                name = f"{grade}: road load at {speed:.0f} km/h, rms error"
                size = 100 * _rms(_loads(some, at)[0])
                found.append(Figure(name, size, None, 100 * LOAD_GOALS[grade][at], "%"))
    pairs = {"all worlds": everything, **by_world}
    for name, rows in pairs.items():
        band = (93.0, 97.5) if name == "all worlds" else (88.0, 99.5)
        grade_goal = PEAK_GOALS.get(WORLDS[name].grade) if name in WORLDS else None
        errors, sds, inside = _peaks(rows)
        loads, load_sds = _all_loads(rows)
        if errors.size:
            worst = None if grade_goal is None else 100 * _ONE_WORLD * grade_goal
            size = 100 * _rms(errors)
            found += [
                Figure(f"{name}: peak wheel power, rms error", size, None, worst, "%"),
                Figure(f"{name}: peak, 95 % intervals hold", 100 * _share(inside), *band, "%"),
                Figure(f"{name}: peak, bias", abs(_share(errors / sds)), None, 0.3, "sd"),
            ]
        if loads.size:
            z = loads / load_sds
            held = 100 * _share(np.abs(z) <= _INSIDE_95)
            found += [
                Figure(f"{name}: road load, 95 % intervals hold", held, *band, "%"),
                Figure(f"{name}: road load, bias", abs(_share(z)), None, 0.3, "sd"),
            ]
    failed = float(sum(bool(row.failure) for row in everything))
    found.append(Figure("sessions that fail", failed, None, 0.0))
    return found
