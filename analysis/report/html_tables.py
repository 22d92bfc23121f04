"""An `Analysis` as rows of words for the report's tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis.crosscheck.checked import CrossCheck
from analysis.model.covariance import Z95
from analysis.pipeline import Analysis
from analysis.plots.strips import run_label
from analysis.results.corrections import AmbientCorrection
from analysis.results.power import PowerCurve, PullFigures
from analysis.results.road_load import RoadLoad
from analysis.results.site_and_sensors import SensorState
from analysis.runs.run import Run
from analysis.text.directions import up_text
from analysis.text.numbers import Units, interval_text, log_name, number, rate_text, with_half95
from logger.findings import counted
from logger.session.session import Display

__all__ = [
    "Rows",
    "asked_rows",
    "coefficient_heads",
    "coefficient_rows",
    "facts",
    "force_rows",
    "history_rows",
    "power_rows",
    "pull_rows",
    "run_rows",
    "sensor_rows",
    "site_rows",
    "timed_rows",
    "unused_rows",
]

Rows = list[tuple[str, ...]]
_NO_BREAK = "\u00a0"


def facts(outcome: Analysis) -> list[str]:
    """Return what was measured, in short pieces for the page's head."""
    vehicle, air = outcome.session.vehicle, outcome.air
    directions = [run.direction for run in outcome.used_runs]
    sources = {
        "measured": "from the stated weather",
        "estimated": "estimated",
        "assumed": "assumed: no weather was stated",
    }
    runs = counted(len(directions), "run")
    density = with_half95(air.density_kg_m3, air.density_sd_kg_m3)
    pieces = [
        f"{runs}: {directions.count(1)} up, {directions.count(-1)} down ({up_text(outcome)})",
        f"mass {with_half95(vehicle.mass_kg, vehicle.mass_sd_kg)} kg",
        f"rotating mass {with_half95(vehicle.rotating_mass_kg, vehicle.rotating_mass_sd_kg)} kg",
        f"air {density} kg/m\u00b3, {sources.get(air.source, air.source)}",
    ]
    if vehicle.state:
        pieces.insert(0, f"state: {vehicle.state}")
    return pieces


def coefficient_rows(outcome: Analysis, road_load: RoadLoad, units: Units) -> Rows:
    """Return name, value in SI, value per display speed unit, and value at reference air if any."""
    if not road_load.separable:
        return []
    sds = road_load.coefficient_sds
    reference = outcome.extras.reference_road_load
    at_reference: Sequence[float | None] = (None, None, None)
    reference_sds: Sequence[float] = sds
    if reference is not None:
        at_reference, reference_sds = reference.coefficients, reference.coefficient_sds or sds
    si = ("N", "N/(m/s)", "N/(m/s)\u00b2")
    shown = ("N", f"N/({units.speed})", f"N/({units.speed})\u00b2")
    rows = []
    given = zip(road_load.coefficients, sds, at_reference, reference_sds, strict=True)
    for power, (value, sd, other, other_sd) in enumerate(given):
        scale = units.speed_mps**-power
        row = [f"F{power}", f"{with_half95(value, sd)} {si[power]}"]
        if units.speed != "m/s":
            row.append(f"{with_half95(value, sd, scale)} {shown[power]}")
        if other is not None:
            row.append(f"{with_half95(other, other_sd)} {si[power]}")
        rows.append(tuple(row))
    return rows


def coefficient_heads(outcome: Analysis, units: Units) -> list[str]:
    """Return the heads of the table of coefficients."""
    heads = ["", "speed in m/s"] + ([f"speed in {units.speed}"] if units.speed != "m/s" else [])
    reference = outcome.extras.reference_road_load
    if reference is not None:
        air = f"{reference.temperature_c:.0f} \u00b0C, {reference.pressure_kpa:.0f} kPa"
        heads.append(f"carried over to {air}")
    return heads


def force_rows(road_load: RoadLoad, units: Units) -> Rows:
    """Return the road load at round speeds inside the covered range, with intervals."""
    step = 5 if units.speed == "m/s" else 20
    low, high = (speed / units.speed_mps for speed in road_load.speed_range_mps)
    first, last = int(-(-low // step)), int(high // step)
    speeds = [step * count * units.speed_mps for count in range(first, last + 1)]
    if not speeds:
        speeds = [road_load.budget_speed_mps]
    found = [road_load.at(speed) for speed in speeds[:12]]
    return [
        (
            units.speed_text(at.speed_mps),
            number(at.force_n, at.sd_n),
            interval_text(at.ci95_n, at.sd_n),
        )
        for at in found
    ]


def asked_rows(outcome: Analysis, units: Units) -> Rows:
    """Return what the user asked for beside the measured power: corrections, crank power."""
    rows: Rows = [_correction_row(each, outcome, units) for each in outcome.extras.corrections]
    crank = outcome.extras.crank
    if crank is not None:
        low, high = (f"{loss:g}" for loss in crank.loss_percent)
        half = (crank.high_w - crank.low_w) / 4  # rounds as an sd would
        loss = f"{low} %" if low == high else f"{low} to {high} %"
        interval = units.power_interval(crank.low_w, crank.high_w, half)
        text = f"{units.power_text(crank.peak_w, half)}, {interval} {units.power}"
        why = f"under the stated driveline loss of {loss}, which was not measured"
        rows.append(("Estimate at the crank", text, why))
    return rows


def _correction_row(
    correction: AmbientCorrection, outcome: Analysis, units: Units
) -> tuple[str, str, str]:
    """Return one standard, its corrected peak or that there is none, and the factor or why not."""
    power = outcome.power
    if not correction.valid or correction.peak_w is None or power is None:
        return correction.standard, "not corrected", correction.why_not or "no peak to correct"
    text = units.power_text(correction.peak_w, power.peak_sd_w)
    factor = "" if correction.factor is None else f"factor {correction.factor:.3f}"
    return correction.standard, text, factor


def timed_rows(check: CrossCheck, outcome: Analysis) -> Rows:
    """Return one row per timed interval, in the unit that its gates were stated in."""
    stated = outcome.session.crosscheck
    shown = Units.of(replace(Display(), speed="km/h" if stated is None else stated.speed_unit))
    rows: Rows = []
    for gate in check.gates:
        gates = gate.run.gates
        speeds = [f"{shown.speed_value(v):.4g}" for v in (gates.from_mps, gates.to_mps)]
        sd, z = gate.predicted_sd_s, gate.z
        predicted = "\u2013"
        if gate.predicted_s is not None and sd is not None:
            predicted = with_half95(gate.predicted_s, sd)
        kind = "pull" if gate.run.kind == "pull" else "coast-down"
        if gate.run.direction is not None:
            kind += " up" if gate.run.direction > 0 else " down"
        what = f"{kind}, {speeds[0]} to {speeds[1]} {shown.speed}"
        apart = "\u2013"
        if z and gate.predicted_s is not None:
            off = gates.duration_s - gate.predicted_s
            apart = f"{off:+.2f} \u00b1 {abs(Z95 * off / z):.2f}"
        rows.append((what, f"{gates.duration_s:.2f}", predicted, apart, gate.verdict))
    return rows


def site_rows(outcome: Analysis, units: Units) -> Rows:
    """Return wind and slope along the road in words."""
    site = outcome.site
    against = "against" if site.wind_mps >= 0 else "along"
    rises = "rising" if site.slope >= 0 else "falling"
    wind = with_half95(abs(site.wind_mps), site.wind_sd_mps, units.speed_mps)
    slope = with_half95(100 * abs(site.slope), 100 * site.slope_sd)
    return [
        ("Wind along the road", f"{wind} {units.speed} {against} the direction called up"),
        ("Mean slope", f"{slope} % {rises} in the direction called up"),
    ]


def pull_rows(outcome: Analysis, units: Units) -> Rows:
    """Return one row per used pull, with its powers."""
    return [_pull_row(pull, outcome, units) for pull in outcome.pulls]


def _pull_row(pull: PullFigures, outcome: Analysis, units: Units) -> tuple[str, ...]:
    """Return one pull: its run, speeds, time, powers, distance and log."""
    scale = units.power_w
    return (
        _run_of(outcome, pull.log, pull.start_s, pull.end_s).replace(" ", _NO_BREAK),
        f"{_speed(pull.from_mps, units)} to {_speed(pull.to_mps, units)}",
        with_half95(pull.duration_s, pull.duration_sd_s),
        with_half95(pull.peak_power_w, pull.peak_power_sd_w, scale),
        with_half95(pull.mean_power_w, pull.mean_power_sd_w, scale),
        number(pull.kinetic_mean_power_w / scale, pull.mean_power_sd_w / scale),
        f"{pull.distance_m:.0f}",
        log_name(outcome.session, pull.log),
    )


def _speed(speed_mps: float, units: Units) -> str:
    return f"{units.speed_value(speed_mps):.0f}"


def _run_of(outcome: Analysis, log: int, start_s: float, end_s: float) -> str:
    """Return the name of the run that a stretch of a log lies in."""
    middle = (start_s + end_s) / 2
    for run in outcome.runs:
        inside = run.phases and run.phases[0].start_s <= middle <= run.phases[-1].end_s
        if run.log == log and inside:
            return run_label(run.number, run.direction)
    return ""


def run_rows(outcome: Analysis, units: Units) -> Rows:
    """Return one row per run: its name, speeds and time of pull and coast-down, its log."""
    return [
        (
            run_label(run.number, run.direction).replace(" ", _NO_BREAK),
            *_phase_cells(run, "pull", units),
            *_phase_cells(run, "coast", units),
            log_name(outcome.session, run.log),
        )
        for run in outcome.runs
    ]


def _phase_cells(run: Run, kind: str, units: Units) -> tuple[str, str]:
    """Return speeds and time of a run's pull or coast-down, and whether it is used."""
    found = [phase for phase in run.phases if phase.kind == kind]
    ends = [f"{_speed(p.from_mps, units)} to {_speed(p.to_mps, units)}" for p in found]
    used = [f"{p.end_s - p.start_s:.0f} s, {'used' if p.used else 'left out'}" for p in found]
    return "; ".join(ends) or "none", "; ".join(used) or "\u2013"


def unused_rows(outcome: Analysis) -> Rows:
    """Return which pulls and coast-downs were not used, and the reason, once where shared."""
    words = {"pull": "pull", "coast": "coast-down"}
    labels: dict[tuple[str, str], list[str]] = {}
    for run in outcome.runs:
        for phase in run.phases:
            if phase.kind in words and not phase.used:
                key = (words[phase.kind], phase.why_not or "no reason given")
                labels.setdefault(key, []).append(run_label(run.number, run.direction))
    return [
        (f"{', '.join(runs)}: {what}", f"not used: {why}.") for (what, why), runs in labels.items()
    ]


def power_rows(power: PowerCurve, units: Units) -> Rows:
    """Return the wheel power at round speeds, of the gear that gives most there, with intervals."""
    step = 5 if units.speed == "m/s" else 20
    shown = range(step, int(power.top_mps / units.speed_mps) + 1, step)
    found = [power.at(speed * units.speed_mps) for speed in shown]
    return [
        (
            units.speed_text(at.speed_mps),
            "" if at.gear is None else str(at.gear),
            number(at.power_w / units.power_w, at.sd_w / units.power_w),
            units.power_interval(*at.ci95_w, at.sd_w),
        )
        for at in found
        if at is not None
    ]


def history_rows(outcome: Analysis) -> Rows:
    """Return one row per step: its name, version and settings."""
    return [
        (
            step.step,
            step.version,
            ", ".join(
                f"{name.replace('_', ' ')}: {_setting(value)}"
                for name, value in step.settings.items()
            ),
        )
        for step in outcome.history
    ]


def _setting(value: object) -> str:
    """Return a setting for people: four digits, and lists without their brackets."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list | tuple):
        return " + ".join(_setting(one) for one in value)
    return str(value)


def sensor_rows(outcome: Analysis) -> Rows:
    """Return one row per log: what its sensors turned out to be."""
    return [_sensor_row(one, log_name(outcome.session, one.log)) for one in outcome.sensors]


def _sensor_row(sensor: SensorState, name: str) -> tuple[str, ...]:
    """Return one log: rates, lag, noise, scale, and whether the accelerometer is used."""
    lag, lag_sd = sensor.gps_lag_s, sensor.gps_lag_sd_s
    accel = "used" if sensor.accel_used else f"not used: {sensor.why_not or 'none recorded'}"
    return (
        name,
        _rate(sensor.gps_rate_hz),
        "\u2013" if lag is None or lag_sd is None else with_half95(lag, lag_sd),
        _or_dash(sensor.gps_noise_mps, "{:.2g}"),
        _rate(sensor.accel_rate_hz),
        _or_dash(sensor.accel_scale, "{:.3f}"),
        _or_dash(sensor.accel_noise_mps2, "{:.2g}"),
        accel,
    )


def _rate(rate_hz: float | None) -> str:
    return "\u2013" if rate_hz is None else rate_text(rate_hz)


def _or_dash(value: float | None, form: str) -> str:
    return "\u2013" if value is None else form.format(value)
