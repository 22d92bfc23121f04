"""Whether slow fixes show all speeds of the pulls, or the same few in every one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.runs.run import Run
from analysis.signals.smoothing import Fused
from logger.findings import Finding

__all__ = ["sampling_findings"]

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
    return (Finding("same_speeds_sampled", "warning", text, count=len(speeds)),)
