"""What a session predicts for timed intervals, each way along its own road in its own wind.

Where runs of the session passed the same gates in the same direction, the prediction is the mean of
what they took: road, wind and launches as they were. Elsewhere it is that of the session's road load
and wheel power with mean slope and wind. Without a direction it is the middle of both ways.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.crosscheck.gate_model import GateModel, slope_accel_mps2
from analysis.crosscheck.own_times import OwnTime, RunCurve, own_time
from analysis.crosscheck.timed_runs import TimedRun
from logger.arrays import Array
from logger.session.session import Vehicle

__all__ = ["Predicted", "SessionGates", "gate_slopes", "predict_gates"]

#: A run's mean wind differs from the other runs' by this [m/s], and over an interval gusts leave this
#: much for this correlation time [s]; common practice, no source.
_RUN_WIND_SD_MPS, _GUST_SD_MPS, _GUST_S = 0.4, 0.5, 8.0
#: Pulls of one vehicle differ by this share of the tractive force: heat, boost; common practice, no
#: source.
_PULL_SD = 0.01
#: Slope of an interval about the road's mean, and about that of the same interval begun elsewhere by
#: some metres (ratios; a road is not flat at any length).
_LOCAL_SLOPE_SD, _START_SLOPE_SD = 0.0015, 0.0005
_WIND_STEP_MPS, _SLOPE_STEP = 0.5, 0.0005


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionGates:
    """What a session has to predict gate times with.

    Parameters
    ----------
    model : GateModel
        Level road, still air.
    vehicle : Vehicle
        Its masses.
    wind_mps, wind_sd_mps, slope, slope_sd : float
        Mean wind against "up" [m/s] and slope along it (ratio).
    curves : tuple of RunCurve
        Speed over time of its runs.
    """

    model: GateModel
    vehicle: Vehicle
    wind_mps: float = 0.0
    wind_sd_mps: float = 0.0
    slope: float = 0.0
    slope_sd: float = 0.0
    curves: tuple[RunCurve, ...] = ()

    def met(self, way: int, more_wind_mps: float = 0.0, more_slope: float = 0.0) -> GateModel:
        """Return the model on the session's road in its wind, driven `way`: 1 up, -1 down."""
        slope = slope_accel_mps2(self.vehicle, way * (self.slope + more_slope))
        return self.model.met(way * (self.wind_mps + more_wind_mps), slope)


@dataclass(frozen=True, slots=True, kw_only=True)
class Predicted:
    """Predicted times of timed intervals.

    Parameters
    ----------
    runs : tuple of TimedRun
        What is predicted.
    models : tuple of GateModel
        What says of each how its time changes with its gates.
    time_s : array of shape (n,)
        As the stated direction has it; without one the middle of both ways [s].
    up_s, down_s : arrays of shape (n,)
        Each way; nan where a speed is never reached.
    half_way_s : array of shape (n,)
        Half of up less down where no direction is stated, else 0: unknown, but one and the same way.
    wind_s, slope_s : arrays of shape (n,)
        Change of each time with 1 m/s more wind against "up", and with a slope of 1 along it.
    covariance_s2 : array of shape (n, n)
        Errors of all but the unknown direction.
    """

    runs: tuple[TimedRun, ...]
    models: tuple[GateModel, ...]
    time_s: Array
    up_s: Array
    down_s: Array
    half_way_s: Array
    wind_s: Array
    slope_s: Array
    covariance_s2: Array

    def at_scale(self, scale: float) -> Array:
        """Return the times [s] where gates were read off something that shows `scale` of the truth."""
        moved = _times(self.models, self.runs, scale) - _times(self.models, self.runs)
        return np.asarray(self.time_s + moved)

    @property
    def directed(self) -> bool:
        """Whether the direction of every interval is known."""
        return all(run.direction is not None for run in self.runs)


def predict_gates(
    session: SessionGates, runs: Sequence[TimedRun], known: dict[int, RunCurve] | None = None
) -> Predicted:
    """Predict the times of intervals that the session's vehicle reaches.

    Parameters
    ----------
    session : SessionGates
        As from `session_gates`.
    runs : sequence of TimedRun
        Each with its direction where it is known.
    known : dict of int to RunCurve, optional
        Which of the session's own runs an interval was timed in, by its place in `runs`.

    Returns
    -------
    Predicted
        With everything that the session does not know in the covariance.
    """
    count = len(runs)
    of_run = {at: own for at, curve in (known or {}).items() if (own := own_time(curve, runs[at]))}
    ways = {way: _way(session, runs, way) for way in (1, -1)}
    level = np.array([_time(session.model, run) for run in runs])
    time_s, half_s, wind_s, slope_s = (np.zeros(count) for _ in range(4))
    models = []
    for at, run in enumerate(runs):
        if run.direction is not None:
            way = ways[run.direction]
            time_s[at], wind_s[at], slope_s[at] = way.time_s[at], way.wind_s[at], way.slope_s[at]
            models.append(session.met(run.direction))
        else:
            both = [one.time_s[at] for one in ways.values() if np.isfinite(one.time_s[at])]
            time_s[at] = np.mean(both) if both else level[at]
            half_s[at] = 0.5 * (both[0] - both[1]) if len(both) == 2 else 0.0
            wind_s[at], slope_s[at] = ways[1].wind_s[at], ways[1].slope_s[at]
            models.append(session.model)
        if not np.isfinite(_time(models[-1], run)):
            models[-1] = session.model
        if not np.isfinite(time_s[at]):
            time_s[at] = level[at]
        if at in of_run:
            time_s[at], half_s[at] = of_run[at].time_s, 0.0
    covariance = _covariance(session, runs, ways, of_run)
    return Predicted(
        runs=tuple(runs),
        models=tuple(models),
        time_s=time_s,
        up_s=ways[1].time_s,
        down_s=ways[-1].time_s,
        half_way_s=half_s,
        wind_s=wind_s,
        slope_s=slope_s,
        covariance_s2=covariance,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """Times one way [s], how many runs they are the mean of, and the variance of their reading [s2]."""

    time_s: Array
    count: Array
    read_s2: Array
    wind_s: Array
    slope_s: Array


def _way(session: SessionGates, runs: Sequence[TimedRun], way: int) -> _Way:
    """Return what the session predicts one way along its road."""
    here = session.met(way)
    time_s = np.array([_time(here, run) for run in runs])
    count, read = np.zeros(len(runs)), np.zeros(len(runs))
    for at, run in enumerate(runs):
        found = [own for curve in session.curves if (own := _used_time(curve, run, way))]
        if found:
            time_s[at] = np.mean([own.time_s for own in found])
            read[at] = np.mean([own.sd_s**2 for own in found]) / len(found)
            count[at] = len(found)
    time_s[~np.isfinite(time_s)] = np.nan
    # derivatives by half differences; a speed that is never reached on one side changes nothing
    wind, slope = (
        np.nan_to_num(
            (_times([more] * len(runs), runs) - _times([less] * len(runs), runs)) / (2.0 * step),
            nan=0.0, posinf=0.0, neginf=0.0,
        )
        for more, less, step in (
            (session.met(way, _WIND_STEP_MPS), session.met(way, -_WIND_STEP_MPS), _WIND_STEP_MPS),
            (
                session.met(way, 0.0, _SLOPE_STEP),
                session.met(way, 0.0, -_SLOPE_STEP),
                _SLOPE_STEP,
            ),
        )
    )  # fmt: skip
    return _Way(time_s=time_s, count=count, read_s2=read, wind_s=wind, slope_s=slope)


def _used_time(curve: RunCurve, run: TimedRun, way: int) -> OwnTime | None:
    """Return a used run's own time if it went this way."""
    phase = curve.pull if run.kind == "pull" else curve.coast
    if curve.direction != way or phase is None or not phase.used:
        return None
    return own_time(curve, run)


def _covariance(
    session: SessionGates,
    runs: Sequence[TimedRun],
    ways: dict[int, _Way],
    of_run: dict[int, OwnTime],
) -> Array:
    """Return what the session does not know of the times of runs like its own [s2]."""
    count = len(runs)
    curve, pulls, beyond = session.model.error_columns_s(runs, _PULL_SD)
    mine = np.array([at in of_run for at in range(count)], dtype=bool)
    direction = np.array([run.direction or 0 for run in runs])
    own, read, wind, slope = (np.zeros(count) for _ in range(4))
    for at in range(count):
        one = ways[int(direction[at]) or 1]
        own[at] = one.count[at] if direction[at] else min(w.count[at] for w in ways.values())
        read[at], wind[at], slope[at] = one.read_s2[at], one.wind_s[at], one.slope_s[at]
        if mine[at]:
            read[at], wind[at], slope[at], beyond[at] = of_run[at].sd_s ** 2, 0.0, 0.0, 0.0
    seen = mine | (own > 0)
    # what a new run adds to the mean of as many: 1 + 1 / n; without any its own part alone
    anew = np.sqrt(1.0 + np.where(own > 0, 1.0 / np.maximum(own, 1.0), 0.0))
    columns = [
        *(np.where(seen, 0.0, column) for column in curve.T),
        np.where(seen, 0.0, wind * session.wind_sd_mps),
        np.where(seen, 0.0, slope * session.slope_sd),
    ]
    for way in (1, -1, 0):  # intervals of one direction are taken for one run
        part = (direction == way) & ~mine
        columns += [np.where(part, column, 0.0) for column in pulls.T]
        columns.append(np.where(part, wind * _RUN_WIND_SD_MPS * anew, 0.0))
    length = np.array([run.gates.duration_s for run in runs])
    gust = _GUST_SD_MPS * np.sqrt(2.0 * _GUST_S / (length + 2.0 * _GUST_S))
    local = np.where(seen, _START_SLOPE_SD, _LOCAL_SLOPE_SD)
    single = read + (wind * gust) ** 2 + (slope * local) ** 2
    single = single + np.where(seen, 0.0, beyond) ** 2
    matrix = np.column_stack(columns)
    return np.asarray(matrix @ matrix.T + np.diag(single))


def _time(model: GateModel, run: TimedRun, scale: float = 1.0) -> float:
    return model.time_s(run.kind, run.gates.from_mps / scale, run.gates.to_mps / scale)


def _times(models: Sequence[GateModel], runs: Sequence[TimedRun], scale: float = 1.0) -> Array:
    """Return each model's time of its interval, gates over the scale [s]; nan where never reached."""
    found = np.array([_time(one, run, scale) for one, run in zip(models, runs, strict=True)])
    return np.where(np.isfinite(found), found, np.nan)


def gate_slopes(runs: Sequence[TimedRun], models: Sequence[GateModel]) -> Array:
    """Return the change of each time with each gate [s per m/s], over one sd to either side."""
    rows = []
    for run, model in zip(runs, models, strict=True):
        row = []
        for end in ("from_mps", "to_mps"):
            speed, step = getattr(run.gates, end), max(run.speed_sd_mps, 0.01)
            moved, times = [], []
            for at in (speed + step, max(speed - step, 0.0), speed):
                time_s = _time(model, replace(run, gates=replace(run.gates, **{end: at})))
                if np.isfinite(time_s):  # a side may lie beyond what the model reaches
                    moved.append(at)
                    times.append(time_s)
            slope = (times[0] - times[1]) / (moved[0] - moved[1]) if len(times) > 1 else 0.0
            row.append(float(slope))
        rows.append(row)
    return np.array(rows).reshape(len(runs), 2)
