"""The main path: a session's logs become road load and wheel power. Read this file first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.fuse import SpeedCurve
from analysis.phases import Run
from analysis.power import AmbientCorrection, CrankEstimate, PowerCurve, PullFigures
from analysis.roadload import ReferenceRoadLoad, RoadLoad
from logger.findings import Finding
from logger.recording import Recording, Step
from logger.session import Session

__all__ = ["AirState", "Analysis", "RunResiduals", "SensorState", "SiteState"]


@dataclass(frozen=True, slots=True)
class AirState:
    """Air density [kg/m3] with sd and where it comes from (measured, estimated, assumed)."""

    density_kg_m3: float
    density_sd_kg_m3: float
    source: str


@dataclass(frozen=True, slots=True)
class SiteState:
    """Wind (positive against "up") and mean slope found; `separable` False with one direction only.

    slope_profile_place_m, slope_profile, slope_profile_sd: along-road places [m], slope (ratio) and
    sd there; empty when the runs could not be placed on one road.
    """

    wind_mps: float
    wind_sd_mps: float
    slope: float
    slope_sd: float
    separable: bool
    slope_profile_place_m: NDArray[np.float64]
    slope_profile: NDArray[np.float64]
    slope_profile_sd: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SensorState:
    """What one recording's sensors turned out to be; None where unknown."""

    log: int
    gps_rate_hz: float | None
    gps_lag_s: float | None
    gps_lag_sd_s: float | None
    accel_rate_hz: float | None
    accel_scale: float | None
    accel_used: bool
    why_not: str | None
    gps_noise_mps: float | None = None
    accel_noise_mps2: float | None = None


@dataclass(frozen=True, slots=True)
class RunResiduals:
    """What the session model leaves unexplained in one run: GPS speed minus model [m/s]."""

    run: int
    log: int
    direction: int | None
    time_s: NDArray[np.float64]
    speed_mps: NDArray[np.float64]
    residual_mps: NDArray[np.float64]
    phase: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything that a report may show; the report computes nothing.

    `road_load` is None when no coast-down could be used, `power` is None without a usable pull.
    `coast_forces`: for the plot of data against the road load: one row per used coast-down bin,
    columns run number, speed [m/s], still-air level-road force [N].
    `reference_road_load` needs the user's `[air]`, `crank` the user's driveline loss, `corrections`
    the user's `[correction]`: without them there are none.
    """

    session: Session
    recordings: tuple[Recording, ...]
    curves: tuple[SpeedCurve, ...]
    runs: tuple[Run, ...]
    air: AirState
    road_load: RoadLoad | None
    power: PowerCurve | None
    pulls: tuple[PullFigures, ...]
    site: SiteState
    sensors: tuple[SensorState, ...]
    residuals: tuple[RunResiduals, ...]
    coast_forces: NDArray[np.float64]
    findings: tuple[Finding, ...]
    history: tuple[Step, ...]
    reference_road_load: ReferenceRoadLoad | None = None
    crank: CrankEstimate | None = None
    corrections: tuple[AmbientCorrection, ...] = ()
