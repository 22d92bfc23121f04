"""How the phone sat in the vehicle: from device axes to acceleration along the road.

Nothing about the platform is taken for granted: which way is up is measured from gravity, which
way is forward, and with which sign, from the changes of GPS speed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from analysis.signals.gps import Fixes, half_second_means
from analysis.signals.lag import SCANNED_LAGS_S, LagFit, fit_lag
from analysis.signals.levels import Learnt, Levels, learn_levels
from analysis.signals.nodding import calm_forward
from analysis.signals.orientation import gravity_at_rest, why_moved
from logger.arrays import Array
from logger.findings import Finding, Severity
from logger.recording import Recording
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = ["MIN_RATE_HZ", "Mount", "find_mount", "node_fixes", "refused", "refused_finding"]

#: Below this rate an accelerometer aliases engine and ride vibration into the signal [Hz].
MIN_RATE_HZ = 8.0
#: Acceleration beyond this is a shock, not the vehicle [m/s2].
_SHOCK_MPS2 = 40.0
#: At rest a phone shows gravity within this share, for offsets of a bad sensor reach 0.6 m/s2 an axis, or
#: less than this where it has taken gravity out.
_GRAVITY_SHARE, _NO_GRAVITY_MPS2 = 0.12, 2.0
#: Hills explain changes of speed as well: measured shares are 0.2 to 0.9. Below, nothing is followed.
_MIN_EXPLAINED = 0.15
#: A lag known no better than this is unknown; one this near the end of the range is beyond it [s].
_UNKNOWN_S, _AT_END_S = 1.0, 0.05
#: The shift between two clocks is learnt this far about the first estimate [s].
_UNSURE_S = 1.5
#: With fewer fixes none is given away at the ends.
_FEW_FIXES = 60
#: Lags this near have the same forward axis [s].
_SAME_LAG_S = 0.15
#: A shift between two clocks known this well costs nothing [s].
_SURE_SHIFT_S = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """Acceleration along and across the vehicle, with the lag of GPS behind it.

    Parameters
    ----------
    accel_time_s : array of shape (m,)
        Sample times on the GPS clock of the recording [s].
    forward_mps2 : array of shape (m,)
        Specific force along the vehicle, forward positive, rough offset removed [m/s2].
    lateral_mps2 : array of shape (m,)
        Across the vehicle [m/s2], sign arbitrary.
    used : bool
        False where the accelerometer cannot be used; then the arrays are empty.
    why_not : str or None
        The reason.
    lag : LagFit or None
        Lag of GPS behind the accelerometer.
    rate_hz : float or None
        Accelerometer samples per second.
    gravity_removed : bool
        True when the phone had already taken gravity out.
    levels : Levels or None
        Noise of fixes and accelerometer as the fixes show it; None where it is not used.
    """

    accel_time_s: Array
    forward_mps2: Array
    lateral_mps2: Array
    used: bool
    why_not: str | None
    lag: LagFit | None
    rate_hz: float | None
    gravity_removed: bool = False
    levels: Levels | None = None


def refused(why_not: str | None, rate_hz: float | None) -> Mount:
    """Return a mount that is not used, with the reason and the rate of its samples [Hz]."""
    empty = np.zeros(0)
    return Mount(
        accel_time_s=empty,
        forward_mps2=empty,
        lateral_mps2=empty,
        used=False,
        why_not=why_not,
        lag=None,
        rate_hz=rate_hz,
    )


def _axes(recording: Recording) -> tuple[Array, Array, int] | None:
    """Return times, accelerations in three axes and their clock; None where an axis is missing."""
    channels = [recording.channel(f"accel_{axis}_mps2") for axis in "xyz"]
    if any(channel is None for channel in channels):
        return None
    x, y, z = (channel for channel in channels if channel is not None)
    if x.t_s.size == y.t_s.size == z.t_s.size and np.array_equal(x.t_s, y.t_s):
        return x.t_s, np.column_stack([x.values, y.values, z.values]), x.clock
    t_s = np.intersect1d(np.intersect1d(x.t_s, y.t_s), z.t_s)
    values = [channel.values[np.searchsorted(channel.t_s, t_s)] for channel in (x, y, z)]
    return t_s, np.column_stack(values), x.clock


def _shift_between_clocks(fixes: Fixes, t_s: Array, axes_mps2: Array) -> LagFit | None:
    """Find the shift between two clocks by trying all overlaps, 3 s at a time."""
    low = fixes.t_s[0] - t_s[-1]
    high = fixes.t_s[-1] - t_s[0]
    best: LagFit | None = None
    enough = 0.5 * min(fixes.t_s[-1] - fixes.t_s[0], t_s[-1] - t_s[0])
    # thinned to about 10 samples a second and scanned in half seconds first: the signals are slow
    stride = max(1, round(0.1 / float(np.median(np.diff(t_s)))))
    thin_s, thin = t_s[::stride], _block_means(axes_mps2, stride)
    for start in np.arange(low, high, 10.0):
        overlap = min(fixes.t_s[-1] - start, t_s[-1]) - max(fixes.t_s[0] - start, t_s[0])
        if overlap < enough:
            continue
        found = fit_lag(
            fixes.t_s, fixes.speed_mps, thin_s, thin, scanned_s=(start, start + 10.0), step_s=0.5
        )
        if found is not None and (best is None or found.evidence > best.evidence):
            best = found
    if best is None:
        return None
    near = (best.lag_s - 1.0, best.lag_s + 1.0)
    return fit_lag(fixes.t_s, fixes.speed_mps, t_s, axes_mps2, scanned_s=near)


def _block_means(values: Array, count: int) -> Array:
    """Return the means of blocks of `count` rows; the last may be shorter."""
    first = np.arange(0, values.shape[0], count)
    rows = np.diff(np.append(first, values.shape[0]))
    return np.asarray(np.add.reduceat(values, first, axis=0) / rows[:, None])


def find_mount(
    recording: Recording, fixes: Fixes, log: int = 0
) -> tuple[Mount, tuple[Finding, ...]]:
    """Find the forward axis, its sign and the lag of GPS behind the accelerometer.

    Parameters
    ----------
    recording : Recording
        With or without accelerometer channels.
    fixes : Fixes
        Its speed fixes.
    log : int
        Index for findings.

    Returns
    -------
    Mount
        `used` False with the reason where the accelerometer is of no use.
    tuple of Finding
        What was noticed.
    """
    found = _axes(recording)
    if found is None or found[0].size == 0:
        return refused("the recording has no acceleration in three axes", None), ()
    t_s, axes_mps2, clock = found
    rate_hz = float(1.0 / np.median(np.diff(t_s))) if t_s.size > 1 else None
    mount, notes = _align(t_s, axes_mps2, clock == fixes.clock, rate_hz, fixes, log)
    if not mount.used:
        notes = (*notes, refused_finding(mount, log))
    return mount, notes


def refused_finding(mount: Mount, log: int) -> Finding:
    """Return the warning that the accelerometer is not used, with the reason."""
    text = f"The accelerometer was not used: {mount.why_not}. GPS speed alone carries the result."
    return Finding(kind="accelerometer_not_used", severity="warning", text=text, log=log)


def _align(
    t_s: Array,
    axes_mps2: Array,
    same_clock: bool,
    rate_hz: float | None,
    fixes: Fixes,
    log: int,
) -> tuple[Mount, tuple[Finding, ...]]:
    """Level the axes by gravity and find the forward one; return the mount or why there is none."""
    axes_mps2 = np.clip(axes_mps2, -_SHOCK_MPS2, _SHOCK_MPS2)
    gravity = gravity_at_rest(t_s, axes_mps2, fixes, same_clock=same_clock)
    unfit = _why_unfit(rate_hz, fixes, float(np.linalg.norm(gravity)))
    if unfit is not None:
        return refused(unfit, rate_hz), ()
    basis, notes = _level_axes(gravity, log)
    removed = bool(notes)
    flat = (axes_mps2 - gravity) @ basis
    if same_clock:
        lag = fit_lag(fixes.t_s, fixes.speed_mps, t_s, flat)
    else:
        lag = _shift_between_clocks(fixes, t_s, flat)
    if lag is None:
        return refused("too few changes of speed to find the forward axis", rate_hz), notes
    if lag.explained < _MIN_EXPLAINED:
        why = f"it explains only {100 * lag.explained:.0f} % of the changes of GPS speed"
        return refused(why, rate_hz), notes
    near = SCANNED_LAGS_S if same_clock else (lag.lag_s - _UNSURE_S, lag.lag_s + _UNSURE_S)
    lag, levels = _learn(fixes, t_s, flat, lag, near)
    if lag.lag_sd_s >= _UNKNOWN_S or (same_clock and lag.lag_s > near[1] - _AT_END_S):
        why = f"how late GPS speed is behind it stays unknown: {lag.lag_s:.1f} s, sd {lag.lag_sd_s:.1f} s"
        return refused(why, rate_hz), notes
    weights = lag.weights / float(np.linalg.norm(lag.weights))
    shift_s = 0.0 if same_clock else lag.lag_s
    moved = why_moved(t_s + shift_s, axes_mps2, basis, fixes, lag.lag_s - shift_s, weights)
    if moved is not None:
        return refused(moved, rate_hz), notes
    if not same_clock:
        notes = (*notes, _clock_finding(t_s, lag, log))
    forward = flat @ weights
    if flat.shape[1] == 2:
        lateral = flat @ np.array([-weights[1], weights[0]])
    else:
        lateral = np.linalg.norm(flat - forward[:, None] * weights, axis=1)
    mount = Mount(
        accel_time_s=t_s + shift_s,
        forward_mps2=forward,
        lateral_mps2=lateral,
        used=True,
        why_not=None,
        lag=replace(lag, lag_s=lag.lag_s - shift_s),
        rate_hz=rate_hz,
        gravity_removed=removed,
        levels=levels,
    )
    return mount, notes


def _why_unfit(rate_hz: float | None, fixes: Fixes, at_rest_mps2: float) -> str | None:
    """Return why the samples cannot be used whatever they say: rate, fixes, magnitude at rest."""
    if rate_hz is None or rate_hz < MIN_RATE_HZ:
        shown = "a single sample" if rate_hz is None else f"{rate_hz:.2g} samples a second"
        return f"{shown} cannot follow ride and engine vibration"
    if fixes.t_s.size < 8:
        return "there are too few speed fixes to find the forward axis"
    off = abs(at_rest_mps2 / STANDARD_GRAVITY_MPS2 - 1.0)
    if at_rest_mps2 >= _NO_GRAVITY_MPS2 and off > _GRAVITY_SHARE:
        return f"at rest it reads {at_rest_mps2:.2f} m/s2 where gravity is 9.81"
    return None


def _level_axes(gravity: Array, log: int) -> tuple[Array, tuple[Finding, ...]]:
    """Return the level axes in device axes; all three, with a note, where gravity was removed."""
    norm = float(np.linalg.norm(gravity))
    if norm < _NO_GRAVITY_MPS2:
        text = "The phone had already removed gravity; offset and scale are fitted to GPS speed."
        return np.eye(3), (Finding(kind="gravity_removed", severity="note", text=text, log=log),)
    # all that is at right angles to up
    return np.asarray(np.linalg.svd(gravity[None, :] / norm)[2][1:].T), ()


def _learn(
    fixes: Fixes, t_s: Array, flat: Array, lag: LagFit, near: tuple[float, float]
) -> tuple[LagFit, Levels]:
    """Return lag, axis and noise levels by the likelihood of the fixes, from a first lag and axis."""
    learnt = _learn_once(fixes, t_s, flat, lag, near)
    if abs(learnt.lag_s - lag.lag_s) >= _SAME_LAG_S:
        # another lag has another forward axis
        at = (learnt.lag_s, learnt.lag_s)
        here = fit_lag(fixes.t_s, fixes.speed_mps, t_s, flat, scanned_s=at)
        if here is not None:
            lag = replace(lag, weights=here.weights, explained=here.explained)
            learnt = _learn_once(fixes, t_s, flat, lag, near)
    return replace(lag, lag_s=learnt.lag_s, lag_sd_s=learnt.lag_sd_s), learnt.levels


def _learn_once(
    fixes: Fixes, t_s: Array, flat: Array, lag: LagFit, near: tuple[float, float]
) -> Learnt:
    """Return lag and levels for the forward axis of a lag's regression."""
    forward = calm_forward(t_s, flat @ (lag.weights / float(np.linalg.norm(lag.weights))))
    return learn_levels(*node_fixes(fixes, t_s, near), t_s, forward, scanned_s=near)


def _clock_finding(t_s: Array, lag: LagFit, log: int) -> Finding:
    """Return the finding on two clocks: where one lies on the other, and how surely."""
    text = (
        "The accelerometer and GPS files share no clock; the signals put the accelerometer's"
        f" start at {t_s[0] + lag.lag_s:.2f} s of the GPS recording (sd {lag.lag_sd_s:.2f} s)."
    )
    severity: Severity = "note" if lag.lag_sd_s < _SURE_SHIFT_S else "warning"
    return Finding(kind="clock_shift", severity=severity, text=text, log=log)


def node_fixes(
    fixes: Fixes, accel_time_s: Array, lags_s: tuple[float, float]
) -> tuple[Array, Array]:
    """Return times and speeds of fixes that the accelerometer covers at every lag of a range.

    Where few are left, those at the ends stay, which only some lags cover. Fixes faster than 2.5 a
    second are averaged over half seconds: the accelerometer fills in between.
    """
    low, high = accel_time_s[0] + lags_s[1], accel_time_s[-1] + lags_s[0]
    inside = (fixes.t_s >= low) & (fixes.t_s <= high)
    if int(inside.sum()) < _FEW_FIXES:
        inside = (fixes.t_s >= accel_time_s[0] + lags_s[0]) & (
            fixes.t_s <= accel_time_s[-1] + lags_s[1]
        )
    time_s, speed_mps, _ = half_second_means(fixes.t_s[inside], fixes.speed_mps[inside])
    return time_s, speed_mps
