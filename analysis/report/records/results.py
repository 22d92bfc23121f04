"""The record of results.json, and how it is filled from an analysis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Final, Literal

from analysis.crosscheck.checked import CrossCheck
from analysis.pipeline import Analysis
from analysis.report.records.crosscheck import CrossCheckRecord
from analysis.report.records.record import (
    AirRecord,
    Count,
    Direction,
    FindingRecord,
    Limits,
    Part,
    PhaseRecord,
    Positive,
    Range,
    RunNumber,
    Sd,
    Share,
    Text,
    filled,
)
from analysis.report.records.reference import (
    EngineRecord,
    PredictionsRecord,
    RegulationRecord,
    ResistanceRecord,
)
from analysis.report.records.road_load import RoadLoadRecord, budget_of
from analysis.results.power import PowerCurve
from analysis.results.trust import Level
from logger.session.keys import VehicleKind

__all__ = [
    "FORMAT",
    "CoastRecord",
    "ResultsRecord",
    "SessionRecord",
    "SiteRecord",
    "WheelPowerRecord",
]

FORMAT: Final = "pullcoast-results/1"
_POWER_CAUSES = ("noise", "road_load", "lag", "mount", "mass")


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRecord:
    """Vehicle and runs; files of the first days do not name the vehicle."""

    MAY_LACK: ClassVar = ("vehicle", "kind", "state")

    name: str
    mass_kg: Annotated[Positive, "vehicle as driven, with people, fuel and load"]
    mass_sd_kg: Part
    rotating_mass_kg: Annotated[Part, "equivalent mass of what turns with the wheels in neutral"]
    rotating_mass_sd_kg: Part
    logs: Count
    runs: Count
    runs_up: Count
    runs_down: Count
    vehicle: Annotated[str | None, "its name as stated, empty where not"] = None
    kind: VehicleKind | None = None
    state: Annotated[str | None, "as stated, empty where not"] = None

    @classmethod
    def of(cls, outcome: Analysis) -> SessionRecord:
        """Fill from an analysis."""
        session = outcome.session
        directions = [run.direction for run in outcome.used_runs]
        return filled(
            cls,
            session.vehicle,
            name=session.name,
            logs=len(outcome.recordings),
            runs=len(directions),
            runs_up=directions.count(1),
            runs_down=directions.count(-1),
            vehicle=session.vehicle.name,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerPoint:
    """Wheel power of one gear at one speed."""

    speed_mps: Part
    power_W: float
    sd_W: Sd
    gear: Annotated[
        Annotated[int, Limits(least=1)] | None,
        "number of the traction piece from 1; null when unknown",
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class WheelPowerRecord:
    """What the driven wheels give, as tested."""

    peak_W: float
    peak_sd_W: Sd
    peak_ci95_W: Range
    peak_speed_mps: Positive
    curve: Annotated[
        list[PowerPoint],
        "per gear, at multiples of 0.25 m/s inside the speeds covered and at each gear's two end "
        "speeds",
    ]
    budget: Annotated[
        dict[str, Part | None],
        Limits(keys=_POWER_CAUSES),
        "standard deviations [W] of the peak, by cause; they add in squares",
    ]
    lower_bound_below_mps: Annotated[
        Part | None,
        "below this speed driven tyres may slip, so that power is a lower bound; null without evidence",
    ] = None
    scatter_factor: Annotated[
        float,
        Limits(least=1),
        "by which the sd of the peak was widened because runs scatter; that of the curve was not",
    ] = 1.0

    @classmethod
    def of(cls, power: PowerCurve | None) -> WheelPowerRecord | None:
        """Fill from a power curve."""
        if power is None:
            return None
        curve = [
            PowerPoint(speed_mps=speed, power_W=watts, sd_W=sd, gear=gear.gear)
            for gear in power.gears
            for speed, watts, sd in zip(
                gear.speed_mps.tolist(), gear.power_w.tolist(), gear.sd_w.tolist(), strict=True
            )
        ]
        return filled(cls, power, curve=curve, budget=budget_of(power.budget_w, _POWER_CAUSES))


@dataclass(frozen=True, slots=True, kw_only=True)
class PullRecord:
    """One used pull."""

    MAY_LACK: ClassVar = ("run",)

    log: Count
    start_s: float
    end_s: float
    from_mps: float
    to_mps: float
    duration_s: Positive
    duration_sd_s: Sd
    distance_m: float
    kinetic_mean_power_W: Annotated[
        float, "m (v_end^2 - v_start^2) / 2 / duration: no road load, no rotating mass"
    ]
    mean_power_W: Annotated[float, "wheel energy over duration, gear changes included"]
    mean_power_sd_W: Sd
    peak_power_W: float
    peak_power_sd_W: Sd
    direction: Direction
    run: Annotated[RunNumber | None, "counted from 1, the same in every file"] = None


# no slots, so that a record can begin with another one's fields
@dataclass(frozen=True, kw_only=True)
class OfLog:
    """What one log holds."""

    log: Count


@dataclass(frozen=True, slots=True, kw_only=True)
class CoastRecord(PhaseRecord, OfLog):
    """One coast-down."""

    MAY_LACK: ClassVar = ("run",)

    used: bool
    why_not: str | None
    run: Annotated[RunNumber | None, "counted from 1, the same in every file"] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadUseRecord:
    """What was taken from a road file; sessions that lean on the same ones are not independent."""

    name: Text
    used: bool
    why_not: str | None
    sessions: Annotated[list[str], "fingerprints of the sessions that it leans on"]
    share: Annotated[Share, "of the variance of the road load at 100 km/h"]
    fingerprint: Annotated[Text, "of this session"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteRecord:
    """Wind and slope."""

    MAY_LACK: ClassVar = ("road",)

    wind_mps: Annotated[float, "positive against direction +1"]
    wind_sd_mps: Sd
    slope_percent: Annotated[float, "mean, positive when rising along direction +1"]
    slope_sd_percent: Sd
    separable: Annotated[bool, "false when only one direction was driven"]
    road: RoadUseRecord | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorRecord:
    """What one log's sensors turned out to be."""

    log: Count
    gps_rate_hz: float | None
    gps_lag_s: Annotated[float | None, "positive when GPS is late"]
    gps_lag_sd_s: Sd | None
    accel_rate_hz: float | None
    accel_scale: float | None
    accel_used: bool
    why_not: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CrankPowerRecord:
    """Given only under a driveline loss that the user stated."""

    peak_W: float
    low_W: float
    high_W: float
    loss_percent: Range


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionRecord:
    """Peak wheel power as a standard would correct it."""

    standard: str
    factor: float | None
    valid: bool
    why_not: str | None
    peak_W: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StepRecord:
    """One thing that was done with the data."""

    step: str
    version: str
    settings: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrustRecord:
    """How far to rely on the results."""

    level: Annotated[Level, "doubtful: not to be relied on, the cause first in why"]
    why: Annotated[tuple[str, ...], Limits(length=1)]
    interval_leaves_out: Annotated[tuple[str, ...], "what no log can show, and no interval holds"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultsRecord:
    """Wheel power and road load of one session.

    SI units, named in the keys; every sd is one standard deviation; null means unknown. Later versions
    of this format may only add keys.
    """

    MAY_LACK: ClassVar = ("crosscheck", "trust")

    format: Literal["pullcoast-results/1"]
    session: SessionRecord
    air: AirRecord
    road_load: Annotated[RoadLoadRecord | None, "null when no coast-down could be used"]
    wheel_power: Annotated[WheelPowerRecord | None, "null without a usable pull"]
    pulls: list[PullRecord]
    coasts: list[CoastRecord]
    site: SiteRecord
    sensors: list[SensorRecord]
    crank_power: CrankPowerRecord | None
    corrections: list[CorrectionRecord]
    resistance: Annotated[ResistanceRecord | None, "null where F0 and F2 cannot be separated"] = (
        None
    )
    regulation: tuple[RegulationRecord, ...] = ()
    engine: Annotated[EngineRecord | None, "null without tyre and ratios"] = None
    predictions: Annotated[PredictionsRecord | None, "null without a road load"] = None
    findings: list[FindingRecord]
    trust: Annotated[TrustRecord | None, "null in files of the first days"] = None
    history: list[StepRecord]
    crosscheck: CrossCheckRecord | None = None

    @classmethod
    def of(cls, outcome: Analysis, crosscheck: CrossCheck | None = None) -> ResultsRecord:
        """Fill from an analysis and its timed runs."""
        extras, site = outcome.extras, outcome.site
        return cls(
            format=FORMAT,
            session=SessionRecord.of(outcome),
            air=filled(AirRecord, outcome.air),
            road_load=RoadLoadRecord.of(outcome),
            wheel_power=WheelPowerRecord.of(outcome.power),
            pulls=[filled(PullRecord, pull) for pull in outcome.pulls],
            coasts=[
                CoastRecord(
                    log=run.log,
                    **PhaseRecord.figures(phase, run),
                    used=phase.used,
                    why_not=phase.why_not,
                    run=run.number + 1,
                )
                for run in outcome.runs
                for phase in run.phases
                if phase.kind == "coast"
            ],
            site=filled(
                SiteRecord,
                site,
                slope_percent=100 * site.slope,
                slope_sd_percent=100 * site.slope_sd,
                road=None if outcome.road is None else filled(RoadUseRecord, outcome.road),
            ),
            sensors=[filled(SensorRecord, sensor) for sensor in outcome.sensors],
            crank_power=None if extras.crank is None else filled(CrankPowerRecord, extras.crank),
            corrections=[filled(CorrectionRecord, one) for one in extras.corrections],
            resistance=ResistanceRecord.of(extras.resistance),
            regulation=tuple(RegulationRecord.of(band) for band in extras.regulation),
            engine=EngineRecord.of(extras.engine),
            predictions=PredictionsRecord.of(extras.expected),
            findings=FindingRecord.all_of(outcome.findings),
            trust=filled(TrustRecord, outcome.verdict.trust),
            history=[filled(StepRecord, step) for step in outcome.history],
            crosscheck=None if crosscheck is None else CrossCheckRecord.of(crosscheck),
        )
