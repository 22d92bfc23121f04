"""What one recording holds, before any session: its speed-time curve, its runs, its findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.runs.phases import find_runs
from analysis.runs.run import Run
from analysis.signals.smoothing import Fused, SensorUse, SpeedCurve, fuse
from logger.findings import Finding
from logger.recording import Recording

__all__ = ["Survey", "find_all_runs", "fuse_all", "survey"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """One recording looked at alone; `curve` is None where there are too few fixes."""

    curve: SpeedCurve | None
    runs: tuple[Run, ...]
    findings: tuple[Finding, ...]
    sensors: SensorUse


def survey(recording: Recording, log: int = 0) -> Survey:
    """Look at one recording alone.

    Parameters
    ----------
    recording : Recording
        Any.
    log : int
        Its index in findings and curve.

    Returns
    -------
    Survey
        Curve None where there are too few fixes.
    """
    fused, notes = fuse(recording, log)
    runs = find_runs(fused, log)
    found = (*recording.findings, *notes)
    return Survey(curve=fused.curve, runs=runs, findings=found, sensors=fused.sensors)


def fuse_all(recordings: Sequence[Recording]) -> tuple[tuple[Fused, ...], tuple[Finding, ...]]:
    """Fuse every recording of a session; the readers' findings come with their log's index."""
    fused: list[Fused] = []
    findings: list[Finding] = []
    for log, recording in enumerate(recordings):
        one, notes = fuse(recording, log)
        fused.append(one)
        findings += [replace(finding, log=log) for finding in recording.findings]
        findings += notes
    return tuple(fused), tuple(findings)


def find_all_runs(fused: Sequence[Fused]) -> tuple[Run, ...]:
    """Find the runs of all recordings and number them in order."""
    runs = [run for log, one in enumerate(fused) for run in find_runs(one, log)]
    return tuple(replace(run, number=number) for number, run in enumerate(runs))
