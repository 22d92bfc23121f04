"""What is true of a session, taken from its true path.

Peak power is that of the force which the wheels gave, at the speeds that full throttle covered in
each gear, averaged over the pulls; road load is what acted during the coast-downs, on a level road
in still air.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from handsets import Fixes
from motion import GRID_S, Body, Path, RunTimes
from numpy.typing import NDArray
from setups import Setup

__all__ = ["Truth", "true_values"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true of one session.

    Parameters
    ----------
    setup : Setup
        As drawn.
    body : Body
        With the true masses; its road load is that of warm tyres.
    f0_n, f1_n_per_mps, f2_n_per_mps2 : float
        Road load of the coast-downs, as tested, level, still air.
    coast_mps : tuple of (low, high)
        Speeds that each coast-down covered.
    peak_w, peak_mps, peak_gear : float, float, int
        Peak wheel power by the definitions, where, and in which gear.
    power : tuple of (gear, speed, power)
        Wheel power over the speeds covered in each gear [m/s, W].
    runs : tuple of RunTimes
        On the clock of their recording's path.
    log_of : tuple of int
        Recording of each run.
    paths, fixes : tuples
        One per recording, on the path's clock.
    """

    setup: Setup
    body: Body
    f0_n: float
    f1_n_per_mps: float
    f2_n_per_mps2: float
    coast_mps: tuple[tuple[float, float], ...]
    peak_w: float
    peak_mps: float
    peak_gear: int
    power: tuple[tuple[int, Floats, Floats], ...]
    runs: tuple[RunTimes, ...]
    log_of: tuple[int, ...]
    paths: tuple[Path, ...]
    fixes: tuple[Fixes, ...]

    def force_n(self, speed_mps: Floats) -> Floats:
        """Return the true road load at speeds of any shape [N]."""
        return self.f0_n + self.f1_n_per_mps * speed_mps + self.f2_n_per_mps2 * speed_mps**2

    def covered(self, speed_mps: float) -> bool:
        """Whether at least half the coast-downs reached over a speed [m/s]."""
        held = [low <= speed_mps <= high for low, high in self.coast_mps]
        return 2 * sum(held) >= len(held)


def true_values(
    setup: Setup,
    body: Body,
    runs: list[RunTimes],
    log_of: list[int],
    paths: list[Path],
    fixes: list[Fixes],
) -> Truth:
    """Take what is true from the true paths."""
    warm, seconds, coasts = 0.0, 0.0, []
    for run, log in zip(runs, log_of, strict=True):
        part = slice(round(run.coast_s / GRID_S), round(run.brake_s / GRID_S))
        warm += float(np.sum(paths[log].warm[part]))
        seconds += float(paths[log].warm[part].size)
        speed = paths[log].speed_mps[part]
        coasts.append((float(np.min(speed)), float(np.max(speed))))
    curves = _powers(runs, log_of, paths)
    best = max(curves, key=lambda curve: float(np.max(curve[2])))
    at = int(np.argmax(best[2]))
    return Truth(
        setup=setup,
        body=body,
        f0_n=body.f0_n * warm / seconds,
        f1_n_per_mps=body.f1_n_per_mps * warm / seconds,
        f2_n_per_mps2=body.f2_n_per_mps2,
        coast_mps=tuple(coasts),
        peak_w=float(best[2][at]),
        peak_mps=float(best[1][at]),
        peak_gear=best[0],
        power=tuple(curves),
        runs=tuple(runs),
        log_of=tuple(log_of),
        paths=tuple(paths),
        fixes=tuple(fixes),
    )


def _powers(
    runs: list[RunTimes], log_of: list[int], paths: list[Path]
) -> list[tuple[int, Floats, Floats]]:
    """Return each gear's wheel power: the true force averaged over the pulls that were there.

    A pull's own torque factor is taken out before and the mean factor of all put back, or speeds
    that only a strong pull reached would look stronger than the session is.
    """
    usual = float(np.mean([run.torque for run in runs]))
    curves = []
    for gear in sorted({piece.gear for run in runs for piece in run.pieces}):
        pieces = [
            (piece, run.torque, paths[log])
            for run, log in zip(runs, log_of, strict=True)
            for piece in run.pieces
            if piece.gear == gear
        ]
        low = min(piece.from_mps for piece, _, _ in pieces)
        high = max(piece.to_mps for piece, _, _ in pieces)
        grid = np.linspace(low, high, max(3, round((high - low) / 0.05) + 1))
        total, count = np.zeros(grid.size), np.zeros(grid.size)
        for piece, torque, path in pieces:
            part = slice(round(piece.start_s / GRID_S), round(piece.end_s / GRID_S))
            speed = np.maximum.accumulate(path.speed_mps[part])
            inside = (grid >= piece.from_mps - 1e-9) & (grid <= piece.to_mps + 1e-9)
            force = np.interp(grid, speed, path.force_n[part]) * usual / torque
            total[inside] += force[inside]
            count[inside] += 1.0
        known = count > 0
        curves.append((gear, grid[known], total[known] / count[known] * grid[known]))
    return curves
