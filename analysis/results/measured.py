"""`Measured`: what the runs of one session show, before anything is derived or judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.physics.air import AirState
from analysis.results.power import PowerCurve, PullFigures
from analysis.results.road_load import RoadLoad
from analysis.results.site_and_sensors import RunResiduals, SensorState, SiteState
from analysis.runs.run import Run
from analysis.signals.smoothing import SpeedCurve
from logger.findings import Finding
from logger.recording import Recording, Step
from logger.session.session import Session

__all__ = ["Measured"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """The measured part of an analysis.

    Parameters
    ----------
    session : Session
        Vehicle, site, air and log entries as stated.
    recordings : tuple of Recording
        One per log entry.
    curves : tuple of SpeedCurve
        Speed over time, one per recording with enough fixes.
    runs : tuple of Run
        With phases, directions, and what is used of them.
    air : AirState
        Density of the air that the runs were driven in.
    road_load : RoadLoad or None
        None where no coast-down could be used and none was given.
    power : PowerCurve or None
        None without a usable pull.
    pulls : tuple of PullFigures
        One per used pull.
    site : SiteState
        Wind and slope.
    sensors : tuple of SensorState
        One per log.
    residuals : tuple of RunResiduals
        What the fit leaves over.
    coast_forces : array of shape (n, 3)
        One row per used bin of a coast-down: run number, speed [m/s], force in still air on a level
        road [N].
    findings : tuple of Finding
        Everything noticed, in the order of the stages.
    history : tuple of Step
        What was done with the data, with settings.
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

    @property
    def used_runs(self) -> tuple[Run, ...]:
        """The runs of which a pull or a coast-down is used."""
        return tuple(run for run in self.runs if run.used)
