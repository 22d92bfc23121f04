"""The main path: a session's logs become road load and wheel power. Read this file first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.crosscheck.crosscheck import CrossCheck
from analysis.model.fit import SessionFit, fit_session
from analysis.model.observations import COAST, RunData, run_data
from analysis.model.parameters import spread_table
from analysis.physics.air import AirState, air_state
from analysis.physics.plausible import road_load_findings, vehicle_findings
from analysis.results.corrections import ambient_corrections, correction_findings, crank_estimate
from analysis.results.engine import EngineSide, engine_side, ratios_of_fit
from analysis.results.expected import Expected, expect
from analysis.results.power import (
    AmbientCorrection,
    CrankEstimate,
    PowerCurve,
    PullFigures,
    drop_uninformative,
    find_power,
    pull_figures,
)
from analysis.results.reach import continued_above
from analysis.results.reference import ResistanceFigures, reference_road_load, resistance_figures
from analysis.results.regulation import BandStatistics, band_statistics
from analysis.results.road_load import ReferenceRoadLoad, RoadLoad, find_road_load
from analysis.results.site_and_sensors import (
    RunResiduals,
    SensorState,
    SiteState,
    coast_forces,
    coast_speed_range,
    residuals,
    scatter_findings,
    sensor_state,
    site_state,
)
from analysis.results.validity import (
    gear_findings,
    sensor_findings,
    why_implausible,
    why_sensors_differ,
    why_unlike,
)
from analysis.results.wheelspin import lower_bound_below
from analysis.runs.bends import leave_out_bends
from analysis.runs.gears import agree_on_changes, gear_knots, match_gears
from analysis.runs.phases import find_runs
from analysis.runs.road import place_runs
from analysis.runs.run import Run
from analysis.runs.selection import judge_runs, why_nothing
from analysis.signals.smoothing import Fused, SpeedCurve, fuse
from logger.errors import PullcoastError
from logger.findings import Finding
from logger.recording import Recording, Step
from logger.session.session import Session, Vehicle

__all__ = [
    "AirState",
    "Analysis",
    "NothingUsable",
    "RunResiduals",
    "SensorState",
    "SiteState",
    "Survey",
    "analyse",
    "survey",
]

VERSION = "0.1.0"
_STANDSTILL_MPS = 1.0


class NothingUsable(PullcoastError):
    """The logs can be read but hold nothing that the question needs.

    Parameters
    ----------
    reasons : tuple of str
        Every reason, in plain words.
    """

    def __init__(self, reasons: tuple[str, ...]) -> None:
        self.reasons = reasons
        super().__init__("; ".join(reasons))


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
    resistance: ResistanceFigures | None = None
    regulation: tuple[BandStatistics, ...] = ()
    engine: EngineSide | None = None
    expected: Expected | None = None
    crosscheck: CrossCheck | None = None

    @property
    def used_runs(self) -> tuple[Run, ...]:
        """The runs of which a pull or a coast-down is used."""
        return tuple(run for run in self.runs if run.used)


@dataclass(frozen=True, slots=True)
class Survey:
    """What one recording holds, before any session: its curve, runs and findings."""

    curve: SpeedCurve | None
    runs: tuple[Run, ...]
    findings: tuple[Finding, ...]


def survey(recording: Recording, log: int = 0) -> Survey:
    """Look at one recording alone.

    Parameters
    ----------
    recording : Recording
        Any.
    log : int
        Its index in findings and curve.

    Returns
    -------
    Survey
        Curve None where there are too few fixes.
    """
    fused, notes = fuse(recording, log)
    runs = find_runs(fused, log)
    return Survey(fused.curve, runs, (*recording.findings, *notes))


def analyse(
    session: Session,
    recordings: tuple[Recording, ...],
    *,
    road_load: RoadLoad | None = None,
) -> Analysis:
    """Turn a session's recordings into road load and wheel power.

    Parameters
    ----------
    session : Session
        Vehicle, site, air and log entries.
    recordings : tuple of Recording
        One per log entry.
    road_load : RoadLoad or None
        From an earlier session of the same vehicle, where this one has no coast-downs.

    Returns
    -------
    Analysis
        Everything a report may show.

    Raises
    ------
    NothingUsable
        Where neither pulls nor coast-downs can be used, or pulls alone without a road load.
    """
    vehicle = session.vehicle
    fused, fuse_notes = _fuse_all(recordings)
    runs = _number(run for log, one in enumerate(fused) for run in find_runs(one, log))
    runs, places, road_notes = place_runs(recordings, fused, runs, session.logs)
    runs, bend_notes = leave_out_bends(runs, recordings, fused)
    runs, judge_notes = judge_runs(runs, fused, session)
    runs = agree_on_changes(fused, runs)
    gears = match_gears(fused, runs)
    data = [
        one
        for run, place in zip(runs, places, strict=True)
        if (one := run_data(run, fused[run.log], place, gears.get(run.number, ()))) is not None
    ]
    _require(data, runs, fused, road_load)
    fit = fit_session(
        data,
        gear_knots(fused, runs, gears),
        vehicle,
        session.site,
        scale=_scale(fused),
        known=road_load,
    )
    speeds = coast_speed_range(fit)
    load = find_road_load(fit, vehicle, speeds) if speeds else road_load
    scale = _fitted_scale(fit)
    # of several faults the one that is said first is the one that explains the others
    why = (scale and why_sensors_differ(*scale)) or why_unlike(fit.spread.fix, fused)
    if speeds and load and (why := why or why_implausible(load, vehicle)):
        raise NothingUsable((why, *why_nothing(runs, fused)))
    power, power_notes = drop_uninformative(find_power(fit, vehicle))
    below_mps, spin_notes = lower_bound_below(power, fit, recordings, vehicle)
    above_mps, reach_notes = continued_above(load, power)
    power = power and replace(power, lower_bound_below_mps=below_mps, continued_above_mps=above_mps)
    air, air_notes = air_state(session.air)
    site, site_notes = site_state(fit, runs)
    fit_notes = _fit_findings(fit, load if speeds else None, power, vehicle)
    outcome = Analysis(
        session,
        recordings,
        tuple(one.curve for one in fused if one.curve is not None),
        runs,
        air,
        load,
        power,
        _pulls(runs, fused, fit, power, vehicle),
        site,
        tuple(sensor_state(one, log, fit) for log, one in enumerate(fused)),
        residuals(fit),
        coast_forces(fit, vehicle.effective_mass_kg),
        (
            *session.findings,
            *vehicle_findings(vehicle),
            *fuse_notes,
            *road_notes,
            *bend_notes,
            *judge_notes,
            *air_notes,
            *site_notes,
            *fit_notes,
            *(sensor_findings(*scale) if scale else ()),
            *power_notes,
            *spin_notes,
            *reach_notes,
        ),
        _history(recordings, fit),
        reference_road_load(load, air) if load is not None else None,
    )
    return _with_what_follows(outcome, fit)


def _with_what_follows(outcome: Analysis, fit: SessionFit) -> Analysis:
    """Add what follows from the results: comparisons, predictions, and what was asked for."""
    session, power, load = outcome.session, outcome.power, outcome.road_load
    vehicle, curves, runs = session.vehicle, outcome.curves, outcome.runs
    corrections = ambient_corrections(session, outcome.air, power)
    ratios = ratios_of_fit(fit, outcome.recordings, vehicle)
    from_rest = any(pull.from_mps < _STANDSTILL_MPS for pull in outcome.pulls)
    return replace(
        outcome,
        crank=crank_estimate(power, vehicle),
        corrections=corrections,
        findings=(*outcome.findings, *correction_findings(session, corrections)),
        resistance=resistance_figures(load, outcome.air, vehicle) if load else None,
        regulation=band_statistics(curves, runs, load, vehicle.effective_mass_kg) if load else (),
        engine=engine_side(vehicle, power, load, ratios, from_rest=from_rest),
        expected=expect(fit, curves, runs, outcome.pulls, vehicle, outcome.air, load, power),
    )


def _fuse_all(recordings: Sequence[Recording]) -> tuple[tuple[Fused, ...], tuple[Finding, ...]]:
    fused, notes = [], []
    for log, recording in enumerate(recordings):
        one, more = fuse(recording, log)
        fused.append(one)
        notes += [replace(finding, log=log) for finding in recording.findings] + list(more)
    return tuple(fused), tuple(notes)


def _number(runs: Iterable[Run]) -> tuple[Run, ...]:
    return tuple(replace(run, number=number) for number, run in enumerate(runs))


def _scale(fused: Sequence[Fused]) -> float:
    """Return a first guess of the accelerometer's scale error from the lag regressions."""
    gains = [np.linalg.norm(one.mount.lag.weights) for one in fused if one.mount.lag is not None]
    return float(np.clip(1.0 / np.median(gains) - 1.0, -0.07, 0.07)) if gains else 0.0


def _fitted_scale(fit: SessionFit) -> tuple[float, float] | None:
    """Return accelerometer over speed and its sd; None where no run has an accelerometer."""
    if not any(state.data.has_accel for state in fit.states):
        return None
    at = fit.layout.SCALE
    return 1.0 + float(fit.shared[at]), float(np.sqrt(fit.covariance[at, at]))


def _require(
    data: Sequence[RunData], runs: Sequence[Run], fused: Sequence[Fused], known: RoadLoad | None
) -> None:
    """Raise where the runs do not hold what an answer needs."""
    if not data:
        raise NothingUsable(why_nothing(runs, fused))
    if known is None and not any((one.drive == COAST).any() for one in data):
        reason = (
            "there are pulls but no usable coast-down, and without a road load the wheel power cannot "
            "be told; record coast-downs, or give --road-load with an earlier results.json"
        )
        raise NothingUsable((reason, *why_nothing(runs, fused)))


def _fit_findings(
    fit: SessionFit, load: RoadLoad | None, power: PowerCurve | None, vehicle: Vehicle
) -> tuple[Finding, ...]:
    """Say where the fit did not settle, where runs scatter, and what is unusual in the road load."""
    notes = scatter_findings(
        load.scatter_factor if load else 1.0, power.scatter_factor if power else 1.0
    )
    notes = (*notes, *gear_findings(fit))
    if not fit.converged:
        text = (
            f"After {fit.rounds} rounds the fit still moved by more than a twelfth of an interval's sd; "
            "the figures hold, but a log in it may be odd."
        )
        notes = (*notes, Finding("fit_unsettled", "note", text))
    return notes if load is None else (*notes, *_load_findings(load, vehicle))


def _load_findings(load: RoadLoad, vehicle: Vehicle) -> tuple[Finding, ...]:
    """Say what is unusual in the road load, and why its coefficients may not be shown."""
    coefficients = (load.f0_n, load.f1_n_per_mps, load.f2_n_per_mps2)
    notes = road_load_findings(
        vehicle,
        lambda speed_mps: float(load.force_n(np.array(speed_mps))),
        load.speed_range_mps,
        coefficients if load.separable else None,
    )
    if load.why_not_separable is None:
        return notes
    text = f"The road load is told as a curve only: {load.why_not_separable}."
    return (*notes, Finding("speed_range_narrow", "warning", text))


def _pulls(
    runs: Sequence[Run],
    fused: Sequence[Fused],
    fit: SessionFit,
    power: PowerCurve | None,
    vehicle: Vehicle,
) -> tuple[PullFigures, ...]:
    figures = []
    for run in runs:
        pull, curve = run.phase("pull"), fused[run.log].curve
        if pull is None or not pull.used or power is None or curve is None:
            continue
        figures.append(pull_figures(run, pull, curve, fit, power, vehicle))
    return tuple(figures)


def _history(recordings: Sequence[Recording], fit: SessionFit) -> tuple[Step, ...]:
    steps = [step for recording in recordings for step in recording.history]
    settings: dict[str, object] = {
        "rounds": fit.rounds,
        "converged": fit.converged,
        "unknowns_shared": fit.layout.size,
        **{f"sd_{name}": value for name, value in spread_table(fit.spread).items()},
    }
    return (*steps, Step("session model", VERSION, settings))
