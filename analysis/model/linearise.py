"""One run's share of the session model: its prediction and the derivatives of it.

On the road, with direction d, along-road place x and headwind h = d w + gust, per effective mass:

    dv/dt = T(v, gear) (1 + e) - r0 - r1 v - r2 (v + h)|v + h| - delta(v) - g' d s(x),   g' = g m / m_e

The accelerometer reads f = (1 + k) dv/dt + g d s(x) + c v^2 + b(t) + vibration, the receiver reads v late by
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
    hill_knots,
    knots_over,
    local_slices,
)
from logger.arrays import Array
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
    path_mps, accel_mps2 : arrays of shape (n + 1,), (n,)
        Speed path at the bin edges [m/s], model acceleration per bin [m/s2].
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

    y(T) = integral of v(T - u) exp(-u / tau) du / tau by Gauss-Laguerre quadrature; speeds are linear
    between edges, before the first on the line of the first bin for up to a second, then level.

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
    """Predict one run's measurements at the present unknowns and differentiate them.

    `path_mps` is the last round's speed path, one Newton step behind; `gust_drag` [m/s2] is the r2
    with which gusts act.
    """
    own = local_slices(data)
    at = {name: slice(layout.size + s.start, layout.size + s.stop) for name, s in own.items()}
    motion = _equation_of_motion(data, layout, shared, local, path_mps, gust_drag, own, at)
    path, path_rows, accel = _integrate(data, motion, local, path_mps, own, at)
    moved = replace(motion, accel_mps2=accel)
    force_bins = np.flatnonzero(np.isfinite(data.force_mps2))
    force_rows, force_miss = np.zeros((0, path_rows.shape[1])), np.zeros(0)
    if force_bins.size:
        full, predicted = _accelerometer(
            data, layout, shared, local, moved, path, path_rows, own, at
        )
        force_rows = full[force_bins]
        force_miss = (data.force_mps2 - predicted)[force_bins]
    fix_rows, predicted = _receiver(data, layout, shared, local, moved, path, path_rows, own, at)
    return Linearised(
        path_mps=path,
        accel_mps2=accel,
        place_m=motion.place_m,
        force_bins=force_bins,
        force_rows=force_rows,
        force_miss=force_miss,
        fix_rows=fix_rows,
        fix_miss=data.fix_mps - predicted,
        path_rows=path_rows,
    )


def _single(local: Array, part: slice) -> float:
    """Return the run's own single unknown that stands there; 0 where the run has none."""
    return float(local[part].sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Motion:
    """dv/dt of every bin on the last path, its derivatives by the unknowns and by the speed itself.

    `accel_mps2` (n,), `rows` (n, size), `stiffness` (n,): minus d(dv/dt)/dv [1/s]; `slope` (n,) with
    `slope_rows` (n, slope knots) at `place_m` (n,), or `hill_rows` where the place is unknown.
    """

    accel_mps2: Array
    rows: Array
    stiffness: Array
    slope: Array
    slope_rows: Array
    hill_rows: Array
    place_m: Array


def _equation_of_motion(
    data: RunData,
    layout: Layout,
    shared: Array,
    local: Array,
    path_mps: Array,
    gust_drag: float,
    own: dict[str, slice],
    at: dict[str, slice],
) -> _Motion:
    """Evaluate dv/dt = T (1 + e) - r0 - r1 v - r2 (v + h)|v + h| - gusts - g' d s(x) in every bin."""
    d, edge_s = data.direction, data.edge_s
    v = np.maximum(0.5 * (path_mps[1:] + path_mps[:-1]), 0.0)
    rows = np.zeros((v.size, layout.size + local.size))
    air = v + d * shared[layout.WIND]
    r0, r1, r2 = shared[layout.RESISTANCE]
    scale2 = SPEED_SCALE_MPS**2

    # slope along the road: a mean and a profile about it; -g' d s
    lag_dev = _single(local, own["lag"])
    _, place = places_along(data, path_mps, data.lag_s + lag_dev)
    slope_rows = np.zeros((v.size, layout.slope_knots_m.size))
    if data.has_place and layout.slope_knots_m.size:
        slope_rows = hat(place, layout.slope_knots_m)
    # where the place is unknown the run has a profile of its own over the way driven
    hill_rows = np.zeros((v.size, own["hill"].stop - own["hill"].start))
    if hill_rows.size:
        driven = np.cumsum(v * np.diff(edge_s)) - 0.5 * v * np.diff(edge_s)
        hill_rows = hat(driven, hill_knots(data))
    slope = (
        shared[layout.SLOPE] + slope_rows @ shared[layout.slope] + hill_rows @ local[own["hill"]]
    )
    gravity = layout.gravity_share * (d * STANDARD_GRAVITY_MPS2)
    rows[:, layout.SLOPE] = -gravity
    rows[:, layout.slope] = -gravity * slope_rows
    rows[:, at["hill"]] = -gravity * hill_rows

    # resistance: -r0 - r1 v - r2 (v + d w)|v + d w|, speeds over SPEED_SCALE_MPS
    rows[:, 0] = -1.0
    rows[:, 1] = -v / SPEED_SCALE_MPS
    rows[:, 2] = -air * np.abs(air) / scale2
    accel = -(r0 + r1 * v / SPEED_SCALE_MPS + r2 * air * np.abs(air) / scale2) - gravity * slope
    # mean wind: d/dw of r2 (v + d w)|v + d w|
    rows[:, layout.WIND] = d * (-2.0 * r2 * np.abs(air) / scale2)

    # the run's own wind and its gusts: -2 r2 v (d w_run + w'(t)), by the drag of the last round: were r2 or
    # the mean wind free there, hundreds of gusts would pull them up to make themselves small
    gust_rows = hat(0.5 * (edge_s[1:] + edge_s[:-1]), knots_over(edge_s[0], edge_s[-1], GUST_S[0]))
    gust = d * local[own["wind"]][0] + gust_rows @ local[own["gust"]]
    by_gust = -2.0 * gust_drag * v / scale2
    rows[:, at["wind"].start] = d * by_gust
    rows[:, at["gust"]] = by_gust[:, None] * gust_rows
    accel += by_gust * gust  # the square of a gust is below 0.2 N for a car, and left out
    stiffness = r1 / SPEED_SCALE_MPS + 2.0 * (r2 * np.abs(air) + gust_drag * gust) / scale2

    # what coast-downs have beside the three coefficients: -delta(v), linear between its knots
    here, knots = data.drive == COAST, layout.bump_knots_mps
    if knots.size and here.any():
        _add_curve(-1.0, here, v, knots, shared, layout.bump, accel, rows, stiffness)

    # traction in a pull: + t(v, gear) (1 + e), t linear between the gear's knots
    pull_dev = _single(local, own["pull"])
    for gear, knots in enumerate(layout.gear_knots_mps):
        here = data.drive == gear
        if not here.any():
            continue
        factor, part = 1.0 + pull_dev, layout.gear(gear)
        traction = _add_curve(factor, here, v, knots, shared, part, accel, rows, stiffness)
        rows[here, at["pull"].start] = traction

    # between pieces of drive, and from release to neutral: dv/dt itself is the unknown
    free = data.drive == FREE
    rows[free] = 0.0
    rows[np.flatnonzero(free), np.arange(at["free"].start, at["free"].stop)] = 1.0
    accel[free] = local[own["free"]]
    stiffness = np.where(free, 0.0, np.clip(stiffness, -_STIFFEST, _STIFFEST))
    return _Motion(
        accel_mps2=accel,
        rows=rows,
        stiffness=stiffness,
        slope=slope,
        slope_rows=slope_rows,
        hill_rows=hill_rows,
        place_m=place,
    )


def _add_curve(
    factor: float,
    here: NDArray[np.bool_],
    v: Array,
    knots: Array,
    shared: Array,
    part: slice,
    accel: Array,
    rows: Array,
    stiffness: Array,
) -> Array:
    """Add a force over speed, linear between knots, to the bins `here`; return it without `factor`."""
    basis, values = hat(v[here], knots), shared[part]
    force = basis @ values
    accel[here] += factor * force
    rows[here, part] = factor * basis
    # d/dv: its bend between the two knots about each speed
    bend = np.diff(values) / np.diff(knots)
    which = np.clip(np.searchsorted(knots, v[here], side="right") - 1, 0, bend.size - 1)
    stiffness[here] -= factor * bend[which]
    return np.asarray(force)


def _integrate(
    data: RunData,
    motion: _Motion,
    local: Array,
    path_mps: Array,
    own: dict[str, slice],
    at: dict[str, slice],
) -> tuple[Array, Array, Array]:
    """Return the new speed path, its derivatives by all unknowns, and dv/dt along it."""
    dt = np.diff(data.edge_s)
    stiffness, accel = motion.stiffness, motion.accel_mps2
    # e' = rows - stiffness e for the derivative e of the path, solved by the integrating factor
    log_decay = np.concatenate([[0.0], np.cumsum(-stiffness * dt)])
    grow = np.exp(-0.5 * (log_decay[1:] + log_decay[:-1]))
    by = np.zeros((dt.size + 1, motion.rows.shape[1]))
    np.cumsum(motion.rows * (dt * grow)[:, None], axis=0, out=by[1:])
    by[:, at["start_speed"].start] += 1.0  # v(0) is an unknown
    by *= np.exp(log_decay)[:, None]
    # one Newton step of the equation of motion from the last path: e' = a(v) - dv/dt - stiffness e
    start = _single(local, own["start_speed"])
    ahead = (accel - np.diff(path_mps) / dt) * dt * grow
    shift = np.concatenate([[0.0], np.cumsum(ahead)]) + (start - path_mps[0])
    shift *= np.exp(log_decay)
    return path_mps + shift, by, accel - stiffness * 0.5 * (shift[1:] + shift[:-1])


def _accelerometer(
    data: RunData,
    layout: Layout,
    shared: Array,
    local: Array,
    motion: _Motion,
    path: Array,
    path_rows: Array,
    own: dict[str, slice],
    at: dict[str, slice],
) -> tuple[Array, Array]:
    """Return rows and prediction of f = (1 + k) dv/dt + g d s(x) + c v^2 + b + b'(t) in every bin."""
    edge_s = data.edge_s
    k = float(shared[layout.SCALE] + local[own["scale"]][0])
    offset_rows = hat(
        0.5 * (edge_s[1:] + edge_s[:-1]), knots_over(edge_s[0], edge_s[-1], OFFSET_S[0])
    )
    weight = data.direction * STANDARD_GRAVITY_MPS2  # against the way driven, per unit of slope
    # (1 + k) dv/dt, which changes with the unknowns and with the speed that they change
    by_mid = 0.5 * (path_rows[1:] + path_rows[:-1])
    rows = (1.0 + k) * (motion.rows - motion.stiffness[:, None] * by_mid)
    # k: shared by the session, and the run's own deviation of it
    rows[:, layout.SCALE] += motion.accel_mps2
    rows[:, at["scale"].start] += motion.accel_mps2
    # g d s: what gravity adds to the specific force on a slope
    rows[:, layout.SLOPE] += weight
    rows[:, layout.slope] += weight * motion.slope_rows
    rows[:, at["hill"]] += weight * motion.hill_rows
    # c v^2: air pitches the body, which turns some of gravity forwards; v moves with the unknowns too
    v = 0.5 * (path[1:] + path[:-1]) / SPEED_SCALE_MPS
    pitch = float(shared[layout.PITCH])
    rows[:, layout.PITCH] += v**2
    rows += (2.0 * pitch / SPEED_SCALE_MPS * v)[:, None] * by_mid
    # b: angle of the mount and bias of the sensor; b'(t): their slow drift
    rows[:, at["offset"].start] += 1.0
    rows[:, at["offset_wander"]] += offset_rows
    offset = local[own["offset"]][0] + offset_rows @ local[own["offset_wander"]]
    predicted = (1.0 + k) * motion.accel_mps2 + weight * motion.slope + pitch * v**2 + offset
    return rows, predicted


def _receiver(
    data: RunData,
    layout: Layout,
    shared: Array,
    local: Array,
    motion: _Motion,
    path: Array,
    path_rows: Array,
    own: dict[str, slice],
    at: dict[str, slice],
) -> tuple[Array, Array]:
    """Return rows and prediction of the fixes: v late and smoothed, plus slow noise."""
    edge_s = data.edge_s
    memory_s = float(shared[layout.MEMORY])
    wander, wander_rows = np.zeros(data.fix_s.size), np.zeros((data.fix_s.size, 0))
    if data.has_accel:
        wander_rows = hat(data.fix_s, knots_over(edge_s[0], edge_s[-1], LAG_S[0]))
        wander = wander_rows @ local[own["lag_wander"]]
    # the total lag is that of the shift plus that of the memory: a fix stamped t reads the filter at
    # T = t - (lag - tau) - wander
    moment = data.fix_s - (data.lag_s - memory_s + _single(local, own["lag"])) - wander
    receiver, by_time, by_memory = _receiver_rows(moment, memory_s, edge_s)
    # the speed path, read through the filter
    rows = receiver @ path_rows
    # slow noise of the receiver
    noise_rows = hat(data.fix_s, knots_over(edge_s[0], edge_s[-1], SLOW_NOISE_S[0]))
    rows[:, at["slow_noise"]] += noise_rows
    if data.has_accel:
        # lag: reading earlier by 1 s lowers the reading by dv/dt
        by_lag = -(by_time @ motion.accel_mps2)
        rows[:, at["lag"].start] += by_lag
        rows[:, at["lag_wander"]] += by_lag[:, None] * wander_rows
    # memory tau, total lag held
    rows[:, layout.MEMORY] += by_memory @ motion.accel_mps2
    return rows, receiver @ path + noise_rows @ local[own["slow_noise"]]


def step_linear(lin: Linearised, step: Array) -> Linearised:
    """Return path and misses as they are to first order after a step of all unknowns."""
    return replace(
        lin,
        path_mps=lin.path_mps + lin.path_rows @ step,
        force_miss=lin.force_miss - lin.force_rows @ step,
        fix_miss=lin.fix_miss - lin.fix_rows @ step,
    )
