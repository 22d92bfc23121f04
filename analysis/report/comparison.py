"""A comparison as compare.json, as a page, and as plain text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup

from analysis.plots.comparison import load_difference_plot, percent_plot, power_difference_plot
from analysis.plots.style import COLOURS
from analysis.report.json_text import json_text
from analysis.report.pages import page_environment
from analysis.report.records.comparison import ComparisonsRecord
from analysis.results.reference import REFERENCE_PRESSURE_KPA, REFERENCE_TEMPERATURE_C
from analysis.sessions.compare import Comparison
from analysis.sessions.side import Side
from analysis.terminal.lines import wrap
from analysis.text.comparison import Compared, causes_text, figures, title_of
from analysis.text.numbers import Units, by_severity, half95, number
from logger.findings import Finding, counted

__all__ = ["compare_text", "render_comparison"]

_COLUMNS = 80
#: Longest name of a session at the head of a column.
_NAME = 11


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
        "compare.json": json_text(ComparisonsRecord.of(comparisons)),
        "compare.html": _page(comparisons),
    }


# --- the page --------------------------------------------------------------------------------


def _page(comparisons: tuple[Comparison, ...]) -> str:
    """Return the page on comparisons."""
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
                "Trust",
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
    leading = [c for c in found if c.leads]
    cards = [leading[0], leading[-1]] if len(leading) > 1 else leading
    return {
        "name": one.other.name,
        "cards": cards,
        "sentences": [_typed(c.sentence) for c in leading],
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
    """Return one session: name, state, trust, mass, air, wind, runs, source."""
    state = side.vehicle.state if side.vehicle is not None else ""
    air = f"{side.air.density_kg_m3:.3f} ± {half95(side.air.density_sd_kg_m3)}"
    wind = f"{number(side.wind_mps, side.wind_sd_mps)} ± {half95(side.wind_sd_mps)}"
    return (
        side.name,
        state or "not stated",
        "not known" if side.trust is None else side.trust.level,
        f"{side.masses.mass_kg:.0f} ± {half95(side.masses.mass_sd_kg)}",
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
        lines += wrap(f"{one.other.name} against {one.first.name}", _COLUMNS)
        lines += ["", *_table(found, (one.first.name, one.other.name)), ""]
        for compared in found:
            if compared.leads:
                lines += _wrapped(compared.sentence)
        if one.peak_w is None:
            lines += _wrapped("Wheel power cannot be compared: a session has no usable pull.")
        if one.why_no_road_load is not None:
            lines += _wrapped(f"Road load cannot be compared: {one.why_no_road_load}.")
        lines.append("")
        for text in causes_text(one):
            lines += _wrapped(text)
        for finding in by_severity(one.findings):
            lines += wrap(f"{finding.severity}: {finding.text}", _COLUMNS, subsequent_indent="  ")
        lines.append("")
    if folder is None:
        lines.append("--out DIR writes compare.html and compare.json.")
    else:
        lines += [f"Written to {folder}:", f"  {' '.join(files)}"]
    return "\n".join(lines)


def _wrapped(text: str) -> list[str]:
    return wrap(text, _COLUMNS, subsequent_indent="  ")


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
