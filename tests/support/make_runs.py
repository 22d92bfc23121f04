"""Runs for tests of the session model, built bin by bin: no reading, no fusing, no phase finding.

The vehicle is invented: two gears, r0 0.13, r1 0.05, r2 0.30 m/s2 at 30 m/s.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.model.linearise import Linearised, linearise
from analysis.model.normal_equations import Normal, RunState
from analysis.model.observations import COAST, FREE, RunData
from analysis.model.parameters import FORCE_BIN_S, Layout, local_slices
from analysis.model.priors import PROCESSES, Prior, process_precision
from analysis.runs.run import Phase, Run

__all__ = [
    "PRIOR",
    "Problem",
    "drive_code_of_bins",
    "known_run",
    "make_problem",
    "settle",
    "whitened",
]

Array = NDArray[np.float64]

#: (length [s], bins, code): two gears, a gear change between, release, coast-down.
_PARTS_ACCEL = ((4.0, 20, 0), (0.6, 6, FREE), (6.0, 30, 1), (1.2, 12, FREE), (45.0, 45, COAST))
_PARTS_GPS = ((4.0, 12, 0), (0.7, 2, FREE), (6.0, 18, 1), (1.4, 4, FREE), (45.0, 45, COAST))
_KNOTS = (np.linspace(1.0, 15.5, 9), np.linspace(11.0, 26.0, 9))

#: Of the first seven shared unknowns, of the slope profile and of the wind of a run.
PRIOR = Prior(
    mean=np.array([0.10, 0.05, 0.35, 0.0, 0.0, 0.0, 0.3, 0.0]),
    sd=np.array([0.15, 0.20, 2.0, 3.0, 0.005, 0.06, 0.2, 0.02]),
    most_slope=0.005,
    most_wind_mps=3.0,
)


class Problem:
    """One run with unknowns at which its prediction is to be taken."""

    def __init__(
        self, data: RunData, layout: Layout, shared: Array, local: Array, gust_drag: float
    ) -> None:
        self.data, self.layout, self.gust_drag = data, layout, gust_drag
        self.shared, self.local = shared, local


def drive_code_of_bins(accel: bool) -> tuple[Array, NDArray[np.int_]]:
    """Edges [s] and drive codes of the bins of a run with two gears."""
    edges, codes = [10.0], []
    for length, bins, code in _PARTS_ACCEL if accel else _PARTS_GPS:
        start = edges[-1]
        edges += [start + length * (i + 1) / bins for i in range(bins)]
        codes += [code] * bins
    return np.array(edges), np.array(codes, dtype=int)


def make_problem(
    *,
    accel: bool = True,
    place: bool = True,
    direction: int = 1,
    ripple: float = 0.002,
    seed: int = 5,
) -> Problem:
    """Make a run whose unknowns all differ from 0, so that no derivative hides behind one.

    `ripple` is the amplitude of the slope profile (ratio).
    """
    rng = np.random.default_rng(seed)
    edge_s, drive = drive_code_of_bins(accel)
    run = Run(
        log=0,
        number=0,
        direction=direction,
        phases=(
            Phase(
                kind="coast",
                start_s=float(edge_s[0]),
                end_s=float(edge_s[-1]),
                from_mps=3.0,
                to_mps=8.0,
            ),
        ),
    )  # only its direction and number are looked at
    fix_s = np.arange(edge_s[0] + 1.3, edge_s[-1] - 0.2, 1.0)
    lag_s = 0.6 if accel else 0.0
    data = RunData(
        run=run,
        edge_s=edge_s,
        drive=drive,
        force_mps2=np.zeros(drive.size) if accel else np.full(drive.size, np.nan),
        fix_s=fix_s + lag_s,
        fix_mps=np.zeros(fix_s.size),
        place_s=fix_s + lag_s if place else np.zeros(0),
        place_m=np.zeros(fix_s.size) if place else np.zeros(0),
        lag_s=lag_s,
        first_path_mps=np.full(edge_s.size, 15.0),
    )
    slope_knots = np.linspace(-1300.0, 1300.0, 44) if place else np.zeros(0)
    layout = Layout(
        gear_knots_mps=_KNOTS,
        slope_knots_m=slope_knots,
        gravity_share=0.97,
        gear_level_mps2=(3.0, 2.0),
    )
    shared = np.zeros(layout.size)
    shared[: Layout.SINGLE] = (0.13, 0.05, 0.30, 1.2, 0.002, 0.03, 0.35, 0.02)
    shared[layout.slope] = ripple * np.sin(slope_knots / 90.0)
    shared[layout.gear(0)] = 3.2 - 0.05 * (_KNOTS[0] - 8.0) - 0.004 * (_KNOTS[0] - 8.0) ** 2
    shared[layout.gear(1)] = 2.1 - 0.05 * (_KNOTS[1] - 18.0)
    own = local_slices(data)
    local = np.zeros(max(part.stop for part in own.values()))
    local[own["start_speed"]] = 2.5
    local[own["lag"]] = 0.08
    local[own["offset"]] = 0.15
    local[own["wind"]] = 0.3
    local[own["pull"]] = 0.01
    local[own["scale"]] = 0.002
    local[own["free"]] = -0.2 + 0.1 * rng.standard_normal(int((drive == FREE).sum()))
    for name, sd in {
        "lag_wander": 0.03, "offset_wander": 0.03, "gust": 0.4, "slow_noise": 0.03,
    }.items():  # fmt: skip
        local[own[name]] = sd * rng.standard_normal(own[name].stop - own[name].start)
    problem = Problem(data, layout, shared, local, 0.30)
    if not place:
        return problem
    path = settle(problem, shared, local)
    driven = np.concatenate([[0.0], np.cumsum(0.5 * (path[1:] + path[:-1]) * np.diff(edge_s))])
    there = np.interp(data.place_s - lag_s - 0.08, edge_s, driven)
    problem.data = replace(data, place_m=direction * there - 20.0)
    return problem


def settle(
    problem: Problem, shared: Array, local: Array, first_path_mps: Array | None = None
) -> Array:
    """Return the speed path that agrees with its own forces [m/s]: Picard steps until it rests."""
    path = problem.data.first_path_mps if first_path_mps is None else first_path_mps
    for _ in range(200):
        lin = linearise(problem.data, problem.layout, shared, local, path, problem.gust_drag)
        moved = float(np.abs(lin.path_mps - path).max())
        path = lin.path_mps
        if moved < 1e-12:
            return path
    msg = f"the path still moves by {moved} m/s after 200 Picard steps"
    raise AssertionError(msg)


def whitened(precision: Array) -> Array:
    """Return values u with u' Q u = n, as n draws of sd 1 have it on average."""
    return np.asarray(np.linalg.solve(np.linalg.cholesky(precision).T, np.ones(len(precision))))


def known_run(problem: Problem, level: float) -> tuple[RunState, Linearised, Normal]:
    """A run whose unknowns are known exactly, everything random in it being of size `level`.

    Every second fix has no weight, and a miss that must not count.
    """
    data, local = problem.data, problem.local.copy()
    own = local_slices(data)
    for name in PROCESSES:
        precision = process_precision(data, name, own[name].stop - own[name].start)
        local[own[name]] = level * whitened(precision)
    for name in ("wind", "pull"):
        local[own[name]] = level
    path = np.full(data.edge_s.size, 15.0)
    lin = linearise(data, problem.layout, problem.shared, local, path, problem.gust_drag)
    width = np.diff(data.edge_s)[lin.force_bins]
    weight = (np.arange(data.fix_s.size) % 2).astype(np.float64)
    lin = replace(
        lin,
        force_miss=level * np.sqrt(FORCE_BIN_S / width),
        fix_miss=np.where(weight > 0.0, level, 9.0),
    )
    p, q = problem.layout.size, local.size
    none = np.zeros((q, q))
    normal = Normal(
        shared=np.eye(p),
        cross=np.zeros((p, q)),
        own=none,
        own_inverse=none,
        gradient_shared=np.zeros(p),
        gradient_own=np.zeros(q),
    )
    return RunState(data=data, local=local, path_mps=path, fix_weight=weight), lin, normal
