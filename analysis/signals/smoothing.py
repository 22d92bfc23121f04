"""Fuse one recording into a speed-time curve: GPS speed and aligned acceleration, smoothed.

The state and its noises are those of `levels`; a Kalman filter forwards and a smoother backwards
(`kalman`) give speed and offset at each fix with their covariance, `curve` what lies between.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.signals.alone import curve_of_fixes, smooth_fixes
from analysis.signals.broken import doubt_broken
from analysis.signals.curve import (
    ACCEL_HOLE_S,
    Smoothed,
    SpeedCurve,
    curve_with_accel,
)
from analysis.signals.gps import Fixes, speed_fixes
from analysis.signals.kalman import run_filter, run_smoother, variances_of
from analysis.signals.lag import integral_at
from analysis.signals.levels import (
    BROKEN_S,
    GATE_SD,
    Levels,
    left_out_misses,
    motion_of,
    noise_of,
    seen_integral,
)
from analysis.signals.mount import Mount, find_mount, node_fixes, refused, refused_finding
from analysis.signals.nodding import calm_forward
from logger.arrays import Array
from logger.findings import Finding
from logger.recording import Recording

__all__ = [
    "FAST_FIXES_HZ",
    "Fused",
    "SensorUse",
    "Smoothed",
    "SpeedCurve",
    "fuse",
    "smooth_speed",
]

#: From this rate on fixes alone resolve a gear change [Hz].
FAST_FIXES_HZ = 4.0
#: The accelerometer is of no use where it predicts worse by so many standard errors.
_SURE_SD = 2.0
#: Fewer fixes beside the accelerometer leave it nothing to be judged by.
_FEWEST = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorUse:
    """How the sensors of a recording were used in its curve.

    Parameters
    ----------
    gps_rate_hz, accel_rate_hz : float or None
        Samples per second.
    gps_lag_s, gps_lag_sd_s : float or None
        Lag of the fixes behind the accelerometer, taken out [s]; None where it is unknown.
    gps_noise_mps : float or None
        White noise of the fixes [m/s].
    accel_used : bool
        Whether the accelerometer is part of the curve.
    why_not : str or None
        The reason where it is not.
    """

    gps_rate_hz: float | None
    accel_rate_hz: float | None
    gps_lag_s: float | None
    gps_lag_sd_s: float | None
    gps_noise_mps: float | None
    accel_used: bool
    why_not: str | None


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

    @property
    def sensors(self) -> SensorUse:
        """How the sensors were used."""
        used = self.mount.used
        return SensorUse(
            gps_rate_hz=self.fixes.rate_hz,
            accel_rate_hz=self.mount.rate_hz,
            gps_lag_s=self.lag_s if used else None,
            gps_lag_sd_s=self.lag_sd_s if used else None,
            gps_noise_mps=self.fix_sd_mps if np.isfinite(self.fix_sd_mps) else None,
            accel_used=used,
            why_not=self.mount.why_not,
        )


def smooth_speed(
    fix_time_s: Array,
    fix_speed_mps: Array,
    force_integral_mps: Array,
    levels: Levels,
    blind: NDArray[np.bool_] | None = None,
) -> Smoothed:
    """Smooth speed fixes with the accelerometer between them.

    Parameters
    ----------
    fix_time_s, fix_speed_mps : arrays of shape (n,)
        At least two fixes [s], [m/s], times increasing.
    force_integral_mps : array of shape (n,)
        Integral of the forward acceleration up to each fix [m/s].
    levels : Levels
        Noise of fixes and accelerometer.
    blind : array of bool of shape (n - 1,) or None
        Steps over which the accelerometer has a hole.

    Returns
    -------
    Smoothed
        States at the fixes.
    """
    row = np.array([[levels.fix_sd_mps, levels.vibration, levels.wander]])
    motion = motion_of(fix_time_s, force_integral_mps[:, None], blind)
    found = run_filter(motion, fix_speed_mps, noise_of(row), gate_sd=GATE_SD, keep=True)
    state, covariance = run_smoother(motion, found)
    variances = variances_of(covariance)
    return Smoothed(
        speed_mps=state[:, 0, 0],
        offset_mps2=state[:, 0, 1],
        speed_var=variances[:, 0],
        offset_var=variances[:, 1],
        fix_sd_mps=levels.fix_sd_mps,
        vibration=levels.vibration,
        wander=levels.wander,
        scale=1.0 + float(state[-1, 0, 2]),
    )


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

    Notes
    -----
    How strongly the accelerometer counts, its noise levels decide. It is not used where fixes that
    are left out are clearly predicted worse with it than by the other fixes alone.
    """
    recording, broken = doubt_broken(recording, log)
    fixes, notes = speed_fixes(recording, log)
    notes = (*broken, *notes)
    mount, more = find_mount(recording, fixes, log)
    notes = (*notes, *more)
    if fixes.t_s.size < _FEWEST:
        count = fixes.t_s.size
        text = f"Only {count} usable speed fixes, where a speed-time curve needs four."
        nan = float("nan")
        none = Fused(curve=None, fixes=fixes, mount=mount, lag_s=0.0, lag_sd_s=nan, fix_sd_mps=nan)
        return none, (*notes, Finding(kind="too_few_fixes", severity="error", text=text, log=log))
    if mount.used:
        fused, why = _with_accelerometer(fixes, mount, log)
        if fused is not None:
            return fused, notes
        mount = refused(why, mount.rate_hz)
        notes = (*notes, refused_finding(mount, log))
    curve, fix_sd = curve_of_fixes(fixes, log)
    fused = Fused(
        curve=curve,
        fixes=fixes,
        mount=mount,
        lag_s=0.0,
        lag_sd_s=float("nan"),
        fix_sd_mps=fix_sd,
    )
    return fused, notes


def _with_accelerometer(fixes: Fixes, mount: Mount, log: int) -> tuple[Fused | None, str]:
    """Fuse fixes and accelerometer; None and the reason where it predicts fixes left out worse."""
    lag, levels = mount.lag, mount.levels
    if lag is None or levels is None:
        return None, "its noise is unknown"
    stamped_s, speed_mps = node_fixes(fixes, mount.accel_time_s, (lag.lag_s, lag.lag_s))
    if stamped_s.size < _FEWEST:
        return None, f"it covers only {stamped_s.size} speed fixes"
    node_s = stamped_s - lag.lag_s
    forward = calm_forward(mount.accel_time_s, mount.forward_mps2)
    integral = integral_at(node_s, mount.accel_time_s, forward[:, None])[:, 0]
    seen = seen_integral(node_s, mount.accel_time_s, forward, levels.blur_s)
    blind = _blind(node_s, mount.accel_time_s)
    smooth = smooth_speed(node_s, speed_mps, seen, levels, blind)
    alone = smooth_fixes(node_s, speed_mps)
    inner = _inner(node_s, blind)
    if int(inner.sum()) >= _FEWEST:
        with_it, without = (
            left_out_misses(
                (speed_mps - one.speed_mps)[inner], one.speed_var[inner], one.fix_sd_mps
            )
            for one in (smooth, alone)
        )
        worse = with_it**2 - without**2
        if float(worse.mean()) > _SURE_SD * float(worse.std()) / np.sqrt(worse.size):
            found, other = (float(np.sqrt(np.mean(miss**2))) for miss in (with_it, without))
            return None, (
                f"speed fixes that are left out are predicted to {found:.2f} m/s with it, to "
                f"{other:.2f} m/s by the other fixes alone"
            )
    # from the speed as the receiver smooths it to the speed itself
    true_mps = smooth.speed_mps + smooth.scale * (integral - seen)
    smooth = replace(smooth, speed_mps=true_mps)
    curve = curve_with_accel(
        log, node_s, smooth, mount.accel_time_s, mount.forward_mps2, calm_mps2=forward
    )
    fused = Fused(
        curve=curve,
        fixes=fixes,
        mount=mount,
        lag_s=lag.lag_s,
        lag_sd_s=lag.lag_sd_s,
        fix_sd_mps=smooth.fix_sd_mps,
    )
    return fused, ""


def _blind(node_s: Array, accel_time_s: Array) -> NDArray[np.bool_]:
    """Return the steps between fixes that hold a hole of the accelerometer."""
    start = accel_time_s[:-1][np.diff(accel_time_s) > ACCEL_HOLE_S]
    return np.asarray(np.diff(np.searchsorted(start, node_s)) > 0)


def _inner(node_s: Array, blind: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the fixes with whole steps on both sides, by which the accelerometer is judged."""
    whole = (np.diff(node_s) <= BROKEN_S) & ~blind
    return np.concatenate([[False], whole[1:] & whole[:-1], [False]])
