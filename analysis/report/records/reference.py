"""The keys of results.json for comparison with catalogues, regulations and stopwatches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from analysis.report.records.record import Count, Limits, Part, Positive, Range, Sd, filled, rows
from analysis.results.engine import EngineSide, GearSide
from analysis.results.expected import Expected
from analysis.results.reference import ResistanceFigures
from analysis.results.regulation import BandStatistics

__all__ = ["EngineRecord", "PredictionsRecord", "RegulationRecord", "ResistanceRecord"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistanceRecord:
    """F2 read as a drag area and F0 as a rolling coefficient, were they air and tyres alone."""

    drag_area_m2: float
    drag_area_sd_m2: Sd
    drag_coefficient: Annotated[float | None, "null without a frontal area"]
    drag_coefficient_sd: Sd | None
    rolling_coefficient: float
    rolling_coefficient_sd: Sd
    rolling_coefficient_usual: Range
    F2_usual_N_per_mps2: Range
    usual_source: str

    @classmethod
    def of(cls, figures: ResistanceFigures | None) -> ResistanceRecord | None:
        """Fill from the figures."""
        if figures is None:
            return None
        return filled(
            cls,
            figures,
            rolling_coefficient_usual=figures.rolling_usual,
            F2_usual_N_per_mps2=figures.f2_usual,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RegulationRecord:
    """UN GTR No. 15, Annex 4, 4.3.1.4 over the session's pairs of opposite coast-downs, one band."""

    speed_mps: Positive
    half_width_mps: Positive
    pairs: Count
    pair_times_s: list[Positive]
    mean_time_s: Positive
    precision_percent: Annotated[
        Part | None, "95 % half width of the mean time; null with one pair"
    ]
    meets: Annotated[bool | None, "within 3 %; null with fewer than three pairs"]
    force_N: float
    road_load_N: float
    road_load_sd_N: Sd

    @classmethod
    def of(cls, band: BandStatistics) -> RegulationRecord:
        """Fill from one band."""
        precision = None if band.precision is None else 100.0 * band.precision
        return filled(cls, band, pairs=len(band.pair_times_s), precision_percent=precision)


@dataclass(frozen=True, slots=True, kw_only=True)
class EnginePoint:
    """One gear at one engine speed."""

    engine_speed_rpm: Part
    torque_Nm: Annotated[float, "wheel torque over the overall ratio"]
    power_W: float
    sd_W: Sd


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineGearRecord:
    """One gear's wheel power over engine speed."""

    piece: Annotated[int, Limits(least=1)]
    gear: Annotated[int, Limits(least=1)] | None
    overall_ratio: Positive
    measured_ratio: float | None
    measured_ratio_sd: Sd | None
    slip_percent: float | None
    slow_test_peak_W: float | None
    curve: list[EnginePoint]

    @classmethod
    def of(cls, side: GearSide) -> EngineGearRecord:
        """Fill from one gear."""
        curve = rows(
            EnginePoint,
            engine_speed_rpm=side.engine_speed_rpm,
            torque_Nm=side.torque_nm,
            power_W=side.power_w,
            sd_W=side.sd_w,
        )
        return filled(
            cls,
            side,
            measured_ratio_sd=side.measured_sd,
            slow_test_peak_W=side.slow_peak_w,
            curve=curve,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineRecord:
    """Wheel power over engine speed, per gear."""

    rolling_radius_m: Positive
    why_not: Annotated[str | None, "what keeps gears from being named; null when all are"]
    gears: list[EngineGearRecord]

    @classmethod
    def of(cls, engine: EngineSide | None) -> EngineRecord | None:
        """Fill from all gears."""
        if engine is None:
            return None
        return filled(cls, engine, gears=[EngineGearRecord.of(side) for side in engine.gears])


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictionRecord:
    """One expected figure in its SI unit."""

    name: str
    group: Literal["pull", "coast", "top speed", "cruising", "energy"]
    unit: Literal["s", "m", "m/s", "W", "J/m"]
    value: float | None
    sd: Sd | None
    ci95: Range | None
    why_not: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictionsRecord:
    """Expected on a level road in still air, from the fitted curves."""

    air: Literal["reference", "as tested"]
    items: list[PredictionRecord]

    @classmethod
    def of(cls, expected: Expected | None) -> PredictionsRecord | None:
        """Fill from what is expected."""
        if expected is None:
            return None
        items = [filled(PredictionRecord, item) for item in expected.items]
        return filled(cls, expected, items=items)
