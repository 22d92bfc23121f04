"""Where timed gates lie on a run's speed over time: for the figure that lays one over the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.crosscheck.checked import CrossCheck, GateResult
from analysis.pipeline import Analysis
from logger.arrays import Array

__all__ = ["GateMarks", "RunOverlay", "gate_overlays"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GateMarks:
    """One timed interval: its two moments from the release [s], its two speeds [m/s]."""

    kind: str
    time_s: Array
    speed_mps: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOverlay:
    """A run's speed over time from the release of the throttle, and the gates laid on it."""

    direction: int | None
    time_s: Array
    speed_mps: Array
    marks: tuple[GateMarks, ...]


def gate_overlays(outcome: Analysis, crosscheck: CrossCheck | None) -> tuple[RunOverlay, ...]:
    """Lay the timed intervals over one run of each direction.

    A timed pull ends where the run's pull passes its upper gate; a coast-down begins where the run
    passes its first gate, and one that goes on from the gate before begins where that one ended.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    crosscheck : CrossCheck or None
        Its timed gates.

    Returns
    -------
    tuple of RunOverlay
        At most one per direction; none without a used run that has both pull and coast-down.
    """
    if crosscheck is None:
        return ()
    curves = {curve.log: curve for curve in outcome.curves}
    found: dict[int | None, RunOverlay] = {}
    for run in outcome.runs:
        pull, coast, curve = run.phase("pull"), run.phase("coast"), curves.get(run.log)
        if pull is None or coast is None or curve is None or run.direction in found:
            continue
        if not (pull.used and coast.used):
            continue
        inside = (curve.time_s >= pull.start_s - 1.0) & (curve.time_s <= coast.end_s)
        inside &= np.isfinite(curve.speed_mps)
        if inside.sum() < 10:
            continue
        time, speed = curve.time_s[inside] - pull.end_s, curve.speed_mps[inside]
        found[run.direction] = RunOverlay(
            direction=run.direction,
            time_s=time,
            speed_mps=speed,
            marks=_marks(crosscheck.gates, time, speed),
        )
    return tuple(found.values())


def _marks(gates: tuple[GateResult, ...], time: Array, speed: Array) -> tuple[GateMarks, ...]:
    marks: list[GateMarks] = []
    for gate in gates:
        v1, v2 = gate.run.gates.from_mps, gate.run.gates.to_mps
        duration = gate.run.gates.duration_s
        if gate.run.kind == "pull":
            end = _passes(time, speed, v2, rising=True)
            start = None if end is None else end - duration
        else:
            before = marks[-1] if marks and marks[-1].kind == "coast" else None
            if before is not None and abs(before.speed_mps[1] - v1) < 1e-6:
                start = float(before.time_s[1])
            else:
                start = _passes(time, speed, v1, rising=False)
        if start is not None:
            moments = np.array([start, start + duration])
            marks.append(
                GateMarks(kind=gate.run.kind, time_s=moments, speed_mps=np.array([v1, v2]))
            )
    return tuple(marks)


def _passes(time: Array, speed: Array, at_mps: float, *, rising: bool) -> float | None:
    """Return when a run passes a speed on its way up, or down after its top [s]."""
    top = int(np.argmax(speed))
    t, v = (time[: top + 1], speed[: top + 1]) if rising else (time[top:], -speed[top:])
    target = at_mps if rising else -at_mps
    over = np.flatnonzero(v >= target)
    if not over.size:
        return None
    k = int(over[0])
    if k == 0:
        return float(t[0])
    return float(t[k - 1] + (target - v[k - 1]) / (v[k] - v[k - 1]) * (t[k] - t[k - 1]))
