"""What one run gives the session model: its measurements, cut into bins.

Bins never straddle a gear change or the release; between pieces of drive, and between release and
coast-down, the acceleration of every bin is a free unknown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.runs.road import RunPlace
from analysis.runs.run import Phase, Run
from analysis.signals.gps import half_second_means
from analysis.signals.lag import integral_at
from analysis.signals.smoothing import Fused
from logger.arrays import Array

__all__ = ["COAST", "FREE", "RunData", "observe_all", "placed_by_distance", "run_data"]

FREE, COAST = -2, -1
#: Bin lengths [s] with an accelerometer and without.
_BIN_S = {"drive": (0.2, 0.35), "free": (0.1, 0.35), "coast": (1.0, 1.0)}
#: With an accelerometer a run begins at rest: bins of this length [s], from so long before the
#: vehicle is seen to move [s], where the launch before the first drive is not longer than this [s].
_LAUNCH_BIN_S, _REST_S, _LAUNCH_S = 0.25, 1.0, 4.0
#: Fixes this soon after standstill may still be held at zero or catching up [s]: where the
#: accelerometer leads from rest they are hardly missed, without it they hold the first gear.
_CATCH_UP_S = {True: 5.0, False: 2.5}
#: A mean over a longer hole of the accelerometer is none [s].
_LONGEST_HOLE_S = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
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
    flat : bool
        No hills are sought where the place is unknown.
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
    flat: bool = False

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
    stand = run.phase("stand")
    rest_s = _rest_before(stand, parts[0][0], fused) if accel else None
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
    if stand is not None and pull is not None and stand.end_s <= pull.start_s + 0.5:
        begin = max(begin, stand.end_s + _CATCH_UP_S[rest_s is not None])
    moment = fused.fixes.t_s - lag_s
    use = (moment >= begin + 0.2) & (moment <= edge_s[-1] - 0.5)
    fix_s, fix_mps, fix_count = half_second_means(fused.fixes.t_s[use], fused.fixes.speed_mps[use])
    at_place = (place.t_s - lag_s >= edge_s[0]) & (place.t_s - lag_s <= edge_s[-1])
    good = np.isfinite(curve.speed_mps)
    path = np.interp(edge_s, curve.time_s[good], curve.speed_mps[good])
    return RunData(
        run=run,
        edge_s=edge_s,
        drive=np.array(drive, dtype=int),
        force_mps2=force,
        fix_s=fix_s,
        fix_mps=fix_mps,
        place_s=place.t_s[at_place],
        place_m=place.place_m[at_place],
        lag_s=lag_s,
        first_path_mps=path,
        fix_count=fix_count,
        from_rest=rest_s is not None,
    )


def _rest_before(stand: Phase | None, drive_s: float, fused: Fused) -> float | None:
    """Return a moment at rest from which the accelerometer leads to the first drive [s].

    A receiver may hold zero after a launch and then overshoot: its first fixes say little of the
    speed at which the drive begins, while the accelerometer loses nothing in so short a time.
    """
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


def observe_all(
    runs: Sequence[Run],
    fused: Sequence[Fused],
    places: Sequence[RunPlace],
    gears: Mapping[int, Sequence[int]],
) -> list[RunData]:
    """Cut every run of which something is used into bins; `gears` by the run's number."""
    pairs = zip(runs, places, strict=True)
    every = (run_data(run, fused[run.log], at, gears.get(run.number, ())) for run, at in pairs)
    return [one for one in every if one is not None]


def placed_by_distance(runs: Sequence[RunData]) -> tuple[RunData, ...]:
    """Return runs placed by the way they drove, where no positions place them but their directions do.

    Runs up begin at 0, runs down where runs up came to rest; each must begin at rest, as a driver does
    who goes to and fro. A place is then off by some ten metres, against waves of 120 m and more.
    """
    both = {data.run.direction for data in runs} == {-1, 1}
    rests = all((stand := data.run.phase("stand")) and stand.end_s <= data.edge_s[0] + _LAUNCH_S
                for data in runs)  # fmt: skip
    if not both or not rests or any(data.has_place for data in runs):
        return tuple(runs)
    far_m = float(np.median([_way_m(data)[-1] for data in runs if data.direction > 0]))
    placed = []
    for data in runs:
        driven = _way_m(data)[:-1]
        place = driven if data.direction > 0 else far_m - driven
        placed.append(replace(data, place_s=data.edge_s + data.lag_s, place_m=place))
    return tuple(placed)


def nowhere_both_ways(runs: Sequence[RunData]) -> bool:
    """Return whether runs of speeds alone go both ways of a road, and none is known to be where."""
    return {data.run.direction for data in runs} == {-1, 1} and not any(
        data.has_place or data.has_accel for data in runs
    )


def _way_m(data: RunData) -> Array:
    """Return the way driven since rest at the bin edges, and at the stop after braking at the end [m]."""
    mean_mps = np.maximum(0.5 * (data.first_path_mps[1:] + data.first_path_mps[:-1]), 0.0)
    start_s, stand = data.edge_s[0], data.run.phase("stand")
    # from rest to the first edge at half its speed
    launch_s = max(start_s - stand.end_s, 0.0) if stand is not None else 0.0
    launch_m = 0.5 * launch_s * max(float(data.first_path_mps[0]), 0.0)
    way = launch_m + np.concatenate([[0.0], np.cumsum(mean_mps * np.diff(data.edge_s))])
    brake = data.run.phase("brake")
    stop_m = 0.0
    if brake is not None:
        stop_m = 0.5 * (brake.from_mps + brake.to_mps) * (brake.end_s - brake.start_s)
    return np.append(way, way[-1] + stop_m)
