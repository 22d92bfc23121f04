"""Road load and mean power from a stopwatch alone: what gates give without a phone's logs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from analysis.crosscheck.timed_runs import TimedRun
from analysis.physics.coasting import coast_time_s
from analysis.physics.pulling import pull_time_s
from logger.arrays import Array

__all__ = [
    "GateLoad",
    "constant_power_w",
    "gate_covariance_s2",
    "mean_wheel_power_w",
    "road_load_from_gates",
]


#: Deceleration in neutral: constant, linear part at 30 m/s, square part at 30 m/s [m/s2]. Middle of
#: published road loads of cars and several times their spread (EPA test-car list 2022).
_PRIOR_MPS2, _PRIOR_SD_MPS2, _AT_MPS = (0.10, 0.05, 0.35), (0.15, 0.10, 1.0), 30.0
_ROUNDS, _SMALL = 60, 1e-10


@dataclass(frozen=True, slots=True, kw_only=True)
class GateLoad:
    """Road load from gates: coefficients [N, N/(m/s), N/(m/s)^2] and covariance, mass known."""

    coefficients: Array
    covariance: Array

    def force_n(self, speed_mps: Array) -> Array:
        """Return the road load [N] at speeds of any shape [m/s]."""
        f0, f1, f2 = self.coefficients
        return np.asarray(f0 + f1 * speed_mps + f2 * speed_mps**2)


def gate_covariance_s2(runs: Sequence[TimedRun], slopes: Array) -> Array:
    """Return the covariance of timed intervals [s2] from the errors of times and gate speeds.

    Parameters
    ----------
    runs : sequence of TimedRun
        A coast-down that begins at the gate where the one before it ended shares that reading, as do
        pulls that begin or end at one speed; runs in unlike directions share none.
    slopes : array of shape (n, 2)
        Change of each time with its first and its second gate [s per m/s].
    """
    readings: dict[tuple[str, float, int | None], int] = {}
    columns: list[Array] = []
    for at, run in enumerate(runs):
        for end, speed in enumerate((run.gates.from_mps, run.gates.to_mps)):
            if speed == 0.0:
                continue  # standing still needs no reading
            key = (run.kind, speed, run.direction)
            if key not in readings:
                readings[key] = len(columns)
                columns.append(np.zeros(len(runs)))
            columns[readings[key]][at] += slopes[at, end] * run.speed_sd_mps
    matrix = np.diag([run.time_sd_s**2 for run in runs])
    for column in columns:
        matrix = matrix + np.outer(column, column)
    return np.asarray(matrix)


def road_load_from_gates(runs: Sequence[TimedRun], effective_mass_kg: float) -> GateLoad:
    """Find the road load whose closed-form coasting times fit the timed ones best.

    Parameters
    ----------
    runs : sequence of TimedRun
        Coast-downs; at least one.
    effective_mass_kg : float
        Mass with rotating mass [kg].

    Returns
    -------
    GateLoad
        Least squares under a weak prior from published road loads, so that one or two intervals give
        wide but finite figures.

    Raises
    ------
    ValueError
        No coast-down among the runs.
    """
    coasts = [run for run in runs if run.kind == "coast"]
    if not coasts:
        msg = "road load from gates needs a timed coast-down"
        raise ValueError(msg)
    unit = np.array([1.0, 1.0 / _AT_MPS, 1.0 / _AT_MPS**2])
    prior, precision = np.array(_PRIOR_MPS2), np.diag(1.0 / np.array(_PRIOR_SD_MPS2) ** 2)

    def time_s(x: Array, run: TimedRun, from_mps: float, to_mps: float) -> float:
        r = x * unit
        try:
            return coast_time_s(1.0, float(r[0]), float(r[1]), float(r[2]), from_mps, to_mps)
        except ValueError:
            return float("inf")

    def misfit(x: Array) -> Array:
        """Return predicted minus timed logarithms, which are nearly linear in the load's."""
        times = [time_s(x, run, run.gates.from_mps, run.gates.to_mps) for run in coasts]
        return np.log([t / run.gates.duration_s for t, run in zip(times, coasts, strict=True)])

    def weight(x: Array) -> Array:
        """Return the inverse covariance of the logarithms of the times."""
        r = x * unit
        # dt/dv at each gate of t = integral dv / r(v): 1 / r at the first, -1 / r at the second
        slopes = np.array(
            [
                [1.0 / max(r[0] + r[1] * v + r[2] * v * v, 1e-3) for v in (g.from_mps, g.to_mps)]
                for g in (run.gates for run in coasts)
            ]
        ) * np.array([1.0, -1.0])
        scale = np.array([run.gates.duration_s for run in coasts])
        return np.asarray(
            np.linalg.inv(gate_covariance_s2(coasts, slopes) / np.outer(scale, scale))
        )

    def cost(x: Array, inverse: Array) -> float:
        """Return chi-square of times and prior; inf where a speed is never reached."""
        rest = misfit(x)
        if not np.isfinite(rest).all():
            return float("inf")
        return float(rest @ inverse @ rest + (x - prior) @ precision @ (x - prior))

    x = prior.copy()
    normal = precision
    for round_ in range(_ROUNDS):
        if round_ < 8:  # then held, so that the search comes to rest
            inverse = weight(x)
        rest = misfit(x)
        slope = np.column_stack([(misfit(x + h) - misfit(x - h)) / 2e-6 for h in np.eye(3) * 1e-6])
        normal = slope.T @ inverse @ slope + precision
        # Gauss-Newton: (J' W J + P) step = -(J' W misfit + P (x - prior))
        step = -np.linalg.solve(normal, slope.T @ inverse @ rest + precision @ (x - prior))
        # halved until the cost falls
        now, factor = cost(x, inverse), 1.0
        while cost(x + factor * step, inverse) > now and factor > 1e-6:
            factor *= 0.5
        x = x + factor * step
        if float(np.abs(factor * step).max()) < _SMALL:
            break
    to_force = effective_mass_kg * unit
    covariance = np.linalg.inv(normal) * np.outer(to_force, to_force)
    return GateLoad(coefficients=x * to_force, covariance=np.asarray(covariance))


def constant_power_w(
    effective_mass_kg: float, load: Array, from_mps: float, to_mps: float, duration_s: float
) -> float:
    """Return the constant wheel power that takes just this time [W].

    Parameters
    ----------
    effective_mass_kg : float
        Mass with rotating mass [kg].
    load : array of shape (3,)
        Road load [N, N/(m/s), N/(m/s)^2].
    from_mps, to_mps, duration_s : float
        The pull.

    Returns
    -------
    float
        Wheel power [W]; its mean over the pull is the same.
    """
    f0, f1, f2 = (float(x) for x in load)

    def surplus(power_w: float) -> float:
        """Return 1 / (time at this power) - 1 / (time wanted); 0 where the speed is never reached."""
        try:
            time_s = pull_time_s(effective_mass_kg, power_w, f0, f1, f2, from_mps, to_mps)
        except ValueError:
            return -1.0 / duration_s
        return 1.0 / time_s - 1.0 / duration_s

    high = 2.0 * effective_mass_kg * to_mps**2 / duration_s
    while surplus(high) < 0.0:
        high *= 2.0
    return float(brentq(surplus, 1.0, high, xtol=1e-9, rtol=1e-14))


def mean_wheel_power_w(
    effective_mass_kg: float, load: GateLoad, run: TimedRun, mass_share: float
) -> tuple[float, float]:
    """Return the mean wheel power of a timed pull and its sd, from gates alone [W].

    Parameters
    ----------
    effective_mass_kg : float
        Mass with rotating mass [kg].
    load : GateLoad
        Its road load.
    run : TimedRun
        The pull.
    mass_share : float
        Relative sd of the effective mass.

    Notes
    -----
    How the speed rose between the gates is unknown. Constant power and constant acceleration are the
    two ends of what vehicles do; the mean of both is taken and their distance goes into the sd.
    """
    gates = run.gates
    v = np.linspace(gates.from_mps, gates.to_mps, 401)
    kinetic = 0.5 * effective_mass_kg * (gates.to_mps**2 - gates.from_mps**2) / gates.duration_s
    steady = kinetic + float(np.mean(load.force_n(v) * v))  # constant acceleration: even in time
    power = constant_power_w(
        effective_mass_kg, load.coefficients, gates.from_mps, gates.to_mps, gates.duration_s
    )
    basis = np.array([float(np.mean(v)), float(np.mean(v**2)), float(np.mean(v**3))])
    mean = 0.5 * (steady + power)
    parts = (
        mass_share * mean,  # mass
        float(np.sqrt(basis @ load.covariance @ basis)),  # road load
        kinetic * run.time_sd_s / gates.duration_s,  # time
        effective_mass_kg * gates.to_mps * run.speed_sd_mps / gates.duration_s,  # last gate
        effective_mass_kg * gates.from_mps * run.speed_sd_mps / gates.duration_s,  # first gate
        0.5 * (steady - power),  # shape of the speed between the gates
    )
    return mean, float(np.sqrt(sum(part**2 for part in parts)))
