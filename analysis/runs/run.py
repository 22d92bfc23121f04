"""Runs and their phases: what the vehicle was doing when, and what of it the model uses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from logger.findings import Finding, Severity

__all__ = ["Phase", "PhaseKind", "Run", "with_runs"]

#: An array of floats, in all rooms from here on.
PhaseKind = Literal["stand", "pull", "coast", "brake", "other"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """One stretch of one recording, and whether the model uses it.

    Parameters
    ----------
    kind : {"stand", "pull", "coast", "brake", "other"}
        What the vehicle was doing.
    start_s, end_s : float
        On the recording's clock [s].
    from_mps, to_mps : float
        Speeds at the two ends [m/s].
    used : bool
        Whether the session model uses it.
    why_not : str or None
        Plain reason when not used.
    gear_pieces_s : tuple of (start, end)
        For a pull: the stretches of uninterrupted drive, one per gear, in order [s].
    """

    kind: PhaseKind
    start_s: float
    end_s: float
    from_mps: float
    to_mps: float
    used: bool = True
    why_not: str | None = None
    gear_pieces_s: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One trip along the road: pull, coast-down, or both.

    Parameters
    ----------
    log : int
        Recording it comes from.
    number : int
        Counts the session's runs from 0 in order of logs and time.
    direction : int or None
        +1 along the session's first used run, -1 against it, None when unknown.
    phases : tuple of Phase
        In order of time.
    """

    log: int
    number: int
    direction: int | None
    phases: tuple[Phase, ...]

    @property
    def start_s(self) -> float:
        """Start of the first phase [s]."""
        return self.phases[0].start_s

    @property
    def end_s(self) -> float:
        """End of the last phase [s]."""
        return self.phases[-1].end_s

    @property
    def used(self) -> bool:
        """Whether the model uses its pull or its coast-down."""
        return any(phase.used for phase in self.phases if phase.kind in ("pull", "coast"))

    def phase(self, kind: PhaseKind) -> Phase | None:
        """Return the first phase of that kind, or None."""
        return next((phase for phase in self.phases if phase.kind == kind), None)

    def without(self, kind: PhaseKind, why: str) -> Run:
        """Return the run with its phases of one kind marked as not used."""
        phases = tuple(
            replace(phase, used=False, why_not=why) if phase.kind == kind else phase
            for phase in self.phases
        )
        return replace(self, phases=phases)

    def finding(self, kind: str, severity: Severity, text: str, time_s: float) -> Finding:
        """Return a finding about a moment of this run."""
        return Finding(
            kind=kind,
            severity=severity,
            text=text,
            log=self.log,
            time_s=time_s,
            run=self.number + 1,
        )


def with_runs(findings: Sequence[Finding], runs: Sequence[Run]) -> tuple[Finding, ...]:
    """Give findings about a moment the number of its run; what is about lines of a file stays as it is."""
    return tuple(
        finding
        if finding.run is not None or finding.time_s is None or finding.line is not None
        else replace(
            finding,
            run=next(
                (
                    run.number + 1
                    for run in runs
                    if run.log == finding.log and run.start_s <= finding.time_s <= run.end_s + 1.0
                ),
                None,
            ),
        )
        for finding in findings
    )
