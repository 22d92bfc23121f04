"""Draw runs over time: speed, what the model leaves over, timed gates; one strip per run."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.crosscheck.checked import CrossCheck
from analysis.crosscheck.gate_marks import gate_overlays
from analysis.pipeline import Analysis
from analysis.plots.strips import (
    Strip,
    curve_strip,
    joined_by_kind,
    residual_strip,
    run_label,
    run_strips,
)
from analysis.plots.style import (
    COLOURS,
    SIZE,
    Axes,
    Figure,
    Plot,
    csv_text,
    draw_frame,
    draw_note,
    new_figure,
    page_plot,
    svg_document,
)
from analysis.results.site_and_sensors import RunResiduals
from analysis.runs.run import Run
from analysis.signals.smoothing import SpeedCurve
from analysis.text.numbers import Units, log_name
from logger.findings import counted

__all__ = ["gates_plot", "residuals_plot", "run_plots", "speed_time_plot", "speed_time_svg"]

_PHASE_COLOURS = {
    "pull": COLOURS["pull"],
    "coast": COLOURS["coast"],
    "brake": COLOURS["ink"],
    "stand": COLOURS["other"],
    "other": COLOURS["other"],
    "left out": COLOURS["other"],
}
_PHASE_LINES = {
    "pull": "-", "coast": "-", "brake": ":", "stand": "-", "other": "--", "left out": "-",
}  # fmt: skip
_PHASE_WORDS = {"pull": "pull", "coast": "coast-down", "left out": "left out"}
#: More strips than this make a figure nobody reads; the rest stands in speed_time.csv.
_MOST_STRIPS = 24
#: Room for their labels, as a share of the width.
_STRIPS_LEFT = 0.18
#: And more figures of single runs than this make a page too large to send.
_MOST_RUN_PLOTS = 30


def speed_time_svg(
    curves: Sequence[SpeedCurve], runs: Sequence[Run], labels: Sequence[str], units: Units
) -> str:
    """Draw the whole speed curves of logs as one SVG document that stands alone.

    Parameters
    ----------
    curves : sequence of SpeedCurve
        One per log.
    runs : sequence of Run
        Their runs, for the phases.
    labels : sequence of str
        One per curve, for example file names.
    units : Units
        For the axes.

    Returns
    -------
    str
        The document, on white.
    """
    strips = [curve_strip(curve, runs, str(i + 1)) for i, curve in enumerate(curves)]
    shown = strips[:_MOST_STRIPS]
    figure, axes = _speed_strips(
        shown, _top(strips, units), units, "time since the start [s]", "log", "Speed over time"
    )
    figure.set_facecolor("white")
    for base, label in zip(_bases(len(shown)), labels, strict=False):
        axes.text(
            0.99, base + 0.8, label[-48:], size=SIZE, color=COLOURS["ink"], ha="right", va="center",
            transform=axes.get_yaxis_transform(), parse_math=False,
        )  # fmt: skip
    return svg_document(figure)


def speed_time_plot(outcome: Analysis, units: Units) -> Plot | None:
    """Draw speed over time, one strip per run; None without runs."""
    strips = run_strips(outcome.curves, outcome.runs)
    if not strips:
        return None
    top = _top(strips, units)
    shown = strips[:_MOST_STRIPS]
    figure, _ = _speed_strips(shown, top, units, "time since the start [s]")
    kinds = [phase.kind for run in outcome.runs for phase in run.phases]
    left_out = sum(
        phase.kind in ("pull", "coast") and not phase.used
        for run in outcome.runs
        for phase in run.phases
    )
    words = (
        f"{counted(len(outcome.runs), 'run')} with {counted(kinds.count('pull'), 'pull')}, "
        f"{counted(kinds.count('coast'), 'coast-down')} and "
        f"{counted(kinds.count('brake'), 'stretch', 'stretches')} of braking; "
        f"{left_out or 'none'} of the pulls and coast-downs left out."
    )
    aid = (
        "One strip per run. Orange and rising: pull. Blue and falling: coast-down. Dotted: braking. "
        "Dashed: anything else. Grey and hatched: left out, and the table says why. Check that each "
        "stretch is what you did there."
    )
    if len(strips) > len(shown):
        aid += f" Shown are the first {len(shown)} of {len(strips)}; speed_time.csv has all."
    data = _strips_csv(shown, f"speed [{units.speed}]", units.speed_mps)
    return page_plot(
        "speed-time", "Speed over time of every run", aid, words, figure, data, reads=True
    )


def residuals_plot(outcome: Analysis, units: Units) -> Plot | None:
    """Draw GPS speed less the fitted model, one strip per run; None without residuals."""
    residuals = [residual for residual in outcome.residuals if residual.time_s.size > 1]
    if not residuals:
        return None
    every = np.concatenate([residual.residual_mps for residual in residuals])
    half = max(float(np.percentile(np.abs(every), 99.0)), 0.05)
    half_text = f"{half / units.speed_mps:.2g} {units.speed}"
    strips = [residual_strip(residual, half) for residual in residuals[:_MOST_STRIPS]]
    figure, axes = new_figure(0.7 + 0.3 * max(len(strips), 2), left=_STRIPS_LEFT)
    bases = _bases(len(strips))
    for base in bases:
        axes.axhline(base + 0.5, color=COLOURS["grid"], linewidth=0.8)
    for kind, time, _, line in joined_by_kind(strips, bases):
        axes.plot(
            time, line, color=_PHASE_COLOURS[kind], linestyle=_PHASE_LINES[kind], linewidth=0.9
        )
    _strip_frame(axes, strips, f"time since the start [s]; each strip: ±{half_text}")
    words = (
        f"GPS speed minus the fitted model at {len(every)} fixes of {len(residuals)} runs; 99 % of "
        f"them are within {half_text}."
    )
    aid = (
        "GPS speed minus the fitted model, one strip per run. "
        "Noise without a trend is good; a bend that runs share is something the model does not know."
    )
    shown_runs = residuals[:_MOST_STRIPS]
    data = csv_text(
        [
            "run",
            "time [s]",
            "phase",
            f"GPS speed [{units.speed}]",
            f"GPS less model [{units.speed}]",
        ],
        [run_label(r.run, r.direction) for r in shown_runs for _ in r.time_s],
        np.concatenate([r.time_s for r in shown_runs]),
        [phase for r in shown_runs for phase in r.phase],
        np.concatenate([r.speed_mps + r.residual_mps for r in shown_runs]) / units.speed_mps,
        np.concatenate([r.residual_mps for r in shown_runs]) / units.speed_mps,
    )
    return page_plot("residuals", "What the model leaves over", aid, words, figure, data)


def gates_plot(outcome: Analysis, units: Units, crosscheck: CrossCheck | None) -> Plot | None:
    """Draw timed gates on a run of each direction; None without a cross-check."""
    overlays = gate_overlays(outcome, crosscheck)
    if not overlays:
        return None
    figure, axes = new_figure(3.3)
    for overlay, line in zip(overlays, ("-", "--", ":"), strict=False):
        speed = overlay.speed_mps / units.speed_mps
        axes.plot(overlay.time_s, speed, color=COLOURS["quiet"], linestyle=line, linewidth=1.2)
    first = overlays[0]
    for mark in first.marks:
        colour, speed = COLOURS[mark.kind], mark.speed_mps / units.speed_mps
        axes.plot(mark.time_s, speed, "o:", color=colour, linewidth=1.0, markersize=5.0)
    times = np.concatenate([first.time_s, *(mark.time_s for mark in first.marks)])
    tops = np.concatenate([o.speed_mps for o in overlays] + [m.speed_mps for m in first.marks])
    draw_frame(
        axes, (float(times.min()), float(times.max())),
        (0.0, 1.08 * float(tops.max()) / units.speed_mps),
        "time since the throttle was released [s]", f"speed [{units.speed}]",
    )  # fmt: skip
    aid = (
        "Lines: one run of each direction as the phone saw it. Dots: the timed gates, a pull anchored "
        "at its upper gate and coast-downs at their first. A dot beside the solid line is a time that "
        "differs from this run, in its own wind and slope."
    )
    words = f"{counted(len(first.marks), 'timed interval')} on {counted(len(overlays), 'run')}."
    data = csv_text(
        ["interval", "time since release [s]", f"speed [{units.speed}]"],
        [f"{mark.kind} {i}" for i, mark in enumerate(first.marks, 1) for _ in mark.time_s],
        [float(moment) for mark in first.marks for moment in mark.time_s],
        [float(speed) / units.speed_mps for mark in first.marks for speed in mark.speed_mps],
    )
    return page_plot("gates", "Timed gates on speed over time", aid, words, figure, data)


def run_plots(outcome: Analysis, units: Units) -> tuple[Plot, ...]:
    """Draw every run by itself, with what was used of it and why the rest was not.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    units : Units
        For the axes.

    Returns
    -------
    tuple of Plot
        One per run that has a curve, at most 30, all to one scale.
    """
    curves = {curve.log: curve for curve in outcome.curves}
    residuals = {residual.run: residual for residual in outcome.residuals}
    top = _top(run_strips(outcome.curves, outcome.runs), units)
    runs = [run for run in outcome.runs if run.phases and run.log in curves]
    return tuple(
        _run_plot(outcome, run, curves[run.log], residuals.get(run.number), top, units)
        for run in runs[:_MOST_RUN_PLOTS]
    )


def _run_plot(
    outcome: Analysis,
    run: Run,
    curve: SpeedCurve,
    residual: RunResiduals | None,
    top: float,
    units: Units,
) -> Plot:
    """Draw one run: its phases, the fixes, the gear changes."""
    label = run_label(run.number, run.direction)
    (strip,) = run_strips([curve], [run]) or (curve_strip(curve, [run], label),)
    figure, axes = new_figure(2.0)
    # the strip's times count from the curve's first sample inside the run
    first = int(np.searchsorted(curve.time_s, run.phases[0].start_s))
    start_s = float(curve.time_s[min(first, curve.time_s.size - 1)])
    scaled = Strip(
        label=label, time_s=strip.time_s, values=strip.values / units.speed_mps, kinds=strip.kinds
    )
    for kind, time, low, line in joined_by_kind([scaled], [0.0]):
        _draw_phase(axes, kind, time, low, line)
    if residual is not None:
        moment = residual.time_s - start_s
        fix = (residual.speed_mps + residual.residual_mps) / units.speed_mps
        # short strokes are a quarter of the size of markers
        strokes = np.stack(
            [fix - 0.008 * top, fix + 0.008 * top, np.full(fix.size, np.nan)], axis=1
        )
        axes.plot(np.repeat(moment, 3), strokes.ravel(), color=COLOURS["ink"], linewidth=1.3)
    for phase in run.phases:
        for _, end_s in phase.gear_pieces_s[:-1]:
            axes.axvline(end_s - start_s, color=COLOURS["other"], linestyle=":", linewidth=0.9)
    longest = float(strip.time_s[-1]) if strip.time_s.size else 1.0
    draw_frame(
        axes, (0.0, longest or 1.0), (0.0, top), "time since the run's start [s]",
        f"speed [{units.speed}]",
    )  # fmt: skip
    aid = f"{log_name(outcome.session, run.log)}. {' '.join(_phase_sentences(run, units))}"
    words = f"Speed over {longest:.0f} s, up to {_fastest(strip, units)}."
    data = _strips_csv([strip], f"speed [{units.speed}]", units.speed_mps)
    return page_plot(f"run-{run.number + 1}", f"Run {label}", aid, words, figure, data, reads=True)


def _phase_sentences(run: Run, units: Units) -> list[str]:
    """Return a sentence for each pull and coast-down: from where to where, used or why not."""
    sentences = []
    for phase in run.phases:
        if phase.kind in ("pull", "coast"):
            ends = (phase.from_mps / units.speed_mps, phase.to_mps / units.speed_mps)
            what = f"{_PHASE_WORDS[phase.kind].capitalize()} from {ends[0]:.0f} to {ends[1]:.0f}"
            used = "used" if phase.used else f"left out: {phase.why_not or 'no reason given'}"
            sentences.append(
                f"{what} {units.speed} in {phase.end_s - phase.start_s:.0f} s, {used}."
            )
    return sentences or ["Neither pull nor coast-down."]


def _fastest(strip: Strip, units: Units) -> str:
    known = strip.values[np.isfinite(strip.values)]
    return units.speed_text(float(known.max())) if known.size else "an unknown speed"


def _strips_csv(strips: Sequence[Strip], name: str, scale: float) -> str:
    """Return the samples of strips as CSV."""
    return csv_text(
        ["run", "time [s]", "phase", name],
        [strip.label for strip in strips for _ in strip.kinds],
        np.concatenate([strip.time_s for strip in strips]),
        [kind for strip in strips for kind in strip.kinds],
        np.concatenate([strip.values for strip in strips]) / scale,
    )


def _bases(count: int) -> list[float]:
    """Return the height at which each strip starts, the first on top."""
    return [float(count - 1 - index) for index in range(count)]


def _top(strips: Sequence[Strip], units: Units) -> float:
    """Return a round speed in display units that no strip exceeds."""
    tops = [float(np.nanmax(s.values)) for s in strips if np.isfinite(s.values).any()]
    step = 5.0 if units.speed == "m/s" else 20.0
    return step * max(1.0, float(np.ceil(max(tops, default=0.0) / units.speed_mps / step)))


def _speed_strips(
    strips: Sequence[Strip],
    top: float,
    units: Units,
    below: str,
    beside: str = "run",
    title: str = "",
) -> tuple[Figure, Axes]:
    """Draw strips of speed above one another, with words beside pulls and coast-downs."""
    figure, axes = new_figure(0.7 + 0.36 * max(len(strips), 2), title, _STRIPS_LEFT)
    bases = _bases(len(strips))
    for base in bases:
        axes.axhline(base, color=COLOURS["grid"], linewidth=0.8)
    scale = 0.9 / (units.speed_mps * top)
    scaled = [
        Strip(label=s.label, time_s=s.time_s, values=s.values * scale, kinds=s.kinds)
        for s in strips
    ]
    longest = max((float(s.time_s[-1]) for s in strips if s.time_s.size), default=0.0)
    for kind, time, low, line in joined_by_kind(scaled, bases):
        _draw_phase(axes, kind, time, low, line)
        if kind in _PHASE_WORDS:
            first = time[: int(np.argmax(np.isnan(time)))]
            if kind == "left out":
                # beside a short run, inside a long one
                end_s = float(strips[len(strips) - 1 - round(float(low[0]))].time_s[-1])
                x, by = (end_s, 4) if end_s < 0.7 * longest else (float(first[0]), 1)
                draw_note(axes, "left out", (x, float(low[0])), (by, 1), COLOURS["ink"])
                continue
            at = (float(first.mean()), float(low[0]))
            shift = (2 if kind == "pull" else 0, 1)
            draw_note(axes, _PHASE_WORDS[kind], at, shift, COLOURS["ink"], ha="center")
    _strip_frame(axes, strips, f"{below}; each strip: 0 to {top:.0f} {units.speed}", beside)
    return figure, axes


def _draw_phase(
    axes: Axes,
    kind: str,
    time: NDArray[np.float64],
    low: NDArray[np.float64],
    line: NDArray[np.float64],
) -> None:
    """Draw one phase's line; what is a pull or coast-down, or would be, is filled down to `low`."""
    colour, known = _PHASE_COLOURS[kind], np.isfinite(line)
    if kind == "left out":
        axes.fill_between(
            time, low, line, where=known, linewidth=0, hatch="////", facecolor="none",
            edgecolor=COLOURS["grid"],
        )  # fmt: skip
    elif kind in _PHASE_WORDS:
        axes.fill_between(time, low, line, where=known, color=colour, alpha=0.25, linewidth=0)
    axes.plot(time, line, color=colour, linestyle=_PHASE_LINES[kind], linewidth=1.4)


def _strip_frame(axes: Axes, strips: Sequence[Strip], below: str, beside: str = "run") -> None:
    """Draw the axes of strips, with their labels."""
    longest = max((float(s.time_s[-1]) for s in strips if s.time_s.size), default=0.0) or 1.0
    draw_frame(axes, (0.0, longest), (-0.04, max(len(strips), 1.0)), below, beside, y_ticks=False)
    for base, strip in zip(_bases(len(strips)), strips, strict=True):
        axes.text(
            -0.012, base + 0.42, strip.label, size=SIZE, color=COLOURS["quiet"], ha="right",
            va="center", transform=axes.get_yaxis_transform(), parse_math=False,
        )  # fmt: skip
