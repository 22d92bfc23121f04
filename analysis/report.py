"""An `Analysis` as the four files of `pullcoast report`; every number in them is a field of it.

`render` is the whole story. The page is `templates/report.html`; this file prepares its rows.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import jinja2
from markupsafe import Markup

from analysis.display import (
    Units,
    by_severity,
    cause_name,
    counted,
    force_at,
    log_name,
    number,
    road_load_at,
    serious_by_kind,
    trust,
)
from analysis.plots import COLOURS, report_plots
from analysis.report_compare import comparison_rows
from analysis.results import json_text, results_dict
from analysis.strips import run_label
from analysis.tables import curves_csv, speed_time_csv
from logger.session import Display

if TYPE_CHECKING:
    from analysis.crosscheck import CrossCheck
    from analysis.pipeline import Analysis, SensorState
    from analysis.power import AmbientCorrection, PullFigures
    from analysis.roadload import RoadLoad

__all__ = ["TEMPLATES", "render", "report_html"]

#: Folder of the page's template, beside this file.
TEMPLATES = Path(__file__).with_name("templates")

_HYPHEN = re.compile(r"(?<![\w)])-(?=\d)")
_PERCENT = re.compile(r"(\d) %")
#: So many kinds of warnings stand at the top of the page; all stand further down.
_MOST_WARNINGS = 6

_Rows = list[tuple[str, ...]]


def render(analysis: Analysis) -> dict[str, str]:
    """Return every result file's name and text, all made before any is written.

    Parameters
    ----------
    analysis : Analysis
        Of one session; units for people as its session's display says.

    Returns
    -------
    dict
        ``report.html``, ``results.json``, ``curves.csv``, ``speed_time.csv``.

    Raises
    ------
    ResultError
        The analysis holds a number that must never be shown.
    """
    results = json_text(results_dict(analysis))
    return {
        "report.html": report_html(analysis),
        "results.json": results,
        "curves.csv": curves_csv(analysis),
        "speed_time.csv": speed_time_csv(analysis.curves, analysis.runs),
    }


@dataclass(frozen=True, slots=True)
class _Part:
    """One bar of an uncertainty budget: cause, its sd in words, and its length in percent."""

    cause: str
    text: str
    percent: float


def report_html(analysis: Analysis) -> str:
    """Return the page: one file, no network, no coordinates; text from files is escaped."""
    units = Units.of(analysis.session.display)
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["typeset"] = _typeset
    road_load = analysis.road_load
    plots = {plot.name: plot for plot in report_plots(analysis, units)}
    findings = by_severity(analysis.findings)
    return environment.get_template("report.html").render(
        title=analysis.session.vehicle.name or analysis.session.name,
        session=analysis.session,
        colours=COLOURS,
        units=units,
        facts=_facts(analysis),
        power=analysis.power,
        peak=None if analysis.power is None else _peak(analysis, units),
        load=road_load_at(analysis),
        trust=trust(analysis),
        figures={name: (plot, Markup(plot.svg)) for name, plot in plots.items()},
        serious=serious_by_kind(analysis.findings)[:_MOST_WARNINGS],
        findings=findings,
        counted=counted,
        log_name=lambda log: log_name(analysis.session, log),
        road_load=road_load,
        coefficients=[] if road_load is None else _coefficients(analysis, road_load, units),
        coefficient_heads=_coefficient_heads(analysis, units),
        forces=[] if road_load is None else _forces(road_load, units),
        also=_also(analysis, units),
        crank_asked=analysis.crank is not None,
        compare=comparison_rows(analysis, units),
        timed=[] if analysis.crosscheck is None else _timed_rows(analysis.crosscheck, analysis),
        timed_words=_timed_words(analysis.crosscheck),
        site=_site(analysis, units),
        separable=analysis.site.separable,
        pulls=_pull_rows(analysis, units),
        coasts=_coast_rows(analysis, units),
        sensors=[
            _sensor_row(sensor, log_name(analysis.session, sensor.log))
            for sensor in analysis.sensors
        ],
        budgets=_budgets(analysis, units),
        history=[
            (step.step, step.version, ", ".join(f"{k}: {v}" for k, v in step.settings.items()))
            for step in analysis.history
        ],
    )


def _typeset(text: str) -> str:
    """Give negative figures a true minus sign and keep percent signs with their figures."""
    return _PERCENT.sub("\\1\u00a0%", _HYPHEN.sub("\u2212", text))


def _facts(analysis: Analysis) -> list[str]:
    """Return what was measured, in short pieces for the page's head."""
    vehicle, air = analysis.session.vehicle, analysis.air
    directions = [run.direction for run in analysis.used_runs]
    sources = {
        "measured": "from the stated weather",
        "estimated": "estimated",
        "assumed": "assumed: no weather was stated",
    }
    runs = counted(len(directions), "run")
    density = _with_sd(air.density_kg_m3, air.density_sd_kg_m3)
    pieces = [
        f"{runs}: {directions.count(1)} up, {directions.count(-1)} down",
        f"mass {_with_sd(vehicle.mass_kg, vehicle.mass_sd_kg)} kg",
        f"rotating mass {_with_sd(vehicle.rotating_mass_kg, vehicle.rotating_mass_sd_kg)} kg",
        f"air {density} kg/m\u00b3, {sources.get(air.source, air.source)}",
    ]
    if vehicle.state:
        pieces.insert(0, vehicle.state)
    return pieces


def _with_sd(value: float, sd: float, scale: float = 1.0) -> str:
    """Write a value and its standard deviation in one unit: ``61.2 ± 0.9``."""
    return f"{number(value / scale, sd / scale)} \u00b1 {number(sd / scale, sd / scale)}"


def _peak(analysis: Analysis, units: Units) -> dict[str, str]:
    power = analysis.power
    assert power is not None
    return {
        "text": number(power.peak_w / units.power_w, power.peak_sd_w / units.power_w),
        "interval": units.power_interval(*power.peak_ci95_w, power.peak_sd_w),
        "speed": units.speed_text(power.peak_speed_mps),
    }


def _coefficients(analysis: Analysis, road_load: RoadLoad, units: Units) -> _Rows:
    """Return name, value in SI, value per display speed unit, and value at reference air if any."""
    if not road_load.separable:
        return []
    values = (road_load.f0_n, road_load.f1_n_per_mps, road_load.f2_n_per_mps2)
    sds = (road_load.covariance.diagonal() ** 0.5).tolist()
    reference = analysis.reference_road_load
    at_reference: Sequence[float | None] = (
        (None, None, None)
        if reference is None
        else (reference.f0_n, reference.f1_n_per_mps, reference.f2_n_per_mps2)
    )
    si = ("N", "N/(m/s)", "N/(m/s)\u00b2")
    shown = ("N", f"N/({units.speed})", f"N/({units.speed})\u00b2")
    rows = []
    for power, (value, sd, other) in enumerate(zip(values, sds, at_reference, strict=True)):
        scale = units.speed_mps**-power
        row = [f"F{power}", f"{_with_sd(value, sd)} {si[power]}"]
        if units.speed != "m/s":
            row.append(f"{_with_sd(value, sd, scale)} {shown[power]}")
        if other is not None:
            row.append(f"{number(other, sd)} {si[power]}")
        rows.append(tuple(row))
    return rows


def _coefficient_heads(analysis: Analysis, units: Units) -> list[str]:
    heads = ["", "speed in m/s"] + ([f"speed in {units.speed}"] if units.speed != "m/s" else [])
    reference = analysis.reference_road_load
    if reference is not None:
        air = f"{reference.temperature_c:.0f} \u00b0C, {reference.pressure_kpa:.0f} kPa"
        heads.append(f"carried over to {air}")
    return heads


def _forces(road_load: RoadLoad, units: Units) -> _Rows:
    """Return the road load at round speeds inside the covered range, with intervals."""
    step = 5 if units.speed == "m/s" else 20
    low, high = (speed / units.speed_mps for speed in road_load.speed_range_mps)
    first, last = int(-(-low // step)), int(high // step)
    speeds = [step * count * units.speed_mps for count in range(first, last + 1)]
    if not speeds:
        speeds = [road_load.budget_speed_mps]
    found = [force_at(road_load, speed) for speed in speeds[:12]]
    return [(units.speed_text(at.speed_mps), at.text, at.interval) for at in found]


def _also(analysis: Analysis, units: Units) -> _Rows:
    """Return what the user asked for beside the measured power: corrections, crank power."""
    rows: _Rows = [_correction_row(each, analysis, units) for each in analysis.corrections]
    crank = analysis.crank
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
    correction: AmbientCorrection, analysis: Analysis, units: Units
) -> tuple[str, str, str]:
    power = analysis.power
    if not correction.valid or correction.peak_w is None or power is None:
        return correction.standard, "not corrected", correction.why_not or "no peak to correct"
    text = units.power_text(correction.peak_w, power.peak_sd_w)
    factor = "" if correction.factor is None else f"factor {correction.factor:.3f}"
    return correction.standard, text, factor


def _timed_rows(check: CrossCheck, analysis: Analysis) -> _Rows:
    """Return one row per timed interval, in the unit that its gates were stated in."""
    stated = analysis.session.crosscheck
    shown = Units.of(replace(Display(), speed="km/h" if stated is None else stated.speed_unit))
    rows: _Rows = []
    for gate in check.gates:
        gates = gate.run.gates
        speeds = [f"{shown.speed_value(v):.4g}" for v in (gates.from_mps, gates.to_mps)]
        sd, z = gate.predicted_sd_s, gate.z
        predicted = "\u2013"
        if gate.predicted_s is not None and sd is not None:
            predicted = _with_sd(gate.predicted_s, sd)
        kind = "pull" if gate.run.kind == "pull" else "coast-down"
        what = f"{kind}, {speeds[0]} to {speeds[1]} {shown.speed}"
        sigma = "\u2013" if z is None else f"{z:+.1f}"
        rows.append((what, f"{gates.duration_s:.2f}", predicted, sigma, gate.verdict))
    return rows


def _timed_words(check: CrossCheck | None) -> tuple[str, ...]:
    return () if check is None else (*check.steps, *check.explanation)


def _site(analysis: Analysis, units: Units) -> _Rows:
    site = analysis.site
    against = "against" if site.wind_mps >= 0 else "along"
    rises = "rising" if site.slope >= 0 else "falling"
    wind = _with_sd(abs(site.wind_mps), site.wind_sd_mps, units.speed_mps)
    slope = _with_sd(100 * abs(site.slope), 100 * site.slope_sd)
    return [
        ("Wind along the road", f"{wind} {units.speed} {against} the direction called up"),
        ("Mean slope", f"{slope} % {rises} in the direction called up"),
    ]


def _pull_rows(analysis: Analysis, units: Units) -> _Rows:
    return [_pull_row(pull, analysis, units) for pull in analysis.pulls]


def _pull_row(pull: PullFigures, analysis: Analysis, units: Units) -> tuple[str, ...]:
    scale = units.power_w
    return (
        _run_of(analysis, pull.log, pull.start_s, pull.end_s),
        f"{_speed(pull.from_mps, units)} to {_speed(pull.to_mps, units)}",
        _with_sd(pull.duration_s, pull.duration_sd_s),
        _with_sd(pull.peak_power_w, pull.peak_power_sd_w, scale),
        _with_sd(pull.mean_power_w, pull.mean_power_sd_w, scale),
        number(pull.kinetic_mean_power_w / scale, pull.mean_power_sd_w / scale),
        f"{pull.distance_m:.0f}",
        log_name(analysis.session, pull.log),
    )


def _speed(speed_mps: float, units: Units) -> str:
    return f"{units.speed_value(speed_mps):.0f}"


def _run_of(analysis: Analysis, log: int, start_s: float, end_s: float) -> str:
    """Return the name of the run that a stretch of a log lies in."""
    middle = (start_s + end_s) / 2
    for run in analysis.runs:
        inside = run.phases and run.phases[0].start_s <= middle <= run.phases[-1].end_s
        if run.log == log and inside:
            return run_label(run.number, run.direction)
    return ""


def _coast_rows(analysis: Analysis, units: Units) -> _Rows:
    return [
        (
            run_label(run.number, run.direction),
            f"{_speed(phase.from_mps, units)} to {_speed(phase.to_mps, units)}",
            f"{phase.end_s - phase.start_s:.0f}",
            "used" if phase.used else f"not used: {phase.why_not or 'no reason given'}",
            log_name(analysis.session, run.log),
        )
        for run in analysis.runs
        for phase in run.phases
        if phase.kind == "coast"
    ]


def _sensor_row(sensor: SensorState, name: str) -> tuple[str, ...]:
    lag, lag_sd = sensor.gps_lag_s, sensor.gps_lag_sd_s
    accel = "used" if sensor.accel_used else f"not used: {sensor.why_not or 'none recorded'}"
    return (
        name,
        _or_dash(sensor.gps_rate_hz, "{:.3g}"),
        "\u2013" if lag is None or lag_sd is None else _with_sd(lag, lag_sd),
        _or_dash(sensor.gps_noise_mps, "{:.2g}"),
        _or_dash(sensor.accel_rate_hz, "{:.3g}"),
        _or_dash(sensor.accel_scale, "{:.3f}"),
        _or_dash(sensor.accel_noise_mps2, "{:.2g}"),
        accel,
    )


def _or_dash(value: float | None, form: str) -> str:
    return "\u2013" if value is None else form.format(value)


def _budgets(analysis: Analysis, units: Units) -> list[tuple[str, list[_Part]]]:
    """Return the title and the bars, longest first, of each uncertainty budget."""
    budgets = []
    if analysis.power is not None:
        title = f"Peak wheel power [{units.power}]"
        budgets.append((title, _parts(analysis.power.budget_w.items(), units.power_w)))
    if analysis.road_load is not None:
        at = units.speed_text(analysis.road_load.budget_speed_mps)
        title = f"Road load at {at} [N]"
        budgets.append((title, _parts(analysis.road_load.budget_n.items(), 1.0)))
    return budgets


def _parts(budget: Iterable[tuple[str, float]], scale: float) -> list[_Part]:
    parts = sorted(budget, key=lambda item: -item[1])
    longest = max((sd for _, sd in parts), default=0.0) or 1.0
    return [
        _Part(cause_name(cause), number(sd / scale, sd / scale), round(100 * sd / longest, 1))
        for cause, sd in parts
    ]
