"""Pulls whose power steps between two runs: load, boost or throttle changed there."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.runs.judging.full_throttle import drive_in_bands
from analysis.runs.run import Run
from analysis.signals.smoothing import Fused
from logger.findings import Finding

__all__ = ["power_step", "step_findings"]

#: Pulls share at least so many bands of speed.
_LEAST_BANDS = 3
#: How well one pull shows the level of its force: slope, wind and heat; common practice, no source.
_LEVEL_SD = 0.025
#: Levels before and after a step leave a gap of this share, and of so many sd of their means; so many pulls
#: lie on each side.
_STEP_SHARE, _STEP_SD, _STEP_PULLS = 0.06, 4.0, 2


def step_findings(runs: Sequence[Run], fused: Sequence[Fused]) -> tuple[Finding, ...]:
    """Name the run from which on all pulls drive with more or less force than all before.

    Parameters
    ----------
    runs : sequence of Run
        With their used pulls.
    fused : sequence of Fused, one per log
        Their curves.

    Returns
    -------
    tuple of Finding
        None or one.
    """
    known = [(run, bands) for run in runs if (bands := drive_in_bands(run, fused[run.log]))]
    if len(known) < 2 * _STEP_PULLS:
        return ()
    shared = sorted(set.intersection(*(set(bands) for _, bands in known)))
    if len(shared) < _LEAST_BANDS:
        return ()
    force = np.log([[bands[band] for band in shared] for _, bands in known])
    levels = np.exp((force - force.mean(axis=0)).mean(axis=1)).tolist()
    at = power_step(levels, [_LEVEL_SD] * len(levels))
    if at is None:
        return ()
    ratio = float(np.mean(levels[at:]) / np.mean(levels[:at]))
    first = known[at][0]
    numbers = ",".join(str(run.number + 1) for run, _ in known[at:])
    text = (
        f"From run {first.number + 1} on the pulls drive with some {100 * abs(ratio - 1.0):.0f} % "
        f"{'more' if ratio > 1.0 else 'less'} force than in the runs before, at the same speeds: load, boost, fuel "
        f"or throttle changed there, or the vehicle. Leave one part out (--leave-out {numbers}), or make two "
        "sessions of it."
    )
    return (
        Finding(
            kind="power_steps", severity="warning", text=text, log=first.log, run=first.number + 1
        ),
    )


def power_step(powers: Sequence[float], sds: Sequence[float]) -> int | None:
    """Return from which value on all lie above or all below those before, or None.

    Parameters
    ----------
    powers, sds : sequences of float
        In the order in which they were driven, with their sd, in one unit.
    """
    best: tuple[float, int] | None = None
    value, variance = np.array(powers), np.array(sds) ** 2
    for at in range(_STEP_PULLS, value.size - _STEP_PULLS + 1):
        first, last = value[:at], value[at:]
        gap = max(float(last.min() - first.max()), float(first.min() - last.max()))
        inside = max(float(np.ptp(first)), float(np.ptp(last)))
        sd = float(np.sqrt(variance[:at].mean() / at + variance[at:].mean() / (value.size - at)))
        away = abs(float(last.mean() - first.mean()))
        clear = gap > max(_STEP_SHARE * abs(float(first.mean())), inside) and away > _STEP_SD * sd
        if clear and (best is None or gap > best[0]):
            best = gap, at
    return None if best is None else best[1]
