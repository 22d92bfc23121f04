"""Position fixes that are none: held over many rows, remembered from before, second halves."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from logger.findings import Finding, counted
from logger.formats.speed_units import distances_m
from logger.recording import CHANNEL_NAMES
from logger.rows import Rows, Samples

__all__ = ["FIX_NAMES", "MOVING_MPS", "drop_doublets", "drop_stale_start", "unhold"]

#: Channels that one fix of a receiver gives: those before the accelerations.
FIX_NAMES = CHANNEL_NAMES[: CHANNEL_NAMES.index("accel_x_mps2")]
#: Faster than this a vehicle moves, and its fixes change [m/s].
MOVING_MPS = 1.0
#: At most so many remembered fixes open a recording; no road vehicle gets that far that fast.
_STALE_START = 3
_FASTEST_MPS = 150.0
_FAR_M = 500.0
#: Of a table of so many rows, so many stretches of so many rows are looked at first; where each has
#: more than this share of new values, none is held.
_LONG, _STRETCHES, _STRETCH, _SURELY_NEW = 500_000, 50, 400, 0.6


def _fix(samples: dict[str, Samples]) -> Samples | None:
    return samples.get("speed_mps") or samples.get("latitude_deg")


def _mean_step(fix: Samples) -> float:
    """Return the mean step [s]; the median of steps is never more than twice that."""
    return float(fix.t_s[-1] - fix.t_s[0]) / (fix.t_s.size - 1)


def _usual_step(fix: Samples) -> float:
    return float(np.median(np.diff(fix.t_s)))


def _keep_rows(samples: dict[str, Samples], lost: NDArray[np.intp]) -> dict[str, Samples]:
    """Return fixes without the rows in `lost`; other channels as they are."""
    out = {}
    for name, found in samples.items():
        if name in FIX_NAMES:
            keep = ~np.isin(found.row_numbers, lost)
            if not keep.any():
                continue
            out[name] = found if keep.all() else found.take(keep)
        else:
            out[name] = found
    return out


def unhold(rows: Rows, samples: dict[str, Samples], findings: list[Finding]) -> dict[str, Samples]:
    """Keep the first row of each fix where a fast table repeats it until the next one."""
    fix = _fix(samples)
    if fix is None or fix.t_s.size < 40 or (_mean_step(fix) > 0.17 and _usual_step(fix) > 0.34):
        return samples
    names = [name for name in FIX_NAMES if name in samples]
    if _changes_often([samples[name] for name in names]):
        return samples
    index, of_row = _rows_with_fixes(rows, [samples[name] for name in names])
    t_s = rows.stamps.t_s if index is None else rows.stamps.t_s[index]
    new = np.zeros(t_s.size, dtype=bool)
    new[0] = True
    for name in names:
        values = of_row(samples[name])
        a, b = values[1:], values[:-1]
        changed = a != b
        new[1:] |= changed if samples[name].rows is None else changed & ~(np.isnan(a) & np.isnan(b))
    if "speed_mps" in samples:
        speed = of_row(samples["speed_mps"])
        moving = speed > MOVING_MPS
    else:
        speed = np.full(t_s.size, np.nan)
        moving = np.ones(t_s.size, dtype=bool)
    if int(moving.sum()) < 30 or float(new[moving].mean()) > 0.4 or int(new[moving].sum()) < 3:
        return samples
    hold = float(np.median(np.diff(t_s[new & moving])))
    keep = new.copy()
    _keep_standing(t_s, speed, keep, hold)
    lost = np.flatnonzero(~keep) if index is None else index[~keep]
    findings.append(
        rows.finding(
            "held_values",
            "note",
            f"The fixes are written into fast rows and held there: {int(keep.sum())} fixes in "
            f"{t_s.size} rows, usually {hold:.2f} s apart (the longest hold "
            f"{float(np.diff(t_s[new]).max()):.1f} s). The first row of each fix is used.",
            lost,
        )
    )
    return _keep_rows(samples, lost)


def _changes_often(found: list[Samples]) -> bool:
    """Return whether a long table clearly has new values in most of its rows, by some thousand of them."""
    size = found[0].t_s.size
    if size < _LONG or any(one.rows is not None for one in found):
        return False
    at = (np.linspace(0, size - 1 - _STRETCH, _STRETCHES)[:, None] + np.arange(_STRETCH)).astype(
        np.intp
    )
    changed = [one.values[at + 1] != one.values[at] for one in found]
    return float(np.any(changed, axis=0).mean(axis=1).min()) > _SURELY_NEW


def _rows_with_fixes(
    rows: Rows, found: list[Samples]
) -> tuple[NDArray[np.intp] | None, Callable[[Samples], NDArray[np.float64]]]:
    """Return the rows that hold any of the channels, and how to lay a channel out over them.

    None stands for all rows, where each channel has a value in each of them.
    """
    if all(one.rows is None for one in found):
        return None, lambda one: one.values
    of_fixes = np.zeros(rows.stamps.t_s.size, dtype=bool)
    for one in found:
        of_fixes[one.row_numbers] = True
    place = np.cumsum(of_fixes) - 1  # of each row among those with fixes
    index = np.flatnonzero(of_fixes)

    def of_row(one: Samples) -> NDArray[np.float64]:
        values = np.full(index.size, np.nan)
        values[place[one.row_numbers]] = one.values
        return values

    return index, of_row


def _keep_standing(
    t_s: NDArray[np.float64], speed: NDArray[np.float64], keep: NDArray[np.bool_], hold: float
) -> None:
    """Keep a row per usual hold while the speed is zero: the same fix again and again."""
    starts = np.flatnonzero(keep)
    ends = np.append(starts[1:], keep.size)
    long = (speed[starts] == 0.0) & (t_s[ends - 1] - t_s[starts] >= 1.5 * hold)
    for start, end in zip(starts[long].tolist(), ends[long].tolist(), strict=True):
        wanted = np.arange(t_s[start] + hold, t_s[end - 1], hold)
        keep[start + np.searchsorted(t_s[start:end], wanted)] = True


def drop_stale_start(
    rows: Rows, samples: dict[str, Samples], findings: list[Finding]
) -> dict[str, Samples]:
    """Leave out the first fixes where they lie where no vehicle could have come from.

    Phones open with the last place that they remember, which may be another town.
    """
    latitude, longitude = samples.get("latitude_deg"), samples.get("longitude_deg")
    if latitude is None or longitude is None or latitude.t_s.size < _STALE_START + 5:
        return samples
    if not np.array_equal(latitude.row_numbers, longitude.row_numbers):
        return samples
    moved_m = distances_m(latitude.values, longitude.values)
    jumps = (moved_m / np.diff(latitude.t_s) > _FASTEST_MPS) & (moved_m > _FAR_M)
    at = np.flatnonzero(jumps)
    if at.size != 1 or at[0] >= _STALE_START:
        return samples
    lost = latitude.row_numbers[: int(at[0]) + 1]
    findings.append(
        rows.finding(
            "stale_start",
            "warning",
            f"Left out: {counted(int(lost.size), 'fix', 'fixes')} at the start (line "
            f"{rows.line_list(lost)}), {moved_m[at[0]] / 1000:.1f} km from the next one: a place remembered "
            "from before.",
            lost,
        )
    )
    return _keep_rows(samples, lost)


def drop_doublets(
    rows: Rows, samples: dict[str, Samples], findings: list[Finding]
) -> dict[str, Samples]:
    """Leave out the second of two rows that belong to one fix, some milliseconds apart."""
    fix = _fix(samples)
    if fix is None or fix.t_s.size < 5 or _mean_step(fix) < 0.15:
        return samples
    steps = np.diff(fix.t_s)
    usual = float(np.median(steps))
    if not 0.3 <= usual <= 5.0:
        return samples
    second = np.flatnonzero(steps < 0.1 * usual) + 1
    # two measurements may lie close together where steps are uneven; halves of one fix carry one
    # speed, or come within milliseconds
    halves = steps[second - 1] < 0.02 * usual
    if fix.name == "speed_mps":
        halves |= fix.values[second] == fix.values[second - 1]
    second = second[halves]
    if not second.size or second.size > 0.3 * steps.size:
        return samples
    lost = fix.row_numbers[second]
    gaps_ms = 1000.0 * steps[second - 1]
    findings.append(
        rows.finding(
            "doublets",
            "warning",
            f"{counted(int(second.size), 'fix', 'fixes')} only {gaps_ms.min():.3g} to "
            f"{gaps_ms.max():.3g} ms after the one before (line {rows.line_list(lost)}): second halves of "
            "one fix. The first of each pair is used.",
            lost,
            time_s=float(fix.t_s[second[0]]),
            count=int(second.size),
        )
    )
    return _keep_rows(samples, lost)
