"""Figures of a comparison: what differs in per cent, and how power and road load differ over speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.model.covariance import Z95
from analysis.plots.style import (
    COLOURS,
    GEAR_LINES,
    SIZE,
    Axes,
    Figure,
    Line2D,
    Plot,
    csv_text,
    draw_band,
    draw_frame,
    new_figure,
    page_plot,
)
from analysis.sessions.compare import Comparison
from analysis.text.comparison import Compared
from analysis.text.numbers import Units

__all__ = ["load_difference_plot", "percent_plot", "power_difference_plot"]

_Array: TypeAlias = NDArray[np.float64]

#: More sessions than this make a figure nobody reads.
_MOST = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """One curve: whose (index of a name), over speed, its value and half its 95 % interval."""

    index: int
    speed: _Array
    value: _Array
    half: _Array


def percent_plot(groups: Sequence[tuple[str, Sequence[Compared]]]) -> Plot | None:
    """Draw each difference in per cent with its interval, session by session.

    Parameters
    ----------
    groups : sequence of (str, sequence of Compared)
        Name of the other session, and what it was compared by.

    Returns
    -------
    Plot or None
        None where nothing is known in per cent.
    """
    rows = _percent_rows(groups)
    if not rows:
        return None
    figure, axes = new_figure(0.62 + 0.46 * len(rows), left=0.04)
    most = max(max(abs(share) + Z95 * sd for _, share, sd in rows), 1.0)
    axes.axvline(0.0, color=COLOURS["ink"], linewidth=1.2)
    for index, row in enumerate(rows):
        _draw_interval(axes, row, len(rows) - 1 - index, most)
    draw_frame(
        axes, (-1.12 * most, 1.12 * most), (-0.5, len(rows) - 0.28),
        "difference in per cent of the first", "", y_ticks=False,
    )  # fmt: skip
    aid = (
        "Bars are 95 % intervals. A bar across the line: no difference is shown. Filled dot: a "
        "difference may be claimed; empty diamond: it may not."
    )
    words = "; ".join(f"{label} {share:+.1f} ± {Z95 * sd:.1f} %" for label, share, sd in rows) + "."
    table = csv_text(
        ["figure", "difference [%]", "sd [%]"],
        [row[0] for row in rows],
        [row[1] for row in rows],
        [row[2] for row in rows],
    )
    return page_plot("differences", "What differs", aid, words, figure, table)


def _percent_rows(
    groups: Sequence[tuple[str, Sequence[Compared]]],
) -> list[tuple[str, float, float]]:
    """Return label, difference and sd [%] of each figure that has them."""
    rows: list[tuple[str, float, float]] = []
    for name, figures in groups[:_MOST]:
        for one in figures:
            share, sd = one.difference.percent, one.difference.percent_sd
            if share is not None and sd is not None:
                label = (
                    one.name
                    if len(groups) == 1
                    else f"{name[:18]}: {one.name[:1].lower()}{one.name[1:]}"
                )
                rows.append((label, share, sd))
    return rows


def _draw_interval(axes: Axes, row: tuple[str, float, float], height: float, most: float) -> None:
    """Draw one difference with its 95 % interval and its name."""
    label, share, sd = row
    clear = abs(share) > 1.644854 * sd
    colour = COLOURS["pull"] if clear else COLOURS["coast"]
    axes.plot([share - Z95 * sd, share + Z95 * sd], [height, height], color=colour, linewidth=2.6)
    axes.plot(
        [share], [height], "o" if clear else "D", color=colour, markersize=6.5,
        markerfacecolor=colour if clear else "white", markeredgewidth=1.6,
    )  # fmt: skip
    axes.text(
        -1.08 * most, height + 0.24, label, size=SIZE, color=COLOURS["ink"], va="bottom",
        ha="left", parse_math=False,
    )  # fmt: skip
    axes.text(
        1.08 * most, height + 0.24, f"{share:+.1f} ± {Z95 * sd:.1f} %".replace("-", "\u2212"),
        size=SIZE, color=COLOURS["ink"], va="bottom", ha="right", parse_math=False,
    )  # fmt: skip


def power_difference_plot(comparisons: Sequence[Comparison], units: Units) -> Plot | None:
    """Draw wheel power over speed, other less first, gear by gear; None without any."""
    curves = [
        (f"{one.other.name}", curve)
        for one in comparisons[:_MOST]
        for curve in one.power
        if curve.speed_mps.size > 1
    ]
    if not curves:
        return None
    names = list(dict.fromkeys(name for name, _ in curves))
    lines = [
        _Line(
            index=names.index(name),
            speed=curve.speed_mps / units.speed_mps,
            value=(curve.other_w - curve.first_w) / units.power_w,
            half=Z95 * curve.sd_w / units.power_w,
        )
        for name, curve in curves
    ]
    table = _table(lines, names, units.speed, units.power)
    below, beside = f"speed [{units.speed}]", f"wheel power: difference [{units.power}]"
    aid = (
        "Above the line at 0: more than the first session. The band holds the true difference with 95 % "
        "probability at each speed by itself: over a whole curve one speed in twenty may stray."
    )
    words = _extremes(lines, units.power, units.speed)
    plot = _over_speed(lines, names, below, beside)
    return page_plot("power-difference", "Difference of wheel power", aid, words, plot, table)


def load_difference_plot(comparisons: Sequence[Comparison], units: Units) -> Plot | None:
    """Draw road load in reference air over speed, other less first; None without any."""
    lines: list[_Line] = []
    names: list[str] = []
    for one in comparisons[:_MOST]:
        if one.road_load is None:
            continue
        speeds = one.road_load.speeds_mps()
        found = [one.road_load.at(float(speed)) for speed in speeds]
        if len(found) > 1:
            value = np.array([d.value for d in found])
            half = np.array([d.half95 for d in found])
            lines.append(
                _Line(index=len(names), speed=speeds / units.speed_mps, value=value, half=half)
            )
            names.append(one.other.name)
    if not lines:
        return None
    table = _table(lines, names, units.speed, "N")
    aid = (
        "In reference air and for the first session's mass. Above the line at 0: harder to push than "
        "in the first. The band holds the true difference with 95 % probability at each speed."
    )
    words = _extremes(lines, "N", units.speed)
    plot = _over_speed(lines, names, f"speed [{units.speed}]", "road load: difference [N]")
    return page_plot("load-difference", "Difference of road load", aid, words, plot, table)


def _table(lines: Sequence[_Line], names: Sequence[str], speed_unit: str, unit: str) -> str:
    """Return what is drawn as CSV."""
    return csv_text(
        ["session", f"speed [{speed_unit}]", f"difference [{unit}]", f"sd [{unit}]"],
        [names[line.index] for line in lines for _ in range(line.speed.size)],
        np.concatenate([line.speed for line in lines]).tolist(),
        np.concatenate([line.value for line in lines]).tolist(),
        np.concatenate([line.half / Z95 for line in lines]).tolist(),
    )


def _over_speed(lines: Sequence[_Line], names: Sequence[str], below: str, beside: str) -> Figure:
    """Draw curves with bands about the line of no difference."""
    figure, axes = new_figure(2.9)
    axes.axhline(0.0, color=COLOURS["ink"], linewidth=1.2)
    drawn: dict[int, Line2D] = {}
    for line in lines:
        colour = COLOURS[f"gear{line.index % 6 + 1}"] if len(names) > 1 else COLOURS["coast"]
        draw_band(axes, line.speed, line.value, line.half, colour)
        (curve,) = axes.plot(
            line.speed, line.value, color=colour, linewidth=1.8,
            linestyle=GEAR_LINES[line.index % 6],
        )  # fmt: skip
        drawn.setdefault(line.index, curve)
    low = min(0.0, *(float((line.value - line.half).min()) for line in lines))
    high = max(0.0, *(float((line.value + line.half).max()) for line in lines))
    left = min(float(line.speed[0]) for line in lines)
    right = max(float(line.speed[-1]) for line in lines)
    room, aside = 0.08 * (high - low), 0.02 * (right - left)
    draw_frame(
        axes, (left - aside, right + aside),
        (low - room, high + room * (1.0 + 2.0 * (len(names) - 1))), below, beside,
    )  # fmt: skip
    if len(names) > 1:
        legend = axes.legend(
            [drawn[index] for index in sorted(drawn)],
            [names[index][:28] for index in sorted(drawn)],
            loc="upper left", fontsize=SIZE, frameon=False, labelcolor=COLOURS["quiet"],
        )  # fmt: skip
        for text in legend.get_texts():
            text.set_parse_math(False)
    return figure


def _extremes(lines: Sequence[_Line], unit: str, speed_unit: str) -> str:
    """Return in words between what values the differences lie."""
    speed = np.concatenate([line.speed for line in lines])
    value = np.concatenate([line.value for line in lines])
    half = np.concatenate([line.half for line in lines])
    low, high = int(np.argmin(value)), int(np.argmax(value))
    return (
        f"From {speed.min():.0f} to {speed.max():.0f} {speed_unit} the difference lies between "
        f"{value[low]:.3g} ± {half[low]:.2g} {unit} at {speed[low]:.0f} {speed_unit} and "
        f"{value[high]:.3g} ± {half[high]:.2g} {unit} at {speed[high]:.0f} {speed_unit}."
    )
