"""One picture of a session's result, to share: without place, device and, unless asked for, date."""

from __future__ import annotations

import io
import textwrap
from typing import Any

import numpy as np

from analysis.model.covariance import Z95
from analysis.pipeline import Analysis
from analysis.plots.style import COLOURS, GEAR_LINES, Axes, Figure, draw_band
from analysis.text.numbers import Units, interval_text, number
from logger.findings import counted

__all__ = ["card_png"]

#: Width and height [pixels], as pages show pictures of what they link to.
_WIDTH, _HEIGHT = 1200, 630
_DOTS_PER_INCH = 100
_LONGEST_NAME, _LONGEST_LINE = 30, 62
#: Sizes of text [points]: a figure is the smaller the less it is to be relied on.
_SMALL, _DOUBTED, _MIDDLE, _LARGE = 15.0, 20.0, 30.0, 42.0


def card_png(outcome: Analysis, units: Units, date: str = "") -> bytes:
    """Draw the card of a session.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    units : Units
        For the figures.
    date : str
        Of the outing, where it is to be shown.

    Returns
    -------
    bytes
        A PNG of 1200 x 630 pixels; the same for the same analysis.
    """
    figure = Figure(figsize=(_WIDTH / _DOTS_PER_INCH, _HEIGHT / _DOTS_PER_INCH), facecolor="white")
    vehicle = outcome.session.vehicle
    name = textwrap.shorten(
        vehicle.name or f"a {vehicle.kind}", _LONGEST_NAME, placeholder=" \u2026"
    )
    if len(name) < 3:  # one long word
        name = f"{vehicle.name[: _LONGEST_NAME - 1]}\u2026"
    _write(figure, 0.04, 0.93, name, size=28, weight="bold", va="top")
    ways = [run.direction for run in outcome.used_runs]
    about = [
        f"{vehicle.mass_kg:.0f} kg",
        f"{counted(len(ways), 'run')} ({ways.count(1)} one way, {ways.count(-1)} the other)",
        *([textwrap.shorten(vehicle.state, 24, placeholder=" \u2026")] if vehicle.state else []),
        *([date] if date else []),
    ]
    _write(figure, 0.04, 0.815, ", ".join(about), size=_SMALL, color=COLOURS["quiet"], va="top")
    trust = outcome.verdict.trust
    rough = trust.level in ("rough", "doubtful")
    height = 0.70
    if trust.level == "doubtful":
        height = _block(figure, height, "Not to be relied on", " ".join(trust.why), "")
    size = _DOUBTED if trust.level == "doubtful" else _MIDDLE if rough else _LARGE
    for title, value, below in _figures(outcome, units, rough=rough):
        height = _block(figure, height, title, below, value, size)
    trusted = f"Trust: {trust.level}. A range holds the truth with 95 % probability."
    _write(figure, 0.04, 0.052, trusted, size=_SMALL, color=COLOURS["ink"])
    _write(
        figure, 0.96, 0.018, "an estimate by pullcoast, not a certified measurement", size=12.5,
        color=COLOURS["quiet"], ha="right",
    )  # fmt: skip
    _curves(figure, outcome, units)
    buffer = io.BytesIO()
    figure.savefig(
        buffer, format="png", dpi=_DOTS_PER_INCH, facecolor="white", metadata={"Software": None}
    )
    return buffer.getvalue()


def _figures(outcome: Analysis, units: Units, *, rough: bool) -> list[tuple[str, str, str]]:
    """Return title, figure and small print of each result; a range alone where it is rough."""
    found = []
    power, road_load = outcome.power, outcome.road_load
    if power is not None:
        spread = units.power_interval(*power.peak_ci95_w, power.peak_sd_w)
        at = units.speed_text(power.peak_speed_mps)
        peak = units.power_text(power.peak_w, power.peak_sd_w)
        value = f"{spread} {units.power}" if rough else peak
        below = f"at {at}" if rough else f"at {at}, {spread} {units.power}"
        found.append(("Peak wheel power", value, below))
    if road_load is not None:
        load = road_load.headline
        at, spread = units.speed_text(load.speed_mps), interval_text(load.ci95_n, load.sd_n)
        force = f"{number(load.force_n, load.sd_n)} N"
        holding = units.power_text(load.holding_w, load.holding_sd_w)
        value = f"{spread} N" if rough else force
        below = f"{'' if rough else f'{spread} N, '}{holding} to hold {at}"
        found.append((f"Road load at {at}", value, below))
    return found


def _block(
    figure: Figure, top: float, title: str, below: str, value: str, size: float = 0.0
) -> float:
    """Write one result from `top` down; return where the next begins."""
    _write(figure, 0.04, top, title, size=_SMALL, color=COLOURS["quiet"], va="top")
    top -= 0.055
    if value:
        _write(figure, 0.04, top, value, size=size, weight="bold", va="top")
        top -= 0.018 + 0.0023 * size
    for line in textwrap.wrap(below, _LONGEST_LINE if value else 50)[:3]:
        _write(figure, 0.04, top, line, size=_SMALL, va="top")
        top -= 0.048
    return top - 0.035


def _curves(figure: Figure, outcome: Analysis, units: Units) -> None:
    """Draw the small curves: wheel power above, road load below."""
    power, road_load = outcome.power, outcome.road_load
    both = power is not None and road_load is not None
    if power is not None and any(gear.speed_mps.size for gear in power.gears):
        axes = _small(figure, 0.585 if both else 0.2, f"wheel power [{units.power}]")
        for index, gear in enumerate(gear for gear in power.gears if gear.speed_mps.size):
            colour = COLOURS[f"gear{index % 6 + 1}"]
            speed, watts = gear.speed_mps / units.speed_mps, gear.power_w / units.power_w
            draw_band(axes, speed, watts, Z95 * gear.sd_w / units.power_w, colour)
            axes.plot(speed, watts, color=colour, linestyle=GEAR_LINES[index % 6], linewidth=2.4)
        axes.set_xlim(left=0.0)
        axes.set_ylim(bottom=0.0)
        axes.set_xlabel("" if road_load is not None else f"speed [{units.speed}]", fontsize=12.5)
    if road_load is not None:
        axes = _small(figure, 0.165 if both else 0.2, "road load [N]")
        speed = np.linspace(*road_load.speed_range_mps, 80)
        force, half = road_load.force_n(speed), Z95 * road_load.force_sd_n(speed)
        draw_band(axes, speed / units.speed_mps, force, half, COLOURS["coast"])
        axes.plot(speed / units.speed_mps, force, color=COLOURS["coast"], linewidth=2.4)
        axes.set_xlim(left=0.0)
        axes.set_ylim(bottom=min(0.0, float(np.min(force - half))))
        axes.set_xlabel(f"speed [{units.speed}]", fontsize=12.5)


def _small(figure: Figure, bottom: float, title: str) -> Axes:
    """Return axes on the right with a title, for a curve over speed."""
    axes = figure.add_axes((0.61, bottom, 0.35, 0.27))
    axes.set_title(title, loc="left", fontsize=_SMALL, color=COLOURS["quiet"])
    axes.tick_params(labelsize=12.5, colors=COLOURS["quiet"])
    axes.grid(color=COLOURS["grid"], linewidth=0.8)
    axes.spines[["top", "right"]].set_visible(False)
    return axes


def _write(figure: Figure, x: float, y: float, text: str, **how: Any) -> None:
    """Write plain text: what a file says is never taken for a formula."""
    figure.text(x, y, text, parse_math=False, **{"color": COLOURS["ink"], **how})
