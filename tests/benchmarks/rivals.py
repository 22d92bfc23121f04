"""Three ways in which practitioners get road load and power, on the same sessions.

They are given more than they would have: the true times of launch, release, neutral and brake, the
true gear changes and the mean GPS lag. They work on GPS speed, as such sums usually do.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from accuracy_cases import Opened
from accuracy_scores import SPEEDS_MPS, Estimate
from numpy.typing import NDArray
from scipy.optimize import least_squares

from analysis.signals.gps import speed_fixes
from analysis.simulate.truth import RunTruth

__all__ = ["RIVALS", "differentiated", "gated_sum", "trajectory_fits"]

Array = NDArray[np.float64]

#: Gates of the coast-down segments [m/s]: 100, 80, 60 and 40 km/h.
_GATES_MPS = np.array([100.0, 80.0, 60.0, 40.0]) / 3.6
#: Torque comes back and the clutch closes; a fix this near a gear change is left out [s].
_MARGIN_S = 0.5


@dataclass(frozen=True, slots=True)
class _Trace:
    """GPS speed of one run, lag taken out: times [s] and speeds [m/s]."""

    run: RunTruth
    t_s: Array
    v_mps: Array

    def between(self, start_s: float, end_s: float) -> tuple[Array, Array]:
        inside = (self.t_s >= start_s) & (self.t_s <= end_s)
        return self.t_s[inside], self.v_mps[inside]


def _traces(one: Opened) -> list[_Trace]:
    traces = []
    for run in one.truth.runs:
        fixes, _ = speed_fixes(one.recordings[run.log])
        t_s = fixes.t_s - one.truth.logs[run.log].gps_lag_s
        inside = (t_s >= run.launch_s - 3.0) & (t_s <= run.stop_s)
        t_s, first = np.unique(np.round(t_s[inside], 2), return_index=True)
        traces.append(_Trace(run, t_s, fixes.speed_mps[inside][first]))
    return traces


def _over_directions(runs: Sequence[RunTruth], values: Sequence[Array]) -> Array:
    """Return the mean over each direction's mean, so that three runs up do not outvote one down."""
    ways = {run.direction for run in runs}
    each = [
        np.mean([v for run, v in zip(runs, values, strict=True) if run.direction == way], axis=0)
        for way in ways
    ]
    return np.asarray(np.mean(each, axis=0))


def _powers(v: Array) -> Array:
    return np.stack([np.ones_like(v), v, v**2], axis=-1)


def gated_sum(one: Opened) -> Estimate:
    """Judge by the customary sum: mean kinetic power of the pull plus three segment powers.

    A segment's force is effective mass times change of speed over the time between two gates;
    its power is that times its mean speed. The road load curve is the parabola through the three
    forces. The sum is what is customarily quoted as the power at the wheels.
    """
    vehicle = one.session.vehicle
    middle = 0.5 * (_GATES_MPS[1:] + _GATES_MPS[:-1])
    runs, kinetic = [], []
    forces: list[Array] = []
    for trace in _traces(one):
        run = trace.run
        t_s, v = trace.between(run.neutral_s, run.brake_s)
        gates_s = np.array([_crossing(t_s, v, gate) for gate in _GATES_MPS])
        if np.isfinite(gates_s).all():
            runs.append(run)
            forces.append(
                vehicle.effective_mass_kg * (_GATES_MPS[:-1] - _GATES_MPS[1:]) / np.diff(gates_s)
            )
        if run.gears:
            ends = np.interp([run.launch_s, run.release_s], trace.t_s, trace.v_mps)
            energy_j = 0.5 * vehicle.mass_kg * (ends[1] ** 2 - ends[0] ** 2)
            kinetic.append(energy_j / (run.release_s - run.launch_s))
    if not forces:
        return Estimate(None, None, None)
    force = _over_directions(runs, forces)
    coefficients = np.linalg.solve(_powers(middle), force)
    total_w = float(np.mean(kinetic) + np.sum(force * middle)) if kinetic else None
    return Estimate(_powers(SPEEDS_MPS) @ coefficients, None, total_w, mean_w=total_w)


def _crossing(t_s: Array, v: Array, gate: float) -> float:
    """Return when a falling speed first passes a gate, straight between fixes; nan if never."""
    below = np.flatnonzero((v[1:] <= gate) & (v[:-1] > gate))
    if not below.size:
        return float("nan")
    i = int(below[0])
    return float(t_s[i] + (v[i] - gate) / (v[i] - v[i + 1]) * (t_s[i + 1] - t_s[i]))


def differentiated(one: Opened) -> Estimate:
    """Judge by differences of speed from fix to fix and a parabola over speed for each run."""
    mass_kg = one.session.vehicle.effective_mass_kg
    traces = _traces(one)
    coefficients: list[Array] = []
    for trace in traces:
        mid, accel, _ = _differences(*trace.between(trace.run.neutral_s, trace.run.brake_s))
        fitted = np.linalg.lstsq(_powers(mid), -mass_kg * accel, rcond=None)[0]
        coefficients.append(np.asarray(fitted, dtype=np.float64))
    load = _over_directions([trace.run for trace in traces], coefficients)
    return _with_power(one, traces, load, _differences)


def _differences(t_s: Array, v: Array) -> tuple[Array, Array, Array]:
    """Return mean speed [m/s], acceleration [m/s2] and time [s] between neighbouring fixes."""
    dt = np.diff(t_s)
    good = (dt > 0.3) & (dt < 3.0)
    middle_s = 0.5 * (t_s[1:] + t_s[:-1])
    return 0.5 * (v[1:] + v[:-1])[good], (np.diff(v)[good] / dt[good]), middle_s[good]


def trajectory_fits(one: Opened) -> Estimate:
    """Judge by the equation of motion solved for each coast-down and fitted to its speeds.

    F0, F1, F2 and the first speed of each run, by least squares robust against false fixes; forces
    averaged over both directions; power from a parabola through five fixes at a time.
    """
    mass_kg = one.session.vehicle.effective_mass_kg
    traces = _traces(one)
    coefficients: list[Array] = []
    for trace in traces:
        t_s, v = trace.between(trace.run.neutral_s, trace.run.brake_s)
        coefficients.append(_trajectory(t_s, v, mass_kg))
    load = _over_directions([trace.run for trace in traces], coefficients)
    return _with_power(one, traces, load, _local_slopes)


def _trajectory(t_s: Array, v: Array, mass_kg: float) -> Array:
    """Return F0, F1, F2 of the solution of m dv/dt = -F(v) nearest to the speeds."""
    scale = np.array([100.0, 5.0, 0.3, 10.0])

    def miss(unknowns: Array) -> Array:
        f0, f1, f2, start = unknowns * scale
        return (_coasted(t_s, float(start), float(f0), float(f1), float(f2), mass_kg) - v) / 0.1

    first = np.array([150.0, 0.0, 0.4, v[0]]) / scale
    found = least_squares(miss, first, loss="soft_l1", x_scale="jac")
    return np.asarray(found.x[:3] * scale[:3])


def _coasted(t_s: Array, start: float, f0: float, f1: float, f2: float, mass_kg: float) -> Array:
    """Integrate by fourth-order Runge-Kutta steps from one time to the next."""

    def slow(v: float) -> float:
        v = min(max(v, -20.0), 90.0)  # a trial may be absurd; it must not overflow
        return -(f0 + f1 * v + f2 * v * v) / mass_kg

    speeds, v = [start], start
    for step in np.diff(t_s).tolist():
        a = slow(v)
        b = slow(v + 0.5 * step * a)
        c = slow(v + 0.5 * step * b)
        d = slow(v + step * c)
        v += step / 6.0 * (a + 2.0 * b + 2.0 * c + d)
        speeds.append(v)
    return np.array(speeds)


def _local_slopes(t_s: Array, v: Array) -> tuple[Array, Array, Array]:
    """Return speed, acceleration and time at each fix from a parabola through five about it."""
    if t_s.size < 3:
        return _differences(t_s, v)
    speeds, accels = [], []
    for i in range(t_s.size):
        low = min(max(i - 2, 0), max(t_s.size - 5, 0))
        part = slice(low, low + 5)
        degree = min(2, t_s[part].size - 2)
        fitted = np.polyfit(t_s[part] - t_s[i], v[part], degree)
        speeds.append(fitted[-1])
        accels.append(fitted[-2])
    return np.array(speeds), np.array(accels), t_s


def _with_power(
    one: Opened,
    traces: Sequence[_Trace],
    load: Array,
    slopes: Callable[[Array, Array], tuple[Array, Array, Array]],
) -> Estimate:
    """Add wheel power from acceleration: mean over pulls of each one's highest, and the curve.

    Of a pull's fixes only those within a gear count; the slopes are taken over all of a gear. Forces
    of a gear's points of all pulls are joined by a parabola over speed.
    """
    mass_kg = one.session.vehicle.effective_mass_kg
    points: dict[int, list[tuple[Array, Array]]] = {}
    highest, mean = [], []
    for trace in traces:
        found = []
        for piece in trace.run.gears:
            t_s, v = trace.between(piece.start_s + _MARGIN_S * (piece.gear > 1), piece.end_s)
            if t_s.size < 2:
                continue
            speed, accel, _ = slopes(t_s, v)
            force = mass_kg * accel + _powers(speed) @ load
            points.setdefault(piece.gear, []).append((speed, force))
            found.append(force * speed)
        if found:
            highest.append(float(np.concatenate(found).max(initial=-np.inf)))
            mean.append(_mean_power_w(trace, load, mass_kg))
    curves: list[tuple[Array, Array, Array]] = []
    for gear in sorted(points):
        speed = np.concatenate([s for s, _ in points[gear]])
        force = np.concatenate([f for _, f in points[gear]])
        if speed.size < 3 or np.ptp(speed) < 0.5:
            continue
        fitted = np.polyfit(speed, force, min(2, speed.size - 2))
        grid = np.linspace(speed.min(), speed.max(), 40)
        power = np.asarray(np.polyval(fitted, grid) * grid, dtype=np.float64)
        curves.append((grid, power, np.zeros(0)))
    return Estimate(
        _powers(SPEEDS_MPS) @ load,
        None,
        _mean(highest),
        curves=tuple(curves),
        mean_w=_mean(mean),
    )


def _mean_power_w(trace: _Trace, load: Array, mass_kg: float) -> float:
    """Return the pull's wheel energy over its duration, from its speeds and the road load."""
    run = trace.run
    t_s, v = trace.between(run.launch_s, run.release_s)
    ends = np.interp([run.launch_s, run.release_s], trace.t_s, trace.v_mps)
    t_s = np.concatenate([[run.launch_s], t_s, [run.release_s]])
    v = np.concatenate([ends[:1], v, ends[1:]])
    energy_j = 0.5 * mass_kg * (ends[1] ** 2 - ends[0] ** 2)
    energy_j += np.trapezoid((_powers(v) @ load) * v, t_s)
    return float(energy_j / (run.release_s - run.launch_s))


def _mean(values: Sequence[float]) -> float | None:
    good = [value for value in values if np.isfinite(value)]
    return float(np.mean(good)) if good else None


RIVALS: dict[str, Callable[[Opened], Estimate]] = {
    "gated sum": gated_sum,
    "differences": differentiated,
    "trajectories": trajectory_fits,
}
