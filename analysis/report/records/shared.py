"""The record of shared.json, and how it is filled from several sessions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Literal, TypeAlias

from analysis.report.records.record import (
    AirRecord,
    Count,
    FindingRecord,
    Limits,
    Positive,
    Range,
    ReferenceAir,
    Sd,
    Share,
    filled,
)
from analysis.report.records.results import TrustRecord
from analysis.report.records.road_load import RoadLoadFigures
from analysis.sessions.shared import (
    Deviation,
    Shared,
    SharedPower,
    SharedRoadLoad,
    SharedSession,
    SharedState,
)

__all__ = ["SharedRecord"]

_Sessions: TypeAlias = Annotated[list[Count], Limits(length=1)]
_Three: TypeAlias = tuple[float, float, float]
_Chance: TypeAlias = Annotated[
    Share, "probability of so much scatter between sessions or more; 1 for a single one"
]
_Spread: TypeAlias = Annotated[Positive, "sd of a session about the vehicle's own"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadDeviationRecord:
    """How far one session's road load lies from the shared one at three speeds."""

    session: Count
    speed_mps: _Three
    difference_N: _Three
    expected_sd_N: tuple[Sd, Sd, Sd]

    @classmethod
    def of(cls, one: Deviation) -> LoadDeviationRecord:
        """Fill from a deviation."""
        return filled(cls, one, difference_N=one.difference, expected_sd_N=one.sd)


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerDeviationRecord:
    """How far one session's peak wheel power lies from the shared one."""

    session: Count
    difference_W: float
    expected_sd_W: Sd

    @classmethod
    def of(cls, one: Deviation) -> PowerDeviationRecord:
        """Fill from a deviation."""
        return filled(cls, one, difference_W=one.difference[0], expected_sd_W=one.sd[0])


# no slots, so that a record can begin with another one's fields
@dataclass(frozen=True, kw_only=True)
class OfSessions:
    """What some of the sessions have in common."""

    sessions: _Sessions


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedRoadLoadRecord(RoadLoadFigures, OfSessions):
    """R(v) = F0 + F1 v + F2 v^2 in reference air: neutral, level road, still air."""

    deviation_percent: _Spread
    chance: _Chance
    deviations: list[LoadDeviationRecord]

    @classmethod
    def of(cls, shared: SharedRoadLoad | None) -> SharedRoadLoadRecord | None:
        """Fill from a shared road load; None where there is none."""
        if shared is None:
            return None
        return cls(
            sessions=list(shared.sessions),
            **cls.figures(shared.road_load),
            deviation_percent=100 * shared.spread,
            chance=shared.chance,
            deviations=[LoadDeviationRecord.of(one) for one in shared.deviations],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedPowerRecord(OfSessions):
    """Peak wheel power as tested, not corrected for the air."""

    peak_W: float
    peak_sd_W: Sd
    peak_ci95_W: Range
    deviation_percent: _Spread
    chance: _Chance
    deviations: list[PowerDeviationRecord]

    @classmethod
    def of(cls, power: SharedPower | None) -> SharedPowerRecord | None:
        """Fill from a shared power; None where there is none."""
        if power is None:
            return None
        deviations = [PowerDeviationRecord.of(one) for one in power.deviations]
        return filled(cls, power, deviation_percent=100 * power.spread, deviations=deviations)


@dataclass(frozen=True, slots=True, kw_only=True)
class StateRecord:
    """One vehicle in one state: only such sessions are put together."""

    vehicle: str
    kind: str
    state: str
    sessions: _Sessions
    mass_kg: Annotated[Positive, "that the road load holds for: of the first of these sessions"]
    road_load: Annotated[SharedRoadLoadRecord | None, "null without a coast-down"]
    wheel_power: Annotated[SharedPowerRecord | None, "null without a pull"]

    @classmethod
    def of(cls, state: SharedState) -> StateRecord:
        """Fill from one state."""
        return filled(
            cls,
            state,
            road_load=SharedRoadLoadRecord.of(state.road_load),
            wheel_power=SharedPowerRecord.of(state.power),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedAirRecord(AirRecord):
    """Air of a session's day."""

    temperature_C: float | None
    pressure_hPa: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedSessionRecord:
    """One session."""

    name: str
    folder: Annotated[str, "of the session's own results, beside this file"]
    vehicle: str
    kind: str
    state: str
    mass_kg: Positive
    air: SharedAirRecord
    trust: Annotated[TrustRecord, "of the session alone"]
    used: bool
    why_not: Annotated[str | None, "why it is left out; null when used"]

    @classmethod
    def of(cls, one: SharedSession, folder: str) -> SharedSessionRecord:
        """Fill from one session and the folder of its own results."""
        vehicle = one.outcome.session.vehicle
        return filled(
            cls,
            vehicle,
            name=one.name,
            folder=folder,
            vehicle=vehicle.name,
            air=filled(SharedAirRecord, one.outcome.air),
            trust=filled(TrustRecord, one.outcome.verdict.trust),
            used=one.why_not is None,
            why_not=one.why_not,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedRecord:
    """Several sessions put together.

    SI units, named in the keys; every sd is one standard deviation; null means unknown. Sessions count
    from 0. Later versions of this format may only add keys.
    """

    format: Literal["pullcoast-shared/1"]
    sessions: Annotated[list[SharedSessionRecord], Limits(length=2)]
    reference: ReferenceAir
    states: Annotated[list[StateRecord], Limits(length=1)]
    findings: list[FindingRecord]

    @classmethod
    def of(cls, shared: Shared, folders: Sequence[str]) -> SharedRecord:
        """Fill from several sessions and the folders of their own results."""
        return cls(
            format="pullcoast-shared/1",
            sessions=[
                SharedSessionRecord.of(one, folder)
                for one, folder in zip(shared.sessions, folders, strict=True)
            ],
            reference=filled(ReferenceAir, shared),
            states=[StateRecord.of(state) for state in shared.states],
            findings=FindingRecord.all_of(shared.findings),
        )
