"""The look that all figures share: colours, line styles, axes, bands, notes, and the SVG of a page.

Colours are the Okabe-Ito palette (Okabe and Ito 2008, "Color universal design"), distinguished also by
line style, marker or a label beside the line. In a page they become style variables (`--c-pull`, ...)
so that the page can choose them for light, dark and paper.

Axes are drawn by hand (`draw_frame`): matplotlib's own ticks take two thirds of the time of a figure.
"""

from __future__ import annotations

import io
import itertools
import logging
import math
from collections.abc import Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Any

# Where nothing can be kept in the home folder, or there is none, matplotlib logs as it is imported
# where it keeps its list of fonts instead, which is no warning for the reader of a report. The other
# modules of this room take matplotlib's types from here, so that it is never imported before this.
logging.getLogger("matplotlib").addFilter(lambda record: record.levelno >= logging.ERROR)

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from analysis.plots.svg import inline_svg, shortened

__all__ = [
    "COLOURS",
    "GEAR_LINES",
    "SIZE",
    "Axes",
    "Figure",
    "Line2D",
    "Plot",
    "csv_text",
    "draw_band",
    "draw_frame",
    "draw_note",
    "new_figure",
    "page_plot",
    "svg_document",
    "svg_settings",
]

#: Names of the page's style variables and their colours on white; no two alike.
COLOURS = {
    "ink": "#1b2024",
    "quiet": "#4a535a",
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
#: Line styles for what is counted: gears, sessions, states.
GEAR_LINES: tuple[Any, ...] = ("-", "--", "-.", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)), ":")
#: Text in a figure [points].
SIZE = 9.0
_WIDTH_IN = 4.2
#: Where the axes begin, as a share of the width, with figures and without.
_LEFT = 0.145


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """One figure of a page.

    `name` is fit for an id and a file name, `aid` explains how to read it, `words` what it shows, `svg`
    stands in a page; `csv` is a table of what is drawn, `figure` what `--plots` writes.
    """

    name: str
    title: str
    aid: str
    words: str
    svg: str
    csv: str = ""
    figure: Figure | None = field(default=None, repr=False, compare=False)


def new_figure(height_in: float, title: str = "", left: float = _LEFT) -> tuple[Figure, Axes]:
    """Start a figure, its axes from `left` of the width on; in a page its title stands above it."""
    height_in += 0.25 if title else 0.0
    figure = Figure(figsize=(_WIDTH_IN, height_in), facecolor="none")
    if title:
        figure.text(left, 1 - 0.08 / height_in, title, size=11, weight="bold", va="top")
    bottom, top = 0.46 / height_in, 1 - (0.35 if title else 0.1) / height_in
    axes = figure.add_axes((left, bottom, 0.985 - left, top - bottom))
    axes.set_axis_off()
    return figure, axes


def draw_frame(
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
    quiet: dict[str, Any] = {"size": SIZE, "color": COLOURS["quiet"]}
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
    """Return the ticks inside a range, and their figures."""
    room = 1e-9 * (high - low)
    ticks = [float(t) for t in locator.tick_values(low, high) if low - room <= t <= high + room]
    step = min((b - a for a, b in itertools.pairwise(ticks)), default=1.0)
    digits = next((d for d in range(5) if abs(round(step, d) - step) < 1e-6 * step), 5)
    return ticks, [f"{tick:.{digits}f}".replace("-", "\u2212") for tick in ticks]


def draw_band(
    axes: Axes,
    x: NDArray[np.float64],
    middle: NDArray[np.float64],
    half: NDArray[np.float64],
    colour: str,
) -> None:
    """Shade `middle` less and plus `half`, which is half a 95 % interval."""
    axes.fill_between(x, middle - half, middle + half, color=colour, alpha=0.25, linewidth=0)


def draw_note(
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
    """Write `text` beside the point `at`, `offset` points away from it."""
    axes.annotate(
        text, at, offset, textcoords="offset points", ha=ha, va=va, color=colour, size=SIZE,
        weight="bold" if bold else "normal",
    )  # fmt: skip


def csv_text(names: Sequence[str], *columns: Iterable[object]) -> str:
    r"""Return columns of numbers and words as CSV, blank where a number is unknown.

    >>> csv_text(["speed [km/h]", "phase"], [10.0, float("nan")], ["pull", 'a "b", c'])
    'speed [km/h],phase\n10,pull\n,"a ""b"", c"\n'
    """
    cells = [[_cell(value) for value in column] for column in columns]
    rows = [[_cell(name) for name in names], *zip(*cells, strict=True)]
    return "".join(",".join(row) + "\n" for row in rows)


def _cell(value: object) -> str:
    """Return a value as one cell of CSV."""
    if isinstance(value, float):  # numpy's own is one
        return f"{value:.6g}" if math.isfinite(value) else ""
    text = "" if value is None else str(value)
    if text.startswith(("=", "+", "@", "-", "\t")):
        text = f"'{text}"  # a spreadsheet would run it as a formula
    if any(mark in text for mark in ',"\n\r'):
        text = '"' + text.replace('"', '""') + '"'
    return text


def svg_settings() -> AbstractContextManager[None]:
    """Return a context in which SVG keeps text as text, and names nothing at random."""
    return matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "pullcoast"})


def svg_document(figure: Figure) -> str:
    """Return a figure as one SVG document that stands alone: no date, no maker, text as text."""
    buffer = io.StringIO()
    nothing: dict[str, Any] = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    with svg_settings():
        canvas: Any = FigureCanvasSVG(figure)
        canvas.print_svg(buffer, metadata=nothing)
    return shortened(buffer.getvalue())


def _axes_attributes(figure: Figure) -> str:
    """Return ends of the x axis and where they lie, top and bottom of the axes, as attributes."""
    axes = figure.axes[0]
    width, height = 72.0 * figure.get_size_inches()
    place = axes.get_position()
    first, last = axes.get_xlim()
    x = f"{first:.6g} {last:.6g} {place.x0 * width:.1f} {place.x1 * width:.1f}"
    return f' data-x="{x}" data-y="{(1 - place.y1) * height:.1f} {(1 - place.y0) * height:.1f}"'


def page_plot(
    name: str,
    title: str,
    aid: str,
    words: str,
    figure: Figure,
    csv: str = "",
    *,
    reads: bool = False,
) -> Plot:
    """Return a figure ready for a page; `csv` is a table of what is drawn, `reads` lets it be read off."""
    axes = _axes_attributes(figure) if reads else ""
    svg = inline_svg(svg_document(figure), name, title, words, COLOURS, axes)
    return Plot(name=name, title=title, aid=aid, words=words, svg=svg, csv=csv, figure=figure)
