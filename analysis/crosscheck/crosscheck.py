"""Timed runs against a session: predicted times, what explains the rest, and the customary sum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.crosscheck.gate_fit import (
    gate_covariance_s2,
    mean_wheel_power_w,
    road_load_from_gates,
)
from analysis.crosscheck.gate_model import GateModel, slope_accel_mps2
from analysis.crosscheck.scope import Alignment
from analysis.crosscheck.segments import (
    SegmentSum,
    arithmetic_steps,
    explain_segment_sum,
    pull_mean_power_w,
    segment_sum,
    weighted_segments_w,
)
from analysis.crosscheck.speedometer import (
    WRONG_SIGMA,
    SpeedometerFit,
    fit_speedometer,
    gate_slopes,
)
from analysis.crosscheck.timed_runs import TimedRun
from analysis.model.covariance import Z95
from analysis.physics.vehicle import effective_mass_kg
from analysis.results.power import PowerCurve
from logger.session.session import Vehicle

__all__ = ["CrossCheck", "GateResult", "cross_check", "cross_check_alone"]

#: So many timed intervals are needed before scale and reaction are estimated.
_ENOUGH = 3
#: Within this many sigma two times agree.
_AGREES = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GateResult:
    """One timed interval beside its prediction.

    Parameters
    ----------
    run : TimedRun
        As timed.
    predicted_s, predicted_sd_s : float or None
        Level road, still air, air of the day; sd of the model alone [s].
    predicted_up_s, predicted_down_s : float or None
        On the session's road in its wind, each way [s].
    measured_sd_s : float or None
        From the errors of time and gates [s].
    z : float or None
        Timed minus predicted over the sd of both, speedometer and marks taken as true.
    z_explained : float or None
        The same after speedometer scale and reaction time, where those were estimated.
    odd : bool
        Whether this interval disagrees with all the others.
    verdict : str
        In plain words.
    """

    run: TimedRun
    predicted_s: float | None
    predicted_sd_s: float | None
    predicted_up_s: float | None
    predicted_down_s: float | None
    measured_sd_s: float | None
    z: float | None
    z_explained: float | None
    odd: bool
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossCheck:
    """Timed runs beside a session's results; what is unknown is None.

    `speed_scale` is the shown over the true speed, `reaction_s` what the timing adds to every time.
    `mean_power_w` and `kinetic_mean_w` belong to the timed pull that gains most energy; `steps` shows
    the customary arithmetic line by line, `weighted_segments_w` the segments weighted as they should.
    """

    gates: tuple[GateResult, ...]
    speed_scale: float | None
    speed_scale_sd: float | None
    reaction_s: float | None
    reaction_sd_s: float | None
    segments: SegmentSum | None
    weighted_segments_w: float | None
    mean_power_w: float | None
    mean_power_sd_w: float | None
    peak_power_w: float | None
    steps: tuple[str, ...]
    explanation: tuple[str, ...]
    alignment: Alignment | None = None
    road_load_n: tuple[tuple[float, float, float], ...] = ()


def cross_check(
    runs: Sequence[TimedRun],
    model: GateModel,
    vehicle: Vehicle,
    *,
    power: PowerCurve | None = None,
    wind_mps: float = 0.0,
    slope: float = 0.0,
    power_unit: tuple[str, float] = ("kW", 1000.0),
    speed_unit: tuple[str, float] = ("km/h", 1.0 / 3.6),
) -> CrossCheck:
    """Compare timed runs with what a session's results predict for them.

    Parameters
    ----------
    runs : sequence of TimedRun
        At least one.
    model : GateModel
        From the session's road load and wheel power.
    vehicle : Vehicle
        Masses with their sd.
    power : PowerCurve or None
        For the peak.
    wind_mps, slope : float
        The session's wind against "up" [m/s] and mean slope (ratio).
    power_unit, speed_unit : (name, SI value)
        For the sentences.

    Returns
    -------
    CrossCheck
        Times within their sd, or the reason why not.
    """
    predicted = np.array(
        [model.time_s(r.kind, r.gates.from_mps, r.gates.to_mps) for r in runs], dtype=np.float64
    )
    reached = np.isfinite(predicted)
    kept = [run for run, ok in zip(runs, reached, strict=True) if ok]
    ways = [model.met(d * wind_mps, slope_accel_mps2(vehicle, d * slope)) for d in (1.0, -1.0)]
    covariance = model.covariance_s2(kept) if kept else np.zeros((0, 0))
    measured = gate_covariance_s2(kept, gate_slopes(kept, model)) if kept else np.zeros((0, 0))
    speedometer = fit_speedometer(kept, model) if len(kept) >= _ENOUGH else None
    results, at = [], 0
    for run, ok in zip(runs, reached, strict=True):
        if not ok:
            results.append(_unreached(run, model))
            continue
        sd, own = float(np.sqrt(covariance[at, at])), float(np.sqrt(measured[at, at]))
        time_s = model.time_s(run.kind, run.gates.from_mps, run.gates.to_mps)
        z = (run.gates.duration_s - time_s) / float(np.hypot(sd, own))
        both = [_finite(way.time_s(run.kind, run.gates.from_mps, run.gates.to_mps)) for way in ways]
        z_rest = None if speedometer is None else float(speedometer.z[at])
        odd = speedometer is not None and speedometer.odd[at]
        verdict = _verdict(run, model, z, z_rest, odd, speedometer, both, own)
        results.append(
            GateResult(
                run=run,
                predicted_s=time_s,
                predicted_sd_s=sd,
                predicted_up_s=both[0],
                predicted_down_s=both[1],
                measured_sd_s=own,
                z=z,
                z_explained=z_rest,
                odd=odd,
                verdict=verdict,
            )
        )
        at += 1
    scale_sd = reaction_sd = None
    if speedometer is not None:
        scale_sd, reaction_sd = (float(x) for x in np.sqrt(np.diag(speedometer.covariance)))
    found = CrossCheck(
        gates=tuple(results),
        speed_scale=None if speedometer is None else speedometer.scale,
        speed_scale_sd=scale_sd,
        reaction_s=None if speedometer is None else speedometer.reaction_s,
        reaction_sd_s=reaction_sd,
        segments=None,
        weighted_segments_w=None,
        mean_power_w=None,
        mean_power_sd_w=None,
        peak_power_w=None if power is None else power.peak_w,
        steps=(),
        explanation=(),
    )
    found = _with_sums(found, runs, vehicle, power_unit, speed_unit, model, power)
    sentences = (*_about_gates(found, speedometer is not None), *found.explanation)
    return replace(found, explanation=sentences)


def cross_check_alone(
    runs: Sequence[TimedRun],
    vehicle: Vehicle,
    *,
    power_unit: tuple[str, float] = ("kW", 1000.0),
    speed_unit: tuple[str, float] = ("km/h", 1.0 / 3.6),
) -> CrossCheck:
    """Work out what timed runs give without a phone's session: road load, mean power, wide intervals.

    Arguments as in `cross_check`; `road_load_n` holds speed [m/s], force and sd [N] at the gates.
    """
    results = tuple(
        GateResult(
            run=r,
            predicted_s=None,
            predicted_sd_s=None,
            predicted_up_s=None,
            predicted_down_s=None,
            measured_sd_s=None,
            z=None,
            z_explained=None,
            odd=False,
            verdict="no session to compare with",
        )
        for r in runs
    )
    empty = CrossCheck(
        gates=results,
        speed_scale=None,
        speed_scale_sd=None,
        reaction_s=None,
        reaction_sd_s=None,
        segments=None,
        weighted_segments_w=None,
        mean_power_w=None,
        mean_power_sd_w=None,
        peak_power_w=None,
        steps=(),
        explanation=(),
    )
    found = _with_sums(empty, runs, vehicle, power_unit, speed_unit, None, None)
    coasts = [run for run in runs if run.kind == "coast"]
    if not coasts:
        sentences = (
            "Without a timed coast-down the road load stays unknown, and with it the wheel power."
        )
        return replace(found, explanation=(*found.explanation, sentences))
    mass_kg, mass_sd_kg = effective_mass_kg(vehicle)
    load = road_load_from_gates(coasts, mass_kg)
    speeds = sorted({v for r in coasts for v in (r.gates.from_mps, r.gates.to_mps) if v > 0.0})
    rows = []
    for v in speeds:
        basis = np.array([1.0, v, v * v])
        force = float(load.force_n(np.array(v)))
        sd = float(np.hypot(np.sqrt(basis @ load.covariance @ basis), force * mass_sd_kg / mass_kg))
        rows.append((v, force, sd))
    sentences = (
        f"The road load comes from {len(coasts)} timed coast-down "
        f"interval{'s' if len(coasts) > 1 else ''} on a road taken as level in still air; slope, "
        "wind and speedometer are in no interval given here. Logs of a phone would tell them."
    )
    return replace(found, road_load_n=tuple(rows), explanation=(*found.explanation, sentences))


def _finite(value: float) -> float | None:
    """Return the value, None where it is not finite."""
    return value if np.isfinite(value) else None


def _unreached(run: TimedRun, model: GateModel) -> GateResult:
    """Return the result of an interval that the session cannot predict."""
    if run.kind == "pull" and not model.gear_speed_mps:
        verdict = "not predicted: the session has no pull"
    else:
        verdict = "not predicted: the session's vehicle never reaches this speed"
    return GateResult(
        run=run,
        predicted_s=None,
        predicted_sd_s=None,
        predicted_up_s=None,
        predicted_down_s=None,
        measured_sd_s=None,
        z=None,
        z_explained=None,
        odd=False,
        verdict=verdict,
    )


def _verdict(
    run: TimedRun,
    model: GateModel,
    z: float,
    z_rest: float | None,
    odd: bool,
    speedometer: SpeedometerFit | None,
    both_ways_s: Sequence[float | None],
    own_sd_s: float,
) -> str:
    """Return in words whether an interval agrees, and what makes it agree."""
    beyond = ""
    if run.kind == "pull" and run.gates.to_mps > 1.02 * model.top_mps:
        beyond = "; it goes beyond the speeds that the session's pulls covered"
    if odd or (abs(z) >= WRONG_SIGMA and (z_rest is None or abs(z_rest) >= WRONG_SIGMA)):
        return _suspicion(run, z) + beyond
    if abs(z) < _AGREES:
        return "agrees" + beyond
    if speedometer is not None and z_rest is not None and abs(z_rest) < _AGREES:
        scale_sd, reaction_sd = np.sqrt(np.diag(speedometer.covariance))
        if abs(speedometer.scale - 1.0) > 2.0 * scale_sd:
            return "agrees once the speedometer's error is taken off" + beyond
        if abs(speedometer.reaction_s) > 2.0 * reaction_sd:
            return "agrees once the reaction time is taken off" + beyond
    for name, time_s in zip(("up", "down"), both_ways_s, strict=True):
        if time_s is not None and abs(run.gates.duration_s - time_s) < _AGREES * own_sd_s:
            return f"agrees with the session's road and wind in the direction {name}" + beyond
    return f"differs: {'longer' if z > 0 else 'shorter'} than predicted" + beyond


def _suspicion(run: TimedRun, z: float) -> str:
    """Return in words what makes an interval too long or too short."""
    if run.kind == "coast":
        if z < 0:
            return "too short for neutral: on the brake or in gear?"
        return "too long for this road load: downhill, a tailwind, or a mark missed?"
    if z > 0:
        return "slower than the session's pulls: part throttle, a slow gear change or a late mark?"
    return "faster than the session's pulls: downhill, a tailwind or an early mark?"


def _with_sums(
    found: CrossCheck,
    runs: Sequence[TimedRun],
    vehicle: Vehicle,
    power_unit: tuple[str, float],
    speed_unit: tuple[str, float],
    model: GateModel | None,
    power: PowerCurve | None,
) -> CrossCheck:
    """Add the customary figures of the widest pull, each step, and why they are no power."""
    pulls = [run for run in runs if run.kind == "pull"]
    coasts = [run for run in runs if run.kind == "coast"]
    if not pulls:
        return found
    pull = max(pulls, key=lambda run: run.gates.to_mps**2 - run.gates.from_mps**2)
    sums = segment_sum(vehicle.mass_kg, pull.gates, [run.gates for run in coasts])
    steps = arithmetic_steps(sums, pull, coasts, vehicle.mass_kg, power_unit, speed_unit)
    mean = sd = weighted = None
    mass_kg, mass_sd_kg = effective_mass_kg(vehicle)
    if model is not None and model.gear_speed_mps:
        mean, sd = pull_mean_power_w(pull, model, mass_kg, mass_sd_kg / mass_kg)
    elif coasts:
        load = road_load_from_gates(coasts, mass_kg)
        mean, sd = mean_wheel_power_w(mass_kg, load, pull, mass_sd_kg / mass_kg)
    if coasts:
        weighted = weighted_segments_w(sums, pull, coasts, model)
    peak_at = ""
    if power is not None:
        peak_at = f"{power.peak_speed_mps / speed_unit[1]:.0f} {speed_unit[0]}"
    explanation = explain_segment_sum(
        sums,
        unit=power_unit[0],
        unit_w=power_unit[1],
        weighted_w=weighted,
        mean_w=mean,
        mean_sd_w=sd,
        peak_w=None if power is None else power.peak_w,
        peak_at=peak_at,
    )
    return replace(
        found,
        segments=sums,
        weighted_segments_w=weighted,
        mean_power_w=mean,
        mean_power_sd_w=sd,
        steps=steps,
        explanation=explanation,
    )


def _about_gates(found: CrossCheck, estimated: bool) -> list[str]:
    """Return sentences on how many intervals agree, on speedometer and reaction."""
    known = [gate for gate in found.gates if gate.z is not None]
    sentences = []
    if known:
        agree = sum(abs(gate.z or 0.0) < _AGREES for gate in known)
        sentences.append(
            f"{agree} of {len(known)} timed intervals agree with the phone's session within "
            f"{_AGREES:g} standard deviations as they stand."
        )
    scale, scale_sd = found.speed_scale, found.speed_scale_sd
    if scale is not None and scale_sd is not None:
        off = 100.0 * (scale - 1.0)
        if abs(scale - 1.0) > 2.0 * scale_sd:
            way = "high" if off > 0 else "low"
            sentences.append(
                f"The speedometer (or whatever the gates were read off) reads {abs(off):.1f} "
                f"± {100 * Z95 * scale_sd:.1f} % {way}."
            )
        else:
            sentences.append(
                f"No speedometer error is shown: {off:+.1f} ± {100 * Z95 * scale_sd:.1f} %."
            )
    reaction, reaction_sd = found.reaction_s, found.reaction_sd_s
    if reaction is not None and reaction_sd is not None and abs(reaction) > 2.0 * reaction_sd:
        word = "long" if reaction > 0 else "short"
        sentences.append(
            f"Every time comes out {abs(reaction):.2f} ± {Z95 * reaction_sd:.2f} s too {word}: reaction."
        )
    if known and not estimated:
        sentences.append(
            f"Speedometer error and reaction time need at least {_ENOUGH} timed intervals."
        )
    sentences += [
        f"One interval stands against all others: {gate.verdict}"
        for gate in found.gates
        if gate.odd
    ]
    return sentences
