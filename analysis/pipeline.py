"""The main path: a session's logs become road load and wheel power. Read this file first."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

from analysis.model.fit import SessionFit, fit_session
from analysis.model.initial import first_scale
from analysis.model.observations import observe_all
from analysis.model.parameters import spread_table
from analysis.model.road_memory import RoadMemory, RoadUse, lean_on_road
from analysis.physics.air import air_state
from analysis.physics.plausible import vehicle_findings
from analysis.results.checks.heights import slope_witnesses
from analysis.results.checks.validity import fit_findings, reject_implausible, require_usable
from analysis.results.limits import drop_uninformative, limit_power
from analysis.results.measured import Extras, Measured, find_extras
from analysis.results.power import find_power, find_pulls
from analysis.results.road_load import RoadLoad, find_road_load
from analysis.results.site_and_sensors import (
    coast_forces,
    coast_speed_range,
    residuals,
    sensor_state,
    site_state,
)
from analysis.results.verdict import Verdict, find_verdict
from analysis.runs.bends import leave_out_bends
from analysis.runs.gears import agree_on_changes, gear_knots, match_gears
from analysis.runs.judging.leaving_out import leave_out_runs
from analysis.runs.judging.selection import judge_runs
from analysis.runs.positions import as_one_way, check_positions
from analysis.runs.road import RunPlace, place_runs
from analysis.runs.run import Run, with_runs
from analysis.runs.survey import day_findings, find_all_runs, fuse_all, sampling_findings
from logger.findings import Finding
from logger.recording import Recording, Step
from logger.session.session import Session

__all__ = ["Analysis", "analyse"]

VERSION = "0.1.0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis(Measured):
    """Everything that a report may show; the report computes nothing.

    The measured part comes from `Measured`; what follows from it stands in `extras`, how far to trust
    it and what to do better in `verdict`.
    """

    extras: Extras
    verdict: Verdict


def analyse(
    session: Session,
    recordings: tuple[Recording, ...],
    *,
    road_load: RoadLoad | None = None,
    road: RoadMemory | None = None,
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
    road : RoadMemory or None
        What earlier sessions found of the road's slope.

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
    # Recording -> SpeedCurve: mount, lag, fused speed of each recording
    fused, fuse_notes = fuse_all(recordings)
    # SpeedCurve -> Run: what was driven, where, and what may be used
    runs, places, road_notes = place_runs(recordings, fused, find_all_runs(fused), session.logs)
    runs, wish_notes = leave_out_runs(runs, session.leave_out, session.logs)
    runs, bend_notes = leave_out_bends(runs, recordings, fused)
    runs, judge_notes = judge_runs(runs, fused, session, recordings)
    place_notes = (*check_positions(recordings, fused, runs), *sampling_findings(fused, runs))
    place_notes += day_findings(recordings, runs)
    runs, places = as_one_way(runs, places, place_notes)
    runs = agree_on_changes(fused, runs)
    gears = match_gears(fused, runs)
    # Run -> SessionFit: one fit of all runs
    data = observe_all(runs, fused, places, gears)
    require_usable(data, runs, fused, road_load)
    knots = gear_knots(fused, runs, gears)
    scale = first_scale(fused)
    fit_on = partial(fit_session, data, knots, vehicle, session.site, scale=scale, known=road_load)
    fit, use, memory_notes = _on_road(fit_on, road, recordings, runs, places)
    # SessionFit -> RoadLoad, PowerCurve
    speeds = coast_speed_range(fit)
    own_load = find_road_load(fit, vehicle, speeds) if speeds else None
    reject_implausible(fit, own_load, runs, fused)
    load = own_load or road_load
    power, power_notes = drop_uninformative(find_power(fit, vehicle))
    power, limit_notes = limit_power(power, load, fit, recordings, vehicle)
    air, air_notes = air_state(session.air)
    site, site_notes = site_state(fit, runs)
    measured = Measured(
        session=session,
        recordings=recordings,
        curves=tuple(one.curve for one in fused if one.curve is not None),
        runs=runs,
        air=air,
        road_load=load,
        power=power,
        pulls=find_pulls(runs, fused, fit, power, vehicle),
        site=site,
        sensors=tuple(sensor_state(one, log, fit) for log, one in enumerate(fused)),
        residuals=residuals(fit),
        coast_forces=coast_forces(fit, vehicle.effective_mass_kg),
        findings=(
            *(
                *session.findings,
                *vehicle_findings(vehicle),
                *with_runs(fuse_notes, runs),
                *road_notes,
            ),
            *(*wish_notes, *bend_notes, *judge_notes, *place_notes, *air_notes, *site_notes),
            *fit_findings(fit, own_load, power, session),
            *(*power_notes, *limit_notes, *memory_notes),
            *slope_witnesses(recordings, fused, runs, places, site),
        ),
        history=_history(recordings, fit),
        road=use,
    )
    return _complete(measured, fit)


def _on_road(
    fit_on: Callable[..., SessionFit],
    road: RoadMemory | None,
    recordings: Sequence[Recording],
    runs: Sequence[Run],
    places: Sequence[RunPlace],
) -> tuple[SessionFit, RoadUse | None, tuple[Finding, ...]]:
    """Fit a session, on what is remembered of its road where there is such a memory."""
    fit = fit_on()
    if road is None:
        return fit, None, ()
    return lean_on_road(fit, lambda known: fit_on(road=known), road, recordings, runs, places)


def _complete(measured: Measured, fit: SessionFit) -> Analysis:
    """Add what follows from the measured part, and how far to trust it."""
    extras, notes = find_extras(measured, fit)
    measured = replace(measured, findings=(*measured.findings, *notes))
    part = {field.name: getattr(measured, field.name) for field in fields(measured)}
    return Analysis(**part, extras=extras, verdict=find_verdict(measured))


def _history(recordings: Sequence[Recording], fit: SessionFit) -> tuple[Step, ...]:
    """Return what was done with the data: the readers' steps, then the fit with its settings."""
    steps = [step for recording in recordings for step in recording.history]
    settings: dict[str, object] = {
        "rounds": fit.rounds,
        "converged": fit.converged,
        "unknowns_shared": fit.layout.size,
        **{f"sd_{name}": value for name, value in spread_table(fit.spread).items()},
    }
    return (*steps, Step(step="session model", version=VERSION, settings=settings))
