"""Where drive breaks off and comes back, to some hundredths of a second, on the samples as recorded.

The force about an edge is fitted by a line in drive, a level without it, and a straight fall between,
over a grid of the fall's beginning and length; a rise is a fall in reversed time.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.signals.lag import integral_at
from logger.arrays import Array

__all__ = ["end_of_drive", "sharpen_deep", "sharpen_together"]

#: How far an edge may lie from where it was seen [s], drive looked at beside it [s], and what is left
#: out between an edge and the drive that counts [s].
_REACH_S, _DRIVE_S, _SAFE_S = 0.2, 0.6, 0.06
#: Pulls laid over each other are moved by so much [s] in so many rounds.
_SHIFTS_S, _ALIGN_ROUNDS = np.arange(-0.36, 0.37, 0.04), 2
#: A fall farther from where the change was seen is another one [s].
_AGREE_S = 0.15
_FALLS_S = np.array([0.0, 0.06, 0.12, 0.2, 0.3])
_RISES_S = np.array([0.0, 0.1, 0.2, 0.3, 0.45, 0.7, 1.0])
_STEP_S = 0.02
#: Without clear edges this much is left out before and after a change [s].
_BEFORE_S, _AFTER_S = 0.15, 0.25
#: Fits whose sums of squares differ by this many times the scatter are as good.
_AS_GOOD = 4.0
#: Slope of the force in drive is held by this sd, as a share of the force [1/s].
_SLOPE_SHARE = 0.25


def sharpen_deep(
    signal: tuple[Array, Array], change_s: tuple[float, float], between_s: tuple[float, float]
) -> tuple[float, float]:
    """Return when drive ends before an open clutch and is whole again after it [s].

    `signal` is time [s] and force [m/s2], `change_s` where it was seen, `between_s` the drive about it.
    """
    time_s, force = signal
    begin, stop = change_s
    middle, near = 0.5 * (begin + stop), 0.1 * (stop - begin)
    fall = _edge(time_s, force, begin, middle + near, between_s[0], _FALLS_S)
    rise = _edge(-time_s[::-1], force[::-1], -stop, near - middle, -between_s[1], _RISES_S)
    return (
        begin - _BEFORE_S if fall is None else min(fall, middle) - _SAFE_S,
        stop + _AFTER_S if rise is None else max(-rise, middle) + _SAFE_S,
    )


def sharpen_together(
    signals: Sequence[tuple[Array, Array]], changes_s: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """Return the same for one change with torque in all pulls: one gearbox takes the same time.

    Pulls are laid over each other where their drive begins to fall, and the end is found on their mean.
    """
    falls_s = []
    for (time_s, force), (begin, stop) in zip(signals, changes_s, strict=True):
        inside_s = min(max(stop, begin + 0.3), begin + 0.5)
        fall = _edge(time_s, force, begin, inside_s, time_s[0], _FALLS_S)
        falls_s.append(begin if fall is None or abs(fall - begin) > _AGREE_S else fall)
    edge_s = np.arange(-_DRIVE_S - 0.3, 1.0 + _DRIVE_S, 0.04)
    over, falls_s = _laid_over(signals, falls_s, edge_s)
    middle_s = 0.5 * (edge_s[1:] + edge_s[:-1])
    length_s = float(np.median([stop - begin for begin, stop in changes_s]))
    found = _plateau(middle_s, np.mean(over, axis=0), 0.0, length_s)
    first, last = (-_BEFORE_S, length_s + _AFTER_S) if found is None else found
    return [(fall_s + first - _SAFE_S, fall_s + last + 1.5 * _SAFE_S) for fall_s in falls_s]


def _laid_over(
    signals: Sequence[tuple[Array, Array]], falls_s: Sequence[float], edge_s: Array
) -> tuple[list[Array], list[float]]:
    """Return the pulls' forces about their falls, each moved to where it is most like the others."""

    def around(signal: tuple[Array, Array], fall_s: float) -> Array:
        integral = integral_at(edge_s + fall_s, signal[0], signal[1][:, None])[:, 0]
        return np.asarray(np.diff(integral) / np.diff(edge_s))

    falls = list(falls_s)
    over = [around(signal, fall) for signal, fall in zip(signals, falls, strict=True)]
    for _ in range(_ALIGN_ROUNDS if len(over) > 2 else 0):
        for at, signal in enumerate(signals):
            others = np.mean(over[:at] + over[at + 1 :], axis=0)
            tried = [around(signal, falls[at] + shift) for shift in _SHIFTS_S]
            away = [float(np.var(one - others)) for one in tried]
            best = int(np.argmin(away))
            falls[at], over[at] = falls[at] + float(_SHIFTS_S[best]), tried[best]
    return over, falls


def end_of_drive(time_s: Array, force_mps2: Array, least_s: float, rough_s: float) -> float:
    """Return when the last drive of a pull ends [s]; `rough_s` is safely before it."""
    end = _edge(time_s, force_mps2, rough_s + 0.2, rough_s + 0.8, least_s, _FALLS_S, 0.35)
    return rough_s if end is None else max(end - _SAFE_S, rough_s - 0.3)


def _edge(
    time_s: Array,
    force: Array,
    rough_s: float,
    inside_s: float,
    least_s: float,
    lengths_s: Array,
    reach_s: float = _REACH_S,
) -> float | None:
    """Return when drive begins to fall [s], `inside_s` lying behind the fall; None if unclear."""
    inside = (time_s >= max(rough_s - reach_s - _DRIVE_S, least_s)) & (time_s <= inside_s)
    t, f = time_s[inside], force[inside]
    starts = np.arange(rough_s - reach_s, min(rough_s + reach_s, inside_s - 0.03), _STEP_S)
    starts = starts[starts > least_s + 0.15]
    if t.size < 8 or not starts.size:
        return None
    at, fall = (grid.ravel() for grid in np.meshgrid(starts, lengths_s))
    drive = np.clip((at[:, None] + fall[:, None] - t) / np.maximum(fall[:, None], 1e-6), 0.0, 1.0)
    none = 1.0 - drive
    enough = (none.sum(axis=1) >= 2.0) & (drive.sum(axis=1) >= 3.0)
    drive, none, at = drive[enough], none[enough], at[enough]
    if not at.size:
        return None
    basis = np.stack([drive, drive * (t - at[:, None]), none], axis=1)
    solution, gained = _fits(basis, f, (1,))
    best = int(np.argmax(gained))
    level, rest = solution[best, 0], solution[best, 2]
    return float(at[best]) if level - rest > max(0.15 * abs(level), 0.15) else None


def _plateau(
    time_s: Array, force: Array, begin_s: float, stop_s: float
) -> tuple[float, float] | None:
    """Return when drive falls from one line to a level of any height, and goes on along another."""
    inside = (time_s >= begin_s - _REACH_S - _DRIVE_S) & (time_s <= stop_s + 0.6 + _DRIVE_S)
    t, f = time_s[inside], force[inside]
    starts = np.arange(begin_s - 0.2, begin_s + 0.2, 0.04)
    lengths = np.array([0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8])
    grids = np.meshgrid(starts, np.array([0.05, 0.15]), lengths, np.array([0.05, 0.2, 0.4]))
    first, fall, hold, rise = (grid.ravel()[:, None] for grid in grids)
    before = np.clip((first + fall - t) / fall, 0.0, 1.0)
    last = first + fall + hold + rise
    after = np.clip((t - last + rise) / rise, 0.0, 1.0)
    enough = (before.sum(axis=1) >= 4.0) & (after.sum(axis=1) >= 4.0)
    enough &= last[:, 0] <= stop_s + 0.6
    before, after, first, last = before[enough], after[enough], first[enough], last[enough]
    if not first.size:
        return None
    basis = np.stack(
        [before, before * (t - first), 1.0 - before - after, after, after * (t - last)], axis=1
    )
    solution, gained = _fits(basis, f, (1, 4))
    # of all that explain the force nearly as well the shortest: a level like the line after it is none
    chance = (float(f @ f) - float(gained.max())) / max(f.size - basis.shape[1], 1)
    length = np.where(gained >= gained.max() - _AS_GOOD * chance, (last - first)[:, 0], np.inf)
    best = int(np.argmin(length))
    if solution[best, 0] - min(solution[best, 2], solution[best, 3]) < 0.1:
        return None
    return float(first[best, 0]), float(last[best, 0])


def _fits(basis: Array, force: Array, slopes: tuple[int, ...]) -> tuple[Array, Array]:
    """Return least-squares solutions of many bases at once, and what each explains.

    The columns in `slopes` are held to 0 by what engines do, in units of the scatter about the mean.
    """
    size = basis.shape[1]
    hold = np.full(size, 1e-6)
    level = max(abs(float(np.median(force))), 0.5)
    scatter = max(1.4826 * float(np.median(np.abs(np.diff(force)))) / np.sqrt(2.0), 0.02)
    for column in slopes:
        hold[column] = (scatter / (_SLOPE_SHARE * level)) ** 2
    left = basis @ basis.transpose(0, 2, 1) + np.diag(hold)
    right = basis @ force
    solution = np.linalg.solve(left, right[..., None])[..., 0]
    return np.asarray(solution), np.asarray((solution * right).sum(axis=1))
