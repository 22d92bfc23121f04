"""An `Analysis` as the four files of `pullcoast report`; every number in them is a field of it.

`render` is the whole story. The page is `templates/report.html`; `html_tables.py` prepares its
tables, and this file its first screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from analysis.crosscheck.checked import CrossCheck
from analysis.pipeline import Analysis
from analysis.plots.curves import COLOURS, Plot, report_plots, run_plots
from analysis.report.csv_files import curves_csv, speed_time_csv
from analysis.report.html_tables import (
    asked_rows,
    coefficient_heads,
    coefficient_rows,
    facts,
    force_rows,
    history_rows,
    power_rows,
    pull_rows,
    run_rows,
    sensor_rows,
    site_rows,
    timed_rows,
    unused_rows,
)
from analysis.report.json_text import json_text
from analysis.report.pages import TEMPLATES, page_environment, page_script
from analysis.report.reference_tables import comparison_rows
from analysis.report.results_json import results_dict
from analysis.text.advice import gain_text
from analysis.text.directions import up_text
from analysis.text.numbers import (
    Units,
    by_severity,
    interval_text,
    log_name,
    number,
    serious_by_kind,
)
from analysis.text.occasion import made_text, outing_text
from logger.findings import counted

__all__ = ["TEMPLATES", "render", "report_html"]

#: So many kinds of warnings stand at the top of the page; all stand further down.
_MOST_WARNINGS = 6
#: The gauges of the first screen go this far beyond the upper end of the interval.
_ROOM = 1.03


def render(
    outcome: Analysis,
    *,
    crosscheck: CrossCheck | None = None,
    full: bool = False,
    dates: bool = True,
    plots: Sequence[Plot] | None = None,
) -> dict[str, str]:
    """Return every result file's name and text, all made before any is written.

    Parameters
    ----------
    outcome : Analysis
        Of one session; units for people as its session's display says.
    crosscheck : CrossCheck or None
        Its timed runs.
    full : bool
        With a figure of every run in the page.
    dates : bool
        With the date of the outing and the moment that the page is made.
    plots : sequence of Plot, optional
        As from `report_plots`, where they are drawn already.

    Returns
    -------
    dict
        ``report.html``, ``results.json``, ``curves.csv``, ``speed_time.csv``.

    Raises
    ------
    ResultError
        The analysis holds a number that must never be shown.
    """
    results = json_text(results_dict(outcome, crosscheck))
    return {
        "report.html": report_html(
            outcome, crosscheck=crosscheck, full=full, dates=dates, plots=plots
        ),
        "results.json": results,
        "curves.csv": curves_csv(outcome),
        "speed_time.csv": speed_time_csv(outcome.curves, outcome.runs),
    }


def report_html(
    outcome: Analysis,
    *,
    crosscheck: CrossCheck | None = None,
    full: bool = False,
    dates: bool = True,
    plots: Sequence[Plot] | None = None,
) -> str:
    """Return the page: one file, no network, no coordinates; text from files is escaped.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    crosscheck : CrossCheck or None
        Its timed runs.
    full : bool
        With a figure of every run.
    dates : bool
        With the date of the outing and the moment that the page is made.
    plots : sequence of Plot, optional
        As from `report_plots`, where they are drawn already.
    """
    units = Units.of(outcome.session.display)
    script, scripted = page_script("readout.js")
    road_load, power, check = outcome.road_load, outcome.power, crosscheck
    if plots is None:
        plots = report_plots(outcome, units, crosscheck)
    return (
        page_environment()
        .get_template("report.html")
        .render(
            title=outcome.session.vehicle.name or outcome.session.name,
            colours=COLOURS,
            scripted=scripted,
            script=script,
            units=units,
            facts=[outing_text(outcome, dates=dates), *facts(outcome)],
            made=made_text() if dates else "",
            peak=None if power is None else _peak(outcome, units),
            load=_load(outcome, units),
            trust=outcome.verdict.trust,
            checks=outcome.verdict.checks,
            advice=[(one.text, gain_text(one, units)) for one in outcome.verdict.advice],
            figures={plot.name: (plot, Markup(plot.svg)) for plot in plots},
            every_run=_embedded(run_plots(outcome, units)) if full else [],
            serious=serious_by_kind(outcome.findings)[:_MOST_WARNINGS],
            findings=by_severity(outcome.findings),
            counted=counted,
            log_name=lambda log: log_name(outcome.session, log),
            road_load=road_load,
            coefficients=[] if road_load is None else coefficient_rows(outcome, road_load, units),
            coefficient_heads=coefficient_heads(outcome, units),
            forces=[] if road_load is None else force_rows(road_load, units),
            also=asked_rows(outcome, units),
            crank_asked=outcome.extras.crank is not None,
            compare=comparison_rows(outcome, units),
            timed=[] if check is None else timed_rows(check, outcome),
            timed_words=() if check is None else (*check.steps, *check.explanation),
            site=site_rows(outcome, units),
            up=f"U{up_text(outcome)[1:]}",
            separable=outcome.site.separable,
            runs=run_rows(outcome, units),
            unused=unused_rows(outcome),
            powers=[] if power is None else power_rows(power, units),
            pulls=pull_rows(outcome, units),
            sensors=sensor_rows(outcome),
            history=history_rows(outcome),
        )
    )


def _embedded(plots: Sequence[Plot]) -> list[tuple[Plot, Markup]]:
    """Return figures with what stands in the page."""
    return [(plot, Markup(plot.svg)) for plot in plots]


def _peak(outcome: Analysis, units: Units) -> dict[str, Any]:
    """Return the peak wheel power for the first screen."""
    power = outcome.power
    assert power is not None
    low, high = power.peak_ci95_w
    interval = units.power_interval(low, high, power.peak_sd_w)
    text = number(power.peak_w / units.power_w, power.peak_sd_w / units.power_w)
    return {
        # where it is known roughly only, no single number stands for it
        "text": interval if power.rough else text,
        "interval": interval,
        "speed": units.speed_text(power.peak_speed_mps),
        "gauge": _gauge(power.peak_w, low, high),
    }


def _load(outcome: Analysis, units: Units) -> dict[str, Any] | None:
    """Return the road load for the first screen, None where there is none."""
    if outcome.road_load is None:
        return None
    at = outcome.road_load.headline
    return {
        "text": number(at.force_n, at.sd_n),
        "interval": interval_text(at.ci95_n, at.sd_n),
        "speed_mps": at.speed_mps,
        "hold": number(at.holding_w / units.power_w, at.holding_sd_w / units.power_w),
        "hold_interval": units.power_interval(*at.holding_ci95_w, at.holding_sd_w),
        "gauge": _gauge(at.force_n, *at.ci95_n),
    }


def _gauge(value: float, low: float, high: float) -> dict[str, float]:
    """Return where a bar from 0 ends, and its interval begins and ends, in percent of the width."""
    most = _ROOM * max(high, value, 1e-9)
    places = {"low": low, "value": value, "high": high}
    return {name: round(100 * min(max(at / most, 0.0), 1.0), 2) for name, at in places.items()}
