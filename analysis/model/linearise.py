"""One run's share of the session model: its prediction and the derivatives of it.

On the road, with direction d, along-road place x and headwind h = d w + gust, per effective mass:

    dv/dt = T(v, gear) (1 + e) - r0 - r1 v - r2 (v + h)|v + h| - g' d s(x),   g' = g m / m_e

The accelerometer reads f = (1 + k) dv/dt + g d s(x) + b(t) + vibration, the receiver reads v late by
a lag and smoothed by a first-order filter, plus white and slow noise. The derivative of the speed path
obeys the linearised equation of motion, so the Jacobian is the full one but for the place on the road,
whose own derivative (metres of path error times the change of slope) is left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.model.observations import COAST, FREE, RunData
from analysis.model.parameters import (
    GUST_S,
    LAG_S,
    OFFSET_S,
    SLOW_NOISE_S,
    SPEED_SCALE_MPS,
    Layout,
    hat,
    knots_over,
    local_slices,
)
from analysis.runs.run import Array
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = ["Linearised", "linearise", "places_along", "step_linear"]

#: The receiver's memory may reach this far before a run's first bin [s].
_BEFORE_S = 1.0
#: Bound of d(dv/dt)/dv that a step may follow [1/s]; real ones are below 0.3.
_STIFFEST = 0.6
#: Nodes and weights of Gauss-Laguerre quadrature for the receiver's exponential memory.
_MEMORY_S, _MEMORY_WEIGHT = np.polynomial.laguerre.laggauss(8)


@dataclass(frozen=True, slots=True, kw_only=True)
class Linearised:
    """Prediction of one run and its derivatives at the present unknowns.

    Columns are the shared unknowns followed by the run's own. `miss` is measured minus predicted.

    Parameters
    ----------
    path_mps : array of shape (n + 1,)
        Speed path at the bin edges [m/s].
    accel_mps2 : array of shape (n,)
        Model acceleration per bin [m/s2].
    place_m : array of shape (n,)
        Along-road place at bin middles [m], nan where unknown.
    force_rows, force_miss : arrays of shape (n_force, size), (n_force,)
        Accelerometer rows of the bins in `force_bins`.
    fix_rows, fix_miss : arrays of shape (q, size), (q,)
        GPS rows.
    path_rows : array of shape (n + 1, size)
        Derivative of the speed path.
    """

    path_mps: Array
    accel_mps2: Array
    place_m: Array
    force_bins: NDArray[np.int_]
    force_rows: Array
    force_miss: Array
    fix_rows: Array
    fix_miss: Array
    path_rows: Array


def _receiver_rows(moment_s: Array, memory_s: float, edge_s: Array) -> tuple[Array, Array, Array]:
    """Return the weights of a first-order receiver filter read at given moments.

    y(T) = integral of v(T - u) exp(-u / tau) du / tau by Gauss-Laguerre quadrature; speeds between
    edges are linear, before the first edge on the line of the first bin for up to a second, after
    the last edge level.

    Returns
    -------
    by_speed : array of shape (q, n + 1)
        Weights of the edge speeds in y.
    by_time : array of shape (q, n)
        Weights of the bins' accelerations in dy/dT.
    by_memory : array of shape (q, n)
        Weights of the bins' accelerations in dy/dtau with T + tau held.
    """
    rows = np.zeros((moment_s.size, edge_s.size))
    by_time = np.zeros((moment_s.size, edge_s.size - 1))
    by_memory = np.zeros_like(by_time)
    index = np.arange(moment_s.size)
    for node, weight in zip(_MEMORY_S, _MEMORY_WEIGHT, strict=True):
        t = moment_s - memory_s * node
        at = np.clip(np.searchsorted(edge_s, t, side="right") - 1, 0, edge_s.size - 2)
        length = edge_s[at + 1] - edge_s[at]
        part = np.clip((t - edge_s[at]) / length, -_BEFORE_S / length, 1.0)
        rows[index, at] += weight * (1.0 - part)
        rows[index, at + 1] += weight * part
        inside = weight * ((t >= edge_s[0] - _BEFORE_S) & (t <= edge_s[-1]))
        by_time[index, at] += inside
        by_memory[index, at] += inside * (1.0 - node)
    return rows, by_time, by_memory


def places_along(data: RunData, path_mps: Array, delay_s: float) -> tuple[Array, Array]:
    """Return the place at bin edges and middles [m]; nan where the run's place is unknown."""
    dt = np.diff(data.edge_s)
    driven = np.concatenate([[0.0], np.cumsum(0.5 * (path_mps[1:] + path_mps[:-1]) * dt)])
    if not data.has_place:
        nowhere = np.full(driven.size, np.nan)
        return nowhere, nowhere[1:]
    there = np.interp(data.place_s - delay_s, data.edge_s, driven)
    start = float(np.median(data.place_m - data.direction * there))
    edge = start + data.direction * driven
    return edge, 0.5 * (edge[1:] + edge[:-1])


def linearise(
    data: RunData, layout: Layout, shared: Array, local: Array, path_mps: Array, gust_drag: float
) -> Linearised:
    """Predict one run's measurements and differentiate them by all unknowns.

    Parameters
    ----------
    data : RunData
        The run.
    layout : Layout
        Where the shared unknowns stand.
    shared, local : arrays
        Present unknowns, shared and the run's own.
    path_mps : array of shape (n + 1,)
        Speed path of the last round [m/s]; the new one is one Newton step further.
    gust_drag : float
        r2 of the last round [m/s2].

    Returns
    -------
    Linearised
        Prediction, misses and Jacobian.
    """
    own = local_slices(data)
    d, edge_s = data.direction, data.edge_s
    dt, mid_s = np.diff(edge_s), 0.5 * (edge_s[1:] + edge_s[:-1])
    v = np.maximum(0.5 * (path_mps[1:] + path_mps[:-1]), 0.0)
    memory_s = float(shared[layout.MEMORY])
    lag_dev = float(local[own["lag"]][0]) if data.has_accel else 0.0
    _, place = places_along(data, path_mps, data.lag_s + lag_dev)
    n, size = v.size, layout.size + local.size
    at = {name: slice(layout.size + s.start, layout.size + s.stop) for name, s in own.items()}

    driven, coasting, free = data.drive >= 0, data.drive == COAST, data.drive == FREE
    rolling = driven | coasting
    gust_rows = hat(mid_s, knots_over(edge_s[0], edge_s[-1], GUST_S[0]))
    # The run's own wind and its gusts act through the drag of the last round, `gust_drag`, not
    # through r2 and through the speed, not the mean wind: were r2 or the wind free there, hundreds of
    # gusts would pull them up to make themselves small.
    gust = d * local[own["wind"]][0] + gust_rows @ local[own["gust"]]
    air = v + d * shared[layout.WIND]
    r0, r1, r2 = shared[layout.RESISTANCE]
    scale2 = SPEED_SCALE_MPS**2
    by_gust = -2.0 * gust_drag * v / scale2
    slope_rows = np.zeros((n, layout.slope_knots_m.size))
    if data.has_place and layout.slope_knots_m.size:
        slope_rows = hat(place, layout.slope_knots_m)
    slope = shared[layout.SLOPE] + slope_rows @ shared[layout.slope]
    weight = d * STANDARD_GRAVITY_MPS2  # against the way driven, per unit of mass and of slope
    gravity = layout.gravity_share * weight

    accel = -(r0 + r1 * v / SPEED_SCALE_MPS + r2 * air * np.abs(air) / scale2) - gravity * slope
    accel += by_gust * gust  # the square of a gust is below 0.2 N for a car, and left out
    stiffness = r1 / SPEED_SCALE_MPS + 2.0 * (r2 * np.abs(air) + gust_drag * gust) / scale2
    rows = np.zeros((n, size))
    rows[:, 0] = -1.0
    rows[:, 1] = -v / SPEED_SCALE_MPS
    rows[:, 2] = -air * np.abs(air) / scale2
    rows[:, layout.WIND] = d * (-2.0 * r2 * np.abs(air) / scale2)
    rows[:, at["wind"].start] = d * by_gust
    rows[:, at["gust"]] = by_gust[:, None] * gust_rows
    rows[:, layout.SLOPE] = -gravity
    rows[:, layout.slope] = -gravity * slope_rows
    pull_dev = float(local[own["pull"]][0]) if driven.any() else 0.0
    for gear, knots in enumerate(layout.gear_knots_mps):
        here = data.drive == gear
        if not here.any():
            continue
        basis = hat(v[here], knots)
        values = shared[layout.gear(gear)]
        traction = basis @ values
        accel[here] += traction * (1.0 + pull_dev)
        rows[here, layout.gear(gear)] = basis * (1.0 + pull_dev)
        rows[here, at["pull"].start] = traction
        bend = np.diff(values) / np.diff(knots)
        which = np.clip(np.searchsorted(knots, v[here], side="right") - 1, 0, bend.size - 1)
        stiffness[here] -= bend[which] * (1.0 + pull_dev)
    rows[free] = 0.0
    rows[np.flatnonzero(free), np.arange(at["free"].start, at["free"].stop)] = 1.0
    accel[free] = local[own["free"]]
    stiffness = np.where(rolling, np.clip(stiffness, -_STIFFEST, _STIFFEST), 0.0)

    # speed path: v(e+1) = v(e) + a dt; its derivative decays with the stiffness of the motion
    start = float(local[own["start_speed"]][0])
    log_decay = np.concatenate([[0.0], np.cumsum(-stiffness * dt)])
    grow = np.exp(-0.5 * (log_decay[1:] + log_decay[:-1]))
    by = np.zeros((n + 1, size))
    np.cumsum(rows * (dt * grow)[:, None], axis=0, out=by[1:])
    by[:, at["start_speed"].start] += 1.0
    by *= np.exp(log_decay)[:, None]
    # one Newton step of the equation of motion from the last path: e' = a(v) - dv/dt - stiffness e
    ahead = (accel - np.diff(path_mps) / dt) * dt * grow
    shift = np.concatenate([[0.0], np.cumsum(ahead)]) + (start - path_mps[0])
    shift *= np.exp(log_decay)
    new_path = path_mps + shift
    accel = accel - stiffness * 0.5 * (shift[1:] + shift[:-1])

    force_bins = np.flatnonzero(np.isfinite(data.force_mps2))
    force_rows, force_miss = np.zeros((0, size)), np.zeros(0)
    if force_bins.size:
        k = float(shared[layout.SCALE] + local[own["scale"]][0])
        offset_rows = hat(mid_s, knots_over(edge_s[0], edge_s[-1], OFFSET_S[0]))
        by_mid = 0.5 * (by[1:] + by[:-1])
        full = (1.0 + k) * (rows - stiffness[:, None] * by_mid)
        full[:, layout.SCALE] += accel
        full[:, at["scale"].start] += accel
        full[:, layout.SLOPE] += weight
        full[:, layout.slope] += weight * slope_rows
        full[:, at["offset"].start] += 1.0
        full[:, at["offset_wander"]] += offset_rows
        offset = local[own["offset"]][0] + offset_rows @ local[own["offset_wander"]]
        predicted = (1.0 + k) * accel + weight * slope + offset
        force_rows = full[force_bins]
        force_miss = (data.force_mps2 - predicted)[force_bins]

    wander = np.zeros(data.fix_s.size)
    if data.has_accel:
        wander_rows = hat(data.fix_s, knots_over(edge_s[0], edge_s[-1], LAG_S[0]))
        wander = wander_rows @ local[own["lag_wander"]]
    moment = data.fix_s - (data.lag_s - memory_s + lag_dev) - wander
    receiver, by_time, by_memory = _receiver_rows(moment, memory_s, edge_s)
    noise_rows = hat(data.fix_s, knots_over(edge_s[0], edge_s[-1], SLOW_NOISE_S[0]))
    fix_rows = receiver @ by
    fix_rows[:, at["slow_noise"]] += noise_rows
    predicted = receiver @ new_path
    if data.has_accel:
        by_lag = -(by_time @ accel)
        fix_rows[:, at["lag"].start] += by_lag
        fix_rows[:, at["lag_wander"]] += by_lag[:, None] * wander_rows
    fix_rows[:, layout.MEMORY] += by_memory @ accel
    fix_miss = data.fix_mps - predicted - noise_rows @ local[own["slow_noise"]]
    return Linearised(
        path_mps=new_path,
        accel_mps2=accel,
        place_m=place,
        force_bins=force_bins,
        force_rows=force_rows,
        force_miss=force_miss,
        fix_rows=fix_rows,
        fix_miss=fix_miss,
        path_rows=by,
    )


def step_linear(lin: Linearised, step: Array) -> Linearised:
    """Return path and misses as they are to first order after a step of all unknowns."""
    return replace(
        lin,
        path_mps=lin.path_mps + lin.path_rows @ step,
        force_miss=lin.force_miss - lin.force_rows @ step,
        fix_miss=lin.fix_miss - lin.fix_rows @ step,
    )
