"""Draw an `Analysis` as SVG; only the files `plots*.py` import matplotlib, and they compute nothing.

`report_plots` is the list of a report's figures. What figures share is in `plots_style.py`, what is
drawn over time in `plots_runs.py`.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from analysis.display import Units, counted, force_at, number, road_load_at
from analysis.plots_runs import gates_plot, residuals_plot, speed_time_plot, speed_time_svg
from analysis.plots_style import (
    COLOURS,
    GEAR_LINES,
    SIZE,
    Z95,
    Plot,
    draw_band,
    draw_frame,
    draw_note,
    new_figure,
    page_plot,
)
from analysis.strips import thinned

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.display import RoadLoadAt
    from analysis.pipeline import Analysis
    from analysis.roadload import RoadLoad

__all__ = ["COLOURS", "Plot", "report_plots", "shared_road_load_plot", "speed_time_svg"]

_MOST_MARKS = 300
#: More names than this hide the curves.
_MOST_NAMES = 8


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
        speed_time_plot(analysis, units),
        residuals_plot(analysis, units),
        _slope(analysis),
        gates_plot(analysis, units),
    )
    return tuple(plot for plot in plots if plot is not None)


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
    figure, axes = new_figure(3.3)
    low, high = shared.speed_range_mps
    speed = np.linspace(low, high, 80)
    force, half = shared.force_n(speed), Z95 * shared.force_sd_n(speed)
    draw_band(axes, speed / units.speed_mps, force, half, COLOURS["coast"])
    lines = axes.plot(speed / units.speed_mps, force, color=COLOURS["ink"], linewidth=1.9)
    top = float((force + half).max())
    for index, (_, load) in enumerate(sessions):
        own = np.linspace(*load.speed_range_mps, 60)
        own_force = load.force_n(own)
        lines += axes.plot(
            own / units.speed_mps,
            own_force,
            color=COLOURS[f"gear{index % 6 + 1}"],
            linestyle=GEAR_LINES[(index + 1) % 6],
            linewidth=1.2,
        )
        top = max(top, float(own_force.max()))
    labels = ["shared", *(label[:28] for label, _ in sessions)][:_MOST_NAMES]
    legend = axes.legend(
        lines[: len(labels)], labels, loc="upper left", fontsize=SIZE, frameon=False,
        labelcolor=COLOURS["quiet"],
    )  # fmt: skip
    for text in legend.get_texts():
        text.set_parse_math(False)
    left = low - 0.05 * (high - low) if low > 0.6 * high else 0.0
    bottom = min(0.0, float((force - half).min()))
    draw_frame(
        axes, (left / units.speed_mps, (high + 0.03 * (high - left)) / units.speed_mps),
        (1.1 * bottom, 1.12 * top), f"speed [{units.speed}]", "road load [N]",
    )  # fmt: skip
    at = force_at(shared, shared.budget_speed_mps)
    aid = (
        "Thick: what the sessions share, in reference air; its band holds the true curve with 95 % "
        "probability. Thin: each session by itself, carried to the same air."
    )
    return page_plot(
        name, "Road load against speed", aid, _road_load_words(shared, at, units), figure
    )


def _wheel_power(analysis: Analysis, units: Units) -> Plot | None:
    power = analysis.power
    if power is None:
        return None
    gears = [gear for gear in power.gears if gear.speed_mps.size]
    figure, axes = new_figure(3.3)
    at, peak = power.peak_speed_mps / units.speed_mps, power.peak_w / units.power_w
    low, high = (value / units.power_w for value in power.peak_ci95_w)
    top, fastest = max(high, peak), at
    for index, gear in enumerate(gears):
        colour = COLOURS[f"gear{index % 6 + 1}"]
        speed, watts = gear.speed_mps / units.speed_mps, gear.power_w / units.power_w
        half = Z95 * gear.sd_w / units.power_w
        draw_band(axes, speed, watts, half, colour)
        axes.plot(speed, watts, color=colour, linestyle=GEAR_LINES[index % 6], linewidth=1.8)
        top, fastest = max(top, float((watts + half).max())), max(fastest, float(speed[-1]))
        if gear.gear is not None and len(gears) > 1:
            middle = (2 * speed.size) // 5
            word = f"gear {gear.gear}" if len(gears) < 6 else str(gear.gear)
            where = (float(speed[middle]), float(watts[middle] - half[middle]))
            draw_note(axes, word, where, (3, -3), colour, ha="left", va="top")
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
    draw_note(axes, f"peak {peak_text}", (at, high), (0, 4), COLOURS["ink"], ha=side, bold=True)
    draw_frame(
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
    return page_plot("wheel-power", "Wheel power against speed", aid, words, figure)


def _road_load(analysis: Analysis, units: Units) -> Plot | None:
    road_load, at = analysis.road_load, road_load_at(analysis)
    if road_load is None or at is None:
        return None
    figure, axes = new_figure(3.3)
    low, high = road_load.speed_range_mps
    speed = np.linspace(low, high, 80)
    force, half = road_load.force_n(speed), Z95 * road_load.force_sd_n(speed)
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
    draw_band(axes, shown, force, half, COLOURS["coast"])
    axes.plot(shown, force, color=COLOURS["coast"], linewidth=1.9)
    where = (at.speed_mps / units.speed_mps, at.force_n)
    axes.plot([where[0]], [where[1]], "o", color=COLOURS["ink"], markersize=4.5)
    word = f"{at.text} N at {units.speed_text(at.speed_mps)}"
    draw_note(axes, word, where, (-7, 6), COLOURS["ink"], ha="right", bold=True)
    marks = points[:, 2] if points.size else force
    top = max(float((force + half).max()), float(np.percentile(marks, 98)))
    bottom = min(float((force - half).min()), float(np.percentile(marks, 2)), 0.0)
    left = low - 0.05 * (high - low) if low > 0.6 * high else 0.0
    draw_frame(
        axes, (left / units.speed_mps, (high + 0.03 * (high - left)) / units.speed_mps),
        (1.1 * bottom, 1.12 * top), f"speed [{units.speed}]", "road load [N]",
    )  # fmt: skip
    aid = (
        "The force that air and tyres put against the vehicle on a level road in still air. The band "
        "holds the true curve with 95 % probability; the marks are short pieces of the coast-downs"
    )
    if len(set(ways.tolist())) > 1:
        axes.legend(
            loc="upper left", fontsize=SIZE, frameon=False, labelcolor=COLOURS["quiet"],
            handletextpad=0.1,
        )  # fmt: skip
        aid += ", by direction of travel"
    return page_plot(
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


def _slope(analysis: Analysis) -> Plot | None:
    place = analysis.site.slope_profile_place_m
    if place.size < 2:
        return None
    figure, axes = new_figure(2.4)
    slope, half = 100 * analysis.site.slope_profile, Z95 * 100 * analysis.site.slope_profile_sd
    axes.axhline(0, color=COLOURS["quiet"], linewidth=0.8)
    draw_band(axes, place, slope, half, COLOURS["slope"])
    axes.plot(place, slope, color=COLOURS["slope"], linewidth=1.7)
    low, high = min(0.0, float((slope - half).min())), max(0.0, float((slope + half).max()))
    draw_frame(
        axes, (float(place[0]), float(place[-1])), (1.08 * low, 1.08 * high),
        "place along the road [m]", "slope [%]",
    )  # fmt: skip
    words = (
        f"Along {place[-1] - place[0]:.0f} m of road the slope lies between "
        f"{number(slope.min(), float(half.max()))} % and {number(slope.max(), float(half.max()))} %."
    )
    aid = "Above 0 the road rises in the direction called up. The band holds the truth with 95 %."
    return page_plot("slope", "Slope of the road, as found from the runs", aid, words, figure)
