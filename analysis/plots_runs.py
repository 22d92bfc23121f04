"""Draw runs over time: speed, what the model leaves over, timed gates; one strip per run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from analysis.display import Units, counted
from analysis.gate_marks import gate_overlays
from analysis.plots_style import (
    COLOURS,
    SIZE,
    Plot,
    draw_frame,
    draw_note,
    new_figure,
    page_plot,
    svg_document,
)
from analysis.strips import (
    Strip,
    curve_strip,
    joined_by_kind,
    residual_strip,
    run_strips,
)

if TYPE_CHECKING:
    from analysis.fuse import SpeedCurve
    from analysis.phases import Run
    from analysis.pipeline import Analysis

__all__ = ["gates_plot", "residuals_plot", "speed_time_plot", "speed_time_svg"]

_PHASE_COLOURS = {
    "pull": COLOURS["pull"],
    "coast": COLOURS["coast"],
    "brake": COLOURS["ink"],
    "stand": COLOURS["other"],
    "other": COLOURS["other"],
}
_PHASE_LINES = {"pull": "-", "coast": "-", "brake": ":", "stand": "-", "other": "--"}
#: More strips than this make a figure nobody reads; the rest stands in speed_time.csv.
_MOST_STRIPS = 24


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
        shown, _top(strips, units), units, "time since its start [s]", "log", "Speed over time"
    )
    figure.set_facecolor("white")
    for base, label in zip(_bases(len(shown)), labels, strict=False):
        axes.text(
            0.99, base + 0.8, label[-48:], size=SIZE, color=COLOURS["ink"], ha="right", va="center",
            transform=axes.get_yaxis_transform(), parse_math=False,
        )  # fmt: skip
    return svg_document(figure)


def speed_time_plot(analysis: Analysis, units: Units) -> Plot | None:
    """Draw speed over time, one strip per run; None without runs."""
    strips = run_strips(analysis.curves, analysis.runs)
    if not strips:
        return None
    top = _top(strips, units)
    shown = strips[:_MOST_STRIPS]
    figure, _ = _speed_strips(shown, top, units, "time since the run's start [s]")
    kinds = [phase.kind for run in analysis.runs for phase in run.phases]
    words = (
        f"{counted(len(analysis.runs), 'run')} with {counted(kinds.count('pull'), 'pull')}, "
        f"{counted(kinds.count('coast'), 'coast-down')} and "
        f"{counted(kinds.count('brake'), 'stretch', 'stretches')} of braking."
    )
    aid = (
        "One strip per run. Orange and rising: pull. Blue and falling: coast-down. Dotted: braking. "
        "Dashed: anything else. Check that each stretch is what you did there."
    )
    if len(strips) > len(shown):
        aid += f" Shown are the first {len(shown)} of {len(strips)}; speed_time.csv has all."
    return page_plot("speed-time", "Speed over time of every run", aid, words, figure)


def residuals_plot(analysis: Analysis, units: Units) -> Plot | None:
    """Draw GPS speed less the fitted model, one strip per run; None without residuals."""
    residuals = [residual for residual in analysis.residuals if residual.time_s.size > 1]
    if not residuals:
        return None
    every = np.concatenate([residual.residual_mps for residual in residuals])
    half = max(float(np.percentile(np.abs(every), 99.0)), 0.05)
    half_text = f"{half / units.speed_mps:.2g} {units.speed}"
    strips = [residual_strip(residual, half) for residual in residuals[:_MOST_STRIPS]]
    figure, axes = new_figure(0.7 + 0.3 * max(len(strips), 2))
    bases = _bases(len(strips))
    for base in bases:
        axes.axhline(base + 0.5, color=COLOURS["grid"], linewidth=0.8)
    for kind, time, _, line in joined_by_kind(strips, bases):
        axes.plot(
            time, line, color=_PHASE_COLOURS[kind], linestyle=_PHASE_LINES[kind], linewidth=0.9
        )
    _strip_frame(axes, strips, f"time since the run's start [s]; each strip is ±{half_text}")
    words = (
        f"GPS speed minus the fitted model at {len(every)} fixes of {len(residuals)} runs; 99 % of "
        f"them are within {half_text}."
    )
    aid = (
        "GPS speed minus the fitted model, one strip per run. "
        "Noise without a trend is good; a bend that runs share is something the model does not know."
    )
    return page_plot("residuals", "What the model leaves over", aid, words, figure)


def gates_plot(analysis: Analysis, units: Units) -> Plot | None:
    """Draw timed gates on a run of each direction; None without a cross-check."""
    overlays = gate_overlays(analysis)
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
        "time since the throttle was let go [s]", f"speed [{units.speed}]",
    )  # fmt: skip
    aid = (
        "Lines: one run of each direction as the phone saw it. Dots: the timed gates, a pull anchored "
        "at its upper gate and coast-downs at their first. A dot beside the solid line is a time that "
        "differs from this run, in its own wind and slope."
    )
    words = f"{counted(len(first.marks), 'timed interval')} on {counted(len(overlays), 'run')}."
    return page_plot("gates", "Timed gates on speed over time", aid, words, figure)


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
    figure, axes = new_figure(0.7 + 0.42 * max(len(strips), 2), title)
    bases = _bases(len(strips))
    for base in bases:
        axes.axhline(base, color=COLOURS["grid"], linewidth=0.8)
    scale = 0.9 / (units.speed_mps * top)
    scaled = [Strip(s.label, s.time_s, s.values * scale, s.kinds) for s in strips]
    for kind, time, low, line in joined_by_kind(scaled, bases):
        colour = _PHASE_COLOURS[kind]
        if kind in ("pull", "coast"):
            axes.fill_between(
                time, low, line, where=np.isfinite(line), color=colour, alpha=0.25, linewidth=0
            )
        axes.plot(time, line, color=colour, linestyle=_PHASE_LINES[kind], linewidth=1.4)
        if kind in ("pull", "coast"):
            first = slice(0, int(np.argmax(np.isnan(time))))
            at = (float(time[first].mean()), float(low[0]))
            word = "pull" if kind == "pull" else "coast-down"
            draw_note(axes, word, at, (2 if kind == "pull" else 0, 1), COLOURS["ink"], ha="center")
    _strip_frame(axes, strips, f"{below}; each strip is 0 to {top:.0f} {units.speed} high", beside)
    return figure, axes


def _strip_frame(axes: Axes, strips: Sequence[Strip], below: str, beside: str = "run") -> None:
    longest = max((float(s.time_s[-1]) for s in strips if s.time_s.size), default=0.0) or 1.0
    draw_frame(axes, (0.0, longest), (-0.04, max(len(strips), 1.0)), below, beside, y_ticks=False)
    for base, strip in zip(_bases(len(strips)), strips, strict=True):
        axes.text(
            -0.012, base + 0.42, strip.label, size=SIZE, color=COLOURS["quiet"], ha="right",
            va="center", transform=axes.get_yaxis_transform(), parse_math=False,
        )  # fmt: skip
