"""Whether a session holds what an answer needs, and whether its fit can be believed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.model.fit import SessionFit
from analysis.model.observations import COAST, RunData
from analysis.physics.plausible import road_load_findings
from analysis.results.power import PowerCurve
from analysis.results.road_load import RoadLoad
from analysis.results.site_and_sensors import scatter_findings
from analysis.runs.run import Run
from analysis.runs.selection import (
    sensor_findings,
    why_implausible,
    why_nothing,
    why_sensors_differ,
    why_unlike,
)
from analysis.signals.smoothing import Fused
from logger.errors import PullcoastError
from logger.findings import Finding
from logger.session.session import Vehicle

__all__ = ["NothingUsable", "fit_findings", "reject_implausible", "require_usable"]


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
