"""Findings on two sessions side by side: causes in common, and what weakens a comparison."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.sessions.combine_notes import doubtful_note, listed, plain_name
from analysis.sessions.side import Side
from logger.findings import Finding, counted

__all__ = ["Cause", "comparison_findings"]

#: A mean wind that the rules for coast-downs allow [m/s]: UN GTR No. 15, Annex 4, text of the 2013
#: proposal; and a change of it between sessions worth a word: our choice.
_MOST_WIND_MPS, _OTHER_WIND_MPS = 5.0, 3.0
#: Density and mass that differ by less than these shares move nothing worth a word.
_SAME_DENSITY, _SAME_MASS = 0.02, 0.01
#: Runs below which scatter between runs is not checked; as in model/leave_one_out.py.
_LEAST_RUNS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One cause of uncertainty, whether it was taken out of the difference, and why or why not."""

    name: str
    cancelled: bool
    why: str


def comparison_findings(first: Side, other: Side, road: int | None) -> tuple[Finding, ...]:
    """Report in what two sessions differ that makes their comparison weak.

    Parameters
    ----------
    first, other : Side
        The two.
    road : int or None
        From `same_road`.

    Returns
    -------
    tuple of Finding
        Warnings where the difference may be something else than the vehicle's.
    """
    pair = (first, other)
    return (
        *(note for side in pair for note in doubtful_note(side.name, side.trust)),
        *_vehicle(first, other),
        *_road(first, other, road),
        *_air(first, other),
        *_wind(pair),
        *_runs(pair),
    )


def _warning(kind: str, text: str) -> Finding:
    return Finding(kind=kind, severity="warning", text=text)


def _vehicle(first: Side, other: Side) -> list[Finding]:
    """Report other vehicles, unknown ones, equal states, other tyres and masses."""
    found = []
    a, b = first.vehicle, other.vehicle
    if a is not None and b is not None:
        if (a.kind, plain_name(a.name)) != (b.kind, plain_name(b.name)):
            text = (
                f"{first.name} is of {_called(a.kind, a.name)}, {other.name} of "
                f"{_called(b.kind, b.name)}: the difference is one between vehicles, and each brings "
                "the error of its own mass. If they are one vehicle, give them the same name."
            )
            found.append(_warning("vehicles_differ", text))
        elif plain_name(a.state) == plain_name(b.state):
            what = (
                f"Both sessions state {a.state!r}" if a.state else "Neither session states a state"
            )
            text = f"{what}: nothing is said to have changed. Say in state what was changed."
            found.append(Finding(kind="states_alike", severity="note", text=text))
        if a.tyre and b.tyre and a.tyre != b.tyre:
            text = (
                f"{first.name} was driven on {a.tyre}, {other.name} on {b.tyre}: other tyres roll "
                "harder or easier, turn a different mass and gear the vehicle differently."
            )
            found.append(_warning("tyres_differ", text))
    else:
        names = listed([side.name for side in (first, other) if side.vehicle is None])
        text = (
            f"{names} comes from a results.json that does not say which vehicle it is of: whether "
            "both are one vehicle cannot be checked. Compare the session folders instead."
        )
        found.append(_warning("vehicle_unknown", text))
    m, n = first.masses.mass_kg, other.masses.mass_kg
    if abs(n - m) > _SAME_MASS * m:
        text = (
            f"{first.name} was driven with {m:.0f} kg, {other.name} with {n:.0f} kg. Road load is "
            f"compared for the {m:.0f} kg of {first.name}; F0 is taken to go with the mass."
        )
        found.append(Finding(kind="masses_differ", severity="note", text=text))
    return found


def _called(kind: str, name: str) -> str:
    return f"a {kind} {'called ' + repr(name) if name else 'without a name'}"


def _road(first: Side, other: Side, road: int | None) -> list[Finding]:
    """Report one-way sessions, and roads that differ or are unknown."""
    found = []
    one_way = [side.name for side in (first, other) if not side.separable]
    if one_way:
        text = (
            f"{listed(one_way)} was driven one way only: wind and slope pass for road load there. "
            "Drive both ways."
        )
        if len(one_way) == 2:
            text = text.replace(" was driven", " were driven")
        found.append(_warning("one_direction", text))
    if road == 0:
        text = (
            f"{first.name} and {other.name} were driven on different roads: surface and slope differ, "
            "and what the road does to tyres passes for a difference of the vehicle."
        )
        found.append(_warning("roads_differ", text))
    elif road is None:
        text = "Whether both were driven on one road cannot be told: positions are missing."
        found.append(Finding(kind="road_unknown", severity="note", text=text))
    return found


def _air(first: Side, other: Side) -> list[Finding]:
    """Report air that is a guess, and powers in air that differs."""
    found = []
    assumed = [side.name for side in (first, other) if side.air.temperature_c is None]
    if assumed:
        text = (
            f"The air of {listed(assumed)} is a guess: the road load is carried to reference air with "
            "it, and the interval is wide for that. State temperature and pressure in [air]."
        )
        found.append(_warning("air_unknown", text))
    if first.air.source == "assumed" or other.air.source == "assumed":
        return found
    ratio = other.air.density_kg_m3 / first.air.density_kg_m3
    if abs(ratio - 1.0) > _SAME_DENSITY and first.power is not None and other.power is not None:
        drives = {side.vehicle.drive for side in (first, other) if side.vehicle is not None}
        if drives == {"electric"}:
            return found
        more = "denser" if ratio > 1.0 else "thinner"
        text = (
            f"The air of {other.name} was {100 * abs(ratio - 1):.0f} % {more}. Wheel power is compared "
            "as tested: an engine that breathes freely makes about as much "
            f"{'more' if ratio > 1 else 'less'} for that alone. Compare in like weather."
        )
        found.append(_warning("power_air_differs", text))
    return found


def _wind(pair: Sequence[Side]) -> list[Finding]:
    """Report strong winds, and winds that differ."""
    found = []
    windy = [f"{s.name} ({abs(s.wind_mps):.0f} m/s)" for s in pair if _much_wind(s)]
    if windy:
        text = (
            f"There was much wind along the road in {listed(windy)}; the rules for official "
            f"coast-downs allow {_MOST_WIND_MPS:.0f} m/s. Wind from the side is not seen and passes "
            "for drag."
        )
        found.append(_warning("wind_strong", text))
    away = abs(abs(pair[1].wind_mps) - abs(pair[0].wind_mps))
    noise = (pair[0].wind_sd_mps ** 2 + pair[1].wind_sd_mps ** 2) ** 0.5
    if not windy and away > max(_OTHER_WIND_MPS, 2.0 * noise):
        text = (
            f"The wind along the road differed by {away:.0f} m/s between the sessions; gusts and wind "
            "from the side will have differed too, and are not in the interval."
        )
        found.append(_warning("winds_differ", text))
    return found


def _much_wind(side: Side) -> bool:
    return abs(side.wind_mps) > max(_MOST_WIND_MPS, 2.0 * side.wind_sd_mps)


def _runs(pair: Sequence[Side]) -> list[Finding]:
    """Report few runs, slip, scatter, and warnings of the sessions themselves."""
    found = []
    few = [f"{side.name} ({counted(side.runs, 'run')})" for side in pair if side.runs < _LEAST_RUNS]
    if few:
        text = (
            f"With fewer than {_LEAST_RUNS} runs in {listed(few)} it cannot be seen whether runs "
            "repeat; the interval trusts the model there."
        )
        found.append(Finding(kind="few_runs", severity="note", text=text))
    slipping = [
        f"{side.name} below {3.6 * side.power.lower_bound_below_mps:.0f} km/h"
        for side in pair
        if side.power is not None and side.power.lower_bound_below_mps is not None
    ]
    if slipping:
        text = (
            f"Tyres may have slipped in {listed(slipping)}: wheel power is a lower bound there, and a "
            "difference of it may be one of grip."
        )
        found.append(Finding(kind="tyres_may_slip", severity="note", text=text))
    scattered = [side.name for side in pair if side.scatter]
    if scattered:
        text = (
            f"The runs of {listed(scattered)} scatter more than noise, wind and slope explain, and "
            "the interval was widened for it. Find out why before believing a difference."
        )
        found.append(_warning("runs_scatter", text))
    serious = [
        f"{side.name} {counted(side.serious, 'warning or error', 'warnings or errors')}"
        for side in pair
        if side.serious
    ]
    if serious:
        text = f"In their own reports stand: {listed(serious)}. Read them first."
        found.append(Finding(kind="own_warnings", severity="note", text=text))
    return found
