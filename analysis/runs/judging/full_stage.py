"""Full throttle inside a pull: what was driven with less before it is cut off and named.

Within a gear the force of an engine at full throttle is a smooth curve of speed. A force that stays level
and then steps up was driven with part throttle first. An engine whose torque comes late rises without
a level before it, and rises in every pull at the same speed; that is left as it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.runs.judging.full_throttle import drive_mps2
from analysis.runs.run import Phase, Run
from analysis.signals.smoothing import Fused
from logger.arrays import Array
from logger.findings import Finding

__all__ = ["keep_full_stages"]

#: The drive is compared over this time [s] at this distance [s] before and after a moment, with an
#: accelerometer or fast fixes, and with fixes a second apart.
_FINE, _COARSE = (1.0, 0.4), (1.0, 1.0)
#: Part throttle gives at most this share of what follows; other pulls give at least this share there.
_PART, _WHOLE = 0.72, 0.88
#: A level before the step changes by less than this share of what follows.
_LEVEL = 0.12
#: The full stage goes on with at least this share of its first drive, for this long [s].
_GOES_ON, _LASTS_S = 0.7, 2.0
#: The full stage begins where the drive has reached this share of it.
_REACHED = 0.95
#: Slower than this the launch rules [m/s].
_SLOWEST_MPS = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drive:
    """The drive per mass [m/s2] over time [s] and speed [m/s] in the first gear of a pull."""

    time_s: Array
    speed_mps: Array
    drive_mps2: Array
    wide_s: float
    apart_s: float

    def mean(self, start_s: float, end_s: float) -> float:
        inside = (self.time_s >= start_s) & (self.time_s <= end_s)
        return float(self.drive_mps2[inside].mean()) if inside.any() else np.nan

    def mean_at(self, low_mps: float, high_mps: float) -> float:
        inside = (self.speed_mps >= low_mps) & (self.speed_mps <= high_mps)
        return float(self.drive_mps2[inside].mean()) if inside.any() else np.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """Where the drive steps up: from and to [m/s2], speeds [m/s] of both means, whether it was level."""

    time_s: float
    before: float
    after: float
    low_mps: float
    high_mps: float
    level: bool


def keep_full_stages(
    runs: Sequence[Run], fused: Sequence[Fused]
) -> tuple[list[Run], tuple[Finding, ...]]:
    """Let pulls begin where the throttle was fully open.

    Parameters
    ----------
    runs : sequence of Run
        As found.
    fused : sequence of Fused, one per log
        Their curves.

    Returns
    -------
    runs : list of Run
        With the pulls shortened.
    findings : tuple of Finding
        One of each pull that was.
    """
    drives = {
        run.number: drive for run in runs if (drive := _drive(run, fused[run.log])) is not None
    }
    kept, findings = [], []
    for run in runs:
        step = _step(drives[run.number]) if run.number in drives else None
        others = {number: one for number, one in drives.items() if number != run.number}
        pull = run.phase("pull")
        if step is None or pull is None or not _of_the_foot(step, others):
            kept.append(run)
            continue
        share = 100.0 * step.before / step.after
        shorter = _from(pull, step.time_s, drives[run.number])
        kept.append(
            replace(run, phases=tuple(shorter if one is pull else one for one in run.phases))
        )
        text = (
            f"Before {step.time_s:.0f} s, up to {3.6 * shorter.from_mps:.0f} km/h, the pull drives with "
            f"{share:.0f} % of the force that follows in the same gear: part throttle. Only the stage of "
            "full throttle after it is used; open the throttle at once."
        )
        findings.append(run.finding("part_throttle_first", "note", text, pull.start_s))
    return kept, tuple(findings)


def _drive(run: Run, fused: Fused) -> _Drive | None:
    """Return the drive of a used pull from its launch to the end of its first gear."""
    pull, curve = run.phase("pull"), fused.curve
    if pull is None or not pull.used or not pull.gear_pieces_s or curve is None:
        return None
    inside = (curve.time_s >= pull.start_s) & (curve.time_s <= pull.gear_pieces_s[0][1])
    inside &= np.isfinite(curve.speed_mps) & (curve.speed_mps > _SLOWEST_MPS)
    speed = curve.speed_mps[inside]
    if speed.size < 4:
        return None
    wide_s, apart_s = _FINE if fused.fine else _COARSE
    return _Drive(
        time_s=curve.time_s[inside],
        speed_mps=speed,
        drive_mps2=drive_mps2(curve.accel_mps2[inside], speed),
        wide_s=wide_s,
        apart_s=apart_s,
    )


def _step(one: _Drive) -> _Step | None:
    """Return the clearest step upwards that the rest of the gear keeps; None without any."""
    reach = one.wide_s + one.apart_s
    start_s, end_s = float(one.time_s[0]), float(one.time_s[-1])
    best: _Step | None = None
    for t in np.arange(start_s + reach, end_s - max(reach, _LASTS_S), 0.1).tolist():
        before = one.mean(t - reach, t - one.apart_s)
        after = one.mean(t + one.apart_s, t + reach)
        rest = one.mean(t + one.apart_s, t + reach + _LASTS_S)
        if not (0.0 < before <= _PART * after and rest >= _GOES_ON * after):
            continue
        if best is not None and before / after >= best.before / best.after:
            continue
        half_s = 0.5 * (start_s + t - one.apart_s)
        level = abs(one.mean(start_s, half_s) - one.mean(half_s, t - one.apart_s)) < _LEVEL * after
        inner = np.interp([t - one.apart_s, t + one.apart_s], one.time_s, one.speed_mps)
        full = (one.time_s >= t - one.apart_s) & (one.drive_mps2 >= _REACHED * after)
        best = _Step(
            time_s=float(one.time_s[full][0]) if full.any() else t + one.apart_s,
            before=before,
            after=after,
            low_mps=float(inner[0]),
            high_mps=float(inner[1]),
            level=level,
        )
    return best


def _of_the_foot(step: _Step, others: Mapping[int, _Drive]) -> bool:
    """Return whether a step is the driver's: other pulls do not rise there, or it was level before."""
    shares = []
    for one in others.values():
        below = one.mean_at(step.low_mps - 2.0, step.low_mps)
        above = one.mean_at(step.high_mps, step.high_mps + 2.0)
        if np.isfinite(below) and np.isfinite(above) and above > 0.0:
            shares.append(below / above)
    if not shares:
        return step.level
    return float(np.median(shares)) >= _WHOLE


def _from(pull: Phase, start_s: float, drive: _Drive) -> Phase:
    """Return the pull from a moment of its first gear on."""
    (_, end_s), *rest = pull.gear_pieces_s
    return replace(
        pull,
        start_s=start_s,
        from_mps=float(np.interp(start_s, drive.time_s, drive.speed_mps)),
        gear_pieces_s=((start_s, end_s), *rest),
    )
