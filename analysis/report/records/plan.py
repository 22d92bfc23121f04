"""The record of what ``pullcoast plan --json`` prints, and how it is filled from a plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal, TypeAlias

from analysis.planning.plan import (
    MOST_PAIRS,
    LoadPrediction,
    Needed,
    OutingPrediction,
    Variant,
    half95_percent,
)
from analysis.report.records.record import Limits, Part, Positive, Text, filled
from logger.session.keys import VehicleKind

__all__ = ["PlanRecord"]

_Pairs: TypeAlias = Annotated[int, Limits(least=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPowerRecord:
    """Peak wheel power to expect."""

    peak_W: Positive
    half95_percent: Annotated[Positive, "half the 95 % interval in per cent of the figure"]
    engines_half95_percent: Annotated[
        list[Positive],
        Limits(length=1),
        "for an engine whose power rises to the end of each gear, and for one that is level within "
        "it; or as found",
    ]
    mass_half95_percent: Part
    difference_half95_percent: Annotated[
        Positive, "of the difference of two such outings with one mass"
    ]
    gain_shown_percent: Annotated[
        Positive, "smallest true gain that two such outings show four times out of five"
    ]
    causes_sd_percent: Annotated[
        dict[str, Positive | None], "by cause; null where a cause has no part"
    ]

    @classmethod
    def of(cls, predicted: OutingPrediction) -> PlannedPowerRecord:
        """Fill from what is predicted."""
        return cls(
            peak_W=predicted.peak_w,
            half95_percent=half95_percent(predicted.peak_share),
            engines_half95_percent=[half95_percent(share) for share in predicted.peak_shares],
            mass_half95_percent=half95_percent(predicted.mass_share),
            difference_half95_percent=half95_percent(predicted.difference_share),
            gain_shown_percent=100 * predicted.gain_shown,
            causes_sd_percent={
                name: 100 * share or None for name, share in predicted.causes.items()
            },
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedLoadRecord:
    """Road load to expect at one speed."""

    speed_mps: Positive
    force_N: Positive
    half95_percent: Annotated[Positive, "half the 95 % interval in per cent of the figure"]
    difference_half95_percent: Positive

    @classmethod
    def of(cls, load: LoadPrediction) -> PlannedLoadRecord:
        """Fill from what is predicted."""
        return filled(
            cls,
            load,
            half95_percent=half95_percent(load.share),
            difference_half95_percent=half95_percent(load.difference_share),
        )


_Loads: TypeAlias = Annotated[list[PlannedLoadRecord], Limits(length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedOutingRecord:
    """The outing as planned."""

    kind: VehicleKind
    mass_kg: Positive
    mass_sd_kg: Part
    pairs: _Pairs
    top_mps: Positive
    end_mps: Positive
    gps_rate_hz: Positive
    accel_rate_hz: Annotated[float | None, "null without an accelerometer"]
    wind_mps: float
    slope_percent: float
    road_m: Annotated[Positive, "for one run, braking included"]
    run_s: Positive

    @classmethod
    def of(cls, predicted: OutingPrediction) -> PlannedOutingRecord:
        """Fill from what is predicted."""
        outing = predicted.outing
        return filled(
            cls,
            outing,
            kind=outing.vehicle.kind,
            mass_kg=outing.vehicle.mass_kg,
            mass_sd_kg=outing.vehicle.mass_sd_kg,
            gps_rate_hz=outing.gps_hz,
            accel_rate_hz=outing.accel_hz or None,
            slope_percent=100 * outing.slope,
            road_m=predicted.road_m,
            run_s=predicted.run_s,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class VariantRecord:
    """One change to the plan; without figures where it cannot be driven."""

    MAY_LACK: ClassVar = ("wheel_power", "road_load")

    name: str
    wheel_power: PlannedPowerRecord | None = None
    road_load: _Loads | None = None
    drivable: bool

    @classmethod
    def of(cls, one: Variant) -> VariantRecord:
        """Fill from a variant."""
        found = one.predicted
        return cls(
            name=one.name,
            wheel_power=None if found is None else PlannedPowerRecord.of(found),
            road_load=None if found is None else [PlannedLoadRecord.of(x) for x in found.loads],
            drivable=found is not None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class NeededRecord:
    """Pairs that a wanted interval takes."""

    what: str
    pairs: Annotated[_Pairs | None, "null where most_pairs do not do"]
    most_pairs: int
    half95_with_most_percent: Positive
    mass_half95_percent: Part

    @classmethod
    def of(cls, one: Needed) -> NeededRecord:
        """Fill from the pairs needed."""
        return cls(
            what=one.what,
            pairs=one.pairs,
            most_pairs=MOST_PAIRS,
            half95_with_most_percent=100 * one.least,
            mass_half95_percent=100 * one.mass,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRecord:
    """What a planned outing will show.

    SI units, named in the keys; null means unknown or none. Later versions of this format may only add
    keys.
    """

    format: Literal["pullcoast-plan/1"]
    outing: PlannedOutingRecord
    wheel_power: PlannedPowerRecord
    road_load: _Loads
    variants: Annotated[list[VariantRecord], Limits(length=1)]
    wanted_percent: Annotated[float | None, "of --want, null without"]
    needed: list[NeededRecord]
    checklist: Annotated[list[Text], Limits(length=1)]

    @classmethod
    def of(
        cls,
        predicted: OutingPrediction,
        variants: Sequence[Variant],
        want: float | None,
        needed: Sequence[Needed],
        checklist: list[str],
    ) -> PlanRecord:
        """Fill from a plan; `want` is a ratio."""
        return cls(
            format="pullcoast-plan/1",
            outing=PlannedOutingRecord.of(predicted),
            wheel_power=PlannedPowerRecord.of(predicted),
            road_load=[PlannedLoadRecord.of(load) for load in predicted.loads],
            variants=[VariantRecord.of(one) for one in variants],
            wanted_percent=None if want is None else 100 * want,
            needed=[NeededRecord.of(one) for one in needed],
            checklist=checklist,
        )
