"""Noise levels of the session model: the standard deviations of everything random in it."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.model.observations import COAST, RunData

__all__ = ["FORCE_BIN_S", "Spread", "force_sd", "spread_table"]

Array: TypeAlias = NDArray[np.float64]

#: Bin length to which the accelerometer's noise levels refer [s].
FORCE_BIN_S = 0.2


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations of everything random in the model, learnt from the data.

    fix [m/s]: white GPS noise. force_drive, force_coast [m/s2]: vibration left in a 0.2 s bin.
    slow_noise [m/s]: slow GPS noise. gust, wind [m/s]: gusts, run-to-run wind. offset_wander
    [m/s2]: slow accelerometer offset. lag_wander, lag [s]. pull (ratio): pull-to-pull drive.
    slope (ratio): slope profile about its mean. bend: second derivative of tractive acceleration
    over speed, dimensionless. scale (ratio): run-to-run accelerometer scale.
    """

    fix: float = 0.08
    force_drive: float = 0.15
    force_coast: float = 0.12
    slow_noise: float = 0.03
    gust: float = 0.4
    wind: float = 0.4
    offset_wander: float = 0.03
    lag_wander: float = 0.05
    lag: float = 0.25
    pull: float = 0.01
    slope: float = 0.003
    bend: float = 2.0
    scale: float = 0.003


def force_sd(data: RunData, bins: NDArray[np.int_], spread: Spread) -> Array:
    """Return the sd of the mean specific force in the given bins [m/s2]."""
    dt = np.diff(data.edge_s)[bins]
    level = np.where(data.drive[bins] == COAST, spread.force_coast, spread.force_drive)
    return np.asarray(level * np.sqrt(FORCE_BIN_S / dt))


def spread_table(spread: Spread) -> dict[str, float]:
    """Return the noise levels by name, for the history."""
    return {field.name: float(getattr(spread, field.name)) for field in fields(spread)}
