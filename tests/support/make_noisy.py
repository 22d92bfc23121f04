"""Runs whose every random part is drawn as the session model takes it to be, on an exact path.

The path is integrated in steps of 0.02 s from the equation of motion itself, so that nothing of the
model's own arithmetic (bins, knots, quadrature, linearisation) is in the data.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.model.observations import COAST, FREE, RunData
from analysis.model.parameters import (
    FORCE_BIN_S,
    GUST_S,
    LAG_S,
    OFFSET_S,
    SLOW_NOISE_S,
    Layout,
    Spread,
)
from analysis.model.priors import Prior, shared_prior_matrix
from analysis.runs.run import Phase, Run

__all__ = ["KNOTS_MPS", "World", "draw_world", "noisy_run", "traction_mps2"]

Array = NDArray[np.float64]

_DT = 0.02
_GRAVITY = 9.80665  # standard gravity, ISO 80000-3
KNOTS_MPS = (np.linspace(1.0, 16.5, 16), np.linspace(12.5, 26.5, 15))


@dataclass(frozen=True, slots=True)
class World:
    """What all runs share: resistance per effective mass, wind, slope over place, sensors."""

    resistance: tuple[float, float, float]
    wind_mps: float
    slope: float
    place_m: Array
    profile: Array
    scale: float
    memory_s: float
    mass_share: float


def traction_mps2(gear: int, speed_mps: float) -> float:
    """Tractive acceleration of the two gears: a gentle hump that falls."""
    if gear == 0:
        return 3.6 - 0.09 * (speed_mps - 7.0) - 0.004 * (speed_mps - 7.0) ** 2
    return 2.2 - 0.06 * (speed_mps - 18.0) - 0.002 * (speed_mps - 18.0) ** 2


def draw_world(
    rng: np.random.Generator, spread: Spread, *, wind_sd: float, slope_sd: float
) -> World:
    """Draw what the priors leave open: wind, slope and its profile, scale and memory."""
    place = np.arange(-100.0, 1701.0, 60.0)
    layout = Layout(gear_knots_mps=(), slope_knots_m=place, gravity_share=0.97)
    prior = Prior(
        mean=np.zeros(Layout.SINGLE),
        sd=np.ones(Layout.SINGLE),
        most_slope=slope_sd,
        most_wind_mps=wind_sd,
    )
    precision = shared_prior_matrix(layout, prior, spread)[0][layout.slope, layout.slope]
    profile = np.linalg.cholesky(np.linalg.inv(precision)) @ rng.standard_normal(place.size)
    return World(
        (0.13, 0.06, 0.32),
        wind_sd * float(rng.standard_normal()),
        slope_sd * float(rng.standard_normal()),
        place,
        np.asarray(profile, dtype=np.float64),
        0.06 * float(np.clip(rng.standard_normal(), -1.5, 1.5)),
        float(np.clip(0.3 + 0.2 * rng.standard_normal(), 0.05, 0.7)),
        0.97,
    )


def _wander(rng: np.random.Generator, time_s: Array, sd: float, length_s: float) -> Array:
    """Ornstein-Uhlenbeck process at increasing times."""
    draw = rng.standard_normal(time_s.size).tolist()
    value = [draw[0]]
    for keep, new in zip(np.exp(-np.diff(time_s) / length_s).tolist(), draw[1:], strict=True):
        value.append(keep * value[-1] + float(np.sqrt(1.0 - keep**2)) * new)
    return sd * np.array(value)


def _integrate(
    world: World, code_at: NDArray[np.int_], headwind: Array, strength: float, direction: int
) -> tuple[Array, Array, Array, Array]:
    """Speed, acceleration, place and slope every 0.02 s; speed is the sum of acceleration exactly."""
    r0, r1, r2 = world.resistance
    slopes = (world.slope + world.profile).tolist()
    first, step = float(world.place_m[0]), float(world.place_m[1] - world.place_m[0])
    pull = _GRAVITY * world.mass_share * direction
    v, x, a = 2.5, (0.0 if direction > 0 else 1100.0), 0.0
    rows = []
    for code, h in zip(code_at.tolist(), headwind.tolist(), strict=True):
        at = (x - first) / step
        low = int(at)
        rise = slopes[low] + (at - low) * (slopes[low + 1] - slopes[low])
        middle = v + 0.5 * _DT * a
        if code == FREE:
            a = -0.25  # nothing that the model could know
        else:
            air = middle + h
            a = -(r0 + r1 * middle / 30.0 + r2 * air * abs(air) / 900.0) - pull * rise
            if code >= 0:
                a += strength * traction_mps2(code, middle)
        rows.append((v, a, x, rise))
        x += direction * v * _DT
        v += a * _DT
    table = np.array(rows)
    return table[:, 0], table[:, 1], table[:, 2], table[:, 3]


def _first_order(values: Array, time_s: float) -> Array:
    keep = float(np.exp(-_DT / time_s))
    state, out = float(values[0]), []
    for value in values.tolist():
        state = keep * state + (1.0 - keep) * value
        out.append(state)
    return np.array(out)


def noisy_run(
    rng: np.random.Generator, world: World, spread: Spread, *, number: int, direction: int
) -> RunData:
    """Drive and measure one run: two gears, release, coast-down of 40 s."""
    parts = ((3.6, 0), (0.6, FREE), (5.5, 1), (1.2, FREE), (40.0, COAST))
    end = sum(length for length, _ in parts)
    count = round(end / _DT) + 1
    t = np.linspace(0.0, _DT * (count - 1), count)
    # what acts on the vehicle
    gust = _wander(rng, t, spread.gust, GUST_S[1])
    own_wind = spread.wind * float(rng.standard_normal())
    strength = 1.0 + spread.pull * float(rng.standard_normal())
    borders = np.cumsum([length for length, _ in parts])
    code_at = np.array([code for _, code in parts])[
        np.minimum(np.searchsorted(borders, t + 1e-9, side="right"), len(parts) - 1)
    ]
    headwind = direction * (world.wind_mps + own_wind) + gust
    speed, accel, place, slope_here = _integrate(world, code_at, headwind, strength, direction)
    # what the sensors make of it
    start_s = 10.0
    edges, drive = [0.0], []
    for (length, code), border in zip(parts, borders, strict=True):
        bins = round(length / (1.0 if code == COAST else 0.1 if code == FREE else 0.2))
        edges += [border - length + length * (j + 1) / bins for j in range(bins)]
        drive += [code] * bins
    edge = np.array(edges)
    reads = (1.0 + world.scale + spread.scale * float(rng.standard_normal())) * accel
    reads += _GRAVITY * direction * slope_here + 0.3 * float(rng.standard_normal())
    reads += _wander(rng, t, spread.offset_wander, OFFSET_S[1])
    total = np.concatenate([[0.0], np.cumsum(reads[:-1]) * _DT])
    level = np.where(np.array(drive) == COAST, spread.force_coast, spread.force_drive)
    width = np.diff(edge)
    noise = level * np.sqrt(FORCE_BIN_S / width) * rng.standard_normal(width.size)
    force_mps2 = np.diff(np.interp(edge, t, total)) / width + noise
    lag_known = 0.7
    lag = lag_known + spread.lag * float(rng.standard_normal())
    fix = np.arange(2.5 + rng.uniform(), end - 0.5, 1.0, dtype=np.float64)
    late = lag + _wander(rng, fix, spread.lag_wander, LAG_S[1])
    smooth = _first_order(speed, world.memory_s)
    fix_mps = np.interp(fix + lag_known - late + world.memory_s, t, smooth)
    fix_mps += _wander(
        rng, fix, spread.slow_noise, SLOW_NOISE_S[1]
    ) + spread.fix * rng.standard_normal(fix.size)
    rough = np.interp(edge, t, speed) + 0.3 * np.sin(edge / 6.0 + rng.uniform(0.0, 6.0))
    phase = Phase(
        kind="coast",
        start_s=start_s,
        end_s=start_s + end,
        from_mps=float(speed[0]),
        to_mps=float(speed[-1]),
    )
    return RunData(
        run=Run(log=number, number=number, direction=direction, phases=(phase,)),
        edge_s=edge + start_s,
        drive=np.array(drive, dtype=int),
        force_mps2=force_mps2,
        fix_s=fix + start_s + lag_known,
        fix_mps=fix_mps,
        place_s=fix + start_s + lag_known,
        place_m=np.interp(fix + lag_known - late, t, place) + 0.5 * rng.standard_normal(fix.size),
        lag_s=lag_known,
        first_path_mps=np.maximum(rough, 0.5),
    )
