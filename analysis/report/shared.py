"""Several sessions as shared.json, a page above their own reports, and plain text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from markupsafe import Markup

from analysis.model.covariance import Z95
from analysis.plots.curves import COLOURS, shared_road_load_plot
from analysis.report.html_tables import force_rows
from analysis.report.json_text import json_text
from analysis.report.pages import page_environment
from analysis.report.records.shared import SharedRecord
from analysis.results.road_load import RoadLoad
from analysis.sessions.shared import Deviation, Shared, SharedState
from analysis.terminal.lines import wrap
from analysis.text.numbers import (
    Units,
    by_severity,
    half95,
    interval_text,
    number,
    serious_by_kind,
    with_half95,
)
from logger.findings import counted

__all__ = ["render_shared", "shared_summary"]

_COLUMNS = 80

_Rows = list[tuple[str, ...]]


def render_shared(shared: Shared, folders: Sequence[str]) -> dict[str, str]:
    """Return each file's name and text: ``shared.json`` and ``report.html``.

    Parameters
    ----------
    shared : Shared
        At least two sessions.
    folders : sequence of str
        Of each session's own report, beside the page.

    Returns
    -------
    dict
        File name to text.

    Raises
    ------
    ResultError
        A number that must never be shown.
    """
    return {
        "shared.json": json_text(SharedRecord.of(shared, folders)),
        "report.html": _page(shared, folders),
    }


# --- the page --------------------------------------------------------------------------------


def _page(shared: Shared, folders: Sequence[str]) -> str:
    """Return the page on several sessions."""
    units = Units.of(shared.sessions[0].outcome.session.display)
    return (
        page_environment()
        .get_template("shared.html")
        .render(
            title=_title(shared),
            colours=COLOURS,
            units=units,
            facts=[
                counted(len(shared.sessions), "session"),
                f"reference air {_reference(shared)}",
            ],
            states=[
                _state_view(shared, state, number, units)
                for number, state in enumerate(shared.states)
            ],
            session_heads=[
                "Session",
                "State",
                "Trust",
                "Mass [kg]",
                "Air [kg/m³]",
                f"Peak wheel power [{units.power}]",
                "Road load [N]",
                "Runs",
            ],
            sessions=[
                (
                    quote(f"{folder}/report.html", errors="surrogateescape"),
                    _session_row(shared, index, units),
                )
                for index, folder in enumerate(folders)
            ],
            findings=by_severity(shared.findings),
            serious=[finding for finding, _ in serious_by_kind(shared.findings)],
        )
    )


def _title(shared: Shared) -> str:
    """Return the name of the page: the vehicles and how many sessions."""
    names = list(dict.fromkeys(state.vehicle or "Vehicle" for state in shared.states))
    return f"{', '.join(names)}: {counted(len(shared.sessions), 'session')}"


def _reference(shared: Shared) -> str:
    return f"{shared.temperature_c:.0f} °C, {shared.pressure_kpa:.0f} kPa, dry"


def _session_row(shared: Shared, index: int, units: Units) -> tuple[str, ...]:
    """Return one session: name, state, trust, mass, air, peak, road load, runs."""
    one = shared.sessions[index]
    outcome, vehicle = one.outcome, one.outcome.session.vehicle
    load, power = outcome.road_load, outcome.power
    force = "" if load is None else _force_cell(load, units)
    return (
        one.name + ("" if one.why_not is None else " (left out)"),
        vehicle.state or "not stated",
        outcome.verdict.trust.level,
        f"{vehicle.mass_kg:.0f}",
        with_half95(outcome.air.density_kg_m3, outcome.air.density_sd_kg_m3),
        "" if power is None else with_half95(power.peak_w, power.peak_sd_w, units.power_w),
        force,
        str(len(outcome.used_runs)),
    )


def _force_cell(load: RoadLoad, units: Units) -> str:
    at = load.headline
    return f"{with_half95(at.force_n, at.sd_n)} at {units.speed_text(at.speed_mps)}"


def _state_view(shared: Shared, state: SharedState, order: int, units: Units) -> dict[str, Any]:
    """Return what the page shows of one state."""
    load, power = state.road_load, state.power
    several = len(shared.states) > 1
    view: dict[str, Any] = {
        "title": _state_title(state) if several else "",
        "names": [shared.sessions[i].name for i in state.sessions],
        "mass": f"{state.mass_kg:.0f}",
        "power": None,
        "load": None,
        "figure": None,
        "coefficients": [],
        "forces": [],
        "deviations": [],
    }
    if power is not None:
        view["power"] = {
            "text": units.power_text(power.peak_w, power.peak_sd_w),
            "interval": units.power_interval(*power.peak_ci95_w, power.peak_sd_w),
            "count": counted(len(power.sessions), "session"),
            "spread": f"{100 * Z95 * power.spread:.1f} %",
        }
    if load is not None:
        at = load.road_load.headline
        names = [shared.sessions[i].name for i in load.sessions]
        plot = shared_road_load_plot(
            load.road_load, list(zip(names, load.carried, strict=True)), units, f"shared-{order}"
        )
        view["load"] = {
            "text": number(at.force_n, at.sd_n),
            "interval": interval_text(at.ci95_n, at.sd_n),
            "speed": units.speed_text(at.speed_mps),
            "count": counted(len(load.sessions), "session"),
            "spread": f"{100 * Z95 * load.spread:.1f} %",
            "why_not": load.road_load.why_not_separable,
        }
        view["figure"] = (plot, Markup(plot.svg))
        view["coefficients"] = _coefficients(load.road_load)
        view["forces"] = force_rows(load.road_load, units)
        view["deviations"] = [
            row
            for one in load.deviations
            for row in _deviation_rows(shared.sessions[one.session].name, one, units)
        ]
    return view


def _state_title(state: SharedState) -> str:
    return ", ".join(text for text in (state.vehicle, state.state) if text) or "State not stated"


def _coefficients(load: RoadLoad) -> _Rows:
    """Return one row per coefficient."""
    if not load.separable:
        return []
    names = ("N", "N/(m/s)", "N/(m/s)²")
    found = zip(load.coefficients, load.coefficient_sds, names, strict=True)
    return [
        (f"F{at}", f"{with_half95(value, sd)} {unit}") for at, (value, sd, unit) in enumerate(found)
    ]


def _deviation_rows(name: str, one: Deviation, units: Units) -> _Rows:
    """Return one row per speed of how far a session lies from what is shared."""
    found = zip(one.speed_mps, one.difference, one.sd, one.shares, strict=True)
    return [
        (
            name,
            units.speed_text(speed),
            f"{difference:+.0f} N ({100 * share:+.1f} %)",
            f"± {half95(sd)} N",
        )
        for speed, difference, sd, share in found
    ]


# --- text ------------------------------------------------------------------------------------


def shared_summary(shared: Shared, folder: Path, files: Sequence[str]) -> str:
    """Return the text for a terminal: at most 80 columns but for names.

    Parameters
    ----------
    shared : Shared
        At least two sessions.
    folder : Path
        Where the files were written.
    files : sequence of str
        Their names.

    Returns
    -------
    str
        Without a final newline.
    """
    units = Units.of(shared.sessions[0].outcome.session.display)
    lines = wrap(f"Together: {_title(shared)}", _COLUMNS)
    for state in shared.states:
        names = ", ".join(shared.sessions[i].name for i in state.sessions)
        lines += ["", *wrap(f"{_state_title(state)}: {names}", _COLUMNS)]
        power, load = state.power, state.road_load
        if power is not None:
            interval = units.power_interval(*power.peak_ci95_w, power.peak_sd_w)
            text = units.power_text(power.peak_w, power.peak_sd_w)
            lines.append(f"  Peak wheel power  {text}  (95 %: {interval} {units.power})")
        if load is not None:
            at = load.road_load.headline
            lines.append(
                f"  Road load         {number(at.force_n, at.sd_n)} N at {units.speed_text(at.speed_mps)}  "
                f"(95 %: {interval_text(at.ci95_n, at.sd_n)} N)"
            )
            lines.append(
                f"{'':20}in reference air, {shared.temperature_c:.0f} C and "
                f"{shared.pressure_kpa:.0f} kPa"
            )
    lines.append("")
    for finding in by_severity(shared.findings):
        lines += wrap(f"{finding.severity}: {finding.text}", _COLUMNS, subsequent_indent="  ")
    if shared.findings:
        lines.append("")
    lines += [f"Written to {folder}:", f"  {' '.join(files)}"]
    return "\n".join(lines)
