"""What advice and limits say to people, in their units."""

from __future__ import annotations

from analysis.results.verdict import Advice
from analysis.text.numbers import Units, number

__all__ = ["gain_text"]


def gain_text(advice: Advice, units: Units) -> str:
    """Return what following the advice would leave of the interval; "" where that is not known."""
    gain = advice.gain
    if gain is None:
        return ""
    scale, unit = (units.power_w, units.power) if gain.quantity == "power" else (1.0, "N")
    before, after = (number(half / scale, half / scale) for half in (gain.half, gain.halved))
    name = gain.share.name[0].upper() + gain.share.name[1:]
    part = f"{name} makes {100 * gain.share.share:.0f} % of the {gain.result}'s uncertainty, in squares"
    if before == after:
        return f"{part}."
    return f"{part}; halved, it would leave \u00b1{after} of \u00b1{before} {unit}."
