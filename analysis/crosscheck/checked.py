"""What a cross-check found: timed intervals beside their predictions, and the customary figures."""

from __future__ import annotations

from dataclasses import dataclass, replace

from analysis.crosscheck.gate_fit import mean_wheel_power_w, road_load_from_gates
from analysis.crosscheck.gate_model import GateModel
from analysis.crosscheck.scope import Alignment
from analysis.crosscheck.segments import (
    SegmentSum,
    arithmetic_steps,
    explain_segment_sum,
    pull_mean_power_w,
    segment_sum,
    weighted_segments_w,
)
from analysis.crosscheck.timed_runs import TimedRun
from analysis.physics.vehicle import effective_mass_kg
from analysis.results.power import PowerCurve
from logger.session.session import Vehicle

__all__ = ["CauseFit", "CrossCheck", "GateResult", "with_sums"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GateResult:
    """One timed interval beside its prediction; what is unknown is None.

    Parameters
    ----------
    run : TimedRun
        As timed.
    verdict : str
        In plain words.
    predicted_s, predicted_sd_s : float or None
        On the session's road in its wind, in the stated direction; without one the middle of both
        ways, with an sd that covers them [s].
    predicted_up_s, predicted_down_s : float or None
        The same, each way [s].
    measured_sd_s : float or None
        From the errors of time and gates [s].
    z : float or None
        Timed minus predicted over the sd of both, speedometer and marks taken as true.
    z_explained : float or None
        The same after the cause that fits best.
    odd : bool
        Whether this interval disagrees with all the others.
    own_run : int or None
        Which of the session's runs it is compared with, from 1; None for a prediction.
    """

    run: TimedRun
    verdict: str
    predicted_s: float | None = None
    predicted_sd_s: float | None = None
    predicted_up_s: float | None = None
    predicted_down_s: float | None = None
    measured_sd_s: float | None = None
    z: float | None = None
    z_explained: float | None = None
    odd: bool = False
    own_run: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseFit:
    """What one cause leaves unexplained: rms over the intervals in standard deviations."""

    cause: str
    misfit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossCheck:
    """Timed runs beside a session's results; what is unknown is None.

    `causes` stand in the order in which they are to be believed, `best_cause` is the first that no
    later one beats clearly. `speed_scale` is the shown over the true speed, `reaction_s` what the
    timing adds to every time. `mean_power_w` and `kinetic_mean_w` belong to the timed pull that gains
    most energy; `steps` shows the customary arithmetic line by line, `weighted_segments_w` the
    segments weighted as they should.
    """

    gates: tuple[GateResult, ...]
    causes: tuple[CauseFit, ...] = ()
    best_cause: str | None = None
    speed_scale: float | None = None
    speed_scale_sd: float | None = None
    speedometer_off: bool = False
    reaction_s: float | None = None
    reaction_sd_s: float | None = None
    segments: SegmentSum | None = None
    weighted_segments_w: float | None = None
    mean_power_w: float | None = None
    mean_power_sd_w: float | None = None
    peak_power_w: float | None = None
    steps: tuple[str, ...] = ()
    explanation: tuple[str, ...] = ()
    alignment: Alignment | None = None
    road_load_n: tuple[tuple[float, float, float], ...] = ()


def with_sums(
    found: CrossCheck,
    vehicle: Vehicle,
    power_unit: tuple[str, float],
    speed_unit: tuple[str, float],
    model: GateModel | None = None,
    power: PowerCurve | None = None,
) -> CrossCheck:
    """Add the customary figures of the widest pull, each step, and why they are no power."""
    runs = [gate.run for gate in found.gates]
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
