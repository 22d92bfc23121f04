"""The record of compare.json, and how it is filled from comparisons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal, Self

from analysis.report.records.record import (
    AirRecord,
    AtSpeed,
    Count,
    FindingRecord,
    Limits,
    Part,
    Positive,
    Range,
    ReferenceAir,
    Sd,
    Share,
    Text,
    filled,
    rows,
)
from analysis.report.records.results import TrustRecord
from analysis.results.reference import REFERENCE_PRESSURE_KPA, REFERENCE_TEMPERATURE_C
from analysis.sessions.compare import Comparison
from analysis.sessions.difference import CLAIM, SHOWN_SHARE, Difference, Verdict
from analysis.sessions.differences import CurveDifference, LoadDifference
from analysis.sessions.side import Side
from analysis.text.comparison import figures
from analysis.text.numbers import Units

__all__ = ["ComparisonsRecord"]

_WITH_UNIT = ("first", "other", "difference", "difference_sd", "difference_ci95", "smallest_shown")


def _in_unit(unit: str) -> dict[str, str]:
    """Return the keys of a difference in a unit."""
    return {name: f"{name}_{unit}" for name in _WITH_UNIT}


@dataclass(frozen=True, slots=True, kw_only=True)
class DifferenceRecord:
    """One figure of two sessions: other less first."""

    first: float
    other: float
    difference: float
    difference_sd: Sd
    difference_ci95: Range
    difference_percent: Annotated[float | None, "of the first; null where that is not above 0"]
    probability_more: Annotated[Share, "that the other is truly larger"]
    smallest_shown: Annotated[
        Positive, "true difference that such data claim in shown_in_share of all cases"
    ]
    verdict: Annotated[Verdict, "claimed where the probability is at least claimed_at_probability"]

    @classmethod
    def of(cls, difference: Difference | None, **others: Any) -> Self | None:
        """Fill from a difference; None where there is none."""
        if difference is None:
            return None
        return filled(
            cls,
            difference,
            difference=difference.value,
            difference_sd=difference.sd,
            difference_ci95=difference.interval95,
            difference_percent=difference.percent,
            probability_more=difference.chance_more,
            **others,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerDifferenceRecord(DifferenceRecord):
    """A difference of powers [W]."""

    KEYS: ClassVar = _in_unit("W")


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaDifferenceRecord(DifferenceRecord):
    """A difference of drag areas [m2]."""

    KEYS: ClassVar = _in_unit("m2")


@dataclass(frozen=True, slots=True, kw_only=True)
class ForceDifferenceRecord(DifferenceRecord, AtSpeed):
    """A difference of forces [N] at one speed."""

    KEYS: ClassVar = _in_unit("N")


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerDifferencePoint:
    """A difference of wheel power at one speed, judged by itself."""

    speed_mps: Part
    difference_W: float
    difference_sd_W: Sd


@dataclass(frozen=True, slots=True, kw_only=True)
class GearDifferenceRecord:
    """One gear that both drove."""

    gear: int | None
    other_gear: int | None
    curve: list[PowerDifferencePoint]

    @classmethod
    def of(cls, curve: CurveDifference) -> GearDifferenceRecord:
        """Fill from one gear's difference."""
        points = rows(
            PowerDifferencePoint,
            speed_mps=curve.speed_mps,
            difference_W=curve.other_w - curve.first_w,
            difference_sd_W=curve.sd_w,
        )
        return filled(cls, curve, curve=points)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadDifferenceRecord:
    """Road load in reference air, for the first session's mass."""

    speed_range_mps: tuple[Part, Part]
    curve: Annotated[list[ForceDifferenceRecord], "at multiples of 0.5 m/s"]

    @classmethod
    def of(cls, load: LoadDifference | None) -> LoadDifferenceRecord | None:
        """Fill from a difference of road loads; None where there is none."""
        if load is None:
            return None
        points = [
            ForceDifferenceRecord.of(load.at(speed), speed_mps=speed)
            for speed in load.speeds_mps().tolist()
        ]
        return filled(cls, load, curve=points)


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseRecord:
    """One cause of uncertainty: whether both have it in common, so that it was taken out."""

    name: str
    cancelled: bool
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonRecord:
    """One session against the first."""

    first: Literal[0]
    other: Annotated[int, Limits(least=1)]
    peak_wheel_power: Annotated[PowerDifferenceRecord | None, "as tested; null where one has none"]
    wheel_power: Annotated[
        list[GearDifferenceRecord], "gear by gear, over the speeds that both drove"
    ]
    road_load: LoadDifferenceRecord | None
    why_no_road_load: str | None
    drag_area: Annotated[AreaDifferenceRecord | None, "2 F2 / density of reference air"]
    rolling_coefficient: Annotated[DifferenceRecord | None, "F0 / weight"]
    drag_area_F1_alike: Annotated[
        AreaDifferenceRecord | None, "the same, given that F1 is alike in both"
    ]
    rolling_coefficient_F1_alike: Annotated[
        DifferenceRecord | None, "the same, given that F1 is alike in both"
    ]
    sentences: Annotated[list[Text], "what may be claimed, in words"]
    causes: Annotated[list[CauseRecord], Limits(length=1)]
    findings: list[FindingRecord]

    @classmethod
    def of(cls, one: Comparison, other: int) -> ComparisonRecord:
        """Fill from a comparison whose other session has this number."""
        units = Units.of(one.first.display)
        load = one.road_load
        return cls(
            first=0,
            other=other,
            peak_wheel_power=PowerDifferenceRecord.of(one.peak_w),
            wheel_power=[GearDifferenceRecord.of(curve) for curve in one.power],
            road_load=LoadDifferenceRecord.of(load),
            why_no_road_load=one.why_no_road_load,
            drag_area=AreaDifferenceRecord.of(None if load is None else load.drag_area_m2),
            rolling_coefficient=DifferenceRecord.of(None if load is None else load.rolling),
            drag_area_F1_alike=AreaDifferenceRecord.of(
                None if load is None else load.drag_area_alike_m2
            ),
            rolling_coefficient_F1_alike=DifferenceRecord.of(
                None if load is None else load.rolling_alike
            ),
            sentences=[compared.sentence for compared in figures(one, units)],
            causes=[filled(CauseRecord, cause) for cause in one.causes],
            findings=FindingRecord.all_of(one.findings),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SideAirRecord(AirRecord):
    """Air of a session's day."""

    temperature_C: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SideRecord:
    """One of the sessions compared."""

    name: str
    source: Literal["session", "results.json"]
    vehicle: Annotated[str | None, "null where a results.json does not hold it"]
    kind: str | None
    state: str | None
    mass_kg: Positive
    mass_sd_kg: Part
    rotating_mass_kg: Part
    rotating_mass_sd_kg: Part
    air: SideAirRecord
    wind_mps: float
    wind_sd_mps: Sd
    separable: bool
    runs_up: Count
    runs_down: Count
    trust: Annotated[TrustRecord | None, "null where an early results.json does not hold it"]

    @classmethod
    def of(cls, side: Side) -> SideRecord:
        """Fill from one side."""
        vehicle, masses = side.vehicle, side.masses
        return filled(
            cls,
            side,
            vehicle=vehicle and vehicle.name,
            kind=vehicle and vehicle.kind,
            state=vehicle and vehicle.state,
            mass_kg=masses.mass_kg,
            mass_sd_kg=masses.mass_sd_kg,
            rotating_mass_kg=masses.rotating_mass_kg,
            rotating_mass_sd_kg=masses.rotating_mass_sd_kg,
            air=filled(SideAirRecord, side.air),
            trust=side.trust and filled(TrustRecord, side.trust),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonsRecord:
    """Sessions set against the first of them.

    SI units, named in the keys; differences are other less first; every sd is one standard deviation;
    null means unknown. Sessions count from 0. Later versions of this format may only add keys.
    """

    format: Literal["pullcoast-compare/1"]
    claimed_at_probability: Share
    shown_in_share: Share
    reference: ReferenceAir
    sessions: Annotated[list[SideRecord], Limits(length=2)]
    comparisons: Annotated[list[ComparisonRecord], Limits(length=1)]

    @classmethod
    def of(cls, comparisons: Sequence[Comparison]) -> ComparisonsRecord:
        """Fill from comparisons with the same first session."""
        sides = [comparisons[0].first, *(one.other for one in comparisons)]
        return cls(
            format="pullcoast-compare/1",
            claimed_at_probability=CLAIM,
            shown_in_share=SHOWN_SHARE,
            reference=ReferenceAir(
                temperature_C=REFERENCE_TEMPERATURE_C, pressure_kPa=REFERENCE_PRESSURE_KPA
            ),
            sessions=[SideRecord.of(side) for side in sides],
            comparisons=[ComparisonRecord.of(one, at) for at, one in enumerate(comparisons, 1)],
        )
