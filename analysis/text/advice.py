"""What limits a result, what speaks for trusting it, and what to do better next time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.text.numbers import Units, cause_name, counted, number, road_load_at

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.pipeline import Analysis

__all__ = ["Advice", "Check", "Limit", "Share", "advice", "checks", "limits"]

#: Two-sided 95 % of the normal distribution.
_Z95 = 1.959964
#: What twice as many runs leave of each part but the mass's: 0.71 where runs are independent, and
#: measured on simulated sessions of three and of six pairs: 0.6 to 0.9 but for one receiver's delay.
_TWICE = 0.8
#: Causes below this share of the variance are not worth advice.
_WORTH = 0.15
_MOST_ADVICE = 4

#: What to do about each cause.
_REMEDIES = {
    "noise": "More runs, all made in the same way: noise averages out.",
    "wind": "A calmer day, and the two runs of a pair soon after one another: gusts do not cancel.",
    "slope": "More pairs over the same stretch of road, or a surveyed slope in [site].",
    "lag": "Release the throttle sharply at the end of each pull: it shows how late the GPS is.",
    "mount": "A mount that does not give, and five seconds at rest before and after each run.",
    "mass": "Weigh the vehicle as driven, with people, fuel and load.",
    "road_load": "More coast-downs through the speed of the peak, both ways.",
}


@dataclass(frozen=True, slots=True)
class Share:
    """One cause of uncertainty: its sd in the result's SI unit and its share of the variance."""

    cause: str
    name: str
    sd: float
    share: float


@dataclass(frozen=True, slots=True)
class Limit:
    """What limits one result.

    `half` is half the 95 % interval that the causes make together, `half_twice` what twice as many runs
    would leave of it, both in the result's SI unit; `shares` come largest first.
    """

    result: str
    quantity: str
    shares: tuple[Share, ...]
    half: float
    half_twice: float


@dataclass(frozen=True, slots=True)
class Check:
    """One reason to trust the result, or not to: `good` or not, and a sentence."""

    good: bool
    text: str


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to do better: what to do, and what it would bring ("" where that is not known)."""

    text: str
    gain: str


def limits(outcome: Analysis) -> tuple[Limit, ...]:
    """Return what limits the peak wheel power [W] and the road load [N], of those that are known.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    """
    found = []
    if outcome.power is not None:
        found.append(_limit("peak wheel power", "power", outcome.power.budget_w))
    if outcome.road_load is not None:
        found.append(_limit("road load", "force", outcome.road_load.budget_n))
    return tuple(limit for limit in found if limit.shares)


def _limit(result: str, quantity: str, budget: Mapping[str, float]) -> Limit:
    total = math.fsum(sd**2 for sd in budget.values()) or 1.0
    shares = sorted(
        (Share(cause, cause_name(cause), sd, sd**2 / total) for cause, sd in budget.items()),
        key=lambda share: -share.sd,
    )
    twice = math.fsum(
        share.sd**2 * (1.0 if share.cause == "mass" else _TWICE**2) for share in shares
    )
    return Limit(result, quantity, tuple(shares), _Z95 * math.sqrt(total), _Z95 * math.sqrt(twice))


def advice(outcome: Analysis, units: Units) -> tuple[Advice, ...]:
    """Return what would make the result better, what helps most first.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    units : Units
        For people.

    Returns
    -------
    tuple of Advice
        At most four; what is missing altogether comes before what is uncertain.
    """
    found = [Advice(text, "") for text in _missing(outcome)]
    shares = [(share, limit) for limit in limits(outcome) for share in limit.shares]
    worth = sorted((pair for pair in shares if pair[0].share >= _WORTH), key=lambda p: -p[0].share)
    told: set[str] = set()
    for share, limit in worth:
        remedy = _REMEDIES.get(share.cause)
        if remedy is not None and remedy not in told:
            told.add(remedy)
            found.append(Advice(remedy, _gain(share, limit, units)))
    return tuple(found[:_MOST_ADVICE])


def _missing(outcome: Analysis) -> list[str]:
    """Return what to do about what the session lacks."""
    texts = []
    if outcome.road_load is None:
        texts.append("Coast down in neutral after each pull, from its highest speed to 20 km/h.")
    if not outcome.site.separable:
        texts.append("Drive the other way too: wind and slope change sign, the vehicle does not.")
    if outcome.power is None:
        tried = any(
            phase.kind == "pull" and phase.used for run in outcome.runs for phase in run.phases
        )
        texts.append(
            "Pull longer in each gear and drive more pairs, to find the wheel power."
            if tried
            else "Add full-throttle pulls to find the wheel power."
        )
    elif len(outcome.pulls) < 3:
        texts.append("Make three pulls or more each way, to see how well they repeat.")
    load = outcome.road_load
    if load is not None and not load.separable:
        texts.append(
            "Coast down over a wider range, from a high speed to 20 km/h, for the three coefficients."
        )
    without = [sensor for sensor in outcome.sensors if not sensor.accel_used]
    if outcome.sensors and len(without) == len(outcome.sensors):
        texts.append(
            "Record the raw accelerometer as well, with the phone in a mount and five seconds at rest."
        )
    return texts


def _gain(share: Share, limit: Limit, units: Units) -> str:
    """Say what halving one cause would leave of the interval."""
    variance = (limit.half / _Z95) ** 2 - 0.75 * share.sd**2
    halved = _Z95 * math.sqrt(max(variance, 0.0))
    scale, unit = (units.power_w, units.power) if limit.quantity == "power" else (1.0, "N")
    before, after = (number(half / scale, half / scale) for half in (limit.half, halved))
    name = share.name[0].upper() + share.name[1:]
    part = f"{name} makes {100 * share.share:.0f} % of the {limit.result}'s uncertainty, in squares"
    if before == after:
        return f"{part}."
    return f"{part}; halved, it would leave \u00b1{after} of \u00b1{before} {unit}."


def checks(outcome: Analysis, units: Units) -> tuple[Check, ...]:
    """Return what speaks for trusting the figures and what against.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    units : Units
        For people.
    """
    directions = [run.direction for run in outcome.used_runs]
    up, down = directions.count(1), directions.count(-1)
    both = outcome.site.separable
    found = [
        Check(
            both,
            f"Driven both ways, {up} up and {down} down: wind and slope are told apart from the vehicle."
            if both
            else "Driven one way only: wind and slope cannot be told from the vehicle.",
        )
    ]
    power, load = outcome.power, road_load_at(outcome)
    scatter = max(
        power.scatter_factor if power else 1.0,
        outcome.road_load.scatter_factor if outcome.road_load else 1.0,
    )
    if len(directions) > 2:
        found.append(
            Check(
                scatter <= 1.0,
                "No run pulls the result further than its noise allows."
                if scatter <= 1.0
                else f"Runs scatter {scatter:.1f} times as far as noise explains; the interval is "
                "widened by that.",
            )
        )
    if power is not None and len(outcome.pulls) < 3:
        pulls = counted(len(outcome.pulls), "pull")
        found.append(Check(False, f"Only {pulls}: how well they repeat is hardly known."))
    accel = [sensor.accel_used for sensor in outcome.sensors]
    if accel:
        found.append(_accel_check(accel))
    if load is not None and outcome.air.source == "assumed":
        found.append(
            Check(False, "No weather stated: the road load cannot be carried over to another day.")
        )
    vehicle = outcome.session.vehicle
    if "mass_uncertainty" not in vehicle.stated:
        share = 100 * vehicle.mass_sd_kg / vehicle.mass_kg
        found.append(
            Check(False, f"No uncertainty of the mass was stated: {share:.1f} % is assumed.")
        )
    return tuple(found)


def _accel_check(accel: list[bool]) -> Check:
    used, every = accel.count(True), len(accel)
    if used == every:
        where = "in the only log" if every == 1 else f"in all {every} logs"
        return Check(True, f"GPS and accelerometer are used together {where}.")
    if used == 0:
        return Check(False, "GPS alone: gear changes and the delay of the GPS are seen less well.")
    return Check(False, f"The accelerometer could be used in {used} of {every} logs only.")
