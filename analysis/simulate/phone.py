"""What a phone in a mount would record of a true motion: GPS fixes and raw acceleration.

Rates, noise and faults follow public recordings of phones in vehicles: fixes late by 0.1-2.6 s
and smoothed by the receiver, repeated speeds, a dead band at standstill, holes, doublets, false
spikes; an accelerometer turned anyhow, with bias, squat, and ride vibration whose spectrum is
that of a phone-class sensor at 104 Hz in a car.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.simulate.path import GRID_S, Path
from analysis.simulate.road import SimSite, gust_series
from analysis.simulate.signals import first_order, on_springs, rotation, vibration

__all__ = [
    "GpsLog",
    "MotionLog",
    "PhoneKind",
    "SimPhone",
    "draw_phone",
    "record_gps",
    "record_motion",
]

PhoneKind = Literal["clean", "rough", "gps-only"]
Floats = NDArray[np.float64]

_DEAD_BAND_MPS = 0.28
# WGS 84 ellipsoid: equatorial radius [m] and first eccentricity squared
_EQUATOR_M, _ECCENTRICITY2 = 6378137.0, 6.69437999014e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class SimPhone:
    """One phone in its mount.

    Parameters
    ----------
    kind : {"clean", "rough", "gps-only"}
        How good it is.
    gps_hz : float
        Fixes per second.
    gps_white_mps, gps_slow_mps, gps_slow_tau_s : float
        Speed noise: independent, and autocorrelated with its correlation time.
    gps_smoothing_s : float
        Time constant of the receiver's first-order smoothing [s].
    lag_range_s : tuple
        Total lag (pure delay plus smoothing) is drawn from it for each recording [s].
    lag_wander_s : float
        Standard deviation of the slow change of the lag [s].
    repeat_share : float
        Share of fixes that repeat the speed before.
    accel_hz : float
        Acceleration samples per second; 0 for none.
    mount : tuple of 3 rows
        Device axes from vehicle axes (forward, left, up).
    sign : float
        +1 when the device gives +g upwards at rest, -1 when it gives -g.
    bias_mps2 : tuple
        Per device axis [m/s2].
    gain : float
        Sensor gain, 1 for none.
    squat : float
        Body pitch per acceleration times gravity: share by which it exaggerates acceleration.
    vibration_mps2, idle_mps2 : float
        Ride and engine noise of the forward axis, rms [m/s2].
    step_mps2 : float
        Resolution [m/s2].
    """

    kind: PhoneKind
    gps_hz: float
    gps_white_mps: float
    gps_slow_mps: float
    gps_slow_tau_s: float
    gps_smoothing_s: float
    lag_range_s: tuple[float, float]
    lag_wander_s: float
    repeat_share: float
    accel_hz: float
    mount: tuple[tuple[float, float, float], ...]
    sign: float
    bias_mps2: tuple[float, float, float]
    gain: float
    squat: float
    vibration_mps2: float
    idle_mps2: float
    step_mps2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GpsLog:
    """Fixes, arrays of shape (n,); nan where a fix has no value."""

    time_s: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    elevation_m: Floats
    position_accuracy_m: Floats
    speed_mps: Floats
    speed_accuracy_mps: Floats
    heading_deg: Floats
    lag_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionLog:
    """Acceleration as the device gives it: times of shape (n,), values of shape (n, 3) [m/s2]."""

    time_s: Floats
    accel_mps2: Floats


def draw_phone(rng: np.random.Generator, kind: PhoneKind, gps_hz: float) -> SimPhone:
    """Draw a phone and the way it sits in its mount.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    kind : {"clean", "rough", "gps-only"}
        Clean and gps-only share one receiver; rough has every fault.
    gps_hz : float
        Fixes per second.

    Returns
    -------
    SimPhone
    """
    rough = kind == "rough"
    quaternion = rng.standard_normal(4)
    bias = rng.uniform(0.05, 0.20, 3) * rng.choice([-1.0, 1.0], 3)
    smoothing = float(rng.uniform(0.0, 0.6))
    step = 0.1 if rough and rng.uniform() < 0.3 else 0.001
    fast, slow = rng.uniform(50.0, 100.0), float(np.exp(rng.uniform(np.log(17.0), np.log(100.0))))
    return SimPhone(
        kind=kind,
        gps_hz=gps_hz,
        gps_white_mps=float(rng.uniform(0.05, 0.12) if rough else rng.uniform(0.05, 0.07)),
        gps_slow_mps=float(rng.uniform(0.03, 0.08) if rough else rng.uniform(0.02, 0.04)),
        gps_slow_tau_s=float(rng.uniform(5.0, 15.0)),
        gps_smoothing_s=smoothing,
        lag_range_s=(max(0.1, smoothing), 2.6) if rough else (max(0.2, smoothing), 1.0),
        lag_wander_s=0.2 if rough else float(rng.uniform(0.0, 0.05)),
        repeat_share=float(rng.uniform(0.0, 0.22)) if rough else 0.0,
        accel_hz=0.0 if kind == "gps-only" else float(slow if rough else fast),
        mount=rotation(quaternion),
        sign=float(rng.choice([-1.0, 1.0])),
        bias_mps2=(float(bias[0]), float(bias[1]), float(bias[2])),
        gain=1.0 + 0.003 * float(rng.standard_normal()),
        squat=float(rng.uniform(0.01, 0.05)),
        vibration_mps2=float(rng.uniform(0.4, 0.9) if rough else rng.uniform(0.3, 0.6)),
        idle_mps2=float(rng.uniform(0.03, 0.15) if rough else rng.uniform(0.03, 0.07)),
        step_mps2=step,
    )


def record_gps(path: Path, site: SimSite, phone: SimPhone, rng: np.random.Generator) -> GpsLog:
    """Return the fixes of one recording.

    Parameters
    ----------
    path : Path
        True motion.
    site : SimSite
        Where the road lies.
    phone : SimPhone
        The receiver.
    rng : numpy.random.Generator
        Chance of this recording.

    Returns
    -------
    GpsLog
        Stamps on the path's clock; `lag_s` is the mean total lag.
    """
    rough = phone.kind == "rough"
    lag = float(rng.uniform(*phone.lag_range_s))
    end = float(path.time_s[-1])
    stamps = np.arange(rng.uniform(0.0, 1.0 / phone.gps_hz), end, 1.0 / phone.gps_hz)
    count = stamps.size
    wander = gust_series(rng, count, 1.0 / phone.gps_hz, phone.lag_wander_s, 60.0)
    delays = np.maximum(lag - phone.gps_smoothing_s + wander, 0.0)
    smooth = first_order(path.speed_mps, GRID_S, phone.gps_smoothing_s)
    seen = np.interp(stamps - delays, path.time_s, smooth)
    noise = phone.gps_white_mps * rng.standard_normal(count) + gust_series(
        rng, count, 1.0 / phone.gps_hz, phone.gps_slow_mps, phone.gps_slow_tau_s
    )
    speed = np.abs(seen + noise)
    if rough:
        speed = _late_launches(speed, seen, stamps, rng)
        speed = np.where(speed < _DEAD_BAND_MPS, 0.0, speed)
        speed = np.where(
            rng.uniform(size=count) < 0.001, speed * rng.uniform(1.2, 1.7, count), speed
        )
        repeats = rng.uniform(size=count) < phone.repeat_share
        source = np.maximum.accumulate(np.where(repeats, 0, np.arange(count)))
        speed = speed[source]
    else:
        # a receiver that knows that it stands: mostly zero, the rest small
        standing = seen < 0.1
        quiet = np.where(rng.uniform(size=count) < 0.7, 0.0, 0.5 * speed)
        speed = np.where(standing, quiet, speed)

    lags = delays + phone.gps_smoothing_s
    real = stamps - lags
    x = np.interp(real, path.time_s, path.place_m)
    y = np.interp(real, path.time_s, path.across_m)
    yaw = np.interp(real, path.time_s, path.yaw_rad)
    fix_s = 1.0 / phone.gps_hz
    x_seen = x + gust_series(rng, count, fix_s, 2.5, 60.0) + 0.15 * rng.standard_normal(count)
    y_seen = y + gust_series(rng, count, fix_s, 2.5, 60.0) + 0.15 * rng.standard_normal(count)
    latitude, longitude = _on_the_globe(site, x_seen, y_seen)
    height = site.height_at(x) + gust_series(rng, count, fix_s, 4.0, 90.0)
    heading = np.mod(
        site.bearing_deg
        - np.degrees(yaw)
        + np.degrees(0.08 / np.maximum(seen, 0.5)) * rng.standard_normal(count),
        360.0,
    )
    jitter_s = (0.025 if rough else 0.001) * fix_s
    stamps = stamps + jitter_s * rng.standard_normal(count).clip(-4.0, 4.0)
    fixes = GpsLog(
        time_s=np.maximum(stamps, 0.0),
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=height,
        position_accuracy_m=rng.uniform(3.0, 5.0) + np.abs(0.3 * rng.standard_normal(count)),
        speed_mps=speed,
        speed_accuracy_mps=3.0
        * phone.gps_white_mps
        * (1.0 + 0.2 * np.abs(rng.standard_normal(count))),
        heading_deg=np.where(seen > 0.8, heading, np.nan),
        lag_s=float(np.mean(lags)),
    )
    return _lose_and_double(fixes, phone.gps_hz, rng) if rough else fixes


def record_motion(
    path: Path, gravity_mps2: float, phone: SimPhone, rng: np.random.Generator
) -> MotionLog:
    """Return the acceleration samples of one recording.

    Specific force on the road's axes: forward ``dv/dt + g s``, left ``v dyaw/dt``, up
    ``g + v ds/dt``; the body pitches on its springs in proportion to dv/dt; then mount, gain,
    bias, slow drift, vibration and resolution.

    Parameters
    ----------
    path : Path
        True motion.
    gravity_mps2 : float
        At the place [m/s2].
    phone : SimPhone
        Sensor and mount.
    rng : numpy.random.Generator
        Chance of this recording.

    Returns
    -------
    MotionLog
        Stamps on the path's clock.
    """
    rate, end = phone.accel_hz, float(path.time_s[-1])
    nominal = np.arange(rng.uniform(0.0, 1.0 / rate), end, 1.0 / rate)
    count = nominal.size
    pitch = phone.squat / gravity_mps2 * on_springs(path.accel_mps2, GRID_S)
    along = path.accel_mps2 + gravity_mps2 * path.slope
    forward = along * np.cos(pitch) + gravity_mps2 * np.sin(pitch)
    left = path.speed_mps * np.gradient(path.yaw_rad, GRID_S)
    up = (
        gravity_mps2 * np.cos(pitch)
        - along * np.sin(pitch)
        + path.speed_mps * np.gradient(path.slope, GRID_S)
    )
    speed = np.interp(nominal, path.time_s, path.speed_mps)
    moving = phone.vibration_mps2 * np.minimum(1.0, speed / 15.0) ** 0.7
    loudness = np.sqrt(phone.idle_mps2**2 + moving**2)
    body = np.empty((count, 3))
    for axis, true in enumerate((forward, left, up)):
        shake = vibration(rng, count, rate, axis)
        body[:, axis] = np.interp(nominal, path.time_s, true) + loudness * shake
    device = phone.sign * phone.gain * body @ np.array(phone.mount).T
    coarse = np.arange(0.0, end + 2.0, 1.0)
    for axis in range(3):
        drift = gust_series(rng, coarse.size, 1.0, 0.015, 200.0)
        device[:, axis] += phone.bias_mps2[axis] + np.interp(nominal, coarse, drift)
    device = np.round(device / phone.step_mps2) * phone.step_mps2

    stamps = nominal + 0.0002 * rng.standard_normal(count).clip(-4.0, 4.0)
    keep = np.ones(count, dtype=bool)
    if phone.kind == "rough":
        late = rng.uniform(size=count) < 0.02
        stamps = stamps + np.where(late, rng.uniform(0.3, 0.8, count) / rate, 0.0)
        if rng.uniform() < 0.3:
            hole = rng.uniform(0.1, 0.9) * end
            keep = (nominal < hole) | (nominal > hole + 0.5)
    return MotionLog(time_s=np.maximum(stamps[keep], 0.0), accel_mps2=device[keep])


def _late_launches(speed: Floats, seen: Floats, stamps: Floats, rng: np.random.Generator) -> Floats:
    """Hold zero for 1-3 s after most launches, then overshoot and settle."""
    speed = speed.copy()
    for start in np.flatnonzero((seen[:-1] < 0.3) & (seen[1:] >= 0.3)):
        hold, over = rng.uniform(1.0, 3.0), rng.uniform(0.05, 0.15)
        if rng.uniform() > 0.6:
            continue
        since = stamps - stamps[start]
        speed[(since > 0.0) & (since <= hold)] = 0.0
        after = (since > hold) & (since < hold + 6.0)
        speed[after] *= 1.0 + over * np.exp(-(since[after] - hold) / 1.5)
    return speed


def _lose_and_double(fixes: GpsLog, gps_hz: float, rng: np.random.Generator) -> GpsLog:
    """Drop fixes in holes of 3-10 s, and add doublets of the same speed 1-6 ms later."""
    stamps = fixes.time_s
    keep = np.ones(stamps.size, dtype=bool)
    for start in np.flatnonzero(rng.uniform(size=stamps.size) < 0.005 / gps_hz):
        until = stamps[start] + rng.uniform(3.0, 10.0)
        keep[(stamps > stamps[start]) & (stamps < until)] = False
    source = np.flatnonzero(keep)
    source = np.sort(np.concatenate([source, source[rng.uniform(size=source.size) < 0.02]]))
    twin = np.append(False, np.diff(source) == 0)
    later = np.where(twin, rng.uniform(0.001, 0.006, source.size), 0.0)
    moved = np.where(twin, 5e-7, 0.0)
    return replace(
        fixes,
        time_s=stamps[source] + later,
        latitude_deg=fixes.latitude_deg[source] + moved * rng.standard_normal(source.size),
        longitude_deg=fixes.longitude_deg[source] + moved * rng.standard_normal(source.size),
        elevation_m=fixes.elevation_m[source],
        position_accuracy_m=fixes.position_accuracy_m[source],
        speed_mps=fixes.speed_mps[source],
        speed_accuracy_mps=fixes.speed_accuracy_mps[source],
        heading_deg=fixes.heading_deg[source],
    )


def _on_the_globe(site: SimSite, along_m: Floats, aside_m: Floats) -> tuple[Floats, Floats]:
    """Return latitude and longitude [deg] by the ellipsoid's two radii at place 0."""
    bearing = np.radians(site.bearing_deg)
    north = along_m * np.cos(bearing) + aside_m * np.sin(bearing)
    east = along_m * np.sin(bearing) - aside_m * np.cos(bearing)
    latitude = np.radians(site.latitude_deg)
    bulge = 1.0 - _ECCENTRICITY2 * np.sin(latitude) ** 2
    meridian = _EQUATOR_M * (1.0 - _ECCENTRICITY2) / bulge**1.5
    parallel = _EQUATOR_M / np.sqrt(bulge) * np.cos(latitude)
    return (
        site.latitude_deg + np.degrees(north / meridian),
        site.longitude_deg + np.degrees(east / parallel),
    )
