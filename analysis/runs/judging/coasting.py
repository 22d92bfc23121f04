"""Whether a slowing can be a coast-down in neutral, judged by itself."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import pairwise

import numpy as np

from analysis.physics.plausible import ROAD_LOAD_WINDOWS
from analysis.runs.run import Phase, Run
from analysis.signals.smoothing import Fused
from logger.findings import Finding
from logger.session.session import Session, Vehicle
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = [
    "force_window_n",
    "freewheeling_n",
    "judge_coasts",
    "touched_findings",
    "vouched_findings",
]

#: How far outside the window of its kind a vehicle may lie: tyres, loads, boxes, wet roads.
_HIGHER, _LOWER = 1.35, 0.5
#: A coast-down after a pull lasts at least this long [s].
_LEAST_S = 10.0
#: A coast-down with no pull in front must look meant: this long [s], losing this much [m/s], or
#: filling this share of its recording, or so long [s] that traffic does not do it, losing this share
#: of its speed.
_MEANT_S, _MEANT_LOSS_MPS, _MEANT_SHARE = 18.0, 4.0, 0.5
_LONG_S, _LONG_LOSS = 40.0, 0.25
#: A rider who freewheels has at least this rolling share of the weight and this F2 [N/(m/s)^2]: a racing
#: cyclist lying low has a drag area of 0.2 m2; common practice, no source.
_RIDER_ROLLING, _RIDER_F2 = 0.003, 0.12
#: A coast-down of a bicycle is looked at in so many parts, each against a slope of so many sd.
_PARTS, _SLOPE_SDS = 3, 1.5
#: A touched brake: what rolls on begins this soon after it [s], and lasts this long [s].
_ROLLS_ON_S, _ROLLS_FOR_S = 3.0, 5.0


def judge_coasts(run: Run, fused: Fused, session: Session, vouched: bool) -> Run:
    """Mark a run's coast-down as not used where it cannot be one.

    Parameters
    ----------
    run : Run
        As found.
    fused : Fused
        Its recording.
    session : Session
        Vehicle and site.
    vouched : bool
        Whether the driver vouches for neutral; nothing is then marked.
    """
    coast = run.phase("coast")
    if coast is None or not coast.used or vouched:
        return run
    why = _too_hard(coast, session)
    if why is None and session.vehicle.kind == "bicycle":
        why = _pedalled(coast, fused, session)
    if why is None and run.phase("pull") is None:
        why = _not_meant(coast, fused)
    elif why is None and coast.end_s - coast.start_s < _LEAST_S:
        why = f"{coast.end_s - coast.start_s:.0f} s are too short to tell neutral from a gear"
    return run if why is None else run.without("coast", why)


def force_window_n(vehicle: Vehicle, speed_mps: float) -> tuple[float, float]:
    """Return two road loads [N] that no vehicle of its kind undercuts and exceeds."""
    window = ROAD_LOAD_WINDOWS[vehicle.kind]
    weight_n = vehicle.mass_kg * STANDARD_GRAVITY_MPS2
    least = window.rolling_share[0] * weight_n + window.f2_n_per_mps2[0] * speed_mps**2
    most = window.rolling_share[1] * weight_n + window.f2_n_per_mps2[1] * speed_mps**2
    return _LOWER * least, _HIGHER * most


def freewheeling_n(vehicle: Vehicle, speed_mps: float) -> float:
    """Return the least road load [N] of a rider who sits in the open and does not pedal."""
    weight_n = vehicle.mass_kg * STANDARD_GRAVITY_MPS2
    return _RIDER_ROLLING * weight_n + _RIDER_F2 * speed_mps**2


def _too_hard(phase: Phase, session: Session) -> str | None:
    """Return why a slowing is too hard for neutral, or None."""
    vehicle, site = session.vehicle, session.site
    mean_mps = 0.5 * (phase.from_mps + phase.to_mps)
    slows = (phase.from_mps - phase.to_mps) / (phase.end_s - phase.start_s)
    uphill = STANDARD_GRAVITY_MPS2 * (abs(site.slope) + 3.0 * max(site.slope_sd, 0.003))
    most = force_window_n(vehicle, mean_mps)[1] / vehicle.effective_mass_kg + uphill
    if slows <= most:
        return None
    return (
        f"it slows by {slows:.2f} m/s2 at {3.6 * mean_mps:.0f} km/h, which is more than a "
        f"{vehicle.kind} in neutral does ({most:.2f}): engine braking or the brake"
    )


def _pedalled(coast: Phase, fused: Fused, session: Session) -> str | None:
    """Return why a bicycle's slowing was not freewheeling, or None."""
    curve, vehicle, site = fused.curve, session.vehicle, session.site
    if curve is None:
        return None
    good = np.isfinite(curve.speed_mps)
    edge_s = np.linspace(coast.start_s, coast.end_s, _PARTS + 1)
    speed = np.interp(edge_s, curve.time_s[good], curve.speed_mps[good])
    downhill = STANDARD_GRAVITY_MPS2 * (abs(site.slope) + _SLOPE_SDS * site.slope_sd)
    for part in range(_PARTS):
        mean_mps = 0.5 * float(speed[part] + speed[part + 1])
        slows = float((speed[part] - speed[part + 1]) / (edge_s[part + 1] - edge_s[part]))
        least = freewheeling_n(vehicle, mean_mps) / vehicle.effective_mass_kg
        if slows < least - downhill:
            return (
                f"from {edge_s[part]:.0f} to {edge_s[part + 1]:.0f} s it slows by {slows:.2f} m/s2 at "
                f"{3.6 * mean_mps:.0f} km/h, where a bicycle that freewheels on a level road slows by "
                f"{least:.2f} or more: pedalling, or a road that falls by more than [site] says. Where it "
                "was freewheeling, state neutral = true in its [[log]]"
            )
    return None


def _not_meant(phase: Phase, fused: Fused) -> str | None:
    """Return why a coast-down without a pull in front is doubtful, or None."""
    loss = phase.from_mps - phase.to_mps
    duration = phase.end_s - phase.start_s
    if duration >= _MEANT_S and loss >= _MEANT_LOSS_MPS:
        return None
    if duration >= _LONG_S and loss >= _LONG_LOSS * phase.from_mps:
        return None
    curve = fused.curve
    if curve is not None and duration >= _MEANT_SHARE * float(curve.time_s[-1] - curve.time_s[0]):
        return None
    return (
        f"it loses {3.6 * loss:.0f} km/h in {duration:.0f} s with no pull before it, which is more likely traffic "
        f"than a coast-down; where it was one in neutral, state neutral = true in its [[log]]"
    )


def vouched_findings(
    runs: Sequence[Run], vouched: Collection[int], session: Session
) -> tuple[Finding, ...]:
    """Warn of coast-downs that only the driver's word for neutral keeps."""
    kept = [(run, coast) for run in runs if (coast := run.phase("coast")) and run.log in vouched]
    return tuple(
        run.finding(
            "coast_vouched",
            "warning",
            f"The coast-down at {coast.start_s:.0f} to {coast.end_s:.0f} s is used because its log says "
            f"neutral = true: {why}.",
            coast.start_s,
        )
        for run, coast in kept
        if coast.used and (why := _too_hard(coast, session)) is not None
    )


def touched_findings(runs: Sequence[Run]) -> tuple[Finding, ...]:
    """Name used coast-downs that something like the brake ends, and after which the vehicle rolls on."""
    findings = []
    for run, later in pairwise(runs):
        coast, brake, on = run.phase("coast"), run.phase("brake"), later.phase("coast")
        if coast is None or not coast.used or brake is None or on is None or later.log != run.log:
            continue
        rolls_on = later.phase("pull") is None and on.end_s - on.start_s >= _ROLLS_FOR_S
        if not rolls_on or not 0.0 <= on.start_s - brake.end_s <= _ROLLS_ON_S:
            continue
        length_s = max(brake.end_s - coast.end_s, 0.1)
        text = (
            f"The coast-down ends at {coast.end_s:.0f} s and {3.6 * coast.to_mps:.0f} km/h, where the vehicle "
            f"slows by {(coast.to_mps - brake.to_mps) / length_s:.2f} m/s2 for {length_s:.0f} s and then "
            f"rolls on: a touch of the brake. What follows is judged by itself, as run {later.number + 1}."
        )
        findings.append(run.finding("brake_touched", "warning", text, coast.end_s))
    return tuple(findings)
