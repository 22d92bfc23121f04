"""A session beside timed runs, as results.json and ``crosscheck --json`` hold it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from analysis.crosscheck.checked import CrossCheck
from analysis.report.records.record import (
    Count,
    Direction,
    ForcePoint,
    Part,
    RunNumber,
    Sd,
    Text,
    filled,
)

__all__ = ["CrossCheckRecord"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GateRecord:
    """One timed interval beside its prediction."""

    kind: Literal["pull", "coast"]
    from_mps: float
    to_mps: float
    measured_s: float
    measured_sd_s: Sd | None
    predicted_s: float | None
    predicted_sd_s: Sd | None
    predicted_up_s: float | None
    predicted_down_s: float | None
    z: float | None
    z_explained: float | None
    verdict: str
    direction: Direction
    own_run: Annotated[RunNumber | None, "run of the session that it is compared with"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectRecord:
    """One interval that both clocks saw."""

    kind: Literal["pull", "coast"]
    from_mps: float
    to_mps: float
    scope_s: float
    phone_s: float
    difference_s: float
    difference_sd_s: Sd


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentRecord:
    """The recording's clock less the oscilloscope's, by the throttle release of one run."""

    log: Count
    run: Count
    clock_difference_s: float
    clock_difference_sd_s: Sd
    intervals: list[DirectRecord]


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseRecord:
    """What one cause leaves unexplained of all intervals together."""

    cause: Text
    misfit: Annotated[Part, "root mean square over the intervals, in standard deviations"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossCheckRecord:
    """Timed runs beside a session's results; null for what is unknown."""

    gates: list[GateRecord]
    causes: Annotated[list[CauseRecord], "in the order in which they are to be believed"]
    best_cause: str | None
    speed_scale: float | None
    speed_scale_sd: Sd | None
    speedometer_off: Annotated[bool, "whether a speedometer's error is shown"]
    reaction_s: float | None
    reaction_sd_s: Sd | None
    segment_sum_W: float | None
    segments_W: list[float] | None
    weighted_segments_W: float | None
    kinetic_mean_W: float | None
    mean_wheel_power_W: float | None
    mean_wheel_power_sd_W: Sd | None
    peak_wheel_power_W: float | None
    road_load: Annotated[list[ForcePoint], "from timed coast-downs alone"]
    steps: list[str]
    explanation: list[str]
    alignment: AlignmentRecord | None

    @classmethod
    def of(cls, found: CrossCheck) -> CrossCheckRecord:
        """Fill from a cross-check."""
        sums, aligned = found.segments, found.alignment
        return filled(
            cls,
            found,
            gates=[
                filled(
                    GateRecord,
                    gate,
                    kind=gate.run.kind,
                    from_mps=gate.run.gates.from_mps,
                    to_mps=gate.run.gates.to_mps,
                    measured_s=gate.run.gates.duration_s,
                    direction=gate.run.direction,
                )
                for gate in found.gates
            ],
            causes=[filled(CauseRecord, one) for one in found.causes],
            segment_sum_W=None if sums is None or not sums.segments_w else sums.total_w,
            segments_W=None if sums is None else sums.segments_w,
            kinetic_mean_W=None if sums is None else sums.kinetic_mean_w,
            mean_wheel_power_W=found.mean_power_w,
            mean_wheel_power_sd_W=found.mean_power_sd_w,
            peak_wheel_power_W=found.peak_power_w,
            road_load=[
                ForcePoint(speed_mps=speed, force_N=force, sd_N=sd)
                for speed, force, sd in found.road_load_n
            ],
            alignment=None
            if aligned is None
            else filled(
                AlignmentRecord,
                aligned,
                intervals=[
                    filled(DirectRecord, item, difference_sd_s=item.sd_s)
                    for item in aligned.intervals
                ],
            ),
        )
