"""An `Analysis` in a title and a few lines, for a phone: how much, how sure, whether to trust it."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.pipeline import Analysis
from analysis.text.advice import gain_text
from analysis.text.numbers import Units, interval_text, number

__all__ = ["LONGEST_LINE", "Headline", "headline"]

#: Of a line [characters].
LONGEST_LINE = 400
_MOST_ADVICE = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """What a person sees first; without `both_ways` it is not yet a result."""

    title: str
    lines: tuple[str, ...]
    both_ways: bool


def headline(outcome: Analysis) -> Headline:
    """Return headline, intervals, trust, and what would make it better.

    Parameters
    ----------
    outcome : Analysis
        Of one session; in the units of its display.
    """
    units = Units.of(outcome.session.display)
    lines = []
    power = outcome.power
    if power is not None:
        title = f"Peak wheel power {units.power_text(power.peak_w, power.peak_sd_w)}"
        interval = units.power_interval(*power.peak_ci95_w, power.peak_sd_w)
        at = units.speed_text(power.peak_speed_mps)
        lines.append(f"At {at}, 95 %: {interval} {units.power}.")
    else:
        title = "Coast-downs only: no peak wheel power"
    if outcome.road_load is not None:
        load = outcome.road_load.headline
        at, force = units.speed_text(load.speed_mps), number(load.force_n, load.sd_n)
        interval = interval_text(load.ci95_n, load.sd_n)
        lines.append(f"Road load {force} N at {at} (95 %: {interval} N).")
    trust = outcome.verdict.trust
    lines.append(f"Trust: {trust.level}. {' '.join(trust.why)}".strip())
    for advice in outcome.verdict.advice[:_MOST_ADVICE]:
        lines.append(f"Better: {advice.text} {gain_text(advice, units)}".strip())
    both_ways = len({run.direction for run in outcome.used_runs}) == 2
    if not both_ways:
        lines.insert(0, f"So far, one way only: {title}.")
        title = "Not yet: one more run the other way."
    shown = tuple(line[:LONGEST_LINE] for line in lines)
    return Headline(title=title, lines=shown, both_ways=both_ways)
