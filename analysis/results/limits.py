"""Where wheel power is a lower bound, and where it leans on a road load that was not coasted through.

The phone sees the vehicle: power that spins the driven wheels is missing from its acceleration.
On a dry road (friction 0.9) an axle that carries half of the weight, and a third of the wheelbase as
height of the centre of gravity, pushes with at most 0.4 to 0.5 of the vehicle's weight
(T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 2, traction-limited acceleration, from
memory). Close to that, power is a lower bound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.model.fit import SessionFit
from analysis.physics.vehicle import effective_mass_kg
from analysis.results.power import PowerCurve
from analysis.results.road_load import RoadLoad
from analysis.results.site_and_sensors import engine_turns
from logger.findings import Finding, Severity
from logger.recording import Recording
from logger.session.session import Vehicle
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = ["continued_above", "drop_uninformative", "limit_power", "lower_bound_below"]

#: Share of the weight with which one driven axle comes near what tyres hold on a dry road.
_NEAR_LIMIT = {"motorcycle": 0.8, "bicycle": 0.5}
_NEAR_LIMIT_OTHERS = 0.40
#: Engine speed over road speed this much above its value at the upper speeds of the same gear.
_SLIP = 1.06
#: Fewer points, or bins of an engine speed, are no evidence.
_LEAST_BINS = 4
#: No peak is reported when its standard deviation exceeds this share of it.
_KNOWN_SHARE = 0.5
#: Power up to this far above the speeds that were coasted through is as good as inside them.
_CONTINUED = 1.03


def drop_uninformative(power: PowerCurve | None) -> tuple[PowerCurve | None, tuple[Finding, ...]]:
    """Return None and a warning if the peak's sd exceeds half of it, else the power as it is."""
    if power is None or power.peak_sd_w <= _KNOWN_SHARE * power.peak_w:
        return power, ()
    share = min(power.peak_sd_w / max(power.peak_w, 1e-9), 1.0)
    text = (
        "No wheel power is given: what could be used of the pulls tells its peak no better than to "
        f"{100 * share:.0f} % (one standard deviation), where {100 * _KNOWN_SHARE:.0f} % are the most. "
        "The stretches of full throttle in one gear are too short or too few. Pull longer in each "
        "gear, drive more pairs, and record acceleration as well."
    )
    return None, (Finding(kind="power_unknown", severity="warning", text=text),)


def limit_power(
    power: PowerCurve | None,
    load: RoadLoad | None,
    fit: SessionFit,
    recordings: Sequence[Recording],
    vehicle: Vehicle,
) -> tuple[PowerCurve | None, tuple[Finding, ...]]:
    """Mark the speeds where wheel power is a lower bound or leans on a continued road load."""
    below_mps, slip = lower_bound_below(power, fit, recordings, vehicle)
    above_mps, beyond = continued_above(load, power)
    if power is not None:
        power = replace(power, lower_bound_below_mps=below_mps, continued_above_mps=above_mps)
    return power, (*slip, *beyond)


def lower_bound_below(
    power: PowerCurve | None, fit: SessionFit, recordings: Sequence[Recording], vehicle: Vehicle
) -> tuple[float | None, tuple[Finding, ...]]:
    """Return the speed below which wheel power is a lower bound because tyres may slip.

    Parameters
    ----------
    power : PowerCurve or None
        The session's; None gives no answer.
    fit : SessionFit
        For the pulls' speeds and gears.
    recordings : sequence of Recording
        For a logged engine speed on the first clock.
    vehicle : Vehicle
        Kind and masses.

    Returns
    -------
    below_mps : float or None
        Speed [m/s]; None without evidence.
    findings : tuple of Finding
        The evidence in words; a warning where it reaches up to the peak.
    """
    if power is None:
        return None, ()
    hard_mps, share = _hard_push(power, vehicle)
    slip_mps, slip = _engine_ahead(fit, recordings)
    reasons = []
    if hard_mps:
        reasons.append(
            f"up to {3.6 * hard_mps:.0f} km/h the vehicle pushes with up to {share:.2f} of its weight, "
            "near what the tyres of one axle hold on a dry road"
        )
    if slip_mps:
        reasons.append(
            f"up to {3.6 * slip_mps:.0f} km/h the engine turns up to {100 * (slip - 1):.0f} % faster for "
            "the speed than higher up in the same gear: wheels, clutch or converter slip"
        )
    if not reasons:
        return None, ()
    below = max(hard_mps, slip_mps)
    reaches = below >= power.peak_speed_mps
    tail = ", the peak included" if reaches else "; the peak lies above it"
    text = f"{'; '.join(reasons)}. Wheel power below {3.6 * below:.0f} km/h is a lower bound{tail}."
    severity: Severity = "warning" if reaches else "note"
    finding = Finding(kind="wheelspin_possible", severity=severity, text=text[0].upper() + text[1:])
    return below, (finding,)


def _hard_push(power: PowerCurve, vehicle: Vehicle) -> tuple[float, float]:
    """Return up to which speed [m/s] the push is near the tyres' limit, and its largest share."""
    limit = _NEAR_LIMIT.get(vehicle.kind, _NEAR_LIMIT_OTHERS)
    weight_n = effective_mass_kg(vehicle)[0] * STANDARD_GRAVITY_MPS2
    below, most = 0.0, 0.0
    for gear in power.gears:
        moving = gear.speed_mps > 1.0
        share = gear.power_w[moving] / gear.speed_mps[moving] / weight_n
        certain = share - gear.sd_w[moving] / gear.speed_mps[moving] / weight_n >= limit
        if int(certain.sum()) < _LEAST_BINS:
            continue  # a point or two of a launch are no evidence
        below = max(below, float(gear.speed_mps[moving][certain].max()))
        most = max(most, float(share[certain].max()))
    return below, most


def _engine_ahead(fit: SessionFit, recordings: Sequence[Recording]) -> tuple[float, float]:
    """Return up to which speed [m/s] the engine runs ahead of the road in a gear, and how far."""
    below, most = 0.0, 1.0
    for drive, speed, turns in engine_turns(fit, recordings):
        for gear in np.unique(drive[drive >= 0]):
            use = (drive == gear) & (speed > 1.0) & (turns > 0.0)
            ahead = _ahead(turns[use] / speed[use])
            if ahead.size:
                below = max(below, float(speed[use][: ahead.size].max()))
                most = max(most, float(ahead.max()))
    return below, most


def _ahead(ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return by how much the first bins of a gear lie above its last half, as far as they do."""
    if ratio.size < 2 * _LEAST_BINS:
        return np.zeros(0)
    relative = ratio / float(np.median(ratio[ratio.size // 2 :]))
    over = np.flatnonzero(relative[: ratio.size // 2] > _SLIP)
    return relative[: over[-1] + 1] if over.size >= _LEAST_BINS else np.zeros(0)


def continued_above(
    load: RoadLoad | None, power: PowerCurve | None
) -> tuple[float | None, tuple[Finding, ...]]:
    """Return the speed above which wheel power leans on the road load's curve continued.

    The covariance of the coefficients widens its interval there; that the curve goes on as it is,
    nothing shows.

    Parameters
    ----------
    load : RoadLoad or None
        The session's, or an earlier session's.
    power : PowerCurve or None
        The session's.

    Returns
    -------
    above_mps : float or None
        Speed [m/s]; None where the coast-downs reach as far as the pulls.
    findings : tuple of Finding
        A warning where the peak lies there, else a note.
    """
    if load is None or power is None:
        return None, ()
    tops = [float(gear.speed_mps[-1]) for gear in power.gears if gear.speed_mps.size]
    high = load.speed_range_mps[1]
    if max(tops, default=0.0) <= _CONTINUED * high:
        return None, ()
    peak = power.peak_speed_mps > _CONTINUED * high
    text = (
        f"Above {3.6 * high:.0f} km/h nothing was coasted through: there the wheel power"
        f"{', its peak included,' if peak else ''} leans on the road load's curve continued. Coast "
        "down from the highest speed of the pulls."
    )
    return high, (
        Finding(kind="road_load_continued", severity="warning" if peak else "note", text=text),
    )
