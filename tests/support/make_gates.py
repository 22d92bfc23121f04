"""Gates as a driver with a stopwatch would time them on a simulated vehicle of known truth."""

from __future__ import annotations

import itertools

import numpy as np

from analysis.crosscheck.gate_model import GateModel, gate_model
from analysis.crosscheck.timed_runs import GateInterval, TimedRun
from analysis.physics.coasting import coast_time_s
from analysis.pipeline import Analysis
from analysis.simulate.truth import Truth

__all__ = ["KMH", "coasting_s", "crossing_s", "gate_speeds_kmh", "model_of", "time_gates"]

KMH = 1 / 3.6


def gate_speeds_kmh(truth: Truth) -> tuple[int, int, int]:
    """Three gates inside what every run of the session covers."""
    top = min(run.release_mps for run in truth.runs) / KMH
    high = int(0.9 * top // 5 * 5)
    return high, int((high + 30) / 2 // 5 * 5), 30


def crossing_s(
    truth: Truth, direction: int, from_mps: float, to_mps: float, from_run: int = 0
) -> float:
    """Mean time that the true pulls of one direction, from run `from_run` on, take between two speeds."""
    times = []
    for run in truth.runs[from_run:]:
        if run.direction != direction:
            continue
        path, offset = truth.paths[run.log], truth.logs[run.log].path_offset_s
        inside = (path.time_s >= run.launch_s + offset) & (path.time_s <= run.release_s + offset)
        t, v = path.time_s[inside], path.speed_mps[inside]
        start = t[0] if from_mps <= 0.0 else t[int(np.argmax(v >= from_mps))]
        times.append(float(t[int(np.argmax(v >= to_mps))] - start))
    return float(np.mean(times))


def coasting_s(
    truth: Truth, direction: int, from_mps: float, to_mps: float, from_run: int = 0
) -> float:
    """Mean time that the true coast-downs of one direction take between two speeds; nan if none does."""
    times = []
    for run in truth.runs[from_run:]:
        path, offset = truth.paths[run.log], truth.logs[run.log].path_offset_s
        inside = (path.time_s >= run.neutral_s + offset) & (path.time_s <= run.brake_s + offset)
        t, v = path.time_s[inside], path.speed_mps[inside]
        if run.direction == direction and v[0] >= from_mps and v[-1] <= to_mps:
            first, last = (float(t[int(np.argmax(v <= speed))]) for speed in (from_mps, to_mps))
            times.append(last - first)
    return float(np.mean(times)) if times else float("nan")


def _still_air_s(truth: Truth, kind: str, from_mps: float, to_mps: float, from_run: int) -> float:
    """True time on a level road in still air: closed form; pulls as the mean of both directions."""
    if kind == "coast":
        return coast_time_s(
            truth.effective_mass_kg,
            truth.f0_n,
            truth.f1_n_per_mps,
            truth.f2_n_per_mps2,
            from_mps,
            to_mps,
        )
    rates = [1.0 / crossing_s(truth, d, from_mps, to_mps, from_run) for d in (1, -1)]
    return 2.0 / sum(rates)


def time_gates(
    truth: Truth,
    rng: np.random.Generator,
    *,
    time_sd_s: float = 0.2,
    speed_sd_kmh: float = 1.0,
    scale: float = 1.0,
    pulls_kmh: tuple[tuple[int, int], ...] | None = None,
    from_run: int = 0,
    direction: int | None = None,
) -> list[TimedRun]:
    """Time one pull (or those given) and two coast-downs in a row, with errors of time and gate.

    `scale` is shown over true speed; pulls are timed from run `from_run` of the session on. With a
    `direction` all are timed in the true runs of it, else in still air on a level road.
    """
    high, middle, low = gate_speeds_kmh(truth)
    pulls = pulls_kmh or ((0, high),)
    intervals = [("pull", a, b) for a, b in pulls]
    intervals += [("coast", a, b) for a, b in itertools.pairwise((high, middle, low))]
    read: dict[tuple[str, int], float] = {}
    runs = []
    for kind, first, last in intervals:
        true = []
        for shown in (first, last):
            error = speed_sd_kmh * float(rng.standard_normal()) if shown else 0.0
            true.append(read.setdefault((kind, shown), (shown + error) * KMH / scale))
        if direction is None:
            time_s = _still_air_s(truth, kind, true[0], true[1], from_run)
        else:
            timed = crossing_s if kind == "pull" else coasting_s
            time_s = timed(truth, direction, true[0], true[1], from_run)
        time_s += time_sd_s * float(rng.standard_normal())
        if not time_s > 0.0:
            continue  # no run of this direction coasted through these gates
        runs.append(
            TimedRun(
                kind="pull" if kind == "pull" else "coast",
                gates=GateInterval(from_mps=first * KMH, to_mps=last * KMH, duration_s=time_s),
                time_sd_s=time_sd_s,
                speed_sd_mps=speed_sd_kmh * KMH,
                direction=direction,
            )
        )
    return runs


def model_of(outcome: Analysis) -> GateModel:
    """Return what predicts times of an analysed session."""
    assert outcome.road_load is not None
    return gate_model(
        outcome.road_load,
        outcome.session.vehicle,
        outcome.power,
        outcome.pulls,
        outcome.runs,
        outcome.curves,
    )
