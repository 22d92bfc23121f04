"""Analyses whose every text is what a hostile file might bring into a page."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from make_analysis import judged, make_analysis, with_comparisons, with_extras
from make_days import session

from analysis.batch.table import Row
from analysis.pipeline import Analysis
from analysis.results.corrections import AmbientCorrection
from analysis.runs.run import Phase
from analysis.sessions.combine import combine
from analysis.sessions.compare import Comparison, compare_all
from analysis.sessions.shared import Shared
from analysis.sessions.side import side_of
from logger.findings import Finding
from logger.recording import Step

__all__ = [
    "HOSTILE",
    "hostile_analysis",
    "hostile_comparisons",
    "hostile_rows",
    "hostile_shared",
]

#: Ways out of text, of an attribute in either quote, of a style, a comment, a title and an SVG; and
#: what a template language, a spreadsheet and a terminal might run.
_WAYS = (
    "<script>window.owned=1</script>",
    "\"><img src=x onerror='window.owned=1'>",
    "' onmouseover='window.owned=1",
    "</style><script>window.owned=1</script>",
    "--></title></desc></svg><svg onload=window.owned=1>",
    "]]><a href=javascript:window.owned=1>x</a>",
    "{{ 7*7 }}{% raw %}${7*7}$x_1^2$",
    "&lt;b&gt;&#60;script&#62;",
    "\u202egnp.exe\u0000\u0007",
)
HOSTILE = {"name": _WAYS[:8]}
_ALL = " ".join(_WAYS)


def hostile_analysis() -> Analysis:
    """Return an analysis with a hostile name, state, note, file name, finding, reason and history."""
    made = with_comparisons(make_analysis())
    vehicle = replace(made.session.vehicle, name=" ".join(HOSTILE["name"]), state=_ALL, tyre=_ALL)
    logs = tuple(
        replace(entry, files=(Path(f"{_ALL.replace('/', '_')}{log}.csv"),), note=_ALL)
        for log, entry in enumerate(made.session.logs)
    )
    spoilt = replace(made.runs[0], phases=tuple(_spoilt(p) for p in made.runs[0].phases))
    sensors = tuple(replace(s, accel_used=False, why_not=_ALL) for s in made.sensors)
    engine = made.extras.engine
    assert engine is not None
    made = with_extras(
        made,
        engine=replace(engine, why_not=_ALL),
        corrections=(
            AmbientCorrection(standard=_ALL, factor=None, valid=False, why_not=_ALL, peak_w=None),
        ),
    )
    return judged(
        made,
        session=replace(made.session, vehicle=vehicle, logs=logs, name=_ALL),
        runs=(spoilt, *made.runs[1:]),
        sensors=sensors,
        findings=tuple(
            Finding(kind="x", severity=severity, text=_ALL, log=log)
            for severity in ("error", "warning", "note")
            for log in (None, 0)
        ),
        history=(Step(step=_ALL, version=_ALL, settings={_ALL: _ALL}),),
    )


def _spoilt(phase: Phase) -> Phase:
    return replace(phase, used=False, why_not=_ALL)


def _pair() -> list[Analysis]:
    """Return two sessions with hostile names and states."""
    true = np.array([150.0, 1.2, 0.42])
    made = []
    for name in ("a", "b"):
        one = session(name, true)
        vehicle = replace(one.session.vehicle, name=" ".join(HOSTILE["name"]), state=_ALL)
        made.append(replace(one, session=replace(one.session, vehicle=vehicle)))
    return made


def hostile_shared() -> Shared:
    """Return two sessions put together, with hostile names and states."""
    return combine(_pair(), [_ALL, f"{_ALL} 2"])


def hostile_comparisons() -> tuple[Comparison, ...]:
    """Return two sessions set against each other, with hostile names and states."""
    first, second = _pair()
    return compare_all([side_of(_ALL, first), side_of(f"{_ALL} 2", second)])


def hostile_rows() -> list[Row]:
    """Return rows of a batch: one with hostile names, one that failed with a hostile message."""
    figures: dict[str, str | float] = {
        "vehicle": " ".join(HOSTILE["name"]),
        "state": _ALL,
        "peak_W": 77_900.0,
    }
    return [
        Row(name=_ALL, report="a/report.html", message="", figures=figures),
        Row(name=f"{_ALL} 2", report="", message=_ALL, figures={}),
    ]
