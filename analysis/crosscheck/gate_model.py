"""The times between gates that a session's results predict.

Everything is an acceleration per effective mass: a coast-down's time is the integral of dv over
r(v) = R(v) / m_e, a pull's that of dv over T(v) / m_e - r(v), so that an error of the mass, which
road load and wheel power share, cancels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.crosscheck.timed_runs import TimedKind, TimedRun
from analysis.physics.vehicle import effective_mass_kg
from analysis.results.power import PowerCurve, PullFigures
from analysis.results.road_load import RoadLoad
from analysis.runs.run import Run
from analysis.signals.smoothing import SpeedCurve
from logger.arrays import Array
from logger.session.session import Vehicle
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = ["GateModel", "Shift", "gate_model", "slope_accel_mps2"]


_STEP_MPS = 0.05
#: A gear change whose length no pull of the session shows [s], and its sd.
_SHIFT_S, _SHIFT_SD_S = 0.6, 0.3
#: A launch differs from the session's launches by at least this [s].
_LAUNCH_SD_S = 0.1
#: Beyond the speeds covered constant power is assumed; its sd as a share of the time spent there.
_BEYOND_SHARE = 0.10
_SETTLED_MPS = 3.0
#: The difference of tractive force and road load is known to no better than this share.
_LEAST_DRIVE_SD = 0.003


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """A gear change: speed where drive ends and where it begins again [m/s], time between [s]."""

    end_mps: float
    begin_mps: float
    time_s: float
    time_sd_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GateModel:
    """What predicts gate times: accelerations per effective mass.

    Parameters
    ----------
    resist, resist_covariance : arrays of shape (3,), (3, 3)
        Road load over effective mass [m/s2, 1/s, 1/m] and its covariance.
    gear_speed_mps, gear_accel_mps2 : tuple of arrays
        Tractive force over effective mass per gear; empty without pulls.
    shifts : tuple of Shift
        Between one gear and the next.
    launch_mps, launch_s, launch_sd_s : float
        Speed up to which a launch is taken from the session's own, and its time.
    drive_sd, repeat_sd : float
        Relative sd of the tractive force: of the curve beyond what the road load puts into it, and
        from pull to pull.
    wind_mps, slope_mps2 : float
        Wind and slope acceleration met; 0 on a level road in still air.
    """

    resist: Array
    resist_covariance: Array
    gear_speed_mps: tuple[Array, ...] = ()
    gear_accel_mps2: tuple[Array, ...] = ()
    shifts: tuple[Shift, ...] = ()
    launch_mps: float = 0.0
    launch_s: float = 0.0
    launch_sd_s: float = 0.0
    drive_sd: float = 0.0
    repeat_sd: float = 0.0
    wind_mps: float = 0.0
    slope_mps2: float = 0.0

    def slowing_mps2(self, speed_mps: Array) -> Array:
        """Return what slows the vehicle in neutral [m/s2]."""
        r0, r1, r2 = self.resist
        air = speed_mps + self.wind_mps
        return np.asarray(r0 + r1 * speed_mps + r2 * air * np.abs(air) + self.slope_mps2)

    def met(self, wind_mps: float, slope_mps2: float) -> GateModel:
        """Return the model with a headwind [m/s] and a slope's acceleration [m/s2]."""
        return replace(self, wind_mps=wind_mps, slope_mps2=slope_mps2)

    def time_s(self, kind: TimedKind, from_mps: float, to_mps: float) -> float:
        """Return the predicted time [s]; inf where the speed is never reached."""
        if kind == "coast":
            return self._coast_time_s(from_mps, to_mps)
        speed, time, _ = self.pull_path(max(from_mps, to_mps))
        if not speed.size or speed[-1] < to_mps:
            return float("inf")
        return float(np.interp(to_mps, speed, time) - np.interp(from_mps, speed, time))

    def _coast_time_s(self, from_mps: float, to_mps: float) -> float:
        """Return the integral of dv / r(v) from one speed down to another by Simpson's rule [s]."""
        count = 2 * max(int(np.ceil((from_mps - to_mps) / (2.0 * _STEP_MPS))), 8)
        v = np.linspace(to_mps, from_mps, count + 1)
        slowing = self.slowing_mps2(v)
        if np.any(slowing <= 0.0):
            return float("inf")
        weights = np.where(np.arange(count + 1) % 2, 4.0, 2.0)
        weights[[0, -1]] = 1.0  # Simpson's rule
        return float((v[1] - v[0]) / 3.0 * (weights / slowing).sum())

    def pull_path(self, top_mps: float) -> tuple[Array, Array, Array]:
        """Return a standing pull: speeds at first crossing [m/s], times [s], gear changes passed."""
        if not self.gear_speed_mps:
            return np.zeros(0), np.zeros(0), np.zeros(0)
        speeds, times = [np.zeros(1)], [np.zeros(1)]
        passed = [np.zeros(1)]
        now_s, v0 = self.launch_s, self.launch_mps
        for gear, (grid, accel) in enumerate(
            zip(self.gear_speed_mps, self.gear_accel_mps2, strict=True)
        ):
            last = gear == len(self.gear_speed_mps) - 1
            end = max(top_mps, v0) + _STEP_MPS if last else self.shifts[gear].end_mps
            if end <= v0:
                end = v0 + _STEP_MPS
            v = np.linspace(v0, end, max(int(np.ceil((end - v0) / _STEP_MPS)), 2) + 1)
            drive = np.interp(v, grid, accel)
            # beyond the speeds covered: constant power, T v as at the last of them
            drive = np.where(v > grid[-1], accel[-1] * grid[-1] / v, drive)
            net = drive - self.slowing_mps2(v)
            good = int(np.argmax(net <= 1e-3)) if np.any(net <= 1e-3) else v.size
            v, net = v[:good], net[:good]
            if v.size < 2:
                break
            # dt = dv / (T / m_e - r(v)) by the trapezium rule
            steps = np.diff(v) * 0.5 * (1.0 / net[1:] + 1.0 / net[:-1])
            t = now_s + np.concatenate([[0.0], np.cumsum(steps)])
            new = v > speeds[-1][-1] + 1e-9
            speeds.append(v[new])
            times.append(t[new])
            passed.append(np.full(int(new.sum()), float(gear)))
            if last or good < int(np.ceil((end - v0) / _STEP_MPS)):
                break
            now_s, v0 = float(t[-1]) + self.shifts[gear].time_s, self.shifts[gear].begin_mps
        return np.concatenate(speeds), np.concatenate(times), np.concatenate(passed)

    def _resisted(self, more: Array) -> GateModel:
        """Return the model with more resistance and as much more tractive force."""
        accels = tuple(
            accel + more[0] + more[1] * v + more[2] * v**2
            for v, accel in zip(self.gear_speed_mps, self.gear_accel_mps2, strict=True)
        )
        return replace(self, resist=self.resist + more, gear_accel_mps2=accels)

    @property
    def top_mps(self) -> float:
        """The highest speed that a pull of the session covered [m/s]."""
        return max((float(grid[-1]) for grid in self.gear_speed_mps), default=0.0)

    def covariance_s2(self, runs: Sequence[TimedRun]) -> Array:
        """Return the covariance of the predicted times [s2]: what the model does not know.

        Parameters
        ----------
        runs : sequence of TimedRun
            Their times are predicted.

        Returns
        -------
        array of shape (n, n)
            The road load is common to all coast-downs. Pulls measure tractive force minus road load,
            so that an error of the road load is in both and cancels; what is left of the curve's
            sd, gear changes, launches and the scatter of pulls is common to all pulls.
        """
        curve, pulls, beyond = self.error_columns_s(runs)
        columns = np.column_stack([curve, pulls])
        return np.asarray(columns @ columns.T + np.diag(beyond**2))

    def error_columns_s(
        self, runs: Sequence[TimedRun], least_repeat: float = 0.0
    ) -> tuple[Array, Array, Array]:
        """Return what one sd of each independent error does to all times [s].

        `least_repeat` is the least relative sd of the tractive force from pull to pull. First the
        columns of the curves' errors, then those by which one pull differs from the next, then each
        interval's own error from the speeds beyond those covered.
        """

        def times(model: GateModel) -> Array:
            return np.array(
                [model.time_s(run.kind, run.gates.from_mps, run.gates.to_mps) for run in runs]
            )

        def forced(share: float) -> Array:
            """Return half the change of the times from less to more tractive force."""
            up, down = (
                replace(self, gear_accel_mps2=tuple(a * factor for a in self.gear_accel_mps2))
                for factor in (1.0 + share, 1.0 - share)
            )
            return 0.5 * (times(up) - times(down))

        base = times(self)
        # C = sum of c c' over independent errors, c the change of all times with one sd of each
        curve = [
            0.5 * (times(self._resisted(column)) - times(self._resisted(-column)))
            for column in _root(self.resist_covariance).T
        ]
        if self.drive_sd > 0.0 and self.gear_accel_mps2:
            curve.append(forced(self.drive_sd))
        pulls = [np.zeros(len(runs))]
        repeat_sd = max(self.repeat_sd, least_repeat)
        if repeat_sd > 0.0 and self.gear_accel_mps2:
            pulls.append(forced(repeat_sd))
        for number, shift in enumerate(self.shifts):
            other = list(self.shifts)
            other[number] = replace(shift, time_s=shift.time_s + shift.time_sd_s)
            pulls.append(times(replace(self, shifts=tuple(other))) - base)
        if self.launch_sd_s > 0.0:
            longer = replace(self, launch_s=self.launch_s + self.launch_sd_s)
            pulls.append(times(longer) - base)
        beyond = [
            _BEYOND_SHARE
            * max(self.time_s("pull", max(self.top_mps, r.gates.from_mps), r.gates.to_mps), 0.0)
            if r.kind == "pull" and r.gates.to_mps > self.top_mps
            else 0.0
            for r in runs
        ]
        finite = (
            np.nan_to_num(np.column_stack(columns), nan=0.0, posinf=0.0, neginf=0.0)
            for columns in (curve, pulls, [beyond])
        )
        first, second, last = finite
        return first, second, last[:, 0]


def _root(covariance: Array) -> Array:
    """Return a matrix whose square is the nearest covariance without negative variances."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    return np.asarray(scale[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def gate_model(
    load: RoadLoad,
    vehicle: Vehicle,
    power: PowerCurve | None = None,
    pulls: Sequence[PullFigures] = (),
    runs: Sequence[Run] = (),
    curves: Sequence[SpeedCurve] = (),
) -> GateModel:
    """Make a session's results ready to predict gate times.

    Parameters
    ----------
    load : RoadLoad
        As tested.
    vehicle : Vehicle
        Masses with their sd.
    power, pulls, runs, curves
        The session's wheel power, and its pulls, from which gear changes and launches are taken;
        without them only coast-downs are predicted.

    Returns
    -------
    GateModel
        For a level road in still air.
    """
    mass_kg, mass_sd_kg = effective_mass_kg(vehicle)
    share = mass_sd_kg / mass_kg
    force = np.array([load.f0_n, load.f1_n_per_mps, load.f2_n_per_mps2])
    # R / m_e is free of the mass: its relative variance is taken out of the covariance
    without_mass = load.covariance - np.outer(force, force) * share**2
    model = GateModel(resist=force / mass_kg, resist_covariance=without_mass / mass_kg**2)
    if power is None or not power.gears:
        return model
    grids, accels, shares = [], [], []
    for gear in power.gears:
        keep = gear.speed_mps > 0.5
        v, p, sd = gear.speed_mps[keep], gear.power_w[keep], gear.sd_w[keep]
        if v.size < 2:
            continue
        grids.append(v)
        accels.append(p / (mass_kg * v))
        fast = v > _SETTLED_MPS
        resist_sd = np.sqrt(np.einsum("ij,jk,ik->i", *_resist_rows(v, model.resist_covariance)))
        # relative variance of T less what mass and road load put into it
        own = (sd / p) ** 2 - share**2 - (resist_sd * mass_kg * v / p) ** 2
        rel = np.sqrt(np.maximum(own, _LEAST_DRIVE_SD**2))
        shares.append(rel[fast] if fast.any() else rel)
    repeat = [
        np.sqrt(max(pull.peak_power_sd_w**2 - power.peak_sd_w**2, 0.0)) / power.peak_w
        for pull in pulls
    ]
    by_log = {curve.log: curve for curve in curves}
    launch = _launch(pulls, by_log, float(grids[0][0]))
    return replace(
        model,
        gear_speed_mps=tuple(grids),
        gear_accel_mps2=tuple(accels),
        shifts=_shifts(grids, runs, by_log),
        launch_mps=launch[0],
        launch_s=launch[1],
        launch_sd_s=launch[2],
        drive_sd=float(np.sqrt(np.mean(np.concatenate(shares) ** 2))),
        repeat_sd=float(np.median(repeat)) if repeat else 0.0,
    )


def _resist_rows(speed_mps: Array, covariance: Array) -> tuple[Array, Array, Array]:
    """Return rows (1, v, v^2) and the covariance between them, for einsum."""
    rows = np.column_stack([np.ones_like(speed_mps), speed_mps, speed_mps**2])
    root = _root(covariance)
    return rows, root @ root.T, rows


def _shifts(
    grids: list[Array], runs: Sequence[Run], curves: dict[int, SpeedCurve]
) -> tuple[Shift, ...]:
    """Return the mean gear changes of the pulls that use as many gears as the curve has."""
    seen: list[list[tuple[float, float, float]]] = [[] for _ in grids[1:]]
    for run in runs:
        pull, curve = run.phase("pull"), curves.get(run.log)
        if pull is None or not pull.used or curve is None:
            continue
        if len(pull.gear_pieces_s) != len(grids):
            continue
        for at, (before, after) in enumerate(
            zip(pull.gear_pieces_s[:-1], pull.gear_pieces_s[1:], strict=True)
        ):
            at_s = np.array([before[1], after[0]])
            speeds = np.interp(at_s, curve.time_s, curve.speed_mps)
            if np.isfinite(speeds).all():
                seen[at].append((float(speeds[0]), float(speeds[1]), after[0] - before[1]))
    shifts = []
    for at, found in enumerate(seen):
        if found:
            end, begin, time_s = (float(x) for x in np.mean(found, axis=0))
            spread = float(np.std([item[2] for item in found], ddof=1)) if len(found) > 1 else 0.2
            sd = float(np.hypot(spread * np.sqrt(1.0 + 1.0 / len(found)), 0.05))
            shifts.append(Shift(end_mps=end, begin_mps=begin, time_s=time_s, time_sd_s=sd))
        else:
            top = float(grids[at][-1])
            shifts.append(Shift(end_mps=top, begin_mps=top, time_s=_SHIFT_S, time_sd_s=_SHIFT_SD_S))
    return tuple(shifts)


def _launch(
    pulls: Sequence[PullFigures], curves: dict[int, SpeedCurve], lowest_mps: float
) -> tuple[float, float, float]:
    """Return speed, time and its sd of the session's own standing launches."""
    to_mps = max(lowest_mps, _SETTLED_MPS)
    times = []
    for pull in pulls:
        curve = curves.get(pull.log)
        if curve is None or pull.from_mps > 1.0:
            continue
        inside = (curve.time_s >= pull.start_s) & (curve.time_s <= pull.end_s)
        t, v = curve.time_s[inside], curve.speed_mps[inside]
        over = np.flatnonzero(v >= to_mps)
        if over.size and over[0] > 0:
            k = int(over[0])
            part = (to_mps - v[k - 1]) / max(v[k] - v[k - 1], 1e-9)
            times.append(float(t[k - 1] + part * (t[k] - t[k - 1]) - pull.start_s))
    if not times:
        # nothing is known below the slowest speed covered: steady acceleration from rest, doubtful
        return lowest_mps, 0.6, 0.4
    spread = float(np.std(times, ddof=1)) if len(times) > 1 else 0.2
    sd = np.hypot(spread * np.sqrt(1.0 + 1.0 / len(times)), _LAUNCH_SD_S)
    return to_mps, float(np.mean(times)), float(sd)


def slope_accel_mps2(vehicle: Vehicle, slope: float) -> float:
    """Return what a slope (ratio) takes from the acceleration per effective mass [m/s2]."""
    return STANDARD_GRAVITY_MPS2 * slope * vehicle.mass_kg / vehicle.effective_mass_kg
