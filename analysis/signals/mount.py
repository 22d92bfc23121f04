"""How the phone sat in the vehicle: from device axes to acceleration along the road.

Nothing about the platform is taken for granted: which way is up is measured from gravity, which
way is forward, and with which sign, from the changes of GPS speed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from analysis.signals.gps import Fixes
from analysis.signals.lag import LagFit, fit_lag
from logger.arrays import Array
from logger.findings import Finding, Severity
from logger.recording import Recording
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = ["MIN_RATE_HZ", "Mount", "find_mount"]

_STAND_MPS = 0.5
#: Below this rate an accelerometer aliases engine and ride vibration into the signal [Hz].
MIN_RATE_HZ = 8.0
#: Acceleration beyond this is a shock, not the vehicle [m/s2].
_SHOCK_MPS2 = 40.0
_MIN_EXPLAINED = 0.35
#: A shift between two clocks known this well costs nothing [s].
_SURE_SHIFT_S = 0.15
#: Gravity at two stands may differ by slope and load; beyond this the phone has moved [degrees].
_MOVED_DEG = 1.5
#: A stand is at rest where it is at most this much louder than the quietest second of the recording.
_QUIET = 1.6


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
    """

    accel_time_s: Array
    forward_mps2: Array
    lateral_mps2: Array
    used: bool
    why_not: str | None
    lag: LagFit | None
    rate_hz: float | None
    gravity_removed: bool = False


def _refused(why_not: str | None, rate_hz: float | None) -> Mount:
    """Return a mount that is not used, with the reason."""
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


def _gravity(t_s: Array, axes_mps2: Array, fixes: Fixes, same_clock: bool) -> Array:
    """Return the mean specific force at rest, or over everything where it never rests [m/s2]."""
    if same_clock and fixes.t_s.size:
        speed = np.interp(t_s, fixes.t_s, fixes.speed_mps, left=np.inf, right=np.inf)
        rest = speed < _STAND_MPS
        if int(rest.sum()) >= 20:
            return np.asarray(np.median(axes_mps2[rest], axis=0))
    return np.asarray(np.median(axes_mps2, axis=0))


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


def _windows(values: Array, count: int) -> tuple[Array, Array]:
    """Return mean and total standard deviation of every stretch of `count` rows."""
    whole = slice(count // 2, count // 2 + max(values.shape[0] - count + 1, 0))
    centre = values.mean(axis=0)
    mean = uniform_filter1d(values - centre, count, axis=0)[whole]
    square = uniform_filter1d((values - centre) ** 2, count, axis=0)[whole]
    variance = np.maximum((square - mean**2).sum(axis=1), 1e-12)
    return mean + centre, np.sqrt(variance)


def _turned_deg(t_s: Array, axes_mps2: Array, fixes: Fixes) -> float:
    """Return the largest angle between gravity at the stands of a recording [degrees]."""
    speed = np.interp(t_s, fixes.t_s, fixes.speed_mps, left=np.inf, right=np.inf)
    still = np.concatenate([[False], speed < _STAND_MPS, [False]])
    edges = np.flatnonzero(np.diff(still.astype(np.int8)))
    # the receiver is late and may hold zero after the launch: the quietest second of a stand counts
    count = max(4, round(1.0 / max(float(np.median(np.diff(t_s))), 1e-3)))
    mean, loud = _windows(axes_mps2, count)
    quietest = float(loud.min()) if loud.size else 0.0
    stands = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first <= count:
            continue
        best = first + int(np.argmin(loud[first : last - count + 1]))
        if loud[best] <= _QUIET * quietest:
            stands.append(mean[best])
    if len(stands) < 2:
        return 0.0
    unit = np.array([stand / max(float(np.linalg.norm(stand)), 1e-9) for stand in stands])
    return float(np.degrees(np.arccos(np.clip(unit @ unit.T, -1.0, 1.0))).max())


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
        return _refused("the recording has no acceleration in three axes", None), ()
    t_s, axes_mps2, clock = found
    rate_hz = float(1.0 / np.median(np.diff(t_s))) if t_s.size > 1 else None
    mount, notes = _align(t_s, axes_mps2, clock == fixes.clock, rate_hz, fixes, log)
    if not mount.used:
        text = (
            f"The accelerometer was not used: {mount.why_not}. GPS speed alone carries the result."
        )
        notes = (*notes, Finding("accelerometer_not_used", "warning", text, log=log))
    return mount, notes


def _align(
    t_s: Array,
    axes_mps2: Array,
    same_clock: bool,
    rate_hz: float | None,
    fixes: Fixes,
    log: int,
) -> tuple[Mount, tuple[Finding, ...]]:
    """Level the axes by gravity and find the forward one; return the mount or why there is none."""
    notes: list[Finding] = []
    if rate_hz is None or rate_hz < MIN_RATE_HZ:
        shown = "a single sample" if rate_hz is None else f"{rate_hz:.2g} samples a second"
        return _refused(f"{shown} cannot follow ride and engine vibration", rate_hz), ()
    if fixes.t_s.size < 8:
        return _refused("there are too few speed fixes to find the forward axis", rate_hz), ()
    axes_mps2 = np.clip(axes_mps2, -_SHOCK_MPS2, _SHOCK_MPS2)
    gravity = _gravity(t_s, axes_mps2, fixes, same_clock)
    norm = float(np.linalg.norm(gravity))
    removed = norm < 2.0
    if not removed and abs(norm / STANDARD_GRAVITY_MPS2 - 1.0) > 0.05:
        why = f"at rest it reads {norm:.2f} m/s2 where gravity is 9.81"
        return _refused(why, rate_hz), ()
    if removed:
        basis = np.eye(3)
        text = "The phone had already removed gravity; offset and scale are fitted to GPS speed."
        notes.append(Finding("gravity_removed", "note", text, log=log))
    else:
        up = gravity / norm
        side = np.linalg.svd(up[None, :])[2][1:]
        basis = np.asarray(side.T)
        turned = _turned_deg(t_s, axes_mps2, fixes) if same_clock else 0.0
        if turned > _MOVED_DEG:
            why = f"it turned by {turned:.1f} degrees between two stands: the phone moved in its mount"
            return _refused(why, rate_hz), tuple(notes)
    flat = (axes_mps2 - gravity) @ basis
    if same_clock:
        lag = fit_lag(fixes.t_s, fixes.speed_mps, t_s, flat)
    else:
        lag = _shift_between_clocks(fixes, t_s, flat)
        if lag is not None:
            text = (
                "The accelerometer and GPS files share no clock; the signals put the accelerometer's"
                f" start at {t_s[0] + lag.lag_s:.2f} s of the GPS recording (sd {lag.lag_sd_s:.2f} s)."
            )
            severity: Severity = "note" if lag.lag_sd_s < _SURE_SHIFT_S else "warning"
            notes.append(Finding("clock_shift", severity, text, log=log))
    if lag is None:
        return _refused("too few changes of speed to find the forward axis", rate_hz), tuple(notes)
    if same_clock and lag.lag_sd_s >= 1.0:
        why = f"GPS speed would have to be {lag.lag_s:.1f} s late or more: no lag looked at fits"
        return _refused(why, rate_hz), tuple(notes)
    if lag.explained < _MIN_EXPLAINED:
        why = f"it explains only {100 * lag.explained:.0f} % of the changes of GPS speed"
        return _refused(why, rate_hz), tuple(notes)
    weights = lag.weights / float(np.linalg.norm(lag.weights))
    forward = flat @ weights
    across = flat - forward[:, None] * weights
    if flat.shape[1] == 2:
        lateral = flat @ np.array([-weights[1], weights[0]])
    else:
        lateral = np.linalg.norm(across, axis=1)
    shifted = t_s if same_clock else t_s + lag.lag_s
    if not same_clock:
        lag = LagFit(lag_s=0.0, lag_sd_s=lag.lag_sd_s, weights=lag.weights, explained=lag.explained)
    return (
        Mount(
            accel_time_s=shifted,
            forward_mps2=forward,
            lateral_mps2=lateral,
            used=True,
            why_not=None,
            lag=lag,
            rate_hz=rate_hz,
            gravity_removed=removed,
        ),
        tuple(notes),
    )
