"""Draw an `Analysis` as SVG; only this room imports matplotlib, and it computes nothing.

`report_plots` is the list of a report's figures. What figures share is in `style.py`, what is
drawn over time in `runs.py`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.crosscheck.checked import CrossCheck
from analysis.model.covariance import Z95
from analysis.pipeline import Analysis
from analysis.plots.limits import budget_plot
from analysis.plots.runs import (
    gates_plot,
    residuals_plot,
    run_plots,
    speed_time_plot,
    speed_time_svg,
)
from analysis.plots.strips import run_label, thinned
from analysis.plots.style import (
    COLOURS,
    GEAR_LINES,
    SIZE,
    Axes,
    Plot,
    csv_text,
    draw_band,
    draw_frame,
    draw_note,
    new_figure,
    page_plot,
)
from analysis.results.power import PowerCurve
from analysis.results.road_load import RoadLoad
from analysis.text.numbers import Units, interval_text, number
from logger.findings import counted

__all__ = [
    "COLOURS",
    "Plot",
    "report_plots",
    "run_plots",
    "shared_road_load_plot",
    "speed_time_svg",
]

_MOST_MARKS = 300
#: More names than this hide the curves.
_MOST_NAMES = 8


def report_plots(
    outcome: Analysis, units: Units, crosscheck: CrossCheck | None = None
) -> tuple[Plot, ...]:
    """Draw every figure that the analysis has data for, in the order of the report.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    units : Units
        For the axes.

    Returns
    -------
    tuple of Plot
        With SVG to stand in a page: style variables for colours, ids that do not clash.
    """
    plots = (
        _wheel_power(outcome, units),
        _road_load(outcome, units),
        speed_time_plot(outcome, units),
        residuals_plot(outcome, units),
        _slope(outcome),
        *(budget_plot(limit, units) for limit in outcome.verdict.limits),
        gates_plot(outcome, units, crosscheck),
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
    bottom = min(0.0, float((force - half).min()))
    _force_frame(axes, (low, high), (bottom, top), units)
    aid = (
        "Thick: what the sessions share, in reference air; its band holds the true curve with 95 % "
        "probability. Thin: each session by itself, carried to the same air."
    )
    return page_plot(name, "Road load over speed", aid, _road_load_words(shared, units), figure)


def _force_frame(
    axes: Axes, range_mps: tuple[float, float], forces_n: tuple[float, float], units: Units
) -> None:
    """Draw the axes of forces over speed, from rest where the speeds reach down far enough."""
    (low, high), (bottom, top) = range_mps, forces_n
    left = low - 0.05 * (high - low) if low > 0.6 * high else 0.0
    draw_frame(
        axes, (left / units.speed_mps, (high + 0.03 * (high - left)) / units.speed_mps),
        (1.1 * bottom, 1.12 * top), f"speed [{units.speed}]", "road load [N]",
    )  # fmt: skip


def _wheel_power(outcome: Analysis, units: Units) -> Plot | None:
    """Draw wheel power over speed, gear by gear."""
    power = outcome.power
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
    peak_text = _peak_text(power, units)
    side = "right" if at > 0.6 * fastest else "left"
    draw_note(axes, f"peak {peak_text}", (at, high), (0, 4), COLOURS["ink"], ha=side, bold=True)
    draw_frame(
        axes, (0.0, 1.03 * fastest), (0.0, 1.14 * top),
        f"speed [{units.speed}]", f"wheel power [{units.power}]",
    )  # fmt: skip
    aid = (
        "Each line is one gear at full throttle; its band holds the true power with 95 % "
        "probability. The dot with a bar is the peak with its interval, read where the curve is surely "
        "high, not where noise may have lifted it."
    )
    aid += " Dotted lines: gear changes." if changes else ""
    for limit_mps, text in _limits_of_power(power):
        axes.axvline(limit_mps / units.speed_mps, color=COLOURS["quiet"], linewidth=0.8)
        aid += f" Thin line at {units.speed_text(limit_mps)}: {text}."
    scale = units.power_w
    data = csv_text(
        ["gear", f"speed [{units.speed}]", *_interval_heads("wheel power", units.power)],
        [gear.gear for gear in gears for _ in gear.speed_mps],
        _joined(gear.speed_mps / units.speed_mps for gear in gears),
        _joined(gear.power_w / scale for gear in gears),
        _joined((gear.power_w - Z95 * gear.sd_w) / scale for gear in gears),
        _joined((gear.power_w + Z95 * gear.sd_w) / scale for gear in gears),
    )
    return page_plot(
        "wheel-power", "Wheel power over speed", aid, _power_words(power, units), figure, data,
        reads=True,
    )  # fmt: skip


def _peak_text(power: PowerCurve, units: Units) -> str:
    """Return the peak, or its range where a single number would say too much."""
    if power.rough:
        return f"{units.power_interval(*power.peak_ci95_w, power.peak_sd_w)} {units.power}"
    return units.power_text(power.peak_w, power.peak_sd_w)


def _power_words(power: PowerCurve, units: Units) -> str:
    """Return the peak, and the speeds that the curve is known at."""
    gears = [gear for gear in power.gears if gear.speed_mps.size]
    peak_text = _peak_text(power, units)
    return (
        f"Wheel power peaks at {peak_text} at {units.speed_text(power.peak_speed_mps)}, 95 % interval "
        f"{units.power_interval(*power.peak_ci95_w, power.peak_sd_w)} {units.power}. It is known from "
        f"{units.speed_text(min((float(g.speed_mps[0]) for g in gears), default=0.0))} to "
        f"{units.speed_text(max((float(g.speed_mps[-1]) for g in gears), default=0.0))}, "
        f"in {counted(len(gears), 'piece')} of uninterrupted drive."
    )


def _limits_of_power(power: PowerCurve) -> list[tuple[float, str]]:
    """Return the speeds [m/s] beyond which the curve means less, with what it means there."""
    limits_of = [
        (power.lower_bound_below_mps, "below it tyres may slip, and the power is a lower bound"),
        (power.continued_above_mps, "above it nothing was coasted through, and it may bend away"),
    ]
    return [(speed, text) for speed, text in limits_of if speed is not None]


def _joined(arrays: Iterable[NDArray[np.float64]]) -> NDArray[np.float64]:
    return np.concatenate([np.zeros(0), *arrays])


def _interval_heads(name: str, unit: str) -> list[str]:
    return [f"{name} [{unit}]", f"95 % low [{unit}]", f"95 % high [{unit}]"]


def _road_load(outcome: Analysis, units: Units) -> Plot | None:
    """Draw the road load over speed, with short pieces of the coast-downs."""
    road_load = outcome.road_load
    if road_load is None:
        return None
    at = road_load.headline
    figure, axes = new_figure(3.3)
    low, high = road_load.speed_range_mps
    speed = np.linspace(low, high, 80)
    force, half = road_load.force_n(speed), Z95 * road_load.force_sd_n(speed)
    points, ways = _coast_marks(outcome)
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
    word = f"{number(at.force_n, at.sd_n)} N at {units.speed_text(at.speed_mps)}"
    draw_note(axes, word, where, (-7, 6), COLOURS["ink"], ha="right", bold=True)
    marks = points[:, 2] if points.size else force
    top = max(float((force + half).max()), float(np.percentile(marks, 98)))
    bottom = min(float((force - half).min()), float(np.percentile(marks, 2)), 0.0)
    _force_frame(axes, (low, high), (bottom, top), units)
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
        "Road load over speed",
        aid + ".",
        _road_load_words(road_load, units),
        figure,
        _road_load_csv(outcome, speed, units),
        reads=True,
    )


def _road_load_csv(outcome: Analysis, speed_mps: NDArray[np.float64], units: Units) -> str:
    """Return the curve with its interval, and below it the marks with their runs."""
    road_load, points = outcome.road_load, _coast_marks(outcome)[0]
    assert road_load is not None
    labels = {run.number: run_label(run.number, run.direction) for run in outcome.runs}
    force, half = road_load.force_n(speed_mps), Z95 * road_load.force_sd_n(speed_mps)
    blank = [None] * len(points)
    return csv_text(
        ["what", f"speed [{units.speed}]", *_interval_heads("road load", "N")],
        ["curve"] * speed_mps.size + [f"run {labels.get(int(run), '')}" for run in points[:, 0]],
        np.concatenate([speed_mps, points[:, 1]]) / units.speed_mps,
        np.concatenate([force, points[:, 2]]),
        [*(force - half).tolist(), *blank],
        [*(force + half).tolist(), *blank],
    )


def _coast_marks(outcome: Analysis) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return some of the coast-downs' force points, and the direction of each (0: unknown)."""
    points = outcome.coast_forces.reshape(-1, 3)
    points = points[thinned(len(points), _MOST_MARKS)]
    direction = {run.number: run.direction for run in outcome.runs}
    return points, np.array([direction.get(int(run)) or 0 for run in points[:, 0]], dtype=np.int64)


def _road_load_words(road_load: RoadLoad, units: Units) -> str:
    """Return the road load at the ends of its curve and at its headline speed."""
    at = road_load.headline
    places = [road_load.at(speed) for speed in road_load.speed_range_mps] + [at]
    low, high, middle = (
        (f"{number(place.force_n, place.sd_n)} N", units.speed_text(place.speed_mps))
        for place in places
    )
    return (
        f"The road load goes from {low[0]} at {low[1]} to {high[0]} at {high[1]}; at {middle[1]} it is "
        f"{middle[0]}, 95 % interval {interval_text(at.ci95_n, at.sd_n)} N."
    )


def _slope(outcome: Analysis) -> Plot | None:
    """Draw the slope along the road."""
    place = outcome.site.slope_profile_place_m
    if place.size < 2:
        return None
    figure, axes = new_figure(2.4)
    slope, half = 100 * outcome.site.slope_profile, Z95 * 100 * outcome.site.slope_profile_sd
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
    data = csv_text(
        ["place along the road [m]", *_interval_heads("slope", "%")],
        place, slope, slope - half, slope + half,
    )  # fmt: skip
    return page_plot("slope", "Slope of the road, as found from the runs", aid, words, figure, data)
