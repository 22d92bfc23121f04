"""Whether a session holds what an answer needs, and whether what its fit found can be right."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.model.fit import SessionFit
from analysis.model.noise import MOST_FIX_SD_MPS
from analysis.model.observations import COAST, RunData
from analysis.physics.plausible import road_load_findings
from analysis.results.power import PowerCurve
from analysis.results.road_load import RoadLoad
from analysis.results.site_and_sensors import scatter_findings
from analysis.runs.run import Run
from analysis.runs.selection import force_window_n, why_nothing
from analysis.signals.smoothing import Fused
from logger.errors import PullcoastError
from logger.findings import Finding
from logger.session.session import Vehicle
from logger.units import convert

__all__ = [
    "NothingUsable",
    "fit_findings",
    "gear_findings",
    "reject_implausible",
    "require_usable",
    "sensor_findings",
    "why_implausible",
    "why_sensors_differ",
    "why_unlike",
]

#: Accelerometer over speed differs from 1 by less than this; above the first a warning is given, above
#: the second no result. Units of speed match a scale to within this share.
_ODD_SCALE, _WRONG_SCALE, _UNIT_MATCH = 0.08, 0.2, 0.12
#: Fixes about the fitted curves scatter by less than this, from speeds and from positions [m/s].
_MOST_NOISE_MPS, _MOST_NOISE_POSITIONS_MPS = 0.3, 1.2
#: The force of one gear bends by 1.2 to 2.2 in the model's units where gears are right; beyond this there
#: are two gears in it, or torque that comes late (measured with simulated sessions of all kinds).
_ODD_BEND = 3.0


class NothingUsable(PullcoastError):
    """The logs can be read but hold nothing that the question needs.

    Parameters
    ----------
    reasons : tuple of str
        Every reason, in plain words.
    """

    def __init__(self, reasons: tuple[str, ...]) -> None:
        self.reasons = reasons
        super().__init__("; ".join(reasons))


def require_usable(
    data: Sequence[RunData], runs: Sequence[Run], fused: Sequence[Fused], known: RoadLoad | None
) -> None:
    """Raise `NothingUsable` where the runs do not hold what an answer needs."""
    if not data:
        raise NothingUsable(why_nothing(runs, fused))
    if known is None and not any((one.drive == COAST).any() for one in data):
        reason = (
            "there are pulls but no usable coast-down, and without a road load the wheel power cannot "
            "be told; record coast-downs, or give --road-load with an earlier results.json"
        )
        raise NothingUsable((reason, *why_nothing(runs, fused)))


def reject_implausible(
    fit: SessionFit,
    load: RoadLoad | None,
    runs: Sequence[Run],
    fused: Sequence[Fused],
    vehicle: Vehicle,
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
    vehicle : Vehicle
        For what is plausible.
    """
    if load is None:
        return
    scale = _accelerometer_scale(fit)
    # of several faults the one that is named first is the one that explains the others
    reasons = (
        why_sensors_differ(*scale) if scale else None,
        why_unlike(fit.spread.fix, fused),
        why_implausible(load, vehicle),
    )
    reason = next((reason for reason in reasons if reason), None)
    if reason:
        raise NothingUsable((reason, *why_nothing(runs, fused)))


def fit_findings(
    fit: SessionFit, load: RoadLoad | None, power: PowerCurve | None, vehicle: Vehicle
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
    vehicle : Vehicle
        For what is usual.
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
        notes = (*notes, Finding("fit_unsettled", "note", text))
    if load is not None:
        notes = (*notes, *_load_findings(load, vehicle))
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
    if load.why_not_separable is None:
        return notes
    text = f"The road load is told as a curve only: {load.why_not_separable}."
    return (*notes, Finding("speed_range_narrow", "warning", text))


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
        else (Finding("sensors_differ", "warning", f"{why[0].upper()}{why[1:]}."),)
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
    return (Finding("gears_doubted", "warning", text),)


def why_implausible(load: RoadLoad, vehicle: Vehicle) -> str | None:
    """Return why a fitted road load cannot be that of a vehicle in neutral, or None.

    The force is judged at three speeds inside the covered range, two standard deviations in its
    favour.

    Parameters
    ----------
    load : RoadLoad
        As fitted.
    vehicle : Vehicle
        Kind and mass.
    """
    low, high = load.speed_range_mps
    speeds = np.array([0.8 * low + 0.2 * high, 0.5 * (low + high), 0.2 * low + 0.8 * high])
    force, sd = load.force_n(speeds), load.force_sd_n(speeds)
    for speed, found, spread in zip(speeds, force, sd, strict=True):
        what = (
            f"the resistance found at {3.6 * speed:.0f} km/h is {found:.0f} N (sd {spread:.0f} N)"
        )
        least, most = force_window_n(vehicle, speed)
        if found - 2.0 * spread > most:
            return (
                f"{what}, more than a {vehicle.kind} of {vehicle.mass_kg:.0f} kg has in neutral "
                f"({most:.0f} N): the slowings are engine braking, brake, or a climb, no neutral "
                "coast-downs"
            )
        if found + 2.0 * spread < least:
            return (
                f"{what}, less than a {vehicle.kind} of {vehicle.mass_kg:.0f} kg can have "
                f"({least:.0f} N): the road falls (by more than [site] says), there was a push or a "
                "tailwind; add runs the other way"
            )
    return None
