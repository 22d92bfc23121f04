"""What a comparison says to people: the figures compared, each with its difference in words."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.model.covariance import Z95
from analysis.sessions.combine_notes import listed
from analysis.sessions.compare import Comparison
from analysis.sessions.difference import Difference
from analysis.text.numbers import Units, number

__all__ = ["Compared", "causes_text", "chance_text", "figures", "title_of"]

#: Speeds at which road loads are compared in figures, in each display unit.
_ROUND_SPEEDS = {"km/h": (50.0, 100.0), "mph": (30.0, 60.0), "m/s": (15.0, 25.0)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One figure that was compared, ready to be shown.

    Parameters
    ----------
    name : str
        Short, with capital.
    difference : Difference
        In SI units.
    unit : str
        Display unit.
    scale : float
        SI value of one of it.
    sentence : str
        What may be said.
    """

    name: str
    difference: Difference
    unit: str
    scale: float
    sentence: str

    @property
    def leads(self) -> bool:
        """Whether its sentence stands among the first: peak and road loads."""
        return self.name.startswith(("Peak", "Road load"))

    def text(self, value: float) -> str:
        """Return a value without its unit, rounded by the sd of the difference."""
        return number(value / self.scale, self.difference.sd / self.scale)

    @property
    def signed(self) -> str:
        """The difference with its sign, without unit."""
        text = self.text(self.difference.value)
        return text if text.startswith("-") else f"+{text}"

    @property
    def half(self) -> str:
        """Half the 95 % interval, without unit."""
        return self.text(self.difference.half95)

    @property
    def percent(self) -> str:
        """The difference in per cent of the first, with its half interval; blank where senseless."""
        share, sd = self.difference.percent, self.difference.percent_sd
        if share is None or sd is None:
            return ""
        return f"{number(share, sd)} ± {number(Z95 * sd, sd)} %"

    @property
    def chance(self) -> str:
        """Probability that the other is larger at all."""
        return chance_text(self.difference.chance_more)


def chance_text(chance: float) -> str:
    """Write a probability; never 0 or 100 %.

    >>> chance_text(0.873), chance_text(0.99999)
    ('87 %', 'over 99 %')
    """
    if chance > 0.99:
        return "over 99 %"
    return "below 1 %" if chance < 0.01 else f"{100 * chance:.0f} %"


def figures(comparison: Comparison, units: Units) -> tuple[Compared, ...]:
    """Return every single figure that two sessions were compared by, the peak first."""
    first, other = comparison.first.name, comparison.other.name
    found = []

    def add(name: str, what: str, difference: Difference, unit: str, scale: float) -> None:
        bare = Compared(name=name, difference=difference, unit=unit, scale=scale, sentence="")
        found.append(
            Compared(
                name=name,
                difference=difference,
                unit=unit,
                scale=scale,
                sentence=_sentence(bare, what, first, other, unit),
            )
        )

    if comparison.peak_w is not None:
        add("Peak wheel power", "peak wheel power", comparison.peak_w, units.power, units.power_w)
    load = comparison.road_load
    if load is not None:
        low, high = load.speed_range_mps
        speeds = [speed * units.speed_mps for speed in _ROUND_SPEEDS[units.speed]]
        inside = [speed for speed in speeds if low <= speed <= high] or [0.5 * (low + high)]
        for speed in inside:
            at = units.speed_text(speed)
            add(f"Road load at {at}", f"road load at {at}", load.at(speed), "N", 1.0)
        alike = ", F1 alike"
        for end, drag, rolling in (
            ("", load.drag_area_m2, load.rolling),
            (alike, load.drag_area_alike_m2, load.rolling_alike),
        ):
            if drag is None or rolling is None:
                continue
            given = " if F1 is alike" if end else ""
            add(f"Drag area{end}", f"drag area{given}", drag, "m²", 1.0)
            add(f"Rolling part{end}", f"rolling resistance F0{given}", rolling, "‰", 1e-3)
    return tuple(found)


def _sentence(figure: Compared, what: str, first: str, other: str, unit: str) -> str:
    """Return what may be claimed, and no more."""
    difference = figure.difference
    span = f"{figure.half} {unit}".strip()
    smallest = f"{figure.text(difference.smallest_shown)} {unit}".strip()
    if difference.verdict == "not shown":
        return (
            f"No difference in {what} can be shown: {figure.text(difference.value)} +/- {span}. "
            f"One of {smallest} would have shown four times out of five."
        )
    more = "more" if difference.verdict == "more" else "less"
    chance = difference.chance_more if more == "more" else 1.0 - difference.chance_more
    low, high = difference.interval95
    surely = "" if low > 0.0 or high < 0.0 else "probably "
    return (
        f"{other} {surely}has {figure.text(abs(difference.value))} +/- {span} {more} {what} than "
        f"{first} ({more} at all: {chance_text(chance)})."
    )


def causes_text(comparison: Comparison) -> tuple[str, str]:
    """Return in one sentence each what was cancelled, and what was not."""
    out = [cause.name for cause in comparison.causes if cause.cancelled]
    left = [cause.name for cause in comparison.causes if not cause.cancelled]
    return (
        f"In common and taken out: {listed(out)}.",
        f"In the interval: {listed(left)}.",
    )


def title_of(comparisons: tuple[Comparison, ...]) -> str:
    """Return what a page on these comparisons is called."""
    return f"{listed([one.other.name for one in comparisons])} against {comparisons[0].first.name}"
