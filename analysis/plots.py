"""Draw an `Analysis` as SVG: the only file that imports matplotlib; it draws, it computes nothing.

Colours are the Okabe-Ito palette (Okabe and Ito 2008, "Color universal design"), told apart also by
line style, marker or a label beside the line. In a page they become style variables (`--c-pull`, ...)
so that the page can choose them for light, dark and paper.

Axes are drawn by hand (`_frame`): matplotlib's own ticks take two thirds of the time of a figure.
The file is long because it alone may import matplotlib.
"""

from __future__ import annotations

import io
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from analysis.display import Units, counted, force_at, number, road_load_at
from analysis.gate_marks import gate_overlays
from analysis.strips import (
    Strip,
    curve_strip,
    joined_by_kind,
    residual_strip,
    run_strips,
    thinned,
)
from analysis.svg import inline_svg, shortened

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.display import RoadLoadAt
    from analysis.fuse import SpeedCurve
    from analysis.phases import Run
    from analysis.pipeline import Analysis
    from analysis.roadload import RoadLoad

__all__ = ["COLOURS", "Plot", "report_plots", "shared_road_load_plot", "speed_time_svg"]

#: Names of the page's style variables and their colours on white; no two alike.
COLOURS = {
    "ink": "#1b2024",
    "quiet": "#59636b",
    "grid": "#dde1de",
    "other": "#8a9399",
    "pull": "#d55e00",
    "coast": "#0072b2",
    "slope": "#009e73",
    "gear1": "#d55e01",
    "gear2": "#0072b3",
    "gear3": "#009e74",
    "gear4": "#cc79a7",
    "gear5": "#b87f00",
    "gear6": "#56b4e9",
}
_PHASE_COLOURS = {
    "pull": COLOURS["pull"],
    "coast": COLOURS["coast"],
    "brake": COLOURS["ink"],
    "stand": COLOURS["other"],
    "other": COLOURS["other"],
}
_PHASE_LINES = {"pull": "-", "coast": "-", "brake": ":", "stand": "-", "other": "--"}
_GEAR_LINES: tuple[Any, ...] = ("-", "--", "-.", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)), ":")
_SIZE = 9.0
_WIDTH_IN = 4.6
#: More strips than this make a figure nobody reads; the rest stands in speed_time.csv.
_MOST_STRIPS = 24
_MOST_MARKS = 300
#: More names than this hide the curves.
_MOST_NAMES = 8
_Z95 = 1.96


@dataclass(frozen=True, slots=True)
class Plot:
    """One figure of the report: `title`, a sentence on how to read it, its content in words, SVG."""

    name: str
    title: str
    aid: str
    words: str
    svg: str


def report_plots(analysis: Analysis, units: Units) -> tuple[Plot, ...]:
    """Draw every figure that the analysis has data for, in the order of the report.

    Parameters
    ----------
    analysis : Analysis
        Of one session.
    units : Units
        For the axes.

    Returns
    -------
    tuple of Plot
        With SVG to stand in a page: style variables for colours, ids that do not clash.
    """
    plots = (
        _wheel_power(analysis, units),
        _road_load(analysis, units),
        _speed_time(analysis, units),
        _residuals(analysis, units),
        _slope(analysis),
        _gates(analysis, units),
    )
    return tuple(plot for plot in plots if plot is not None)


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
            0.99, base + 0.8, label[-48:], size=_SIZE, color=COLOURS["ink"], ha="right", va="center",
            transform=axes.get_yaxis_transform(), parse_math=False,
        )  # fmt: skip
    return _document(figure)


def shared_road_load_plot(
    shared: RoadLoad, sessions: Sequence[tuple[str, RoadLoad]], units: Units, name: str
) -> Plot:
    """Draw the road load that sessions share, with each session's own.

    Parameters
    ----------
    shared : RoadLoad
        With its band.
    sessions : sequence of (str, RoadLoad)
        Names and curves, in the same air.
    units : Units
        For the axes.
    name : str
        Unique in the page, fit for an id.

    Returns
    -------
    Plot
        With SVG to stand in a page.
    """
    figure, axes = _figure(3.3)
    low, high = shared.speed_range_mps
    speed = np.linspace(low, high, 80)
    force, half = shared.force_n(speed), _Z95 * shared.force_sd_n(speed)
    _band(axes, speed / units.speed_mps, force, half, COLOURS["coast"])
    lines = axes.plot(speed / units.speed_mps, force, color=COLOURS["ink"], linewidth=1.9)
    top = float((force + half).max())
    for index, (_, load) in enumerate(sessions):
        own = np.linspace(*load.speed_range_mps, 60)
        own_force = load.force_n(own)
        lines += axes.plot(
            own / units.speed_mps,
            own_force,
            color=COLOURS[f"gear{index % 6 + 1}"],
            linestyle=_GEAR_LINES[(index + 1) % 6],
            linewidth=1.2,
        )
        top = max(top, float(own_force.max()))
    labels = ["shared", *(label[:28] for label, _ in sessions)][:_MOST_NAMES]
    legend = axes.legend(
        lines[: len(labels)], labels, loc="upper left", fontsize=_SIZE, frameon=False,
        labelcolor=COLOURS["quiet"],
    )  # fmt: skip
    for text in legend.get_texts():
        text.set_parse_math(False)
    left = low - 0.05 * (high - low) if low > 0.6 * high else 0.0
    bottom = min(0.0, float((force - half).min()))
    _frame(
        axes, (left / units.speed_mps, (high + 0.03 * (high - left)) / units.speed_mps),
        (1.1 * bottom, 1.12 * top), f"speed [{units.speed}]", "road load [N]",
    )  # fmt: skip
    at = force_at(shared, shared.budget_speed_mps)
    aid = (
        "Thick: what the sessions share, in reference air; its band holds the true curve with 95 % "
        "probability. Thin: each session by itself, carried to the same air."
    )
    return _plot(name, "Road load against speed", aid, _road_load_words(shared, at, units), figure)


# --- figures ---------------------------------------------------------------------------------


def _wheel_power(analysis: Analysis, units: Units) -> Plot | None:
    power = analysis.power
    if power is None:
        return None
    gears = [gear for gear in power.gears if gear.speed_mps.size]
    figure, axes = _figure(3.3)
    at, peak = power.peak_speed_mps / units.speed_mps, power.peak_w / units.power_w
    low, high = (value / units.power_w for value in power.peak_ci95_w)
    top, fastest = max(high, peak), at
    for index, gear in enumerate(gears):
        colour = COLOURS[f"gear{index % 6 + 1}"]
        speed, watts = gear.speed_mps / units.speed_mps, gear.power_w / units.power_w
        half = _Z95 * gear.sd_w / units.power_w
        _band(axes, speed, watts, half, colour)
        axes.plot(speed, watts, color=colour, linestyle=_GEAR_LINES[index % 6], linewidth=1.8)
        top, fastest = max(top, float((watts + half).max())), max(fastest, float(speed[-1]))
        if gear.gear is not None and len(gears) > 1:
            middle = (2 * speed.size) // 5
            word = f"gear {gear.gear}" if len(gears) < 6 else str(gear.gear)
            where = (float(speed[middle]), float(watts[middle] - half[middle]))
            _note(axes, word, where, (3, -3), colour, ha="left", va="top")
    changes = [
        (before.speed_mps[-1] + after.speed_mps[0]) / 2 / units.speed_mps
        for before, after in itertools.pairwise(gears)
    ]
    for change in changes:
        axes.axvline(change, color=COLOURS["other"], linestyle=":", linewidth=1.0)
    axes.plot([at, at], [low, high], color=COLOURS["ink"], linewidth=1.4)
    axes.plot([at], [peak], "o", color=COLOURS["ink"], markersize=4.5)
    peak_text = units.power_text(power.peak_w, power.peak_sd_w)
    side = "right" if at > 0.6 * fastest else "left"
    _note(axes, f"peak {peak_text}", (at, high), (0, 4), COLOURS["ink"], ha=side, bold=True)
    _frame(
        axes, (0.0, 1.03 * fastest), (0.0, 1.14 * top),
        f"speed [{units.speed}]", f"wheel power [{units.power}]",
    )  # fmt: skip
    aid = (
        "Each line is one gear at full throttle; its band holds the true power with 95 % "
        "probability. The dot with a bar is the peak with its interval: the maximum, less what noise adds to a "
        "maximum."
    )
    words = (
        f"Wheel power peaks at {peak_text} at {units.speed_text(power.peak_speed_mps)}, 95 % interval "
        f"{units.power_interval(*power.peak_ci95_w, power.peak_sd_w)} {units.power}. It is known from "
        f"{units.speed_text(min((float(g.speed_mps[0]) for g in gears), default=0.0))} to "
        f"{units.speed_text(max((float(g.speed_mps[-1]) for g in gears), default=0.0))}, "
        f"in {counted(len(gears), 'piece')} of uninterrupted drive."
    )
    aid += " Dotted lines: gear changes." if changes else ""
    return _plot("wheel-power", "Wheel power against speed", aid, words, figure)


def _road_load(analysis: Analysis, units: Units) -> Plot | None:
    road_load, at = analysis.road_load, road_load_at(analysis)
    if road_load is None or at is None:
        return None
    figure, axes = _figure(3.3)
    low, high = road_load.speed_range_mps
    speed = np.linspace(low, high, 80)
    force, half = road_load.force_n(speed), _Z95 * road_load.force_sd_n(speed)
    points, ways = _coast_marks(analysis)
    for way, marker, word in ((1, "^", "up"), (-1, "v", "down"), (0, "o", "direction unknown")):
        chosen = points[ways == way]
        if chosen.size:
            axes.plot(
                chosen[:, 1] / units.speed_mps,
                chosen[:, 2],
                marker,
                color=COLOURS["other"],
                markersize=3.4,
                markerfacecolor="none" if way == -1 else COLOURS["other"],
                markeredgewidth=0.7,
                label=word,
            )
    shown = speed / units.speed_mps
    _band(axes, shown, force, half, COLOURS["coast"])
    axes.plot(shown, force, color=COLOURS["coast"], linewidth=1.9)
    where = (at.speed_mps / units.speed_mps, at.force_n)
    axes.plot([where[0]], [where[1]], "o", color=COLOURS["ink"], markersize=4.5)
    word = f"{at.text} N at {units.speed_text(at.speed_mps)}"
    _note(axes, word, where, (-7, 6), COLOURS["ink"], ha="right", bold=True)
    marks = points[:, 2] if points.size else force
    top = max(float((force + half).max()), float(np.percentile(marks, 98)))
    bottom = min(float((force - half).min()), float(np.percentile(marks, 2)), 0.0)
    left = low - 0.05 * (high - low) if low > 0.6 * high else 0.0
    _frame(
        axes, (left / units.speed_mps, (high + 0.03 * (high - left)) / units.speed_mps),
        (1.1 * bottom, 1.12 * top), f"speed [{units.speed}]", "road load [N]",
    )  # fmt: skip
    aid = (
        "The force that air and tyres put against the vehicle on a level road in still air. The band "
        "holds the true curve with 95 % probability; the marks are short pieces of the coast-downs"
    )
    if len(set(ways.tolist())) > 1:
        axes.legend(
            loc="upper left", fontsize=_SIZE, frameon=False, labelcolor=COLOURS["quiet"],
            handletextpad=0.1,
        )  # fmt: skip
        aid += ", by direction of travel"
    return _plot(
        "road-load",
        "Road load against speed",
        aid + ".",
        _road_load_words(road_load, at, units),
        figure,
    )


def _coast_marks(analysis: Analysis) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return some of the coast-downs' force points, and the direction of each (0: unknown)."""
    points = analysis.coast_forces.reshape(-1, 3)
    points = points[thinned(len(points), _MOST_MARKS)]
    direction = {run.number: run.direction for run in analysis.runs}
    return points, np.array([direction.get(int(run)) or 0 for run in points[:, 0]], dtype=np.int64)


def _road_load_words(road_load: RoadLoad, at: RoadLoadAt, units: Units) -> str:
    low, high = (force_at(road_load, speed) for speed in road_load.speed_range_mps)
    return (
        f"The road load goes from {low.text} N at {units.speed_text(low.speed_mps)} to {high.text} N "
        f"at {units.speed_text(high.speed_mps)}; at {units.speed_text(at.speed_mps)} it is {at.text} N, "
        f"95 % interval {at.interval} N."
    )


def _speed_time(analysis: Analysis, units: Units) -> Plot | None:
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
    return _plot("speed-time", "Speed over time of every run", aid, words, figure)


def _residuals(analysis: Analysis, units: Units) -> Plot | None:
    residuals = [residual for residual in analysis.residuals if residual.time_s.size > 1]
    if not residuals:
        return None
    every = np.concatenate([residual.residual_mps for residual in residuals])
    half = max(float(np.percentile(np.abs(every), 99.0)), 0.05)
    half_text = f"{half / units.speed_mps:.2g} {units.speed}"
    strips = [residual_strip(residual, half) for residual in residuals[:_MOST_STRIPS]]
    figure, axes = _figure(0.7 + 0.3 * max(len(strips), 2))
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
    return _plot("residuals", "What the model leaves over", aid, words, figure)


def _slope(analysis: Analysis) -> Plot | None:
    place = analysis.site.slope_profile_place_m
    if place.size < 2:
        return None
    figure, axes = _figure(2.4)
    slope, half = 100 * analysis.site.slope_profile, _Z95 * 100 * analysis.site.slope_profile_sd
    axes.axhline(0, color=COLOURS["quiet"], linewidth=0.8)
    _band(axes, place, slope, half, COLOURS["slope"])
    axes.plot(place, slope, color=COLOURS["slope"], linewidth=1.7)
    low, high = min(0.0, float((slope - half).min())), max(0.0, float((slope + half).max()))
    _frame(
        axes, (float(place[0]), float(place[-1])), (1.08 * low, 1.08 * high),
        "place along the road [m]", "slope [%]",
    )  # fmt: skip
    words = (
        f"Along {place[-1] - place[0]:.0f} m of road the slope lies between "
        f"{number(slope.min(), float(half.max()))} % and {number(slope.max(), float(half.max()))} %."
    )
    aid = "Above 0 the road rises in the direction called up. The band holds the truth with 95 %."
    return _plot("slope", "Slope of the road, as found from the runs", aid, words, figure)


# --- strips ----------------------------------------------------------------------------------


def _gates(analysis: Analysis, units: Units) -> Plot | None:
    overlays = gate_overlays(analysis)
    if not overlays:
        return None
    figure, axes = _figure(3.3)
    for overlay, line in zip(overlays, ("-", "--", ":"), strict=False):
        speed = overlay.speed_mps / units.speed_mps
        axes.plot(overlay.time_s, speed, color=COLOURS["quiet"], linestyle=line, linewidth=1.2)
    first = overlays[0]
    for mark in first.marks:
        colour, speed = COLOURS[mark.kind], mark.speed_mps / units.speed_mps
        axes.plot(mark.time_s, speed, "o:", color=colour, linewidth=1.0, markersize=5.0)
    times = np.concatenate([first.time_s, *(mark.time_s for mark in first.marks)])
    tops = np.concatenate([o.speed_mps for o in overlays] + [m.speed_mps for m in first.marks])
    _frame(
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
    return _plot("gates", "Timed gates on speed over time", aid, words, figure)


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
    figure, axes = _figure(0.7 + 0.42 * max(len(strips), 2), title)
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
            _note(axes, word, at, (2 if kind == "pull" else 0, 1), COLOURS["ink"], ha="center")
    _strip_frame(axes, strips, f"{below}; each strip is 0 to {top:.0f} {units.speed} high", beside)
    return figure, axes


def _strip_frame(axes: Axes, strips: Sequence[Strip], below: str, beside: str = "run") -> None:
    longest = max((float(s.time_s[-1]) for s in strips if s.time_s.size), default=0.0) or 1.0
    _frame(axes, (0.0, longest), (-0.04, max(len(strips), 1.0)), below, beside, y_ticks=False)
    for base, strip in zip(_bases(len(strips)), strips, strict=True):
        axes.text(
            -0.012, base + 0.42, strip.label, size=_SIZE, color=COLOURS["quiet"], ha="right",
            va="center", transform=axes.get_yaxis_transform(), parse_math=False,
        )  # fmt: skip


# --- drawing ---------------------------------------------------------------------------------


def _figure(height_in: float, title: str = "") -> tuple[Figure, Axes]:
    """Start a figure; in a page its title stands in the text above it."""
    height_in += 0.25 if title else 0.0
    figure = Figure(figsize=(_WIDTH_IN, height_in), facecolor="none")
    if title:
        figure.text(0.135, 1 - 0.08 / height_in, title, size=11, weight="bold", va="top")
    bottom, top = 0.46 / height_in, 1 - (0.35 if title else 0.1) / height_in
    axes = figure.add_axes((0.135, bottom, 0.85, top - bottom))
    axes.set_axis_off()
    return figure, axes


def _frame(
    axes: Axes,
    x_range: tuple[float, float],
    y_range: tuple[float, float],
    below: str,
    beside: str,
    *,
    y_ticks: bool = True,
) -> None:
    """Set the ranges; draw grid, figures and names of the axes."""
    axes.set_xlim(*x_range)
    axes.set_ylim(*y_range)
    quiet: dict[str, Any] = {"size": _SIZE, "color": COLOURS["quiet"]}
    line: dict[str, Any] = {"color": COLOURS["grid"], "linewidth": 0.7, "zorder": 0.5}
    across, along = axes.get_yaxis_transform(), axes.get_xaxis_transform()
    step = [1, 2, 2.5, 5, 10]
    ticks, texts = _ticks(MaxNLocator(7, steps=step), *x_range)
    axes.vlines(ticks, 0, 1, transform=along, **line)
    for tick, text in zip(ticks, texts, strict=True):
        axes.annotate(
            text, (tick, 0), (0, -4), xycoords=along, textcoords="offset points", ha="center",
            va="top", **quiet,
        )  # fmt: skip
    if y_ticks:
        ticks, texts = _ticks(MaxNLocator(6, steps=step), *y_range)
        axes.hlines(ticks, 0, 1, transform=across, **line)
        for tick, text in zip(ticks, texts, strict=True):
            axes.annotate(
                text, (0, tick), (-4, 0), xycoords=across, textcoords="offset points", ha="right",
                va="center", **quiet,
            )  # fmt: skip
    axes.plot([0, 1], [0, 0], color=COLOURS["quiet"], linewidth=0.8, transform=axes.transAxes)
    axes.annotate(
        below, (0.5, 0), (0, -17), xycoords="axes fraction", textcoords="offset points", ha="center",
        va="top", **quiet,
    )  # fmt: skip
    figure = axes.get_figure()
    assert figure is not None
    figure.text(0.004, 0.55, beside, rotation=90, ha="left", va="center", **quiet)


def _ticks(locator: MaxNLocator, low: float, high: float) -> tuple[list[float], list[str]]:
    room = 1e-9 * (high - low)
    ticks = [float(t) for t in locator.tick_values(low, high) if low - room <= t <= high + room]
    step = min((b - a for a, b in itertools.pairwise(ticks)), default=1.0)
    digits = next((d for d in range(5) if abs(round(step, d) - step) < 1e-6 * step), 5)
    return ticks, [f"{tick:.{digits}f}".replace("-", "\u2212") for tick in ticks]


def _band(
    axes: Axes,
    x: NDArray[np.float64],
    middle: NDArray[np.float64],
    half: NDArray[np.float64],
    colour: str,
) -> None:
    axes.fill_between(x, middle - half, middle + half, color=colour, alpha=0.25, linewidth=0)


def _note(
    axes: Axes,
    text: str,
    at: tuple[float, float],
    offset: tuple[float, float],
    colour: str,
    *,
    ha: Any = "left",
    va: Any = "bottom",
    bold: bool = False,
) -> None:
    axes.annotate(
        text, at, offset, textcoords="offset points", ha=ha, va=va, color=colour, size=_SIZE,
        weight="bold" if bold else "normal",
    )  # fmt: skip


def _document(figure: Figure) -> str:
    buffer = io.StringIO()
    nothing: dict[str, Any] = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "pullcoast"}):
        canvas: Any = FigureCanvasSVG(figure)
        canvas.print_svg(buffer, metadata=nothing)
    return shortened(buffer.getvalue())


def _plot(name: str, title: str, aid: str, words: str, figure: Figure) -> Plot:
    svg = inline_svg(_document(figure), name, title, words, COLOURS)
    return Plot(name, title, aid, words, svg)
