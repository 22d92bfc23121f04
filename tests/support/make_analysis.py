"""Analyses made by hand, for tests of what is shown: no estimator, no reading.

The vehicle is invented: 1480 kg, three gears, F0 150 N, F1 1.2 N/(m/s), F2 0.42 N/(m/s)2.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.physics.air import AirState
from analysis.pipeline import Analysis
from analysis.results.engine import engine_side
from analysis.results.expected import Expected
from analysis.results.measured import Extras, Measured
from analysis.results.power import GearCurve, PowerCurve, PullFigures
from analysis.results.predictions import Prediction
from analysis.results.reference import resistance_figures
from analysis.results.regulation import band_statistics
from analysis.results.road_load import RoadLoad
from analysis.results.site_and_sensors import RunResiduals, SensorState, SiteState
from analysis.results.verdict import find_verdict
from analysis.runs.run import Phase, PhaseKind, Run
from analysis.signals.smoothing import SpeedCurve
from logger.findings import Finding
from logger.recording import Channel, Clock, Recording, Source, Step
from logger.session.session import Air, LogEntry, Session, Vehicle

__all__ = ["KINDS", "judged", "make_analysis", "with_comparisons", "with_extras"]

Kind = Literal["full", "coasts_only", "narrow", "one_direction", "gps_only"]
KINDS: tuple[Kind, ...] = ("full", "coasts_only", "narrow", "one_direction", "gps_only")

_MASS_KG, _ROTATING_KG = 1480.0, 44.0
_F0, _F1, _F2 = 150.0, 1.2, 0.42
_GEAR_ENDS_MPS = (13.0, 22.0, 33.0)
_STEP_S = 0.1


def _drive(
    top_mps: float, low_mps: float, *, pull: bool
) -> tuple[NDArray[np.float64], list[Phase]]:
    """Speeds every 0.1 s of one run, and its phases."""
    speeds, phases = [0.0] * 30, []
    mass = _MASS_KG + _ROTATING_KG
    phases.append(Phase(kind="stand", start_s=0.0, end_s=2.9, from_mps=0.0, to_mps=0.0, used=False))
    pieces, speed, start, gear_start = [], 0.0, 2.9, 2.9
    for end in _GEAR_ENDS_MPS:
        while speed < min(end, top_mps):
            force = min(6200.0, 78_000.0 / max(speed, 1.0)) if pull else 1500.0
            speed += (force - _F0 - _F1 * speed - _F2 * speed**2) / mass * _STEP_S
            speeds.append(speed)
        pieces.append((gear_start, (len(speeds) - 1) * _STEP_S))
        if speed >= top_mps:
            break
        for _ in range(4):
            speed -= (_F0 + _F1 * speed + _F2 * speed**2) / mass * _STEP_S
            speeds.append(speed)
        gear_start = (len(speeds) - 1) * _STEP_S
    kind: PhaseKind = "pull" if pull else "other"
    end_s = (len(speeds) - 1) * _STEP_S
    phases.append(
        Phase(
            kind=kind,
            start_s=start,
            end_s=end_s,
            from_mps=0.0,
            to_mps=speed,
            used=pull,
            gear_pieces_s=tuple(pieces) if pull else (),
        )
    )
    top, start = speed, end_s
    while speed > low_mps:
        speed -= (_F0 + _F1 * speed + _F2 * speed**2) / mass * _STEP_S
        speeds.append(speed)
    end_s = (len(speeds) - 1) * _STEP_S
    phases.append(Phase(kind="coast", start_s=start, end_s=end_s, from_mps=top, to_mps=speed))
    start, from_mps = end_s, speed
    while speed > 0.3:
        speed -= 2.5 * _STEP_S
        speeds.append(max(speed, 0.0))
    phases.append(
        Phase(
            kind="brake",
            start_s=start,
            end_s=(len(speeds) - 1) * _STEP_S,
            from_mps=from_mps,
            to_mps=0.0,
            used=False,
        )
    )
    return np.array(speeds), phases


def _log(
    log: int, direction: int | None, rng: np.random.Generator, top: float, low: float, *, pull: bool
) -> tuple[SpeedCurve, Run]:
    speed, phases = _drive(top + rng.normal(0, 0.3), low, pull=pull)
    time = np.arange(speed.size, dtype=np.float64) * _STEP_S
    sd = np.full(speed.size, 0.04)
    accel = np.gradient(speed, _STEP_S)
    place = np.cumsum(speed) * _STEP_S
    curve = SpeedCurve(
        log=log,
        time_s=time,
        speed_mps=speed,
        speed_sd_mps=sd,
        accel_mps2=accel,
        accel_sd_mps2=np.full(speed.size, 0.06),
        place_m=place,
    )
    return curve, Run(log=log, number=log, direction=direction, phases=tuple(phases))


def _pull_figures(curve: SpeedCurve, run: Run) -> PullFigures:
    phase = next(phase for phase in run.phases if phase.kind == "pull")
    duration = phase.end_s - phase.start_s
    return PullFigures(
        log=run.log,
        run=run.number + 1,
        start_s=phase.start_s,
        end_s=phase.end_s,
        from_mps=phase.from_mps,
        to_mps=phase.to_mps,
        duration_s=duration,
        duration_sd_s=0.06,
        distance_m=float(np.interp(phase.end_s, curve.time_s, curve.place_m)),
        kinetic_mean_power_w=_MASS_KG * phase.to_mps**2 / 2 / duration,
        mean_power_w=61_200.0 + 400 * run.number,
        mean_power_sd_w=900.0,
        peak_power_w=77_400.0 + 200 * run.number,
        peak_power_sd_w=1500.0,
        direction=run.direction,
    )


def _power(speed_up: float) -> PowerCurve:
    gears, low = [], 1.0
    for number, end in enumerate(_GEAR_ENDS_MPS, start=1):
        end = min(end, speed_up)
        inner = np.arange(np.ceil(low * 4), np.floor(end * 4) + 1) / 4
        speed = np.unique(np.concatenate([[low], inner, [end]]))
        power = np.minimum(6200.0 * speed, 78_000.0 - 40.0 * (speed - 0.8 * end) ** 2)
        gears.append(
            GearCurve(gear=number, speed_mps=speed, power_w=power, sd_w=0.012 * power + 300.0)
        )
        low = end - 1.0
    budget = {"noise": 700.0, "road_load": 500.0, "lag": 400.0, "mount": 600.0, "mass": 300.0}
    sd = float(np.sqrt(sum(value**2 for value in budget.values())))
    interval = (77_900.0 - 1.96 * sd, 77_900.0 + 1.96 * sd)
    return PowerCurve(
        gears=tuple(gears),
        peak_w=77_900.0,
        peak_sd_w=sd,
        peak_ci95_w=interval,
        peak_speed_mps=0.8 * speed_up,
        budget_w=budget,
    )


def _road_load(low: float, high: float, *, separable: bool, scale: float) -> RoadLoad:
    sd = np.array([9.0, 1.1, 0.03]) * scale
    correlation = np.array([[1.0, -0.95, 0.88], [-0.95, 1.0, -0.97], [0.88, -0.97, 1.0]])
    covariance = correlation * np.outer(sd, sd)
    at = min(max(100 / 3.6, low), high)
    basis = np.array([1.0, at, at**2])
    total = float(np.sqrt(basis @ covariance @ basis))
    shares = {"noise": 0.5, "wind": 0.55, "slope": 0.4, "lag": 0.2, "mount": 0.35, "mass": 0.35}
    norm = float(np.sqrt(sum(share**2 for share in shares.values())))
    return RoadLoad(
        f0_n=_F0,
        f1_n_per_mps=_F1,
        f2_n_per_mps2=_F2,
        covariance=covariance,
        speed_range_mps=(low, high),
        separable=separable,
        why_not_separable=None
        if separable
        else "the coast-downs cover only 23 to 27 m/s, too narrow to tell the coefficients apart",
        budget_n={cause: total * share / norm for cause, share in shares.items()},
        budget_speed_mps=at,
    )


def make_analysis(kind: Kind = "full", *, logs: int = 8, seed: int = 1) -> Analysis:
    """Return a finished analysis of `logs` runs with the features that `kind` names."""
    rng = np.random.default_rng(seed)
    pull = kind not in ("coasts_only", "narrow")
    top, low = (27.0, 23.0) if kind == "narrow" else (32.0, 5.0)
    directions: list[int] = [
        -1 if log % 2 and kind != "one_direction" else 1 for log in range(logs)
    ]
    made = [_log(i, d, rng, top, low, pull=pull) for i, d in enumerate(directions)]
    curves, runs = tuple(curve for curve, _ in made), tuple(run for _, run in made)
    if kind == "full":
        coast = runs[-1].phases[-2]
        why = "the vehicle slows down more than its road load can: in gear or on the brake"
        spoilt = replace(coast, used=False, why_not=why)
        runs = (
            *runs[:-1],
            replace(runs[-1], phases=(*runs[-1].phases[:-2], spoilt, runs[-1].phases[-1])),
        )
    vehicle = Vehicle(
        mass_kg=_MASS_KG,
        mass_sd_kg=8.0,
        rotating_mass_kg=_ROTATING_KG,
        rotating_mass_sd_kg=7.0,
        name="estate, winter tyres",
        state="stock",
    )
    session = Session(
        path=Path("airfield"),
        name="airfield",
        vehicle=vehicle,
        logs=tuple(LogEntry(files=(Path(f"run{log}.csv"),)) for log in range(logs)),
        air=Air(temperature_c=14.0, pressure_hpa=1002.0) if kind == "full" else None,
    )
    wide = 2.5 if kind in ("one_direction", "gps_only") else 1.0
    speeds = np.linspace(low + 1, top - 1, 12)
    forces = np.array(
        [
            [run.number, v, _F0 + _F1 * v + _F2 * v**2 + rng.normal(0, 18 * wide)]
            for run in runs
            for v in speeds
        ]
    )
    place = np.linspace(0, 1400, 29)
    slope = 0.002 + 0.002 * np.sin(place / 200)
    gps_only = kind == "gps_only"
    return _complete(
        session=session,
        recordings=tuple(_recording(curve, gps_only=gps_only) for curve in curves),
        curves=curves,
        runs=runs,
        air=AirState(density_kg_m3=1.217, density_sd_kg_m3=0.004, source="measured")
        if kind == "full"
        else AirState(density_kg_m3=1.2, density_sd_kg_m3=0.05, source="assumed"),
        road_load=_road_load(low, top, separable=kind != "narrow", scale=wide),
        power=_power(top) if pull else None,
        pulls=tuple(_pull_figures(c, r) for c, r in zip(curves, runs, strict=True)) if pull else (),
        site=SiteState(
            wind_mps=1.3,
            wind_sd_mps=0.3 * wide,
            slope=0.0021,
            slope_sd=0.0004 * wide,
            separable=kind != "one_direction",
            slope_profile_place_m=place,
            slope_profile=slope,
            slope_profile_sd=np.full(place.size, 0.0005),
        ),
        sensors=tuple(
            SensorState(
                log=log,
                gps_rate_hz=1.0,
                gps_lag_s=None if gps_only else 0.62 + 0.02 * log,
                gps_lag_sd_s=None if gps_only else 0.03,
                accel_rate_hz=None if gps_only else 98.6,
                accel_scale=None if gps_only else 1.013,
                accel_used=not gps_only,
                why_not="no acceleration in this log" if gps_only else None,
                gps_noise_mps=0.05,
                accel_noise_mps2=None if gps_only else 0.11,
            )
            for log in range(logs)
        ),
        residuals=tuple(_residuals(c, r, rng) for c, r in zip(curves, runs, strict=True)),
        coast_forces=forces,
        findings=_findings(kind),
        history=(
            Step(step="read", version="0.1.0", settings={"files": logs}),
            Step(step="model", version="0.1.0", settings={"iterations": 4, "slope_knots_m": 65.0}),
        ),
    )


def _complete(**measured: Any) -> Analysis:
    """Add no extras, and the verdict that follows from the measured part."""
    verdict = find_verdict(Measured(**measured))
    return Analysis(**measured, extras=Extras(), verdict=verdict)


def judged(outcome: Analysis, **changes: Any) -> Analysis:
    """Return the analysis with other fields, and the verdict that follows from them."""
    changed = replace(outcome, **changes)
    return replace(changed, verdict=find_verdict(changed))


def with_extras(outcome: Analysis, **extras: Any) -> Analysis:
    """Return the analysis with other extras."""
    return replace(outcome, extras=replace(outcome.extras, **extras))


def with_comparisons(outcome: Analysis) -> Analysis:
    """Return the analysis with what it can be compared by: regulation, engine speed, predictions."""
    vehicle = replace(
        outcome.session.vehicle,
        tyre="205/55 R16",
        frontal_area_m2=2.2,
        overall_ratios=(13.2, 7.6, 5.1),
        engine_inertia_kg_m2=0.15,
    )
    load = outcome.road_load
    assert load is not None
    return with_extras(
        replace(outcome, session=replace(outcome.session, vehicle=vehicle)),
        resistance=resistance_figures(load, outcome.air, vehicle),
        regulation=band_statistics(outcome.curves, outcome.runs, load, vehicle.effective_mass_kg),
        engine=engine_side(vehicle, outcome.power, load, {0: (13.3, 0.13)}, from_rest=True),
        expected=Expected(
            air="reference",
            items=(
                Prediction(
                    name="0 to 100 km/h",
                    group="pull",
                    unit="s",
                    value=9.81,
                    sd=0.12,
                    ci95=(9.58, 10.05),
                ),
                Prediction(
                    name="top speed",
                    group="top speed",
                    unit="m/s",
                    value=None,
                    sd=None,
                    ci95=None,
                    why_not="not reached",
                ),
                Prediction(
                    name="100 to 80 km/h in neutral",
                    group="coast",
                    unit="s",
                    value=19.3,
                    sd=0.2,
                    ci95=(18.9, 19.7),
                ),
                Prediction(
                    name="cruising at 100 km/h",
                    group="cruising",
                    unit="W",
                    value=15.2e3,
                    sd=210.0,
                    ci95=(14.8e3, 15.6e3),
                ),
                Prediction(
                    name="road energy on the WLTC",
                    group="energy",
                    unit="J/m",
                    value=554.0,
                    sd=5.3,
                    ci95=(544.0, 564.0),
                ),
            ),
        ),
    )


def _recording(curve: SpeedCurve, *, gps_only: bool) -> Recording:
    fixes = slice(None, None, 10)
    channels = [Channel(name="speed_mps", t_s=curve.time_s[fixes], values=curve.speed_mps[fixes])]
    if not gps_only:
        channels.append(Channel(name="accel_y_mps2", t_s=curve.time_s, values=curve.accel_mps2))
    return Recording(
        channels=tuple(channels),
        clocks=(Clock(kind="elapsed", epoch_s=None, described="time_s"),),
        sources=(Source(path=f"run{curve.log}.csv", format="table", rows=curve.time_s.size),),
    )


def _residuals(curve: SpeedCurve, run: Run, rng: np.random.Generator) -> RunResiduals:
    fixes = slice(30, None, 10)
    time, speed = curve.time_s[fixes], curve.speed_mps[fixes]
    kinds = tuple(
        next((p.kind for p in run.phases if p.start_s <= t <= p.end_s), "other") for t in time
    )
    return RunResiduals(
        run=run.number,
        log=run.log,
        direction=run.direction,
        time_s=time,
        speed_mps=speed,
        residual_mps=rng.normal(0, 0.05, time.size),
        phase=kinds,
    )


def _findings(kind: Kind) -> tuple[Finding, ...]:
    findings = [
        Finding(
            kind="repeated_fix",
            severity="note",
            text="3 fixes repeat the one before and were left out.",
            log=0,
        ),
    ]
    if kind == "full":
        text = "The air was still going down the road but not up it: <gusts & all>."
        findings.append(Finding(kind="gusts", severity="warning", text=text, log=7))
        findings.append(
            Finding(
                kind="in_gear", severity="error", text="The coast-down at 37 s was not used.", log=7
            )
        )
    if kind == "one_direction":
        text = (
            "All runs went one way, so slope and wind cannot be told from the vehicle's own drag."
        )
        findings.append(Finding(kind="one_direction", severity="warning", text=text))
    if kind != "full":
        text = "No air temperature or pressure was stated: air density is taken as 1.2 kg/m3."
        findings.append(Finding(kind="air_assumed", severity="warning", text=text))
    return tuple(findings)
