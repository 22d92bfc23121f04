"""Which runs may be used, and why not: neutral or in gear, brake, plausible or not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis.fuse import Fused
from analysis.phases import Phase, Run
from logger.findings import Finding

__all__ = ["judge_runs", "why_nothing"]


def judge_runs(
    runs: Sequence[Run], fused: Sequence[Fused]
) -> tuple[tuple[Run, ...], tuple[Finding, ...]]:
    """Mark phases that cannot be trusted as not used, each with its reason.

    Parameters
    ----------
    runs : sequence of Run
        As found.
    fused : sequence of Fused, one per log
        Their curves.

    Returns
    -------
    runs : tuple of Run
        With `used` and `why_not` settled.
    findings : tuple of Finding
        One per kind of reason.
    """
    judged: list[Run] = []
    reasons: dict[str, int] = {}
    for run in runs:
        phases: list[Phase] = []
        for phase in run.phases:
            why = phase.why_not if not phase.used else None
            if why is None and phase.kind == "coast" and run.phase("pull") is None:
                why = _lone_coast(phase)
            if why is not None and phase.kind in ("pull", "coast"):
                reasons[f"{phase.kind}: {why}"] = reasons.get(f"{phase.kind}: {why}", 0) + 1
                phase = replace(phase, used=False, why_not=why)
            phases.append(phase)
        judged.append(replace(run, phases=tuple(phases)))
    findings = tuple(
        Finding("phase_not_used", "warning", f"{count} left out, {text}.", count=count)
        for text, count in reasons.items()
    )
    return tuple(judged), findings


def _lone_coast(phase: Phase) -> str | None:
    """Return why a coast-down without a pull in front is doubtful, or None."""
    loss = phase.from_mps - phase.to_mps
    duration = phase.end_s - phase.start_s
    if duration < 10.0 or loss < 4.0:
        return "a short slowing with no pull before it is more likely traffic than a coast-down"
    return None


def why_nothing(runs: Sequence[Run], fused: Sequence[Fused]) -> tuple[str, ...]:
    """Return every reason why no run of a session can be used."""
    reasons = [
        f"log {log}: fewer than four usable speed fixes"
        for log, one in enumerate(fused)
        if one.curve is None
    ]
    for run in runs:
        for phase in run.phases:
            if phase.kind in ("pull", "coast") and not phase.used:
                reasons.append(
                    f"log {run.log}, {phase.kind} at {phase.start_s:.0f} to {phase.end_s:.0f} s: "
                    f"{phase.why_not}"
                )
    if not runs:
        reasons.append("no full-throttle pull and no coast-down was found in the logs")
    return tuple(reasons)
