"""Wheel power: the session's curve over speed per gear, its peak, and each pull's figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["AmbientCorrection", "CrankEstimate", "GearCurve", "PowerCurve", "PullFigures"]


@dataclass(frozen=True, slots=True)
class GearCurve:
    """Wheel power over the speeds that one traction piece covered at full throttle.

    Speeds [m/s] are multiples of 0.25 m/s and the piece's two end speeds; power and sd [W].
    """

    gear: int | None
    speed_mps: NDArray[np.float64]
    power_w: NDArray[np.float64]
    sd_w: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PowerCurve:
    """The session's wheel power as tested.

    Parameters
    ----------
    gears : tuple of GearCurve
        In order of the traction pieces.
    peak_w, peak_sd_w : float
        Peak wheel power, corrected for the upward bias of a maximum, and its sd [W].
    peak_ci95_w : (low, high)
        95 % interval [W].
    peak_speed_mps : float
        Where it is reached [m/s].
    budget_w : dict
        Standard deviations [W] of the peak by cause: noise, road_load, lag, mount, mass.
    """

    gears: tuple[GearCurve, ...]
    peak_w: float
    peak_sd_w: float
    peak_ci95_w: tuple[float, float]
    peak_speed_mps: float
    budget_w: dict[str, float]


@dataclass(frozen=True, slots=True)
class PullFigures:
    """One pull in figures; all SI, times on the recording's clock."""

    log: int
    start_s: float
    end_s: float
    from_mps: float
    to_mps: float
    duration_s: float
    duration_sd_s: float
    distance_m: float
    kinetic_mean_power_w: float
    mean_power_w: float
    mean_power_sd_w: float
    peak_power_w: float
    peak_power_sd_w: float
    direction: int | None


@dataclass(frozen=True, slots=True)
class AmbientCorrection:
    """Peak wheel power [W] as a standard would correct it; factor and power None when not valid."""

    standard: str
    factor: float | None
    valid: bool
    why_not: str | None
    peak_w: float | None


@dataclass(frozen=True, slots=True)
class CrankEstimate:
    """Peak power at the crank [W] under a driveline loss that the user stated [percent]."""

    peak_w: float
    low_w: float
    high_w: float
    loss_percent: tuple[float, float]
