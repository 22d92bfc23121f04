"""A comparison as compare.json, as a page, and as plain text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from analysis.plots.comparison import load_difference_plot, percent_plot, power_difference_plot
from analysis.plots.style import COLOURS
from analysis.report.pages import page_environment
from analysis.report.results_json import finding_dict, json_text
from analysis.results.reference import REFERENCE_PRESSURE_KPA, REFERENCE_TEMPERATURE_C
from analysis.sessions.difference import CLAIM, SHOWN_SHARE
from analysis.text.comparison import Compared, causes_text, figures, title_of
from analysis.text.numbers import Units, by_severity, number
from logger.findings import counted

if TYPE_CHECKING:
    from analysis.sessions.compare import Comparison
    from analysis.sessions.difference import Difference
    from analysis.sessions.load_difference import LoadDifference
    from analysis.sessions.power_difference import CurveDifference
    from analysis.sessions.side import Side
    from logger.findings import Finding

__all__ = [
    "COMPARE_FORMAT",
    "COMPARE_SCHEMA_PATH",
    "compare_dict",
    "compare_text",
    "render_comparison",
]

COMPARE_FORMAT = "pullcoast-compare/1"
#: JSON Schema of compare.json, beside this file.
COMPARE_SCHEMA_PATH = Path(__file__).with_name("compare.schema.json")

_COLUMNS = 80
#: Longest name of a session at the head of a column.
_NAME = 11

# JSON values: every leaf is a str, bool, int, finite float or None
_Json = dict[str, Any]


def render_comparison(comparisons: tuple[Comparison, ...]) -> dict[str, str]:
    """Return each file's name and text: ``compare.json`` and ``compare.html``.

    Parameters
    ----------
    comparisons : tuple of Comparison
        At least one; all with the same first session.

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
        "compare.json": json_text(compare_dict(comparisons)),
        "compare.html": _page(comparisons),
    }


# --- compare.json ----------------------------------------------------------------------------


def compare_dict(comparisons: tuple[Comparison, ...]) -> _Json:
    """Return what compare.json holds, null for what is unknown; SI units, named in the keys."""
    sides = [comparisons[0].first, *(one.other for one in comparisons)]
    return {
        "format": COMPARE_FORMAT,
        "claimed_at_probability": CLAIM,
        "shown_in_share": SHOWN_SHARE,
        "reference": {
            "temperature_C": REFERENCE_TEMPERATURE_C,
            "pressure_kPa": REFERENCE_PRESSURE_KPA,
        },
        "sessions": [_side_dict(side) for side in sides],
        "comparisons": [
            _comparison_dict(one, number) for number, one in enumerate(comparisons, start=1)
        ],
    }


def _side_dict(side: Side) -> _Json:
    vehicle = side.vehicle
    return {
        "name": side.name,
        "source": side.source,
        "vehicle": None if vehicle is None else vehicle.name,
        "kind": None if vehicle is None else vehicle.kind,
        "state": None if vehicle is None else vehicle.state,
        "mass_kg": side.masses.mass_kg,
        "mass_sd_kg": side.masses.mass_sd_kg,
        "rotating_mass_kg": side.masses.rotating_mass_kg,
        "rotating_mass_sd_kg": side.masses.rotating_mass_sd_kg,
        "air": {
            "density_kg_m3": side.air.density_kg_m3,
            "density_sd_kg_m3": side.air.density_sd_kg_m3,
            "source": side.air.source,
            "temperature_C": side.air.temperature_c,
        },
        "wind_mps": side.wind_mps,
        "wind_sd_mps": side.wind_sd_mps,
        "separable": side.separable,
        "runs_up": side.runs_up,
        "runs_down": side.runs_down,
    }


def _comparison_dict(one: Comparison, number_: int) -> _Json:
    units = Units.of(one.first.display)
    load = one.road_load
    return {
        "first": 0,
        "other": number_,
        "peak_wheel_power": None if one.peak_w is None else _difference_dict(one.peak_w, "W"),
        "wheel_power": [_curve_dict(curve) for curve in one.power],
        "road_load": None if load is None else _load_dict(load),
        "why_no_road_load": one.why_no_road_load,
        "drag_area": _optional(None if load is None else load.drag_area_m2, "m2"),
        "rolling_coefficient": _optional(None if load is None else load.rolling, ""),
        "drag_area_F1_alike": _optional(None if load is None else load.drag_area_alike_m2, "m2"),
        "rolling_coefficient_F1_alike": _optional(None if load is None else load.rolling_alike, ""),
        "sentences": [compared.sentence for compared in figures(one, units)],
        "causes": [
            {"name": cause.name, "cancelled": cause.cancelled, "why": cause.why}
            for cause in one.causes
        ],
        "findings": [finding_dict(finding) for finding in one.findings],
    }


def _optional(difference: Difference | None, unit: str) -> _Json | None:
    return None if difference is None else _difference_dict(difference, unit)


def _difference_dict(difference: Difference, unit: str) -> _Json:
    end = f"_{unit}" if unit else ""
    return {
        f"first{end}": difference.first,
        f"other{end}": difference.other,
        f"difference{end}": difference.value,
        f"difference_sd{end}": difference.sd,
        f"difference_ci95{end}": difference.interval95,
        "difference_percent": difference.percent,
        "probability_more": difference.chance_more,
        f"smallest_shown{end}": difference.smallest_shown,
        "verdict": difference.verdict,
    }


def _curve_dict(curve: CurveDifference) -> _Json:
    columns = (curve.speed_mps, curve.first_w, curve.other_w, curve.sd_w)
    return {
        "gear": curve.gear,
        "other_gear": curve.other_gear,
        "curve": [
            {"speed_mps": speed, "difference_W": second - first, "difference_sd_W": sd}
            for speed, first, second, sd in zip(*(c.tolist() for c in columns), strict=True)
        ],
    }


def _load_dict(load: LoadDifference) -> _Json:
    return {
        "speed_range_mps": load.speed_range_mps,
        "curve": [
            {"speed_mps": float(speed), **_difference_dict(load.at(float(speed)), "N")}
            for speed in load.speeds_mps()
        ],
    }


# --- the page --------------------------------------------------------------------------------


def _page(comparisons: tuple[Comparison, ...]) -> str:
    units = Units.of(comparisons[0].first.display)
    groups = [(one.other.name, figures(one, units)) for one in comparisons]
    plots = [
        plot
        for plot in (
            percent_plot(groups),
            power_difference_plot(comparisons, units),
            load_difference_plot(comparisons, units),
        )
        if plot is not None
    ]
    sides = [comparisons[0].first, *(one.other for one in comparisons)]
    return (
        page_environment()
        .get_template("compare.html")
        .render(
            title=title_of(comparisons),
            colours=COLOURS,
            facts=[
                counted(len(sides), "session"),
                f"road load in reference air {_reference()}",
                "power as tested",
            ],
            groups=[
                _group(one, found) for one, (_, found) in zip(comparisons, groups, strict=True)
            ],
            several=len(comparisons) > 1,
            first=comparisons[0].first.name,
            plots=[(plot, Markup(plot.svg)) for plot in plots],
            sides=[_side_row(side, units) for side in sides],
            side_heads=[
                "Session",
                "State",
                "Mass [kg]",
                "Air [kg/m³]",
                "Wind [m/s]",
                "Runs",
                "From",
            ],
            serious=_unique(
                [f for one in comparisons for f in one.findings if f.severity != "note"]
            ),
            notes=_unique([f for one in comparisons for f in one.findings if f.severity == "note"]),
        )
    )


def _reference() -> str:
    return f"{REFERENCE_TEMPERATURE_C:.0f} °C, {REFERENCE_PRESSURE_KPA:.0f} kPa, dry"


def _unique(findings: Sequence[Finding]) -> list[Finding]:
    return by_severity(tuple({finding.text: finding for finding in findings}.values()))


def _typed(sentence: str) -> str:
    return sentence.replace("+/-", "±")


def _group(one: Comparison, found: Sequence[Compared]) -> dict[str, Any]:
    """Return what the page shows of one pair of sessions."""
    told = [c for c in found if c.told]
    cards = [told[0], told[-1]] if len(told) > 1 else told
    return {
        "name": one.other.name,
        "cards": cards,
        "sentences": [_typed(c.sentence) for c in found if c.told],
        "rows": [
            (
                c.name + (f" [{c.unit}]" if c.unit else ""),
                c.text(c.difference.first),
                c.text(c.difference.other),
                f"{c.signed} ± {c.half}",
                c.percent,
                c.chance,
                c.text(c.difference.smallest_shown),
            )
            for c in found
        ],
        "why_no_road_load": one.why_no_road_load,
        "causes": [
            (cause.name, "taken out" if cause.cancelled else "in the interval", cause.why)
            for cause in one.causes
        ],
    }


def _side_row(side: Side, units: Units) -> tuple[str, ...]:
    state = side.vehicle.state if side.vehicle is not None else ""
    air = f"{side.air.density_kg_m3:.3f} ± {number(side.air.density_sd_kg_m3, side.air.density_sd_kg_m3)}"
    wind = (
        f"{number(side.wind_mps, side.wind_sd_mps)} ± {number(side.wind_sd_mps, side.wind_sd_mps)}"
    )
    return (
        side.name,
        state or "not stated",
        f"{side.masses.mass_kg:.0f} ± {side.masses.mass_sd_kg:.0f}",
        air,
        wind,
        f"{side.runs_up} up, {side.runs_down} down",
        "logs" if side.source == "session" else side.source,
    )


# --- text ------------------------------------------------------------------------------------


def compare_text(
    comparisons: tuple[Comparison, ...], folder: Path | None, files: Sequence[str]
) -> str:
    """Return the text for a terminal: at most 80 columns but for names.

    Parameters
    ----------
    comparisons : tuple of Comparison
        As in `render_comparison`.
    folder : Path or None
        Where files were written, None where none were.
    files : sequence of str
        Their names.

    Returns
    -------
    str
        Without a final newline.
    """
    units = Units.of(comparisons[0].first.display)
    lines: list[str] = []
    for one in comparisons:
        found = figures(one, units)
        lines += textwrap.wrap(f"{one.other.name} against {one.first.name}", _COLUMNS)
        lines += ["", *_table(found, (one.first.name, one.other.name)), ""]
        for compared in found:
            if compared.told:
                lines += _wrapped(compared.sentence)
        if one.peak_w is None:
            lines += _wrapped("Wheel power cannot be compared: a session has no usable pull.")
        if one.why_no_road_load is not None:
            lines += _wrapped(f"Road load cannot be compared: {one.why_no_road_load}.")
        lines.append("")
        for text in causes_text(one):
            lines += _wrapped(text)
        for finding in by_severity(one.findings):
            lines += textwrap.wrap(
                f"{finding.severity}: {finding.text}", _COLUMNS, subsequent_indent="  "
            )
        lines.append("")
    if folder is None:
        lines.append("--out DIR writes compare.html and compare.json.")
    else:
        lines += [f"Written to {folder}:", f"  {' '.join(files)}"]
    return "\n".join(lines)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, _COLUMNS, subsequent_indent="  ")


def _table(found: Sequence[Compared], names: tuple[str, str]) -> list[str]:
    """Return figure, both values, difference with its 95 % interval, chance of more."""
    first, other = (name if len(name) <= _NAME else f"{name[: _NAME - 1]}~" for name in names)
    rows = [("", first, other, "difference (95 %)", "more at all")]
    rows += [
        (
            c.name,
            c.text(c.difference.first),
            f"{c.text(c.difference.other)} {c.unit}".strip(),
            f"{c.signed} +/- {c.half}",
            c.chance,
        )
        for c in found
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(5)]
    return [
        "  " + "  ".join(
            cell.ljust(width) if column in (0, 2) else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]  # fmt: skip
