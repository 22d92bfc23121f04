"""One run's share of the session model: its data, its prediction and the derivatives of it.

On the road, with direction d, along-road place x and headwind h = d w + gust, per effective mass:

    dv/dt = T(v, gear) (1 + e) - r0 - r1 v - r2 (v + h)|v + h| - g' d s(x),   g' = g m / m_e

The accelerometer reads f = (1 + k) dv/dt + g d s(x) + b(t) + vibration, the receiver reads v late by
a lag and smoothed by a first-order filter, plus white and slow noise. A run is cut into bins that
never straddle a gear change or the release; between pieces of drive, and between release and
coast-down, the acceleration of every bin is a free unknown. The derivative of the speed path obeys
the linearised equation of motion, so the Jacobian is the full one but for the place on the road, whose
own derivative (metres of path error times the change of slope) is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.fixes import half_second_means
from analysis.fuse import Fused
from analysis.lag import integral_at
from analysis.road import RunPlace
from analysis.runs import Run
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = [
    "COAST",
    "FREE",
    "Layout",
    "Linearised",
    "RunData",
    "hat",
    "linearise",
    "run_data",
    "step_linear",
]

Array: TypeAlias = NDArray[np.float64]

#: Speed that scales the resistance coefficients so that all are accelerations [m/s].
SPEED_SCALE_MPS = 30.0
FREE, COAST = -2, -1
#: Bin lengths [s] with an accelerometer and without.
_BIN_S = {"drive": (0.2, 0.35), "free": (0.1, 0.35), "coast": (1.0, 1.0)}
#: With an accelerometer a run begins at rest: bins of this length [s], from so long before the
#: vehicle is seen to move [s], where the launch before the first drive is not longer than this [s].
_LAUNCH_BIN_S, _REST_S, _LAUNCH_S = 0.25, 1.0, 4.0
#: Knot spacing and correlation time of the slow processes of a run [s].
GUST_S, OFFSET_S, SLOW_NOISE_S, LAG_S = (3.0, 6.0), (20.0, 150.0), (4.0, 8.0), (12.0, 40.0)
#: Fixes this soon after standstill may still be held at zero or catching up [s].
_CATCH_UP_S = 5.0
#: The receiver's memory may reach this far before a run's first bin [s].
_BEFORE_S = 1.0
#: A mean over a longer hole of the accelerometer is none [s].
_LONGEST_HOLE_S = 0.3
#: Bound of d(dv/dt)/dv that a step may follow [1/s]; real ones are below 0.3.
_STIFFEST = 0.6
#: Nodes and weights of Gauss-Laguerre quadrature for the receiver's exponential memory.
_MEMORY_S, _MEMORY_WEIGHT = np.polynomial.laguerre.laggauss(8)


def hat(x: Array, knots: Array) -> Array:
    """Return weights of linear interpolation, shape (x.size, knots.size); level beyond the ends."""
    rows = np.zeros((x.size, knots.size))
    if knots.size == 1:
        rows[:, 0] = 1.0
        return rows
    at = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, knots.size - 2)
    part = np.clip((x - knots[at]) / (knots[at + 1] - knots[at]), 0.0, 1.0)
    index = np.arange(x.size)
    rows[index, at] = 1.0 - part
    rows[index, at + 1] = part
    return rows


@dataclass(frozen=True, slots=True)
class RunData:
    """What one run gives the model.

    Parameters
    ----------
    run : Run
        With its direction.
    edge_s : array of shape (n + 1,)
        Bin edges [s].
    drive : array of int of shape (n,)
        Gear index from 0 in a pull, `COAST`, or `FREE`.
    force_mps2 : array of shape (n,)
        Mean forward specific force in each bin [m/s2], nan where not measured.
    fix_s, fix_mps : arrays of shape (q,)
        Speed fixes as stamped [s], [m/s].
    place_s, place_m : arrays of shape (p,)
        Position fixes along the road; empty where unknown.
    lag_s : float
        Total lag found by the two signals [s].
    first_path_mps : array of shape (n + 1,)
        Speeds at the edges to start from [m/s].
    fix_count : array of shape (q,)
        How many fixes each of `fix_mps` is the mean of; empty means one each.
    from_rest : bool
        The vehicle stands at the first edge.
    """

    run: Run
    edge_s: Array
    drive: NDArray[np.int_]
    force_mps2: Array
    fix_s: Array
    fix_mps: Array
    place_s: Array
    place_m: Array
    lag_s: float
    first_path_mps: Array
    fix_count: Array = field(default_factory=lambda: np.zeros(0))
    from_rest: bool = False

    @property
    def direction(self) -> int:
        """+1 or -1."""
        return self.run.direction or 1

    @property
    def has_accel(self) -> bool:
        """Whether any bin has a measured force."""
        return bool(np.isfinite(self.force_mps2).any())

    @property
    def has_place(self) -> bool:
        """Whether the run's place on the road is known."""
        return self.place_s.size >= 3


def run_data(run: Run, fused: Fused, place: RunPlace, gears: Sequence[int]) -> RunData | None:
    """Cut one run into bins and collect its measurements.

    Parameters
    ----------
    run : Run
        Its used phases are taken.
    fused : Fused
        The recording it comes from.
    place : RunPlace
        Its position fixes.
    gears : sequence of int
        Gear index of each piece of the pull, as many as the pull has pieces.

    Returns
    -------
    RunData or None
        None where nothing in it is used.
    """
    curve = fused.curve
    pull, coast = run.phase("pull"), run.phase("coast")
    parts: list[tuple[float, float, int]] = []
    if pull is not None and pull.used:
        parts += [(a, b, g) for (a, b), g in zip(pull.gear_pieces_s, gears, strict=True)]
    if coast is not None and coast.used:
        parts.append((coast.start_s, coast.end_s, COAST))
    if not parts or curve is None:
        return None
    accel = fused.mount.used
    edges: list[float] = [parts[0][0]]
    drive: list[int] = []
    rest_s = _rest_before(run, parts[0][0], fused) if accel else None
    if rest_s is not None:
        edges = [rest_s]
        _add_bins(edges, drive, parts[0][0], FREE, _LAUNCH_BIN_S)
    for number, (start, end, code) in enumerate(parts):
        if number and start > edges[-1] + 1e-6:
            _add_bins(edges, drive, start, FREE, _BIN_S["free"][not accel])
        kind = "coast" if code == COAST else "drive"
        _add_bins(edges, drive, end, code, _BIN_S[kind][not accel])
    edge_s = np.array(edges)
    force = np.full(len(drive), np.nan)
    if accel:
        force = _bin_forces(edge_s, fused.mount.accel_time_s, fused.mount.forward_mps2)
    lag_s = fused.lag_s
    begin = parts[0][0]
    stand = run.phase("stand")
    if stand is not None and pull is not None and stand.end_s <= pull.start_s + 0.5:
        begin = max(begin, stand.end_s + _CATCH_UP_S)
    moment = fused.fixes.t_s - lag_s
    use = (moment >= begin + 0.2) & (moment <= edge_s[-1] - 0.5)
    fix_s, fix_mps, fix_count = half_second_means(fused.fixes.t_s[use], fused.fixes.speed_mps[use])
    at_place = (place.t_s - lag_s >= edge_s[0]) & (place.t_s - lag_s <= edge_s[-1])
    good = np.isfinite(curve.speed_mps)
    path = np.interp(edge_s, curve.time_s[good], curve.speed_mps[good])
    return RunData(
        run,
        edge_s,
        np.array(drive, dtype=int),
        force,
        fix_s,
        fix_mps,
        place.t_s[at_place],
        place.place_m[at_place],
        lag_s,
        path,
        fix_count,
        rest_s is not None,
    )


def _rest_before(run: Run, drive_s: float, fused: Fused) -> float | None:
    """Return a moment at rest from which the accelerometer leads to the first drive [s].

    A receiver may hold zero after a launch and then overshoot: its first fixes say little of the
    speed at which the drive begins, while the accelerometer loses nothing in so short a time.
    """
    stand = next((phase for phase in run.phases if phase.kind == "stand"), None)
    if stand is None or not stand.start_s < stand.end_s <= drive_s:
        return None
    rest_s = max(stand.start_s, stand.end_s - _REST_S)
    time_s = fused.mount.accel_time_s
    seen = time_s[(time_s >= rest_s) & (time_s <= drive_s)]
    if drive_s - stand.end_s > _LAUNCH_S or seen.size < 2:
        return None
    gaps = np.diff(np.concatenate([[rest_s], seen, [drive_s]]))
    return None if gaps.max() > _LONGEST_HOLE_S else rest_s


def _add_bins(edges: list[float], drive: list[int], end: float, code: int, step: float) -> None:
    count = max(1, round((end - edges[-1]) / step))
    start = edges[-1]
    edges += [start + (end - start) * (i + 1) / count for i in range(count)]
    drive += [code] * count


def _bin_forces(edge_s: Array, accel_s: Array, forward: Array) -> Array:
    """Return the mean force per bin; nan in bins that touch a hole of the accelerometer."""
    integral = integral_at(edge_s, accel_s, forward[:, None])[:, 0]
    mean = np.diff(integral) / np.diff(edge_s)
    after = np.searchsorted(accel_s, edge_s[1:])
    before = np.searchsorted(accel_s, edge_s[:-1], side="right") - 1
    outside = (before < 0) | (after >= accel_s.size)
    longest = np.array(
        [
            np.diff(accel_s[max(i, 0) : j + 1]).max(initial=0.0)
            for i, j in zip(before, after, strict=True)
        ]
    )
    mean[outside | (longest > _LONGEST_HOLE_S)] = np.nan
    return mean


@dataclass(frozen=True, slots=True)
class Layout:
    """Where each shared unknown stands in the parameter vector.

    Parameters
    ----------
    gear_knots_mps : tuple of arrays
        Speed knots of the tractive acceleration per gear [m/s].
    slope_knots_m : array
        Knots of the slope profile along the road [m]; empty without places.
    gravity_share : float
        m / m_e.
    gear_level_mps2 : tuple of float
        Rough level of the tractive acceleration per gear [m/s2], to scale its priors.
    """

    gear_knots_mps: tuple[Array, ...]
    slope_knots_m: Array
    gravity_share: float
    gear_level_mps2: tuple[float, ...] = ()

    RESISTANCE = slice(0, 3)
    WIND = 3
    SLOPE = 4
    SCALE = 5
    MEMORY = 6

    @property
    def slope(self) -> slice:
        """Slope profile about its mean."""
        return slice(7, 7 + self.slope_knots_m.size)

    def gear(self, index: int) -> slice:
        """Tractive acceleration of gear `index`."""
        start = self.slope.stop + sum(knots.size for knots in self.gear_knots_mps[:index])
        return slice(start, start + self.gear_knots_mps[index].size)

    @property
    def size(self) -> int:
        """Number of shared unknowns."""
        return int(self.slope.stop) + sum(knots.size for knots in self.gear_knots_mps)


#: Names of a run's own unknowns in order; sizes come from `local_slices`.
LOCAL_NAMES = (
    "start_speed", "lag", "lag_wander", "offset", "offset_wander", "gust", "slow_noise",
    "wind", "pull", "scale", "free",
)  # fmt: skip


def knots_over(start: float, end: float, spacing: float) -> Array:
    """Return evenly spaced knots from `start` to `end`, about `spacing` apart, at least two."""
    return np.linspace(start, end, max(2, round((end - start) / spacing) + 1))


def local_slices(data: RunData) -> dict[str, slice]:
    """Return where each of the run's own unknowns stands in its vector."""
    start, end = data.edge_s[0], data.edge_s[-1]
    accel = data.has_accel
    sizes = {
        "start_speed": 1,
        "lag": int(accel),
        "lag_wander": knots_over(start, end, LAG_S[0]).size if accel else 0,
        "offset": int(accel),
        "offset_wander": knots_over(start, end, OFFSET_S[0]).size if accel else 0,
        "gust": knots_over(start, end, GUST_S[0]).size,
        "slow_noise": knots_over(start, end, SLOW_NOISE_S[0]).size,
        "wind": 1,
        "pull": int((data.drive >= 0).any()),
        "scale": int(accel),
        "free": int((data.drive == FREE).sum()),
    }
    slices: dict[str, slice] = {}
    at = 0
    for name in LOCAL_NAMES:
        slices[name] = slice(at, at + sizes[name])
        at += sizes[name]
    return slices


@dataclass(frozen=True, slots=True)
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
    gravity = STANDARD_GRAVITY_MPS2 * layout.gravity_share

    accel = -(r0 + r1 * v / SPEED_SCALE_MPS + r2 * air * np.abs(air) / scale2) - gravity * d * slope
    accel += by_gust * gust  # the square of a gust is below 0.2 N for a car, and left out
    stiffness = r1 / SPEED_SCALE_MPS + 2.0 * (r2 * np.abs(air) + gust_drag * gust) / scale2
    rows = np.zeros((n, size))
    rows[:, 0] = -1.0
    rows[:, 1] = -v / SPEED_SCALE_MPS
    rows[:, 2] = -air * np.abs(air) / scale2
    rows[:, layout.WIND] = -2.0 * r2 * np.abs(air) / scale2 * d
    rows[:, at["wind"].start] = by_gust * d
    rows[:, at["gust"]] = by_gust[:, None] * gust_rows
    rows[:, layout.SLOPE] = -gravity * d
    rows[:, layout.slope] = -gravity * d * slope_rows
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
        full[:, layout.SLOPE] += STANDARD_GRAVITY_MPS2 * d
        full[:, layout.slope] += STANDARD_GRAVITY_MPS2 * d * slope_rows
        full[:, at["offset"].start] += 1.0
        full[:, at["offset_wander"]] += offset_rows
        offset = local[own["offset"]][0] + offset_rows @ local[own["offset_wander"]]
        predicted = (1.0 + k) * accel + STANDARD_GRAVITY_MPS2 * d * slope + offset
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
        new_path, accel, place, force_bins, force_rows, force_miss, fix_rows, fix_miss, by
    )


def step_linear(lin: Linearised, step: Array) -> Linearised:
    """Return path and misses as they are to first order after a step of all unknowns."""
    return replace(
        lin,
        path_mps=lin.path_mps + lin.path_rows @ step,
        force_miss=lin.force_miss - lin.force_rows @ step,
        fix_miss=lin.fix_miss - lin.fix_rows @ step,
    )
