"""`Trust`: how far to rely on a session's results, in one word with its causes.

The width of the interval gives the word. What speaks against the result itself, and not for a wider
interval, caps it: a figure that no vehicle of its kind has, sensors that contradict each other, runs
that do not belong together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.model.covariance import Z95
from analysis.physics.plausible import ROAD_LOAD_WINDOWS
from analysis.results.measured import Measured
from analysis.results.power import ROUGH_SHARE
from analysis.results.road_load import RoadLoad
from logger.findings import counted

__all__ = ["LEVELS", "Level", "Trust", "cause_name", "find_trust"]

Level = Literal["good", "fair", "rough", "doubtful"]
LEVELS: tuple[Level, ...] = ("good", "fair", "rough", "doubtful")

#: Half widths of the 95 % interval up to which a result is good, and fair. Our choice: a day's weather
#: moves an engine's power by 5 %, and 12 % is too much to tell two states of a vehicle apart.
_GOOD, _FAIR = 0.05, ROUGH_SHARE
#: The best level that goes with a finding of each kind.
_CAPS: dict[str, Level] = {
    "run_apart": "doubtful",
    "road_load_unusual": "doubtful",
    "sensors_differ": "doubtful",
    "speed_far_from_positions": "doubtful",
    "roads_differ": "doubtful",
    "speed_off_positions": "rough",
    "coast_vouched": "rough",
    "mass_unusual": "rough",
    "gears_doubted": "rough",
    "power_steps": "doubtful",
}
#: Of these the driver's word for neutral takes the doubt.
_NEUTRAL_LIFTS = ("road_load_unusual",)
#: F2 outside its kind's range by more than this many sd is a hint, and clear.
_HINT_SD, _CLEAR_SD = 0.0, 2.0

_CLUTCH = "the clutch pedal used in place of neutral"
#: What no log can show, whatever the interval says.
_NEVER_SEEN = (
    "a wind that is the same ahead in both directions",
    "a dragging brake",
    _CLUTCH,
    "part throttle in every pull",
    "an error of the mass beyond its stated uncertainty",
)
_PEDALLING = "pedalling lightly in what was to be freewheeling"
_STATED_DIRECTIONS = "whether the stated directions are on one road: there are no positions"


@dataclass(frozen=True, slots=True, kw_only=True)
class Trust:
    """How far to rely on the results.

    Parameters
    ----------
    level : {"good", "fair", "rough", "doubtful"}
        Doubtful: not to be relied on.
    why : tuple of str
        Sentences, the cause of the level first.
    interval_leaves_out : tuple of str
        What the intervals do not hold, because no log can show it.
    """

    level: Level
    why: tuple[str, ...]
    interval_leaves_out: tuple[str, ...] = _NEVER_SEEN


def find_trust(measured: Measured) -> Trust:
    """Rate a session's results by the wider of two intervals, then cap by what speaks against them.

    Parameters
    ----------
    measured : Measured
        Of one session, all findings included.

    Returns
    -------
    Trust
        Of coast-downs alone the road load's interval counts.
    """
    width_level, widths = _by_width(measured)
    caps = sorted(_caps(measured), key=lambda cap: -LEVELS.index(cap[0]))
    level = max([width_level, *(cap for cap, _ in caps)], key=LEVELS.index)
    # a cap that is milder than the interval's own word explains nothing
    causes = [text for cap, text in caps if LEVELS.index(cap) >= LEVELS.index(width_level)]
    # forces go with the mass: where it is implausible, whatever else is out of range follows from it
    masses = {finding.text for finding in measured.findings if finding.kind == "mass_unusual"}
    causes.sort(key=lambda text: text not in masses)
    serious = sum(finding.severity != "note" for finding in measured.findings)
    rest = [*widths]
    if serious:
        verb = "needs" if serious == 1 else "need"
        rest.append(f"{counted(serious, 'finding')} {verb} your eye.")
    leaves_out = [*_NEVER_SEEN]
    if measured.session.vehicle.kind == "bicycle":
        leaves_out[leaves_out.index(_CLUTCH)] = _PEDALLING
    if not _has_places(measured):
        leaves_out.append(_STATED_DIRECTIONS)
    return Trust(level=level, why=(*causes, *rest), interval_leaves_out=tuple(leaves_out))


def _has_places(measured: Measured) -> bool:
    return any(
        recording.channel(name) is not None
        for recording in measured.recordings
        for name in ("latitude_deg", "place_m", "heading_deg")
    )


def _by_width(measured: Measured) -> tuple[Level, list[str]]:
    """Return the level that the wider of the two 95 % intervals gives, and what widens it."""
    power, road_load = measured.power, measured.road_load
    known: list[tuple[float, str, dict[str, float]]] = []
    if power is not None:
        half = (power.peak_ci95_w[1] - power.peak_ci95_w[0]) / 2
        known.append((half / abs(power.peak_w), "peak wheel power", power.budget_w))
    if road_load is not None:
        known.append((_relative_half(road_load), "road load", road_load.budget_n))
    if not known:
        return "doubtful", ["Nothing could be measured."]
    widest, what, budget = max(known, key=lambda item: item[0])
    level: Level = "good" if widest <= _GOOD else "fair" if widest <= _FAIR else "rough"
    parts = " and ".join(f"the {name} within {_percent(relative)}" for relative, name, _ in known)
    reasons = [f"{parts[0].upper()}{parts[1:]} (95 %)."]
    if budget:
        cause = max(budget, key=lambda name: budget[name])
        reasons.append(f"What widens the {what} most: {cause_name(cause)}.")
    if not measured.site.separable:
        reasons.append("Only one direction was driven; driving both ways helps most.")
    return level, reasons


def _relative_half(load: RoadLoad) -> float:
    """Return half the 95 % interval of the road load over the load, at the speed of its budget."""
    at = np.array([load.budget_speed_mps])
    return Z95 * float(load.force_sd_n(at)[0]) / abs(float(load.force_n(at)[0]))


def _percent(ratio: float) -> str:
    return f"{100 * ratio:.{0 if ratio > 0.1 else 1}f} %"


def _caps(measured: Measured) -> Iterator[tuple[Level, str]]:
    """Give each reason why the level can be no better than this, with that level."""
    kept = _vouched(measured)
    for finding in measured.findings:
        cap = _CAPS.get(finding.kind)
        if cap is not None:
            lifted = kept and finding.kind in _NEUTRAL_LIFTS
            yield "rough" if lifted else cap, finding.text
    if measured.road_load is not None and measured.road_load.separable:
        yield from _coefficient_caps(measured, measured.road_load, kept)
    if measured.power is not None and len(measured.pulls) == 1:
        yield "fair", "A single pull cannot show how well it repeats."
    coasts = [phase for run in measured.runs for phase in run.phases if phase.kind == "coast"]
    unsupported = [
        run.number + 1
        for run in measured.runs
        if (coast := run.phase("coast")) and coast.used
        if (pull := run.phase("pull")) is None or not pull.used
    ]
    if measured.session.vehicle.kind == "bicycle" and unsupported and not kept:
        yield (
            "rough",
            (
                f"No pull comes before {counted(len(unsupported), 'coast-down')} of this bicycle, and light "
                "pedalling looks like less resistance: where it was freewheeling, state neutral = true."
            ),
        )
    if measured.power is None and sum(phase.used for phase in coasts) == 1:
        yield "rough", "A single coast-down without a pull: nothing else shows that it was neutral."


def _vouched(measured: Measured) -> bool:
    """Return whether the driver vouches for neutral in every log with a used coast-down."""
    logs = {
        run.log
        for run in measured.runs
        for phase in run.phases
        if phase.kind == "coast" and phase.used
    }
    return bool(logs) and all(measured.session.logs[log].neutral for log in logs)


def _coefficient_caps(
    measured: Measured, load: RoadLoad, vouched: bool
) -> Iterator[tuple[Level, str]]:
    """Give a reason where F0 is negative, or a coefficient clearly outside what its kind has."""
    vehicle = measured.session.vehicle
    f0_sd, _, f2_sd = np.sqrt(np.diag(load.covariance)).tolist()
    if load.f0_n < 0.0:
        clear = load.f0_n < -f0_sd
        yield (
            "doubtful" if clear else "rough",
            (
                f"F0 is negative ({load.f0_n:.0f} N), which no rolling resistance is: a slope, a wind or a "
                "push is taken for the vehicle's own."
            ),
        )
    low, high = ROAD_LOAD_WINDOWS[vehicle.kind].f2_n_per_mps2
    beyond_sd = max(low - load.f2_n_per_mps2, load.f2_n_per_mps2 - high) / f2_sd
    if beyond_sd > _HINT_SD:
        clear = beyond_sd > _CLEAR_SD and not vouched
        yield (
            "doubtful" if clear else "rough",
            (
                f"F2 is {load.f2_n_per_mps2:.3f} N/(m/s)^2 (sd {f2_sd:.3f}), where a {vehicle.kind} has {low:g} "
                f"to {high:g}: another mass or kind of vehicle than stated, a unit of speed, or a gear."
            ),
        )


#: What the causes of a budget are called in plain words.
_CAUSES = {
    "noise": "noise of the sensors",
    "wind": "wind",
    "slope": "slope of the road",
    "lag": "delay of the GPS",
    "mount": "mount of the phone",
    "mass": "mass of the vehicle",
    "road_load": "road load",
}


def cause_name(cause: str) -> str:
    """Return the plain words for one cause of a budget."""
    return _CAUSES.get(cause, cause.replace("_", " "))
