"""What drives the vehicles of the worlds: force at the wheels over speed, gears, changes, lag.

Every drive is a row of gears whose full-throttle force stands on a grid of speed, and the way it
goes from one to the next. Engine-side inertia is taken off only where the path is integrated, so
that what reaches the road is less in a low gear, as in life.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FORCE_STEP_MPS",
    "Drive",
    "Gear",
    "constant_power",
    "electric",
    "geared",
    "power_shape",
    "ratio_steps",
]

Floats = NDArray[np.float64]

#: Spacing of force tables [m/s]; straight lines in between.
FORCE_STEP_MPS = 0.1
_FASTEST_MPS = 110.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Gear:
    """One gear, or the only one.

    Parameters
    ----------
    force_n : tuple of float
        Steady full-throttle force at the wheels at 0, `FORCE_STEP_MPS`, ... [N].
    to_mps : float
        Speed at which the next gear is taken; infinite in the last [m/s].
    engine_mass_kg : float
        Engine-side inertia as a mass at the wheels [kg].
    lock_mps : float
        Below it clutch or converter slips and the engine turns steadily [m/s].
    engine_hz_per_mps : float
        Turns of the engine per second and m/s, for its vibration.
    """

    force_n: tuple[float, ...]
    to_mps: float
    engine_mass_kg: float
    lock_mps: float
    engine_hz_per_mps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """All gears, and how torque comes and goes; ranges are drawn from anew each time.

    Parameters
    ----------
    gears : tuple of Gear
        Lowest first.
    launch_s, fall_s, change_s, rise_s : (low, high)
        Rise of the torque at the launch, its fall before a change, the change itself, and its
        rise after it [s].
    change_share : (low, high)
        Share of the torque that is kept during the change: 0 for an open clutch.
    lag_s, lag_share : float
        Boost: after launch and after each change torque begins at this share and is half-way
        to the whole after `lag_s` [s]; 0 without.
    grip_n : float
        Largest force that the driven tyres hold [N].
    pull_sd : float
        Relative scatter of the torque from pull to pull.
    change_sd : float
        Relative scatter of the speeds at which gears are changed.
    lift_chance : float
        How often a pull holds a lift of the throttle.
    """

    gears: tuple[Gear, ...]
    launch_s: tuple[float, float] = (0.4, 1.2)
    fall_s: tuple[float, float] = (0.05, 0.15)
    change_s: tuple[float, float] = (0.25, 0.5)
    rise_s: tuple[float, float] = (0.1, 0.3)
    change_share: tuple[float, float] = (0.0, 0.0)
    lag_s: float = 0.0
    lag_share: float = 1.0
    grip_n: float = float("inf")
    pull_sd: float = 0.006
    change_sd: float = 0.01
    lift_chance: float = 0.0

    def boost(self, since_s: float) -> float:
        """Return the share of full torque at a time after launch or change [s]."""
        if self.lag_s <= 0.0 or since_s >= 2.0 * self.lag_s:
            return 1.0
        u = since_s / (2.0 * self.lag_s)
        return self.lag_share + (1.0 - self.lag_share) * u * u * (3.0 - 2.0 * u)


def speeds() -> Floats:
    """Return the grid of the force tables [m/s]."""
    count = round(_FASTEST_MPS / FORCE_STEP_MPS) + 1
    return FORCE_STEP_MPS * np.arange(count, dtype=np.float64)


def power_shape(turns: Floats, best: float, width: float, wave: float, phase: float) -> Floats:
    """Return power over its largest against engine speed over its limit.

    A bell over the logarithm of engine speed, ``exp(-(ln u/best)^2 / 2 width^2)``: torque then
    peaks at ``best exp(-width^2)``. Below that torque no less than half its largest is left.
    `wave` is the height of two humps of the intake on it.
    From memory: common shapes of published full-throttle curves.
    """
    bell = np.exp(-0.5 * (np.log(turns / best) / width) ** 2)
    torque, most = bell / turns, np.exp(0.5 * width**2) / best
    floor = (torque**8 + (0.5 * most) ** 8) ** 0.125  # the larger of both, rounded where they meet
    bell = np.where(turns < best * np.exp(-(width**2)), floor * turns, bell)
    humps = 1.0 + wave * np.sin(2.0 * np.pi * 2.0 * turns + phase)
    return np.asarray(bell * humps, dtype=np.float64)


def ratio_steps(low_top_mps: float, count: int, step: float, narrowing: float) -> tuple[float, ...]:
    """Return each gear's speed at the engine's limit: steps shrink by `narrowing` each time."""
    tops = [low_top_mps]
    for number in range(count - 1):
        tops.append(tops[-1] * max(step * narrowing**number, 1.12))
    return tuple(tops)


def geared(
    tops_mps: Sequence[float],
    peak_w: float,
    *,
    best: float,
    width: float,
    wave: float,
    phase: float,
    engine_mass_last_kg: float,
    lock: float,
    shares: Sequence[float] | None = None,
    limiter_hz: float = 100.0,
) -> tuple[Gear, ...]:
    """Return the gears of an engine with a fixed curve.

    Parameters
    ----------
    tops_mps : sequence of float
        Speed of each gear at the engine's limit [m/s]; gears are changed there.
    peak_w : float
        Largest power at the wheels of the curve, before inertia [W].
    best, width, wave, phase : float
        See `power_shape`.
    engine_mass_last_kg : float
        Engine-side inertia as a mass in the last gear [kg]; grows with the ratio squared.
    lock : float
        Share of the engine's limit at which the clutch has closed.
    shares : sequence of float, optional
        Share of the torque allowed in each gear.
    limiter_hz : float
        Turns per second at the limit.

    Returns
    -------
    tuple of Gear
    """
    grid = speeds()
    shape_grid = np.linspace(lock, 1.15, 400)
    shape = power_shape(shape_grid, best, width, wave, phase)
    shape /= float(np.max(shape[shape_grid <= 1.0]))
    allowed = [1.0] * len(tops_mps) if shares is None else list(shares)
    gears = []
    for number, top in enumerate(tops_mps):
        turns = np.maximum(grid / top, lock)  # below it the clutch slips: torque as at `lock`
        power = np.interp(turns, shape_grid, shape)
        force = allowed[number] * peak_w * power / (turns * top)
        gears.append(
            Gear(
                force_n=tuple(force.tolist()),
                to_mps=float(top) if number + 1 < len(tops_mps) else float("inf"),
                engine_mass_kg=engine_mass_last_kg * (tops_mps[-1] / top) ** 2,
                lock_mps=lock * top,
                engine_hz_per_mps=limiter_hz / top,
            )
        )
    return tuple(gears)


def constant_power(
    peak_w: float, force_n: float, sag: float, best_mps: float, engine_hz: float
) -> tuple[Gear, ...]:
    """Return one gear of a CVT: constant force, then power that sags away from one speed.

    Parameters
    ----------
    peak_w, force_n : float
        Power at `best_mps` [W]; force of the launch [N].
    sag : float
        Share of the power lost at half and at twice `best_mps`.
    best_mps, engine_hz : float
        Where power is largest [m/s]; engine's turns per second at full throttle.
    """
    grid = speeds()
    away = np.log2(np.maximum(grid, 1.0) / best_mps)
    power = peak_w * np.maximum(1.0 - sag * away**2, 0.3)
    force = np.minimum(force_n, power / np.maximum(grid, 0.5))
    return (
        Gear(
            force_n=tuple(force.tolist()),
            to_mps=float("inf"),
            engine_mass_kg=0.0,
            lock_mps=0.0,
            engine_hz_per_mps=engine_hz / best_mps,
        ),
    )


def electric(
    peak_w: float, base_mps: float, fall_mps: float, fall: float, motor_mass_kg: float
) -> tuple[Gear, ...]:
    """Return the one gear of an electric drive.

    Force is constant up to the corner at `base_mps`, power constant up to `fall_mps`, and falls
    as ``v^-fall`` above. The motor's inertia stays coupled and belongs to the rotating mass where
    it turns in neutral too; here it is engine-side [kg].
    """
    grid = speeds()
    power = np.where(
        grid < base_mps,
        peak_w * grid / base_mps,
        peak_w * np.minimum(1.0, (fall_mps / np.maximum(grid, 1.0)) ** fall),
    )
    force = np.where(grid < base_mps, peak_w / base_mps, power / np.maximum(grid, 1.0))
    return (
        Gear(
            force_n=tuple(force.tolist()),
            to_mps=float("inf"),
            engine_mass_kg=motor_mass_kg,
            lock_mps=0.0,
            engine_hz_per_mps=4.0,
        ),
    )
