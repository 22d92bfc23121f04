"""Speeds that stand still, stop at a ceiling, or jump with the clock: doubted before anything is fitted.

What is doubted here leaves a hole, and a hole ends a run's stretch as every hole of the fixes does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.signals.gps import HOLE_S, road_positions_m
from logger.arrays import Array
from logger.findings import Finding
from logger.recording import Channel, Recording

__all__ = ["doubt_broken"]

_Mask = NDArray[np.bool_]
#: Slower than this launch, turn and dead band rule [m/s].
_MOVING_MPS = 3.0
#: So many equal speeds, over this time [s], are no steady driving where a jump follows ...
_EQUAL, _EQUAL_S = 4, 2.5
#: ... of this much [m/s], of so many steps between fixes, and of so many steps of the last digit.
_JUMP_MPS, _JUMP_STEPS, _JUMP_DIGITS = 0.6, 3.0, 3.0
#: At the log's highest speed so many equal ones over this time [s] are a ceiling, where speeds have
#: digits finer than this [m/s] and rose by this much [m/s] in the three fixes before.
_CEILING, _CEILING_S, _FINE_MPS, _ROSE_MPS = 6, 4.0, 0.05, 0.5
#: A step of the clock is at least this long [s] and this many times the usual step; the positions on
#: both sides then lie no further apart than driven in at most this share of it.
_STEP_S, _STEPS, _DRIVEN_SHARE = 0.7, 1.7, 0.6
#: Positions are off by some metres: only longer ways tell [m].
_LEAST_WAY_M = 12.0


def doubt_broken(recording: Recording, log: int = 0) -> tuple[Recording, tuple[Finding, ...]]:
    """Mark speeds that are no measurement of the moment as suspect, and name each stretch.

    Parameters
    ----------
    recording : Recording
        With speeds of its own; others come back as they are.
    log : int
        Index for the findings.

    Returns
    -------
    recording : Recording
        With the suspects marked.
    findings : tuple of Finding
        ``speed_frozen``, ``speed_ceiling`` and ``clock_step``, each with its moment.
    """
    speed = recording.channel("speed_mps")
    if speed is None or int((~speed.suspect).sum()) < 2 * _CEILING:
        return recording, ()
    good = np.flatnonzero(~speed.suspect)
    t_s, v = speed.t_s[good], speed.values[good]
    doubted = np.zeros(good.size, dtype=bool)
    findings = [
        *_stand_still(t_s, v, doubted, log),
        *_clock_steps(recording, speed, t_s, v, doubted, log),
    ]
    if not findings:
        return recording, ()
    suspect = speed.suspect.copy()
    suspect[good[doubted]] = True
    channels = tuple(
        replace(one, suspect=suspect) if one is speed else one for one in recording.channels
    )
    return replace(recording, channels=channels), tuple(findings)


def _stand_still(t_s: Array, v: Array, doubted: _Mask, log: int) -> list[Finding]:
    """Doubt speeds that stay the same to the last digit while the vehicle's do not."""
    step = np.abs(np.diff(v))
    values = np.unique(np.round(v, 4))
    if values.size < _EQUAL:
        return []
    digit = float(np.diff(values).min())
    usual = float(np.median(step[v[:-1] > _MOVING_MPS])) if (v > _MOVING_MPS).any() else 0.0
    jump_mps = max(_JUMP_MPS, _JUMP_STEPS * usual, _JUMP_DIGITS * digit)
    same = np.concatenate([[False], (np.diff(v) == 0.0) & (v[1:] > _MOVING_MPS), [False]])
    edges = np.flatnonzero(np.diff(same.astype(np.int8)))
    findings = []
    # the first of equal speeds was measured, the others repeat it
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        count, length_s = last - first + 1, float(t_s[last] - t_s[first])
        if count < _EQUAL or length_s < _EQUAL_S:
            continue
        after = abs(float(v[last + 1] - v[last])) if last + 1 < v.size else 0.0
        kmh = 3.6 * float(v[first])
        span = f"{count} times from {t_s[first]:.0f} to {t_s[last]:.0f} s"
        if after >= jump_mps and t_s[last + 1] - t_s[last] < HOLE_S:
            doubted[first + 1 : last + 1] = True
            text = (
                f"The speed reads {kmh:.1f} km/h {span}, then jumps by {3.6 * after:.1f} km/h: it stood "
                "still while the vehicle did not. These speeds are not used, and the run is cut there."
            )
            findings.append(_named("speed_frozen", text, float(t_s[first]), int(count), log))
        elif (
            count >= _CEILING
            and length_s >= _CEILING_S
            and digit < _FINE_MPS
            and v[first] >= v.max()
            and first >= 3
            and v[first] - v[first - 3] >= _ROSE_MPS
        ):
            doubted[first + 1 : last + 1] = True
            text = (
                f"The speed rises to {kmh:.1f} km/h and reads exactly that {span}, the most in the log: a "
                "ceiling of the sensor or of the file. These speeds are not used, and the run is cut there."
            )
            findings.append(_named("speed_ceiling", text, float(t_s[first]), int(count), log))
    return findings


def _clock_steps(
    recording: Recording, speed: Channel, t_s: Array, v: Array, doubted: _Mask, log: int
) -> list[Finding]:
    """Doubt the fixes at both sides of a step of the clock that no way was driven in."""
    at_s, place_m = road_positions_m(recording)
    places = recording.channel("latitude_deg") or recording.channel("place_m")
    if places is None or places.clock != speed.clock or at_s.size < 4:
        return []
    gap_s = np.diff(t_s)
    usual_s = float(np.median(gap_s))
    findings = []
    for before in np.flatnonzero((gap_s > _STEPS * usual_s) & (gap_s - usual_s > _STEP_S)):
        after = before + 1
        slower = float(min(v[before], v[after]))
        if slower <= _MOVING_MPS or gap_s[before] > 60.0:
            continue
        # the positions nearest to the two fixes, which come with them
        here, there = (int(np.argmin(np.abs(at_s - t_s[one]))) for one in (before, after))
        passed_s = float(at_s[there] - at_s[here])
        if abs(passed_s - gap_s[before]) > 0.5 * usual_s:
            continue
        way_m = float(np.hypot(*(place_m[there] - place_m[here])))
        if way_m > _DRIVEN_SHARE * slower * passed_s or slower * passed_s - way_m < _LEAST_WAY_M:
            continue
        driven_s = way_m / (0.5 * float(v[before] + v[after]))
        # so many at both sides that a hole is left
        around_s = max(0.0, 0.5 * (HOLE_S - float(gap_s[before]))) + 0.2
        doubted |= (t_s >= t_s[before] - around_s) & (t_s <= t_s[after] + around_s)
        text = (
            f"The clock goes on by {gap_s[before]:.1f} s at {t_s[before]:.0f} s, while the positions show "
            f"a way of {way_m:.0f} m, driven in {driven_s:.1f} s: a step of the clock. The run is cut there."
        )
        findings.append(_named("clock_step", text, float(t_s[before]), 1, log))
    return findings


def _named(kind: str, text: str, time_s: float, count: int, log: int) -> Finding:
    return Finding(kind=kind, severity="warning", text=text, time_s=time_s, count=count, log=log)
