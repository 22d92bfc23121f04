"""Figures and files of a session that is worked out, in a phone's browser."""

from __future__ import annotations

import json

from analysis.crosscheck.session import check_session
from analysis.phone.worked_out import WorkedOut
from analysis.plots.curves import COLOURS, report_plots
from analysis.report.html import render
from analysis.text.numbers import Units

__all__ = ["draw"]


def draw(worked: WorkedOut) -> str:
    """Return the figures and every file that `pullcoast report` writes.

    Parameters
    ----------
    worked : WorkedOut
        With an outcome.

    Returns
    -------
    str
        JSON: `figures`, each with title, words and an SVG document; `files`, text by name.
    """
    outcome = worked.outcome
    if outcome is None:
        msg = "there is no result to draw"
        raise ValueError(msg)
    check = None if outcome.session.crosscheck is None else check_session(outcome)
    plots = report_plots(outcome, Units.of(outcome.session.display), check)
    figures = [
        {"title": plot.title, "words": plot.words, "svg": _standing_alone(plot.svg)}
        for plot in plots
    ]
    files = render(outcome, crosscheck=check, plots=plots)
    return json.dumps({"figures": figures, "files": files})


def _standing_alone(svg: str) -> str:
    """Return an SVG with the colours that a page's style variables would give it."""
    for name, colour in COLOURS.items():
        svg = svg.replace(f"var(--c-{name})", colour)
    return svg
