"""What "up" means in a session: the direction of its first run, by the compass where that is known."""

from __future__ import annotations

import numpy as np

from analysis.pipeline import Analysis
from analysis.runs.run import Run

__all__ = ["up_text"]

#: Slower fixes have no heading worth reading [m/s].
_MOVING_MPS = 5.0
#: Headings of a straight road agree this well: mean length of their unit vectors.
_STRAIGHT = 0.9


def up_text(outcome: Analysis) -> str:
    """Return which way is up.

    Parameters
    ----------
    outcome : Analysis
        Of one session.

    Returns
    -------
    str
        ``up: the direction of run 1, towards 240\u00b0``; without headings and positions ``up: the
        direction of run 1, not uphill``.
    """
    first = next((run for run in outcome.runs if run.number == 0), None)
    way = None if first is None else first.direction
    words = {1: "the direction of run 1", -1: "against the direction of run 1"}
    towards = _course_deg(outcome)
    end = "not uphill" if towards is None else f"towards {round(towards) % 360}\u00b0"
    return f"up: {words.get(way or 0, 'as stated for the logs')}, {end}"


def _course_deg(outcome: Analysis) -> float | None:
    """Return the mean heading of driving up [degrees from north]; None where logs do not show it."""
    vectors = [run.direction * _unit_vectors(outcome, run) for run in outcome.runs if run.direction]
    every = np.concatenate([np.zeros(0, dtype=complex), *vectors])
    if not every.size or abs(every.mean()) < _STRAIGHT:
        return None
    return float(np.degrees(np.angle(every.mean())))


def _unit_vectors(outcome: Analysis, run: Run) -> np.ndarray[tuple[int], np.dtype[np.complex128]]:
    """Return the headings of one run as numbers on the unit circle, north 1 and east i."""
    recording = outcome.recordings[run.log]
    heading, speed = recording.channel("heading_deg"), recording.channel("speed_mps")
    none = np.zeros(0, dtype=np.complex128)
    if heading is None or speed is None or heading.clock != speed.clock:
        return none
    at = heading.t_s
    inside = (at >= run.start_s) & (at <= run.end_s)
    inside &= np.interp(at, speed.t_s, speed.values) > _MOVING_MPS
    return np.exp(1j * np.radians(heading.values[inside]))
