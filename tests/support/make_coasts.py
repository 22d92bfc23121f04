"""Coast-downs alone, of speeds alone, on an exact path: what a wheel sensor or a receiver gives.

The path comes from scipy's integrator, so that nothing of the model's own arithmetic is in it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from analysis.model.observations import COAST, RunData
from analysis.runs.run import Phase, Run

__all__ = ["Coasting", "coast_run"]

Array = NDArray[np.float64]
_GRAVITY = 9.80665  # standard gravity, ISO 80000-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Coasting:
    """A vehicle that rolls: masses [kg], force over speed [N], slope over place, noise [m/s]."""

    mass_kg: float
    effective_mass_kg: float
    force_n: Callable[[float], float]
    slope: Callable[[float], float] = lambda _: 0.0
    noise_mps: float = 0.02
    from_mps: float = 28.0
    to_mps: float = 5.0


def coast_run(
    rng: np.random.Generator,
    coasting: Coasting,
    *,
    number: int,
    direction: int,
    start_m: float = 0.0,
    step_s: float = 1.0,
) -> RunData:
    """Roll once along the road from `start_m`, and read the speed every `step_s`."""

    def rates(_: float, state: Array) -> list[float]:
        v, x = state.tolist()
        weight = _GRAVITY * coasting.mass_kg * direction * coasting.slope(x)
        return [-(coasting.force_n(v) + weight) / coasting.effective_mass_kg, direction * v]

    def slow(_: float, state: Array) -> float:
        return float(state[0]) - coasting.to_mps

    slow.terminal = True  # type: ignore[attr-defined]  # how solve_ivp is told
    start = [coasting.from_mps, start_m]
    path = solve_ivp(
        rates, (0.0, 600.0), start, events=slow, max_step=0.5, rtol=1e-8, dense_output=True
    )
    speed = path.sol
    assert speed is not None  # asked for
    end_s = float(path.t[-1])
    fix = np.arange(0.3, end_s - 0.5, step_s, dtype=np.float64)
    edge = np.linspace(0.0, end_s, max(2, round(end_s)) + 1)
    phase = Phase(
        kind="coast",
        start_s=0.0,
        end_s=end_s,
        from_mps=coasting.from_mps,
        to_mps=coasting.to_mps,
    )
    none = np.zeros(0)
    return RunData(
        run=Run(log=number, number=number, direction=direction, phases=(phase,)),
        edge_s=edge,
        drive=np.full(edge.size - 1, COAST),
        force_mps2=np.full(edge.size - 1, np.nan),
        fix_s=fix,
        fix_mps=speed(fix)[0] + coasting.noise_mps * rng.standard_normal(fix.size),
        place_s=none,
        place_m=none,
        lag_s=0.0,
        first_path_mps=speed(edge)[0] + 0.1 * np.sin(edge / 7.0),
    )
