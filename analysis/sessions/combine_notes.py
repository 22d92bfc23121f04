"""Findings on several sessions put together: each one's words in one place."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.pipeline import Analysis
from analysis.results.trust import Trust
from analysis.sessions.recorded_twice import InBoth
from logger.findings import Finding, counted

__all__ = [
    "air_notes",
    "disagreement_note",
    "doubtful_note",
    "grouping_notes",
    "listed",
    "mass_note",
    "missing_notes",
    "plain_name",
    "power_air_note",
    "same_log_note",
    "same_road_note",
    "widened_note",
]

#: Density and mass that differ by less than these shares move nothing worth a word.
_SAME_DENSITY, _SAME_MASS = 0.02, 0.01


def listed(names: Sequence[str]) -> str:
    """Return names in words.

    >>> listed(["a"]), listed(["a", "b", "c"])
    ('a', 'a, b and c')
    """
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def plain_name(text: str) -> str:
    """Return a name as names are compared: spaces and case aside."""
    return " ".join(text.split()).casefold()


def missing_notes(count: int) -> list[Finding]:
    """Report that some of the sessions asked for could not be used."""
    if count == 0:
        return []
    text = f"{counted(count, 'session')} could not be used, and what is shared holds without it."
    if count > 1:
        text = text.replace("without it", "without them")
    return [Finding(kind="sessions_missing", severity="warning", text=text, count=count)]


def same_log_note(name: str, file: str, again: InBoth) -> Finding:
    """Report that a session brings a drive again that another has brought."""
    text = (
        f"{name} holds {file}, the same drive that {again.other} holds in log {again.other_log + 1}, "
        f"{again.copy.why}. Runs that count twice would make intervals too narrow, so {name} is left "
        "out of what is shared."
    )
    return Finding(kind="same_log_twice", severity="warning", text=text, path=file)


def doubtful_note(name: str, trust: Trust | None) -> list[Finding]:
    """Warn of a session whose own result is not to be relied on."""
    if trust is None or trust.level != "doubtful":
        return []
    text = (
        f"{name} is doubtful by itself, and so is what rests on it. {trust.why[0]} Mend that, or do "
        "without this session."
    )
    return [Finding(kind="session_doubtful", severity="warning", text=text)]


def grouping_notes(groups: Sequence[tuple[Sequence[str], tuple[str, str, str]]]) -> list[Finding]:
    """Report which sessions are not put together, and why: names and (kind, vehicle, state) of each."""
    if len(groups) < 2:
        return []
    findings = []
    if len({identity[:2] for _, identity in groups}) > 1:
        parts = [f"{listed(names)} ({_vehicle(identity)})" for names, identity in groups]
        text = (
            f"The sessions are of different vehicles: {listed(parts)}. Nothing is shared between "
            "different vehicles; if they are one, give them the same name and kind."
        )
        findings.append(Finding(kind="vehicles_differ", severity="warning", text=text))
    if len({identity[:2] for _, identity in groups}) < len(groups):
        parts = [f"{listed(names)} ({identity[2] or 'not stated'})" for names, identity in groups]
        text = (
            f"The state of the vehicle differs: {listed(parts)}. A changed vehicle's road load and "
            "power may differ, so that only sessions of the same state are put together. Whether "
            "the change made a difference is another question."
        )
        findings.append(Finding(kind="states_differ", severity="note", text=text))
    return findings


def _vehicle(identity: tuple[str, str, str]) -> str:
    return f"{identity[0]}, {identity[1] or 'without a name'}"


def same_road_note(names: Sequence[str], analyses: Sequence[Analysis]) -> list[Finding]:
    """Report sessions that lean on one remembered road, or on each other through it."""
    leaning = [
        (name, one.road)
        for name, one in zip(names, analyses, strict=True)
        if one.road is not None and one.road.used
    ]
    marks = {mark for _, road in leaning for mark in road.sessions}
    known = {one.road.fingerprint for one in analyses if one.road is not None}
    if len(leaning) < 2 and not marks & known:
        return []
    share = max(road.share for _, road in leaning)
    text = (
        f"{listed([name for name, _ in leaning])} lean on one remembered road, so that up to "
        f"{100 * share:.0f} % of the variance of a road load is an error in common: what is shared is "
        "less certain than its interval says. Leave --road out to put sessions together."
    )
    return [Finding(kind="one_road_remembered", severity="warning", text=text, count=len(leaning))]


def mass_note(names: Sequence[str], masses_kg: Sequence[float]) -> list[Finding]:
    """Report that sessions were driven with different masses."""
    if max(masses_kg) <= (1.0 + _SAME_MASS) * min(masses_kg):
        return []
    text = (
        f"The sessions were driven with {min(masses_kg):.0f} to {max(masses_kg):.0f} kg. F0 is taken "
        f"to go with the mass; what is shared holds for the {masses_kg[0]:.0f} kg of {names[0]}."
    )
    return [Finding(kind="masses_differ", severity="note", text=text)]


def air_notes(names: Sequence[str], analyses: Sequence[Analysis]) -> list[Finding]:
    """Report for which sessions the air of the day is a guess."""
    unknown = [
        name
        for name, one in zip(names, analyses, strict=True)
        if one.air.temperature_c is None or one.air.pressure_hpa is None
    ]
    if not unknown or len(analyses) < 2:
        return []
    text = (
        f"Temperature or pressure is not stated for {listed(unknown)}: the road load is carried to "
        "reference air with a guess, and counts for less. State both to make these count in full."
    )
    return [Finding(kind="air_unknown", severity="note", text=text)]


def power_air_note(names: Sequence[str], analyses: Sequence[Analysis]) -> list[Finding]:
    """Report that powers as tested were measured in air that differs."""
    known = [one.air.density_kg_m3 for one in analyses if one.air.source != "assumed"]
    if len(known) < 2 or max(known) <= (1.0 + _SAME_DENSITY) * min(known):
        return []
    text = (
        f"The air of {listed(names)} differs by {100 * (max(known) / min(known) - 1):.0f} % in "
        "density. The shared wheel power is as tested and not corrected for that: an engine that "
        "breathes freely makes about as much more as the air is denser."
    )
    return [Finding(kind="power_air_differs", severity="note", text=text)]


def disagreement_note(
    what: str, names: Sequence[str], chances_without: Sequence[float], spread: float, chance: float
) -> Finding:
    """Report that sessions scatter beyond chance, and which one stands apart.

    Parameters
    ----------
    what : str
        road load, or peak wheel power.
    names : sequence of str
        Of the sessions.
    chances_without : sequence of float
        How probable the scatter of the others is without each of them; empty for two sessions.
    spread, chance : float
        Deviation between sessions (relative sd) that the interval now allows, and the probability
        of the scatter without it.
    """
    said = "less than 1 in 1000" if chance < 1e-3 else f"{100 * chance:.1f} %"
    if len(names) > 2:
        apart = max(range(len(names)), key=lambda number: chances_without[number])
        who = f"{names[apart]} disagrees with {listed([*names[:apart], *names[apart + 1 :]])}"
    else:
        who = f"{listed(names)} disagree, and two cannot tell which of them is off"
    text = (
        f"{who} in {what} more than their uncertainties explain (chance {said}). Each session is now "
        f"allowed to be off by {100 * spread:.1f} % (standard deviation), which widens the shared interval. Look "
        "for what differed: tyre pressure, warmth, load, windows, wind from the side, a dragging "
        "brake, a mass stated wrongly."
    )
    return Finding(kind=f"{what.replace(' ', '_')}s_disagree", severity="warning", text=text)


def widened_note(what: str, name: str, share: float) -> Finding:
    """Report that a shared interval is wider with a session than without it, though all agree."""
    text = (
        f"With {name} the shared {what} is {100 * share:.1f} % less closely known than without it: "
        "the estimate has risen or turned, and what is in proportion to it (mass, the deviation from "
        "day to day) has grown along."
    )
    return Finding(kind="interval_widened", severity="note", text=text)
