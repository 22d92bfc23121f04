"""Coast-downs of one vehicle share one curve: those that do not were no coast-downs in neutral.

In neutral a vehicle slows by ``c0 + c1 v + c2 v^2``, give or take what wind and slope do to a run:

    -dv/dt = c0 + c1 v/V + c2 (v/V)^2 + d (s + w v/V)

with d = +1 up and -1 down, s the mean slope and w the mean wind, both as accelerations. Traffic,
engine braking and the brake follow no such curve: their mean slowing over five seconds differs by
0.2 m/s2 and more from one stretch to the next.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from analysis.runs.run import Run
from analysis.signals.smoothing import Fused
from logger.arrays import Array
from logger.session.session import Session
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = ["apart_from_shared_curve", "why_no_coast_down"]

#: Means are taken over so long [s]: with fixes a second apart the noise of a mean is then small
#: against what driving does.
_STRETCH_S = 5.0
#: Speed that scales the coefficients so that all are accelerations [m/s].
_SCALE_MPS = 30.0
#: Slopes change along a road by at least this (ratio), whatever the mean is known to: common practice,
#: no source. Gusts of a moderate wind about its mean [m/s].
_LEAST_SLOPE, _GUST_MPS = 0.005, 1.0
#: Receivers are no worse than this [m/s]; what scatters more is driving.
_MOST_FIX_SD_MPS = 0.3
#: Weak expectation of c0, c1, c2, s, w and its sd [m/s2]: every road vehicle lies inside.
_MEAN = np.array([0.10, 0.05, 0.35, 0.0, 0.0])
_SD = np.array([0.30, 0.30, 2.0, 0.10, 0.15])
#: A coast-down is set aside where chance would make it differ so much in this share of cases.
_CHANCE = 1e-4
#: Where more than this share of the slowings share no curve, none of them shows a vehicle in neutral.
_MOST_APART = 1.0 / 3.0
#: A slowing that nothing supports counts where it loses this share of its speed ...
_ALONE_LOSS = 0.45
#: ... or this share, where a pull comes before it ...
_AFTER_PULL_LOSS = 0.25
#: ... or fills this share of its recording.
_ALONE_SHARE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Slowing:
    """Mean slowing [m/s2] of each stretch of one coast-down, its speed [m/s], and what may scatter."""

    run: Run
    speed_mps: Array
    slowing_mps2: Array
    noise_mps2: float

    @property
    def after_pull(self) -> bool:
        pull = self.run.phase("pull")
        return pull is not None and pull.used


def apart_from_shared_curve(
    runs: Sequence[Run], fused: Sequence[Fused], session: Session, vouched: Collection[int] = ()
) -> dict[int, str]:
    """Find the coast-downs that share no curve with the others.

    Parameters
    ----------
    runs : sequence of Run
        With the coast-downs that are possible one by one.
    fused : sequence of Fused, one per log
        Their curves.
    session : Session
        For how well the slope is known.
    vouched : collection of int
        Logs whose driver vouches for neutral; they support others and are never set aside.

    Returns
    -------
    dict of int to str
        The reason by the number of the run.
    """
    slowings = [one for run in runs if (one := _slowing(run, fused[run.log])) is not None]
    sure = [one for one in slowings if one.run.log in vouched]
    open_ones = [one for one in slowings if one.run.log not in vouched]
    if not open_ones:
        return {}
    after = [one for one in open_ones if one.after_pull]
    apart = _set_aside([*sure, *after], session, {one.run.number for one in after})
    if sure or (len(after) - len(apart) >= 2 and len(apart) <= _MOST_APART * len(after)):
        # coast-downs that follow a pull agree: the others are held against them
        return _set_aside(slowings, session, {one.run.number for one in open_ones})
    apart = _set_aside(open_ones, session, {one.run.number for one in open_ones})
    if len(apart) > _MOST_APART * len(open_ones):
        share = f"{len(apart)} of the {len(open_ones)} slowings follow no common curve of speed"
        why = (
            f"{share}, as coast-downs in neutral do: this is traffic, engine braking or the brake. "
            "Where the log holds coast-downs in neutral, state neutral = true in its [[log]]"
        )
        return {one.run.number: apart.get(one.run.number, why) for one in open_ones}
    kept = [one for one in open_ones if one.run.number not in apart]
    if len(kept) == 1:
        one = kept[0]
        why_not = why_no_coast_down(one.run, fused[one.run.log], after_pull=one.after_pull)
        if why_not is not None:
            apart[kept[0].run.number] = why_not
    return apart


def why_no_coast_down(run: Run, fused: Fused, *, after_pull: bool = False) -> str | None:
    """Return why a slowing that no other slowing supports is no coast-down, or None."""
    coast, curve = run.phase("coast"), fused.curve
    if coast is None or curve is None:
        return None
    least = _AFTER_PULL_LOSS if after_pull else _ALONE_LOSS
    if coast.from_mps - coast.to_mps >= least * coast.from_mps:
        return None
    if coast.end_s - coast.start_s >= _ALONE_SHARE * float(curve.time_s[-1] - curve.time_s[0]):
        return None
    other = "no other coast-down" if after_pull else "no full-throttle pull and no other coast-down"
    return (
        f"a single slowing from {3.6 * coast.from_mps:.0f} to {3.6 * coast.to_mps:.0f} km/h, which {other} "
        "supports, is more likely traffic; where it was in neutral, state neutral = true in its [[log]]"
    )


def _slowing(run: Run, fused: Fused) -> _Slowing | None:
    """Cut a used coast-down into stretches of about five seconds."""
    coast, curve = run.phase("coast"), fused.curve
    if coast is None or not coast.used or curve is None:
        return None
    count = max(2, round((coast.end_s - coast.start_s) / _STRETCH_S))
    edge_s = np.linspace(coast.start_s, coast.end_s, count + 1)
    good = np.isfinite(curve.speed_mps)
    speed = np.interp(edge_s, curve.time_s[good], curve.speed_mps[good])
    step_s = float(edge_s[1] - edge_s[0])
    fix_sd = fused.fix_sd_mps if np.isfinite(fused.fix_sd_mps) else _MOST_FIX_SD_MPS
    return _Slowing(
        run=run,
        speed_mps=0.5 * (speed[1:] + speed[:-1]),
        slowing_mps2=-np.diff(speed) / step_s,
        # both ends of a stretch are as noisy as fixes
        noise_mps2=float(np.sqrt(2.0) * min(fix_sd, _MOST_FIX_SD_MPS) / step_s),
    )


def _set_aside(
    slowings: Sequence[_Slowing], session: Session, judged: Collection[int]
) -> dict[int, str]:
    """Take the slowing that lies furthest from the common curve out, until all that stay share it."""
    slope = STANDARD_GRAVITY_MPS2 * max(session.site.slope_sd, _LEAST_SLOPE)
    apart: dict[int, str] = {}
    kept = list(slowings)
    while kept:
        curve = _common_curve(kept, slope)
        # how many times what chance allows, and in which way
        excess = [_excess(one, curve, slope) for one in kept]
        worst = max(
            (index for index, one in enumerate(kept) if one.run.number in judged),
            key=lambda index: excess[index][0],
            default=None,
        )
        if worst is None or excess[worst][0] <= 1.0:
            break
        one = kept.pop(worst)
        apart[one.run.number] = excess[worst][1]
    return apart


def _rows(one: _Slowing) -> Array:
    """Return what each stretch says of c0, c1, c2, s, w, shape (n, 5)."""
    share = one.speed_mps / _SCALE_MPS
    way = float(one.run.direction or 0)
    ones = np.ones(share.size)
    return np.column_stack([ones, share, share**2, way * ones, way * share])


def _allowed(one: _Slowing, curve: Array, slope_mps2: float) -> Array:
    """Return the sd that slope, gusts and noise give the mean slowing of each stretch [m/s2]."""
    gust = 2.0 * max(float(curve[2]), _MEAN[2]) * one.speed_mps / _SCALE_MPS**2 * _GUST_MPS
    return np.asarray(np.sqrt(slope_mps2**2 + gust**2 + one.noise_mps2**2))


def _common_curve(slowings: Sequence[_Slowing], slope_mps2: float) -> Array:
    """Return c0, c1, c2, s, w by least squares; slowings far from the median curve count less."""
    curve = _MEAN.copy()
    weight = np.ones(len(slowings))
    for _ in range(12):
        matrix = np.diag(1.0 / _SD**2)
        side = matrix @ _MEAN
        for one, share in zip(slowings, weight, strict=True):
            rows = _rows(one) / _allowed(one, curve, slope_mps2)[:, None]
            # a run counts for its length, as far as its stretches are independent
            matrix += share * rows.T @ rows
            side += share * rows.T @ (one.slowing_mps2 / _allowed(one, curve, slope_mps2))
        curve = np.linalg.solve(matrix, side)
        away = np.array(
            [
                np.mean(
                    ((one.slowing_mps2 - _rows(one) @ curve) / _allowed(one, curve, slope_mps2))
                    ** 2
                )
                for one in slowings
            ]
        )
        weight = 1.0 / (1.0 + away / 4.0)
    return curve


def _excess(one: _Slowing, curve: Array, slope_mps2: float) -> tuple[float, str]:
    """Return how far a slowing lies from the common curve, over what chance allows, and the reason."""
    away = one.slowing_mps2 - _rows(one) @ curve
    sd = _allowed(one, curve, slope_mps2)
    mean = float(np.mean(away))
    within = float(np.sum(((away - mean) / sd) ** 2)) / float(chdtri(away.size - 1, _CHANCE))
    # slope and wind of one run are common to its stretches: 3.9 sd are exceeded by chance in 1e-4
    common = (mean / (3.9 * float(np.sqrt(np.mean(sd**2))))) ** 2
    if within >= common:
        steps = float(np.ptp(away))
        return within, (
            f"its slowing varies by {steps:.2f} m/s2 about one smooth curve of speed, more than slope, "
            "wind and noise do: traffic, a gear or the brake"
        )
    more = "harder" if mean > 0 else "less"
    likely = "a gear or the brake" if mean > 0 else "some throttle or a falling road"
    return common, (
        f"it slows by {abs(mean):.2f} m/s2 {more} than the other coast-downs at the same speeds: {likely}"
    )
