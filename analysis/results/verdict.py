"""`Verdict`: how far to trust a session's results, what limits them, and what would make them better."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from analysis.model.covariance import Z95
from analysis.results.measured import Measured
from analysis.results.trust import Trust, cause_name, find_trust
from logger.findings import counted

__all__ = [
    "Advice",
    "Check",
    "Gain",
    "Limit",
    "Share",
    "Verdict",
    "find_verdict",
]

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """One cause of uncertainty: its sd in the result's SI unit and its share of the variance."""

    cause: str
    name: str
    sd: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """What halving one cause would leave of half a result's 95 % interval, in its SI unit."""

    share: Share
    result: str
    quantity: str
    half: float
    halved: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One thing to do better, and what it would bring where that is known."""

    text: str
    gain: Gain | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One reason to trust the result, or not to: `good` or not, and a sentence."""

    good: bool
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What a reader needs beside the figures: trust, the reasons for it, limits and advice."""

    trust: Trust
    checks: tuple[Check, ...]
    limits: tuple[Limit, ...]
    advice: tuple[Advice, ...]


def find_verdict(measured: Measured) -> Verdict:
    """Judge a session's results by their intervals, budgets and findings.

    Parameters
    ----------
    measured : Measured
        Of one session.

    Returns
    -------
    Verdict
        At most four pieces of advice; what is missing comes before what is uncertain.
    """
    limits = _limits(measured)
    return Verdict(
        trust=find_trust(measured),
        checks=_checks(measured),
        limits=limits,
        advice=_advice(measured, limits),
    )


def _checks(measured: Measured) -> tuple[Check, ...]:
    """Return what speaks for trusting the figures and what against."""
    directions = [run.direction for run in measured.used_runs]
    up, down = directions.count(1), directions.count(-1)
    both = measured.site.separable
    found = [
        Check(
            good=both,
            text=f"Driven both ways, {up} up and {down} down: wind and slope are told apart from the vehicle."
            if both
            else "Driven one way only, or on two roads: wind and slope cannot be told from the vehicle.",
        )
    ]
    power, load = measured.power, measured.road_load
    scatter = max(
        power.scatter_factor if power else 1.0,
        load.scatter_factor if load else 1.0,
    )
    if len(directions) > 2:
        found.append(
            Check(
                good=scatter <= 1.0,
                text="No run pulls the result further than its noise allows."
                if scatter <= 1.0
                else f"Runs scatter {scatter:.1f} times as far as noise explains; the interval is "
                "widened by that.",
            )
        )
    if power is not None and len(measured.pulls) < 3:
        pulls = counted(len(measured.pulls), "pull")
        found.append(Check(good=False, text=f"Only {pulls}: how well they repeat is hardly known."))
    accel = [sensor.accel_used for sensor in measured.sensors]
    if accel:
        found.append(_accel_check(accel))
    if load is not None and measured.air.source == "assumed":
        found.append(
            Check(
                good=False,
                text="No weather stated: the road load cannot be carried over to another day.",
            )
        )
    vehicle = measured.session.vehicle
    if "mass_uncertainty" not in vehicle.stated:
        share = 100 * vehicle.mass_sd_kg / vehicle.mass_kg
        found.append(
            Check(
                good=False, text=f"No uncertainty of the mass was stated: {share:.1f} % is assumed."
            )
        )
    return tuple(found)


def _accel_check(accel: list[bool]) -> Check:
    used, every = accel.count(True), len(accel)
    if used == every:
        where = "in the only log" if every == 1 else f"in all {every} logs"
        return Check(good=True, text=f"GPS and accelerometer are used together {where}.")
    if used == 0:
        return Check(
            good=False, text="GPS alone: gear changes and the delay of the GPS are seen less well."
        )
    return Check(
        good=False, text=f"The accelerometer could be used in {used} of {every} logs only."
    )


def _limits(measured: Measured) -> tuple[Limit, ...]:
    """Return what limits the peak wheel power [W] and the road load [N], of those that are known."""
    found = []
    if measured.power is not None:
        found.append(_limit("peak wheel power", "power", measured.power.budget_w))
    if measured.road_load is not None:
        found.append(_limit("road load", "force", measured.road_load.budget_n))
    return tuple(limit for limit in found if limit.shares)


def _limit(result: str, quantity: str, budget: Mapping[str, float]) -> Limit:
    """Sort a budget's causes by their share of the variance, which adds in squares."""
    total = math.fsum(sd**2 for sd in budget.values()) or 1.0
    shares = sorted(
        (
            Share(cause=cause, name=cause_name(cause), sd=sd, share=sd**2 / total)
            for cause, sd in budget.items()
        ),
        key=lambda share: -share.sd,
    )
    twice = math.fsum(
        share.sd**2 * (1.0 if share.cause == "mass" else _TWICE**2) for share in shares
    )
    return Limit(
        result=result,
        quantity=quantity,
        shares=tuple(shares),
        half=Z95 * math.sqrt(total),
        half_twice=Z95 * math.sqrt(twice),
    )


def _advice(measured: Measured, limits: tuple[Limit, ...]) -> tuple[Advice, ...]:
    """Return what would make the result better, what helps most first."""
    found = [Advice(text=text) for text in _missing(measured)]
    shares = [(share, limit) for limit in limits for share in limit.shares]
    worth = sorted((pair for pair in shares if pair[0].share >= _WORTH), key=lambda p: -p[0].share)
    given: set[str] = set()
    for share, limit in worth:
        remedy = _REMEDIES.get(share.cause)
        if remedy is not None and remedy not in given:
            given.add(remedy)
            found.append(Advice(text=remedy, gain=_gain(share, limit)))
    return tuple(found[:_MOST_ADVICE])


def _gain(share: Share, limit: Limit) -> Gain:
    """Return what halving one cause would leave: a quarter of its variance stays."""
    variance = (limit.half / Z95) ** 2 - 0.75 * share.sd**2
    return Gain(
        share=share,
        result=limit.result,
        quantity=limit.quantity,
        half=limit.half,
        halved=Z95 * math.sqrt(max(variance, 0.0)),
    )


def _missing(measured: Measured) -> list[str]:
    """Return what to do about what the session lacks."""
    texts = []
    if measured.road_load is None:
        texts.append("Coast down in neutral after each pull, from its highest speed to 20 km/h.")
    if not measured.site.separable:
        texts.append("Drive the other way too: wind and slope change sign, the vehicle does not.")
    if measured.power is None:
        tried = any(
            phase.kind == "pull" and phase.used for run in measured.runs for phase in run.phases
        )
        texts.append(
            "Pull longer in each gear and drive more pairs, to find the wheel power."
            if tried
            else "Add full-throttle pulls to find the wheel power."
        )
    elif len(measured.pulls) < 3:
        texts.append("Make three pulls or more each way, to see how well they repeat.")
    load = measured.road_load
    if load is not None and not load.separable:
        texts.append(
            "Coast down over a wider range, from a high speed to 20 km/h, for the three coefficients."
        )
    without = [sensor for sensor in measured.sensors if not sensor.accel_used]
    if measured.sensors and len(without) == len(measured.sensors):
        texts.append(
            "Record the raw accelerometer as well, with the phone in a mount and five seconds at rest."
        )
    return texts
