"""Timed runs against a session: predicted times, what explains the rest, and the customary sum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.crosscheck.checked import CauseFit, CrossCheck, GateResult, with_sums
from analysis.crosscheck.gate_fit import (
    gate_covariance_s2,
    road_load_from_gates,
)
from analysis.crosscheck.gate_model import GateModel
from analysis.crosscheck.gate_ways import Predicted, SessionGates, gate_slopes, predict_gates
from analysis.crosscheck.own_times import RunCurve, own_time
from analysis.crosscheck.speedometer import (
    WRONG_SIGMA,
    Cause,
    SpeedometerFit,
    best_cause,
    find_causes,
    fit_speedometer,
)
from analysis.crosscheck.timed_runs import TimedRun
from analysis.model.covariance import Z95
from analysis.physics.vehicle import effective_mass_kg
from analysis.results.power import PowerCurve
from logger.session.session import Vehicle

__all__ = ["cross_check", "cross_check_alone"]

#: So many timed intervals are needed before scale and reaction are estimated.
_ENOUGH = 3
#: Within this many sigma two times agree.
_AGREES = 2.0
#: What to do about each cause, in a sentence's middle.
_ONCE = {
    "driven up": "agrees with the session's road and wind in the direction up",
    "driven down": "agrees with the session's road and wind in the direction down",
    "other wind or slope": "agrees once another hour's wind and slope are allowed for",
    "reaction": "agrees once the reaction time is taken off",
    "speedometer": "agrees once the speedometer's error is taken off",
}


def cross_check(
    runs: Sequence[TimedRun],
    session: SessionGates,
    *,
    run: int | None = None,
    find_run: bool = True,
    power: PowerCurve | None = None,
    power_unit: tuple[str, float] = ("kW", 1000.0),
    speed_unit: tuple[str, float] = ("km/h", 1.0 / 3.6),
) -> CrossCheck:
    """Compare timed runs with what a session's results predict for them.

    Parameters
    ----------
    runs : sequence of TimedRun
        At least one.
    session : SessionGates
        What the session has to predict with.
    run : int or None
        Which of the session's runs was timed, from 1.
    find_run : bool
        Whether to look for it where `run` does not say so.
    power : PowerCurve or None
        For the peak.
    power_unit, speed_unit : (name, SI value)
        For the sentences.

    Returns
    -------
    CrossCheck
        Times within their sd, or the reason why not.
    """
    known: dict[int, RunCurve] = {}
    if run is not None:
        curve = next(one for one in session.curves if one.number == run)
        runs = [replace(one, direction=curve.direction) for one in runs]
        known = {at: curve for at, one in enumerate(runs) if own_time(curve, one)}
    elif find_run:
        known = _runs_that_fit(runs, session)
    reached = [
        at
        for at, one in enumerate(runs)
        if at in known
        or np.isfinite(session.model.time_s(one.kind, one.gates.from_mps, one.gates.to_mps))
    ]
    results = [GateResult(run=one, verdict=_unreached(one, session.model)) for one in runs]
    found = CrossCheck(gates=tuple(results), peak_power_w=None if power is None else power.peak_w)
    if reached:
        kept = [runs[at] for at in reached]
        mine = {place: known[at] for place, at in enumerate(reached) if at in known}
        found = _with_gates(found, reached, predict_gates(session, kept, mine), session, mine)
    found = with_sums(found, session.vehicle, power_unit, speed_unit, session.model, power)
    return replace(found, explanation=(*_about_gates(found), *found.explanation))


def _with_gates(
    found: CrossCheck,
    reached: Sequence[int],
    predicted: Predicted,
    session: SessionGates,
    mine: dict[int, RunCurve],
) -> CrossCheck:
    """Add each reached interval's prediction and verdict, the causes, speedometer and reaction."""
    kept = predicted.runs
    measured = gate_covariance_s2(kept, gate_slopes(kept, predicted.models))
    timed = np.array([one.gates.duration_s for one in kept])
    # an unknown direction is one and the same for all intervals without one
    way = np.outer(predicted.half_way_s, predicted.half_way_s)
    noise = measured + predicted.covariance_s2
    sd = np.sqrt(np.diag(predicted.covariance_s2 + way))
    z = (timed - predicted.time_s) / np.sqrt(np.diag(noise + way))
    causes = find_causes(predicted, timed, noise)
    fit = fit_speedometer(predicted, timed, noise + way) if len(kept) >= _ENOUGH else None
    best = best_cause(causes)
    lowest = min(causes, key=lambda one: one.misfit)
    if fit is not None and lowest.name == "speedometer" and _is_off(fit):
        best = lowest
    z_best = best.rest_s / np.sqrt(np.diag(noise))
    gates = list(found.gates)
    for place, at in enumerate(reached):
        odd = fit is not None and fit.odd[place]
        gates[at] = GateResult(
            run=kept[place],
            predicted_s=float(predicted.time_s[place]),
            predicted_sd_s=float(sd[place]),
            predicted_up_s=_finite(predicted.up_s[place]),
            predicted_down_s=_finite(predicted.down_s[place]),
            measured_sd_s=float(np.sqrt(measured[place, place])),
            z=float(z[place]),
            z_explained=float(z_best[place]),
            odd=odd,
            own_run=mine[place].number if place in mine else None,
            verdict=_verdict(
                kept[place], session.model, (float(z[place]), float(z_best[place])), best,
                odd=odd, own_run=mine[place].number if place in mine else None,
            ),
        )  # fmt: skip
    found = replace(
        found,
        gates=tuple(gates),
        causes=tuple(CauseFit(cause=one.name, misfit=one.misfit) for one in causes),
        best_cause=best.name,
    )
    return found if fit is None else _with_speedometer(found, fit, best, predicted)


def _is_off(fit: SpeedometerFit) -> bool:
    """Whether the times alone and with the prior of real speedometers both show an error."""
    return fit.shown_by_times and abs(fit.scale - 1.0) > _AGREES * np.sqrt(fit.covariance[0, 0])


def _with_speedometer(
    found: CrossCheck, fit: SpeedometerFit, best: Cause, predicted: Predicted
) -> CrossCheck:
    """Add scale and reaction; a scale only where the direction of every interval is known."""
    scale_sd, reaction_sd = (float(x) for x in np.sqrt(np.diag(fit.covariance)))
    found = replace(found, reaction_s=fit.reaction_s, reaction_sd_s=reaction_sd)
    if not predicted.directed:
        return found
    off = best.name == "speedometer" and _is_off(fit)
    return replace(found, speed_scale=fit.scale, speed_scale_sd=scale_sd, speedometer_off=off)


def _runs_that_fit(runs: Sequence[TimedRun], session: SessionGates) -> dict[int, RunCurve]:
    """Return the session's run that took just these times, for the intervals of each direction.

    None where a gate is passed by no run, where the best run's times do not agree within the errors
    of timing, or where they agree only with a speedometer that reads wrong.
    """
    known: dict[int, RunCurve] = {}
    for way in {one.direction for one in runs}:
        places = [at for at, one in enumerate(runs) if one.direction == way]
        fits = []
        for curve in session.curves:
            if way is None or curve.direction == way:
                fits.append((_misfit([runs[at] for at in places], curve, session.model), curve))
        if not fits:
            return {}
        chi2, curve = min(fits, key=lambda fit: fit[0])
        # chi-square of as many values, at two sigma of its own spread
        if chi2 > len(places) + 2.0 * np.sqrt(2.0 * len(places)):
            return {}
        known |= dict.fromkeys(places, curve)
    went = [replace(one, direction=known[at].direction) for at, one in enumerate(runs)]
    if len(runs) < _ENOUGH or any(one.direction is None for one in went):
        return known
    predicted = predict_gates(session, went, known)
    noise = gate_covariance_s2(went, gate_slopes(went, predicted.models)) + predicted.covariance_s2
    timed = np.array([one.gates.duration_s for one in runs])
    return {} if fit_speedometer(predicted, timed, noise).shown_by_times else known


def _misfit(runs: Sequence[TimedRun], curve: RunCurve, model: GateModel) -> float:
    """Return chi-square of timed intervals against a run's own times; inf where it lacks a gate."""
    own = [own_time(curve, one) for one in runs]
    if any(one is None for one in own):
        return float("inf")
    rest = np.array([r.gates.duration_s - o.time_s for r, o in zip(runs, own, strict=True) if o])
    noise = gate_covariance_s2(runs, gate_slopes(runs, [model] * len(runs)))
    noise = noise + np.diag([one.sd_s**2 for one in own if one is not None])
    return float(rest @ np.linalg.solve(noise, rest))


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
    verdict = "no session to compare with"
    results = tuple(GateResult(run=run, verdict=verdict) for run in runs)
    found = with_sums(CrossCheck(gates=results), vehicle, power_unit, speed_unit)
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
    return float(value) if np.isfinite(value) else None


def _unreached(run: TimedRun, model: GateModel) -> str:
    """Return in words why the session cannot predict an interval."""
    if run.kind == "pull" and not model.gear_speed_mps:
        return "not predicted: the session has no pull"
    return "not predicted: the session's vehicle never reaches this speed"


def _verdict(
    run: TimedRun,
    model: GateModel,
    z: tuple[float, float],
    best: Cause,
    *,
    odd: bool,
    own_run: int | None,
) -> str:
    """Return in words whether an interval agrees; `z` as it stands and after the best cause."""
    beyond = ""
    if run.kind == "pull" and own_run is None and run.gates.to_mps > 1.02 * model.top_mps:
        beyond = "; it goes beyond the speeds that the session's pulls covered"
    if odd or (abs(z[0]) >= WRONG_SIGMA and abs(z[1]) >= WRONG_SIGMA):
        return _suspicion(run, z[0]) + beyond
    if own_run is not None and abs(z[0]) < _AGREES:
        return f"agrees with run {own_run} of the session"
    if best.name in ("driven up", "driven down") and abs(z[1]) < _AGREES:
        return _ONCE[best.name] + beyond
    if abs(z[0]) < _AGREES:
        return "agrees" + beyond
    if best.name in _ONCE and abs(z[1]) < _AGREES:
        return _ONCE[best.name] + beyond
    return f"differs: {'longer' if z[0] > 0 else 'shorter'} than predicted" + beyond


def _suspicion(run: TimedRun, z: float) -> str:
    """Return in words what makes an interval too long or too short."""
    if run.kind == "coast":
        if z < 0:
            return "too short for neutral: on the brake or in gear?"
        return "too long for this road load: downhill, a tailwind, or a mark missed?"
    if z > 0:
        return "slower than the session's pulls: part throttle, a slow gear change or a late mark?"
    return "faster than the session's pulls: downhill, a tailwind or an early mark?"


def _about_gates(found: CrossCheck) -> list[str]:
    """Return sentences on how many intervals agree, what explains the rest, speedometer and reaction."""
    known = [gate for gate in found.gates if gate.z is not None]
    if not known:
        return []
    agree = sum(abs(gate.z or 0.0) < _AGREES for gate in known)
    sentences = [
        (
            f"{agree} of {len(known)} timed intervals agree with the phone's session within "
            f"{_AGREES:g} standard deviations as they stand."
        )
    ]
    own = sorted({gate.own_run for gate in known if gate.own_run is not None})
    if own:
        which = f"run {own[0]}" if len(own) == 1 else f"runs {' and '.join(map(str, own))}"
        sentences.append(f"They are held against {which} of the session, in its own road and wind.")
    if found.best_cause != "as predicted" or agree < len(known):
        fits = [f"{one.cause} {one.misfit:.1f}" for one in found.causes]
        sentences.append(
            f"What fits best: {found.best_cause}. Left unexplained by each cause, in standard "
            f"deviations: {', '.join(fits)}."
        )
    sentences += _about_speedometer(found, len(known))
    reaction, reaction_sd = found.reaction_s, found.reaction_sd_s
    if reaction is not None and reaction_sd is not None and abs(reaction) > 2.0 * reaction_sd:
        word = "long" if reaction > 0 else "short"
        sentences.append(
            f"Every time comes out {abs(reaction):.2f} ± {Z95 * reaction_sd:.2f} s too {word}: reaction."
        )
    sentences += [
        f"One interval stands against all others: {gate.verdict}"
        for gate in found.gates
        if gate.odd
    ]
    return sentences


def _about_speedometer(found: CrossCheck, known: int) -> list[str]:
    """Return what is shown of the speedometer, or why nothing can be."""
    scale, scale_sd = found.speed_scale, found.speed_scale_sd
    if known < _ENOUGH:
        text = f"Speedometer error and reaction time need at least {_ENOUGH} timed intervals."
        return [text]
    if scale is None or scale_sd is None:
        return [
            (
                "A speedometer is not judged without directions: road and wind explain as much. Give "
                "them as up:0-90=9.8 and down:0-90=9.8, best both, or the timed run with --run."
            )
        ]
    off = 100.0 * (scale - 1.0)
    if not found.speedometer_off:
        return [f"No speedometer error is shown: {off:+.1f} ± {100 * Z95 * scale_sd:.1f} %."]
    text = (
        f"The speedometer (or whatever the gates were read off) reads {abs(off):.1f} "
        f"± {100 * Z95 * scale_sd:.1f} % {'high' if off > 0 else 'low'}."
    )
    if off < 0:
        text += " Hardly any does (UN Regulation No. 39, 5.3): are its tyres larger than intended?"
    return [text]
