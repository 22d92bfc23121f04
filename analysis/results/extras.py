"""`Extras`: what follows from the measured part, and what the user asked for beside it."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.model.fit import SessionFit
from analysis.results.corrections import (
    AmbientCorrection,
    CrankEstimate,
    ambient_corrections,
    correction_findings,
    crank_estimate,
)
from analysis.results.engine import EngineSide, engine_side, ratios_of_fit
from analysis.results.expected import Expected, expect
from analysis.results.measured import Measured
from analysis.results.reference import ResistanceFigures, reference_road_load, resistance_figures
from analysis.results.regulation import BandStatistics, band_statistics
from analysis.results.road_load import ReferenceRoadLoad
from logger.findings import Finding

__all__ = ["Extras", "find_extras"]

_STANDSTILL_MPS = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Extras:
    """Comparisons, predictions and corrections; None or empty where nothing asks for them.

    Parameters
    ----------
    reference_road_load : ReferenceRoadLoad or None
        In reference air; needs the session's ``[air]``.
    crank : CrankEstimate or None
        Needs a stated driveline loss.
    corrections : tuple of AmbientCorrection
        Needs ``[correction]``.
    resistance : ResistanceFigures or None
        Drag area and rolling coefficient.
    regulation : tuple of BandStatistics
        Statistics of pairs as an official coast-down has them.
    engine : EngineSide or None
        Engine speed and torque; needs the overall ratios.
    expected : Expected or None
        Times, distances, top speed and cruising power.
    """

    reference_road_load: ReferenceRoadLoad | None = None
    crank: CrankEstimate | None = None
    corrections: tuple[AmbientCorrection, ...] = ()
    resistance: ResistanceFigures | None = None
    regulation: tuple[BandStatistics, ...] = ()
    engine: EngineSide | None = None
    expected: Expected | None = None


def find_extras(measured: Measured, fit: SessionFit) -> tuple[Extras, tuple[Finding, ...]]:
    """Derive what follows from a session's results, with findings on corrections that do not hold."""
    session, power, load = measured.session, measured.power, measured.road_load
    vehicle, curves, runs, air = session.vehicle, measured.curves, measured.runs, measured.air
    corrections = ambient_corrections(session, air, power)
    ratios = ratios_of_fit(fit, measured.recordings, vehicle)
    from_rest = any(pull.from_mps < _STANDSTILL_MPS for pull in measured.pulls)
    extras = Extras(
        reference_road_load=reference_road_load(load, air) if load else None,
        crank=crank_estimate(power, vehicle),
        corrections=corrections,
        resistance=resistance_figures(load, air, vehicle) if load else None,
        regulation=band_statistics(curves, runs, load, vehicle.effective_mass_kg) if load else (),
        engine=engine_side(vehicle, power, load, ratios, from_rest=from_rest),
        expected=expect(fit, curves, runs, measured.pulls, vehicle, air, load, power),
    )
    return extras, correction_findings(session, corrections)
