"""What one recording holds, before any session: its speed-time curve, its runs, its findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from analysis.runs.phases import find_runs
from analysis.runs.run import Run
from analysis.signals.smoothing import Fused, SensorUse, SpeedCurve, fuse
from logger.errors import PullcoastError
from logger.findings import Finding
from logger.recording import Recording

__all__ = [
    "NothingUsable",
    "Survey",
    "day_findings",
    "find_all_runs",
    "fuse_all",
    "sampling_findings",
    "survey",
]


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


def day_findings(recordings: Sequence[Recording], runs: Sequence[Run]) -> tuple[Finding, ...]:
    """Say so where the used runs are of different days (UTC); clocks that know no date say nothing."""
    days: dict[str, list[int]] = {}
    for run in runs:
        epoch_s = recordings[run.log].clocks[0].epoch_s
        if run.used and epoch_s is not None:
            day = datetime.fromtimestamp(epoch_s + run.start_s, UTC).date().isoformat()
            days.setdefault(day, []).append(run.number + 1)
    if len(days) < 2:
        return ()
    each = "; ".join(f"{day}: {', '.join(map(str, days[day]))}" for day in sorted(days))
    text = (
        f"The used runs are of {len(days)} days (UTC; {each}), and are fitted as of one: one wind, one air, one "
        "load. Make a session of each day, and give them to pullcoast report together."
    )
    return (Finding(kind="several_days", severity="warning", text=text, count=len(days)),)


#: A fix shows speeds this near [m/s]: a gear change of 0.3 s at 2 m/s2 moves a fix by 0.6 m/s.
_SHOWN_MPS = 0.35
#: Below this speed launch and dead band rule [m/s].
_SLOWEST_MPS = 4.0
#: Fewer pulls have nothing to compare; the fixes of more cover this share of what they would by chance.
_LEAST_PULLS, _COVERED = 3, 0.6


def sampling_findings(fused: Sequence[Fused], runs: Sequence[Run]) -> tuple[Finding, ...]:
    """Report pulls whose fixes all fall on the same few speeds, so that gear changes hide between.

    Parameters
    ----------
    fused : sequence of Fused, one per log
        Their fixes.
    runs : sequence of Run
        Used pulls count; those with an accelerometer or fast fixes need no luck.

    Returns
    -------
    tuple of Finding
        None or one. N fixes thrown at a span of speeds S cover ``1 - exp(-2 r N / S)`` of it within
        r of one; much less means that every pull began at the same moment between two fixes.
    """
    speeds = []
    for run in runs:
        pull, one = run.phase("pull"), fused[run.log]
        if pull is None or not pull.used or one.fine:
            continue
        moment = one.fixes.t_s - one.lag_s
        inside = (moment >= pull.start_s) & (moment <= pull.end_s)
        found = one.fixes.speed_mps[inside]
        speeds.append(found[found >= _SLOWEST_MPS])
    if len(speeds) < _LEAST_PULLS:
        return ()
    every = np.sort(np.concatenate(speeds))
    if every.size < 2 * _LEAST_PULLS or every[-1] - every[0] < 2.0 * _SLOWEST_MPS:
        return ()
    span = float(every[-1] - every[0])
    # the union of stretches of 2 r about each speed
    covered = float(np.minimum(np.diff(every), 2.0 * _SHOWN_MPS).sum()) / span
    chance = 1.0 - float(np.exp(-2.0 * _SHOWN_MPS * every.size / span))
    if covered >= _COVERED * chance:
        return ()
    text = (
        f"The fixes of all {len(speeds)} pulls fall on the same few speeds: together they show "
        f"{100 * covered:.0f} % of the speeds driven, where pulls begun at any moment show "
        f"{100 * chance:.0f} %. Gear changes between these speeds stay hidden, and the power there "
        "rests on a smooth curve. Record the accelerometer as well, use a faster receiver, or begin "
        "the pulls at other moments."
    )
    return (Finding(kind="same_speeds_sampled", severity="warning", text=text, count=len(speeds)),)
