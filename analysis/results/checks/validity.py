"""Whether a session holds what an answer needs, and whether what its fit found can be right."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from analysis.model.fit import SessionFit
from analysis.model.noise import MOST_FIX_SD_MPS
from analysis.model.observations import COAST, RunData
from analysis.physics.plausible import road_load_findings
from analysis.results.checks.runs_apart import apart_findings
from analysis.results.power import PowerCurve
from analysis.results.road_load import MOST_SIGMA, RoadLoad
from analysis.results.site_and_sensors import scatter_findings
from analysis.runs.judging.coasting import force_window_n, freewheeling_n
from analysis.runs.judging.selection import why_nothing
from analysis.runs.run import Run
from analysis.runs.survey import NothingUsable
from analysis.signals.smoothing import Fused
from logger.findings import Finding
from logger.session.session import Session, Vehicle
from logger.units import convert

__all__ = [
    "NothingUsable",
    "fit_findings",
    "gear_findings",
    "reject_implausible",
    "require_usable",
    "sensor_findings",
    "why_impossible",
    "why_sensors_differ",
    "why_unlike",
    "why_unusual",
]

#: Accelerometer over speed differs from 1 by less than this; above the first a warning is given, above
#: the second no result. Units of speed match a scale to within this share.
_ODD_SCALE, _WRONG_SCALE, _UNIT_MATCH = 0.08, 0.2, 0.12
#: Fixes about the fitted curves scatter by less than this, from speeds and from positions [m/s].
_MOST_NOISE_MPS, _MOST_NOISE_POSITIONS_MPS = 0.3, 1.2
#: The force of one gear bends by 1.2 to 2.2 in the model's units where gears are right; beyond this there
#: are two gears in it, or torque that comes late (measured with simulated sessions of all kinds).
_ODD_BEND = 3.0


def require_usable(
    data: Sequence[RunData], runs: Sequence[Run], fused: Sequence[Fused], known: RoadLoad | None
) -> None:
    """Raise `NothingUsable` where the runs do not hold what an answer needs."""
    if not data:
        raise NothingUsable(why_nothing(runs, fused))
    if known is None and not any((one.drive == COAST).any() for one in data):
        reason = (
            "no usable coast-down is in the logs, and accelerations alone give no wheel power; record "
            "coast-downs in neutral, or give --road-load with an earlier results.json"
        )
        raise NothingUsable((reason, *why_nothing(runs, fused)))


def reject_implausible(
    fit: SessionFit,
    load: RoadLoad | None,
    runs: Sequence[Run],
    fused: Sequence[Fused],
) -> None:
    """Raise `NothingUsable` where sensors, fixes or road load show that this was something else.

    Parameters
    ----------
    fit : SessionFit
        Of all runs.
    load : RoadLoad or None
        Of this session's own coast-downs.
    runs, fused : sequences
        For what else there is to say.
    """
    if load is None:
        return
    scale = _accelerometer_scale(fit)
    # of several faults the one that is named first is the one that explains the others
    reasons = (
        why_sensors_differ(*scale) if scale else None,
        why_unlike(fit.spread.fix, fused),
        why_impossible(load),
    )
    reason = next((reason for reason in reasons if reason), None)
    if reason:
        raise NothingUsable((reason, *why_nothing(runs, fused)))


def fit_findings(
    fit: SessionFit, load: RoadLoad | None, power: PowerCurve | None, session: Session
) -> tuple[Finding, ...]:
    """Report where the fit did not settle, where runs scatter, and what is unusual.

    Parameters
    ----------
    fit : SessionFit
        Of all runs.
    load : RoadLoad or None
        Of this session's own coast-downs.
    power : PowerCurve or None
        Of its pulls.
    session : Session
        Vehicle, for what is usual, and names of logs.
    """
    notes = scatter_findings(
        load.scatter_factor if load else 1.0, power.scatter_factor if power else 1.0
    )
    notes = (*notes, *gear_findings(fit))
    if not fit.converged:
        text = (
            f"After {fit.rounds} rounds the fit still moved by more than a twelfth of an interval's sd; "
            "the figures hold, but a log in it may be odd."
        )
        notes = (*notes, Finding(kind="fit_unsettled", severity="note", text=text))
    if load is not None:
        notes = (*notes, *_load_findings(load, session.vehicle))
    notes = (*apart_findings(fit, session), *notes)
    scale = _accelerometer_scale(fit)
    return (*notes, *(sensor_findings(*scale) if scale else ()))


def _accelerometer_scale(fit: SessionFit) -> tuple[float, float] | None:
    """Return accelerometer over speed and its sd; None where no run has an accelerometer."""
    if not any(state.data.has_accel for state in fit.states):
        return None
    at = fit.layout.SCALE
    return 1.0 + float(fit.shared[at]), float(np.sqrt(fit.covariance[at, at]))


def _load_findings(load: RoadLoad, vehicle: Vehicle) -> tuple[Finding, ...]:
    """Report what is unusual in the road load, and why its coefficients may not be shown."""
    coefficients = (load.f0_n, load.f1_n_per_mps, load.f2_n_per_mps2)
    notes = road_load_findings(
        vehicle,
        lambda speed_mps: float(load.force_n(np.array(speed_mps))),
        load.speed_range_mps,
        coefficients if load.separable else None,
    )
    why = why_unusual(load, vehicle)
    if why is not None:
        notes = (Finding(kind="road_load_unusual", severity="warning", text=why), *notes)
    if load.plain is not None and load.plain.sigma > MOST_SIGMA:
        text = (
            f"A plain fit of the coast-downs gives {_plain_force(load)}, {load.plain.sigma:.0f} sd of what "
            "wind, slope and noise allow from the session's own: the accelerometer, the stated wind or "
            "slope, or the pulls contradict the coast-downs. The interval is widened by that; check "
            "[site], the mount and the mass."
        )
        notes = (*notes, Finding(kind="plain_fit_differs", severity="warning", text=text))
    if load.why_not_separable is None:
        return notes
    text = f"The road load is told as a curve only: {load.why_not_separable}."
    return (*notes, Finding(kind="speed_range_narrow", severity="warning", text=text))


def _plain_force(load: RoadLoad) -> str:
    """Return the plain fit's force at the speed of the headline, beside the session's, in words."""
    at = load.headline
    plain = float(load.plain.force_n(np.array(at.speed_mps))) if load.plain else at.force_n
    return (
        f"{plain:.0f} N at {3.6 * at.speed_mps:.0f} km/h where this report says {at.force_n:.0f} N"
    )


def why_unlike(fix_sd_mps: float, fused: Sequence[Fused]) -> str | None:
    """Return why the speeds are not those of pulls and coast-downs, or None.

    Parameters
    ----------
    fix_sd_mps : float
        White noise of the fixes about the fitted curves [m/s].
    fused : sequence of Fused, one per log
        For where the speeds come from.
    """
    positions = any(one.fixes.from_positions for one in fused)
    most = _MOST_NOISE_POSITIONS_MPS if positions else _MOST_NOISE_MPS
    if fix_sd_mps <= most:
        return None
    # at the end of its range the level is no measurement
    scatter = f"{fix_sd_mps:.2f} m/s" if fix_sd_mps < 0.99 * MOST_FIX_SD_MPS else "2 m/s or more"
    return (
        f"the speeds scatter by {scatter} about the best curves of pull and coast-down, where "
        f"receivers scatter by less than {most:.1f}: this is other driving"
    )


def why_sensors_differ(scale: float, scale_sd: float, most: float = _WRONG_SCALE) -> str | None:
    """Return why receiver and accelerometer cannot both be right, or None.

    Parameters
    ----------
    scale, scale_sd : float
        What the accelerometer reads over what the change of speed asks for, as fitted; sensor and
        pitching body together make it 0.95 to 1.10 (common practice, no source).
    most : float
        How far from 1 it may be.
    """
    if abs(scale - 1.0) < most + 3.0 * scale_sd:
        return None
    units = {name: convert(1.0, name, "m/s", "speed") for name in ("m/s", "km/h", "mph", "knots")}
    likely = [
        f"{true} taken for {taken}"
        for taken, as_taken in units.items()
        for true, as_true in units.items()
        if true != taken and abs(np.log(scale * as_taken / as_true)) < _UNIT_MATCH
    ]
    guess = f" (as with {' or '.join(likely)})" if likely else ""
    return (
        f"the accelerometer feels {scale:.2f} times the acceleration that the speeds give, where both "
        f"sensors agree within a tenth: the speeds are in another unit than read{guess}, or the "
        "acceleration is. Look at both with `pullcoast look`, and name the unit of the log"
    )


def sensor_findings(scale: float, scale_sd: float) -> tuple[Finding, ...]:
    """Return a warning where receiver and accelerometer differ, but not by as much as units do."""
    why = why_sensors_differ(scale, scale_sd, _ODD_SCALE)
    return (
        ()
        if why is None
        else (
            Finding(kind="sensors_differ", severity="warning", text=f"{why[0].upper()}{why[1:]}."),
        )
    )


def gear_findings(fit: SessionFit) -> tuple[Finding, ...]:
    """Return a warning where the force within one gear bends as only two gears do."""
    if not fit.layout.gear_knots_mps or fit.spread.bend <= _ODD_BEND:
        return ()
    text = (
        f"Within what was taken for one gear the force bends {fit.spread.bend / 1.5:.0f} times as sharply "
        "as engines' forces do. A gear change may have been missed, or torque came late or was cut. The "
        "peak's interval is wider for it; look at the gears in the plot of wheel power, and hold full "
        "throttle longer in each gear."
    )
    return (Finding(kind="gears_doubted", severity="warning", text=text),)


def why_impossible(load: RoadLoad) -> str | None:
    """Return why a fitted road load cannot be one, or None: a force is not positive where it was driven.

    The force is judged at three speeds inside the covered range, two standard deviations in its
    favour.

    Parameters
    ----------
    load : RoadLoad
        As fitted.
    """
    for speed, found, sd in _inside(load):
        if found + 2.0 * sd <= 0.0:
            return (
                f"the resistance found at {3.6 * speed:.0f} km/h is {found:.0f} N (sd {sd:.0f} N), and "
                "no vehicle rolls without any: the road falls (by more than [site] says), there was a "
                "push or a tailwind; add runs the other way"
            )
    return None


def why_unusual(load: RoadLoad, vehicle: Vehicle) -> str | None:
    """Return why a fitted road load is hardly that of a vehicle of its kind in neutral, or None.

    Judged as in `why_impossible`, with what tyres, loads, boxes and wet roads do allowed for.

    Parameters
    ----------
    load : RoadLoad
        As fitted.
    vehicle : Vehicle
        Kind and mass.
    """
    for speed, found, sd in _inside(load):
        what = f"The resistance found at {3.6 * speed:.0f} km/h is {found:.0f} N (sd {sd:.0f} N)"
        least, most = force_window_n(vehicle, speed)
        if found - 2.0 * sd > most:
            return (
                f"{what}, more than a {vehicle.kind} of {vehicle.mass_kg:.0f} kg has in neutral "
                f"({most:.0f} N): engine braking, a dragging brake, a climb, or another vehicle or mass "
                "than stated. Where it was neutral and unbraked, state neutral = true in [[log]]."
            )
        if vehicle.kind == "bicycle" and found + 2.0 * sd < freewheeling_n(vehicle, speed):
            return (
                f"{what}, less than a rider in the open of {vehicle.mass_kg:.0f} kg in all has who freewheels "
                f"({freewheeling_n(vehicle, speed):.0f} N): pedalling in the coast-downs, a falling road, a "
                "tailwind, or a fairing. Where it was freewheeling, state neutral = true in [[log]]."
            )
        if found + 2.0 * sd < least:
            return (
                f"{what}, less than a {vehicle.kind} of {vehicle.mass_kg:.0f} kg has "
                f"({least:.0f} N): the road falls (by more than [site] says), there was a push or a "
                "tailwind, or the mass is wrong; add runs the other way."
            )
    return None


def _inside(load: RoadLoad) -> Iterator[tuple[float, float, float]]:
    """Give three speeds inside the covered range [m/s], the road load and its sd there [N]."""
    low, high = load.speed_range_mps
    speeds = np.array([0.8 * low + 0.2 * high, 0.5 * (low + high), 0.2 * low + 0.8 * high])
    yield from zip(
        speeds.tolist(),
        load.force_n(speeds).tolist(),
        load.force_sd_n(speeds).tolist(),
        strict=True,
    )
