"""`Measured`: what the runs of one session show; `Extras`: what follows from it and was asked for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.model.fit import SessionFit
from analysis.model.road_memory import RoadUse
from analysis.physics.air import AirState
from analysis.results.corrections import (
    AmbientCorrection,
    CrankEstimate,
    ambient_corrections,
    correction_findings,
    crank_estimate,
)
from analysis.results.engine import EngineSide, engine_side, ratios_of_fit
from analysis.results.expected import Expected, expect
from analysis.results.power import PowerCurve, PullFigures
from analysis.results.reference import ResistanceFigures, reference_road_load, resistance_figures
from analysis.results.regulation import BandStatistics, band_statistics
from analysis.results.road_load import ReferenceRoadLoad, RoadLoad
from analysis.results.site_and_sensors import RunResiduals, SensorState, SiteState
from analysis.runs.run import Run
from analysis.signals.smoothing import SpeedCurve
from logger.findings import Finding
from logger.recording import Recording, Step
from logger.session.session import Session

__all__ = ["Extras", "Measured", "find_extras"]

_STANDSTILL_MPS = 1.0


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
    road : RoadUse or None
        What was taken from a road file; None where none was given.
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
    road: RoadUse | None = None

    @property
    def used_runs(self) -> tuple[Run, ...]:
        """The runs of which a pull or a coast-down is used."""
        return tuple(run for run in self.runs if run.used)


@dataclass(frozen=True, slots=True, kw_only=True)
class Extras:
    """Comparisons, predictions and corrections; None or empty where nothing asks for them.

    Parameters
    ----------
    reference_road_load : ReferenceRoadLoad or None
        In reference air; needs the session's ``[air]``.
    crank : CrankEstimate or None
        Needs a stated driveline loss.
    corrections : tuple of AmbientCorrection
        Needs ``[correction]``.
    resistance : ResistanceFigures or None
        Drag area and rolling coefficient.
    regulation : tuple of BandStatistics
        Statistics of pairs as an official coast-down has them.
    engine : EngineSide or None
        Engine speed and torque; needs the overall ratios.
    expected : Expected or None
        Times, distances, top speed and cruising power.
    """

    reference_road_load: ReferenceRoadLoad | None = None
    crank: CrankEstimate | None = None
    corrections: tuple[AmbientCorrection, ...] = ()
    resistance: ResistanceFigures | None = None
    regulation: tuple[BandStatistics, ...] = ()
    engine: EngineSide | None = None
    expected: Expected | None = None


def find_extras(measured: Measured, fit: SessionFit) -> tuple[Extras, tuple[Finding, ...]]:
    """Derive what follows from a session's results, with findings on corrections that do not hold."""
    session, power, load = measured.session, measured.power, measured.road_load
    vehicle, curves, runs, air = session.vehicle, measured.curves, measured.runs, measured.air
    corrections = ambient_corrections(session, air, power)
    ratios = ratios_of_fit(fit, measured.recordings, vehicle)
    from_rest = any(pull.from_mps < _STANDSTILL_MPS for pull in measured.pulls)
    extras = Extras(
        reference_road_load=reference_road_load(load, air) if load else None,
        crank=crank_estimate(power, vehicle),
        corrections=corrections,
        resistance=resistance_figures(load, air, vehicle) if load else None,
        regulation=band_statistics(curves, runs, load, vehicle.effective_mass_kg) if load else (),
        engine=engine_side(vehicle, power, load, ratios, from_rest=from_rest),
        expected=expect(fit, curves, runs, measured.pulls, vehicle, air, load, power),
    )
    return extras, correction_findings(session, corrections)
