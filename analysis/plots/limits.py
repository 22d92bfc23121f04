"""Draw what the uncertainty of a result comes from."""

from __future__ import annotations

import numpy as np

from analysis.model.covariance import Z95
from analysis.plots.style import (
    COLOURS,
    SIZE,
    Plot,
    csv_text,
    draw_frame,
    draw_note,
    new_figure,
    page_plot,
)
from analysis.results.verdict import Limit
from analysis.text.numbers import Units, number

__all__ = ["budget_plot"]


def budget_plot(limit: Limit, units: Units) -> Plot:
    """Draw what the uncertainty of one result comes from: one bar per cause, longest first."""
    power = limit.quantity == "power"
    scale, unit = (units.power_w, units.power) if power else (1.0, "N")
    count = len(limit.shares)
    figure, axes = new_figure(0.62 + 0.27 * (count + 1), left=0.36)
    halves = [Z95 * share.sd / scale for share in limit.shares]
    heights = np.arange(count, 0, -1, dtype=np.float64)
    colour = COLOURS["pull"] if power else COLOURS["coast"]
    axes.hlines(heights, 0, halves, color=colour, linewidth=9, alpha=0.75)
    total = limit.half / scale
    axes.hlines([0.0], 0, [total], color=COLOURS["quiet"], linewidth=9)
    across = axes.get_yaxis_transform()
    rows = [
        *((share.name, f"{_sd(Z95 * share.sd / scale)} ({100 * share.share:.0f} %)") for share in limit.shares),
        ("all together", _sd(total)),
    ]  # fmt: skip
    for height, wide, (name, text) in zip([*heights, 0.0], [*halves, total], rows, strict=True):
        axes.annotate(
            name, (0, height), (-5, 0), xycoords=across, textcoords="offset points", ha="right",
            va="center", size=SIZE, color=COLOURS["ink"],
        )  # fmt: skip
        draw_note(axes, text, (wide, height), (4, 0), COLOURS["quiet"], va="center")
    draw_frame(
        axes, (0.0, 1.45 * total), (-0.6, count + 0.6), f"half of the 95 % interval [{unit}]", "",
        y_ticks=False,
    )  # fmt: skip
    first = limit.shares[0]
    half, twice = (_sd(value / scale) for value in (limit.half, limit.half_twice))
    words = (
        f"The {limit.result} is known to ±{half} {unit} (95 %). The largest part, "
        f"{100 * first.share:.0f} % of the variance, is {first.name}. With twice as many runs it would "
        f"be about ±{twice} {unit}."
    )
    aid = (
        "One bar per cause, in brackets its share; the squares of the bars add up to the square of the "
        "grey one. The longest is what to improve."
    )
    title = f"What limits the {limit.result}"
    data = csv_text(
        ["cause", f"half of the 95 % interval [{unit}]", "share of variance [%]"],
        [share.name for share in limit.shares],
        halves,
        [100 * share.share for share in limit.shares],
    )
    return page_plot(f"budget-{limit.quantity}", title, aid, words, figure, data)


def _sd(value: float) -> str:
    return number(value, value)
