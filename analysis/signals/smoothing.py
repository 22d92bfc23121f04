"""Fuse one recording into a speed-time curve: GPS speed and aligned acceleration, smoothed.

State at each fix: speed v and offset b, with dv/dt = f - b. With an accelerometer f is the
specific force along the road and b its slowly wandering offset (grade, squat, sensor); without
one f is 0 and -b is the acceleration itself. A Kalman filter forwards and the
Rauch-Tung-Striebel smoother backwards give both with their covariance (equations from Rauch, Tung,
Striebel, AIAA Journal 3 (1965) 1445; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.signals.gps import HOLE_S, Fixes, half_second_means, speed_fixes
from analysis.signals.kalman import Motion, run_filter, run_smoother
from analysis.signals.lag import integral_at
from analysis.signals.mount import Mount, find_mount
from logger.arrays import Array
from logger.findings import Finding
from logger.recording import Recording

__all__ = ["FAST_FIXES_HZ", "Fused", "Smoothed", "SpeedCurve", "fuse", "smooth_speed"]

_GRID_WITH_ACCEL_S = 0.1
_GRID_GPS_ONLY_S = 0.2
#: Wander of the accelerometer's offset [m/s2 per sqrt(s)]: grade over 10 to 30 s and squat.
_OFFSET_WANDER = 0.06
#: Speed error from integrated vibration [m/s per sqrt(s)].
_VIBRATION_WALK = 0.03
#: Wander of the acceleration itself [m/s2 per sqrt(s)] tried when there is no accelerometer.
_JERK_GRID = np.array([1e-3, 3e-3, 1e-2, 3e-2, 0.1, 0.2, 0.4, 0.8, 1.6, 3.0])
_LEAST_FIX_SD_MPS = 0.02
#: From this rate on fixes alone resolve a gear change [Hz].
FAST_FIXES_HZ = 4.0
#: With an accelerometer a GPS hole up to this long is bridged [s].
_BRIDGED_S = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedCurve:
    """Speed over time of one recording, with standard deviations; nan inside holes.

    Parameters
    ----------
    log : int
        Index of the recording in the session.
    time_s : array of shape (n,)
        Seconds from the recording's first sample, GPS lag taken out [s].
    speed_mps, speed_sd_mps : arrays of shape (n,)
        Smoothed speed and its standard deviation [m/s].
    accel_mps2, accel_sd_mps2 : arrays of shape (n,)
        Its derivative and the standard deviation of it [m/s2].
    place_m : array of shape (n,)
        Distance driven since the start [m] (along-road place once the road is known).
    """

    log: int
    time_s: Array
    speed_mps: Array
    speed_sd_mps: Array
    accel_mps2: Array
    accel_sd_mps2: Array
    place_m: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Fused:
    """A recording's curve together with the signals it came from.

    Parameters
    ----------
    curve : SpeedCurve or None
        None where there are too few fixes.
    fixes : Fixes
        As stamped, not shifted by the lag.
    mount : Mount
        Aligned acceleration, or why there is none.
    lag_s, lag_sd_s : float
        Lag taken out of the fixes [s]; without an accelerometer 0 with the sd nan.
    fix_sd_mps : float
        White noise of the fixes as the smoother found it [m/s].
    """

    curve: SpeedCurve | None
    fixes: Fixes
    mount: Mount
    lag_s: float
    lag_sd_s: float
    fix_sd_mps: float

    @property
    def fine(self) -> bool:
        """Whether the signals resolve a gear change: an accelerometer, or fixes fast enough."""
        return self.mount.used or (self.fixes.rate_hz or 0.0) >= FAST_FIXES_HZ


@dataclass(frozen=True, slots=True, kw_only=True)
class Smoothed:
    """Smoothed states at the fixes: speed, offset and their covariance; fix noise found."""

    speed_mps: Array
    offset_mps2: Array
    speed_var: Array
    offset_var: Array
    fix_sd_mps: float


def _motion(step_s: Array, gain: Array) -> Motion:
    """Return the motion of speed and offset, dv/dt = f - b, over each step, with f's integral."""
    one, nil = np.ones_like(step_s), np.zeros_like(step_s)
    # v' = v + gain - b dt, b' = b
    transition = np.stack([np.stack([one, -step_s]), np.stack([nil, one])])
    # white noise on dv/dt
    speed_walk = np.stack([np.stack([step_s, nil]), np.stack([nil, nil])])
    # white noise on db/dt, integrated once into b and twice into v
    cross = -(step_s**2) / 2.0
    offset_walk = np.stack([np.stack([step_s**3 / 3.0, cross]), np.stack([cross, step_s])])
    return Motion(
        transition=np.moveaxis(transition, -1, 0),
        gain=np.column_stack([gain, nil]),
        walks=np.moveaxis(np.stack([speed_walk, offset_walk]), -1, 0),
    )


def _start(settings: int, offset_var: float) -> Array:
    """Return the covariance of the first state: speed as good as a fix, offset as wide as stated."""
    return np.tile(np.diag([1.0, offset_var]), (settings, 1, 1))


def smooth_speed(
    fix_time_s: Array, fix_speed_mps: Array, force_integral_mps: Array | None
) -> Smoothed:
    """Smooth speed fixes forwards and backwards in time, steps of any length.

    Parameters
    ----------
    fix_time_s, fix_speed_mps : arrays of shape (n,)
        At least two fixes [s], [m/s], times increasing.
    force_integral_mps : array of shape (n,) or None
        Integral of the forward acceleration up to each fix [m/s]; None without accelerometer.

    Returns
    -------
    Smoothed
        States at the fixes. Without an accelerometer the wander of the acceleration is chosen by
        maximum likelihood, so that a steady pull is smoothed hard and a varied drive hardly.
    """
    freedom = max(fix_speed_mps.size - 2, 1)
    if force_integral_mps is None:
        motion = _motion(np.diff(fix_time_s), np.zeros(fix_speed_mps.size - 1))
        wander = (_JERK_GRID / 0.1) ** 2
        densities = np.column_stack([np.zeros(wander.size), wander])
        start = _start(wander.size, 1e6)
        found = run_filter(motion, fix_speed_mps, densities, start)
        # the likeliest variance of the fixes for each wander, and the cost at it
        noise = np.maximum(found.squares / freedom, _LEAST_FIX_SD_MPS**2)
        cost = freedom * np.log(noise) + found.log_variance + found.squares / noise
        best = int(np.argmin(cost))
        variance, chosen, start = float(noise[best]), densities[[best]], start[[best]]
    else:
        motion = _motion(np.diff(fix_time_s), np.diff(force_integral_mps))
        walks = np.array([[_VIBRATION_WALK**2, _OFFSET_WANDER**2]])
        variance = 0.1**2
        for _ in range(8):
            chosen, start = walks / variance, _start(1, 0.5**2 / variance)
            squares = run_filter(motion, fix_speed_mps, chosen, start).squares
            variance = float(np.clip(squares[0] / freedom, 0.03**2, 1.0))
    found = run_filter(motion, fix_speed_mps, chosen, start, keep=True)
    state, covariance = run_smoother(motion, found)
    variances = np.maximum(np.diagonal(covariance[:, 0], axis1=1, axis2=2), 0.0) * variance
    return Smoothed(
        speed_mps=state[:, 0, 0],
        offset_mps2=state[:, 0, 1],
        speed_var=variances[:, 0],
        offset_var=variances[:, 1],
        fix_sd_mps=variance**0.5,
    )


def _forward_scale(mount: Mount) -> float:
    """Return 1 + k from the lag regression, kept within what squat and sensors do."""
    gain = 1.0 if mount.lag is None else float(np.linalg.norm(mount.lag.weights))
    return float(np.clip(1.0 / gain if gain > 0 else 1.0, 0.93, 1.07))


def fuse(recording: Recording, log: int = 0) -> tuple[Fused, tuple[Finding, ...]]:
    """Filter and integrate one recording into a speed-time curve.

    Parameters
    ----------
    recording : Recording
        Any.
    log : int
        Its index in the session.

    Returns
    -------
    Fused
        With `curve` None where fewer than four speed fixes are usable.
    tuple of Finding
        What was noticed on the way.
    """
    fixes, notes = speed_fixes(recording, log)
    mount, more = find_mount(recording, fixes, log)
    notes = (*notes, *more)
    if fixes.t_s.size < 4:
        count = fixes.t_s.size
        text = f"Only {count} usable speed fixes, where a speed-time curve needs four."
        none = Fused(
            curve=None,
            fixes=fixes,
            mount=mount,
            lag_s=0.0,
            lag_sd_s=float("nan"),
            fix_sd_mps=float("nan"),
        )
        return none, (*notes, Finding("too_few_fixes", "error", text, log=log))
    lag_s = mount.lag.lag_s if mount.used and mount.lag else 0.0
    lag_sd_s = mount.lag.lag_sd_s if mount.used and mount.lag else float("nan")
    node_s = fixes.t_s - lag_s
    curve, fix_sd = _curve(node_s, fixes.speed_mps, mount, log)
    return Fused(
        curve=curve, fixes=fixes, mount=mount, lag_s=lag_s, lag_sd_s=lag_sd_s, fix_sd_mps=fix_sd
    ), notes


def _curve(node_s: Array, fix_speed_mps: Array, mount: Mount, log: int) -> tuple[SpeedCurve, float]:
    """Return the curve between the fixes, and the white noise of the fixes [m/s]."""
    force_integral = None
    accel_s, forward = mount.accel_time_s, mount.forward_mps2 / _forward_scale(mount)
    if mount.used:
        inside = (node_s >= accel_s[0]) & (node_s <= accel_s[-1])
        if int(inside.sum()) >= 4:
            # the accelerometer fills in between means of fast fixes
            node_s, fix_speed_mps, _ = half_second_means(node_s[inside], fix_speed_mps[inside])
            force_integral = integral_at(node_s, accel_s, forward[:, None])[:, 0]
    smooth = smooth_speed(node_s, fix_speed_mps, force_integral)
    step = _GRID_GPS_ONLY_S if force_integral is None else _GRID_WITH_ACCEL_S
    time_s = np.unique(np.append(np.arange(node_s[0], node_s[-1], step), node_s[-1]))
    at = np.clip(np.searchsorted(node_s, time_s, side="left") - 1, 0, node_s.size - 2)
    span = node_s[at + 1] - node_s[at]
    part = (time_s - node_s[at]) / span
    v0, v1 = smooth.speed_mps[at], smooth.speed_mps[at + 1]
    b0, b1 = smooth.offset_mps2[at], smooth.offset_mps2[at + 1]
    offset = b0 + part * (b1 - b0)
    if force_integral is None:
        # cubic through both speeds with both accelerations -b0, -b1
        h10, h11 = part * (1 - part) ** 2, part**2 * (part - 1)
        blend = part**2 * (3 - 2 * part)
        speed = v0 + blend * (v1 - v0) - span * (h10 * b0 + h11 * b1)
        accel = -offset
        accel_sd = np.sqrt(np.interp(time_s, node_s, smooth.offset_var))
        whole = (span <= HOLE_S) | np.isin(time_s, node_s)
    else:
        integral = integral_at(time_s, accel_s, forward[:, None])[:, 0]
        drift = b0 * (time_s - node_s[at]) + 0.5 * (b1 - b0) * part**2 * span
        raw = v0 + integral - force_integral[at] - drift
        end = v0 + force_integral[at + 1] - force_integral[at] - 0.5 * (b0 + b1) * span
        speed = raw + part * (v1 - end)
        wide = 0.15
        ends = integral_at(
            np.concatenate([time_s - wide, time_s + wide]), accel_s, forward[:, None]
        )[:, 0]
        mean_force = (ends[time_s.size :] - ends[: time_s.size]) / (2 * wide)
        accel = mean_force - offset + (v1 - end) / span
        noise = float(np.median(np.abs(np.diff(mean_force[::3])))) if time_s.size > 9 else 0.3
        accel_sd = np.sqrt(np.interp(time_s, node_s, smooth.offset_var) + noise**2)
        gap = np.diff(accel_s)[np.clip(np.searchsorted(accel_s, time_s) - 1, 0, accel_s.size - 2)]
        whole = (span <= _BRIDGED_S) & (gap <= 1.0)
    sd = np.sqrt(np.interp(time_s, node_s, smooth.speed_var))
    away = np.minimum(time_s - node_s[at], node_s[at + 1] - time_s)
    sd = np.sqrt(sd**2 + (away * accel_sd * 0.5) ** 2)
    place = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time_s))])
    hide = ~whole
    speed, sd, accel, accel_sd = (
        np.where(hide, np.nan, column) for column in (speed, sd, accel, accel_sd)
    )
    return SpeedCurve(
        log=log,
        time_s=time_s,
        speed_mps=speed,
        speed_sd_mps=sd,
        accel_mps2=accel,
        accel_sd_mps2=accel_sd,
        place_m=place,
    ), smooth.fix_sd_mps
