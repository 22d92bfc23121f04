"""What a phone in a world records of a true path: fixes of its receiver, raw acceleration.

The receiver sees the true speed late, smoothed by a first-order lag or tracked by a predictor that
overshoots after a step, with noise, in steps, with repeats, doublets, holes. The accelerometer
sees what pushes on it along its own axes, which lean with the body: by the acceleration (squat,
on springs) and by the square of the speed (air).

Rates and faults: measured from public recordings of phones in vehicles where a range is not named
"from memory".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from motion import GRID_S, Path
from numpy.typing import NDArray
from scipy.signal import bilinear, lfilter, lfilter_zi
from surroundings import RoadTable, slow_noise

__all__ = ["Fixes", "Receiver", "Samples", "Sensor", "fixes_of", "samples_of"]

Floats = NDArray[np.float64]

_EARTH_M = 6371000.0  # mean radius: a road of some km needs no ellipsoid


@dataclass(frozen=True, slots=True, kw_only=True)
class Receiver:
    """One receiver of satellites.

    Parameters
    ----------
    rate_hz : float
        Fixes per second.
    white_mps, slow_mps, slow_s : float
        Independent noise; noise correlated over a time [m/s, m/s, s].
    smooth_s : float
        Time constant of its first-order smoothing [s].
    predict_hz, predict_damping : float
        Natural frequency of a tracker of speed and acceleration, 0 for none: it follows a ramp
        without lag and overshoots after a step of acceleration.
    lag_s : (low, high)
        Pure delay, drawn for each recording [s].
    lag_wander_s : float
        Slow change of the delay, standard deviation over a minute [s].
    step_mps : float
        Resolution of the speed [m/s]; 0 for millimetres.
    whole_seconds : bool
        Stamps are whole seconds, whenever within the second a fix was taken.
    jitter_s : float
        Scatter of the stamps [s].
    repeat_share, double_share, hole_share : float
        Shares of fixes that repeat the speed before; come twice; begin a hole of 2-10 s.
    dead_mps : float
        Speeds below are given as 0 [m/s].
    positions : bool
        Whether latitude, longitude, height and heading are given.
    """

    rate_hz: float = 1.0
    white_mps: float = 0.06
    slow_mps: float = 0.03
    slow_s: float = 8.0
    smooth_s: float = 0.3
    predict_hz: float = 0.0
    predict_damping: float = 0.7
    lag_s: tuple[float, float] = (0.1, 0.7)
    lag_wander_s: float = 0.02
    step_mps: float = 0.0
    whole_seconds: bool = False
    jitter_s: float = 0.001
    repeat_share: float = 0.0
    double_share: float = 0.0
    hole_share: float = 0.0
    dead_mps: float = 0.0
    positions: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """One accelerometer in its mount.

    Parameters
    ----------
    rate_hz : float
        Samples per second.
    squat_deg_per_mps2 : float
        Body pitch, nose up, per acceleration.
    air_deg : float
        Body pitch, nose up, by air at 30 m/s; goes as speed squared.
    spring_hz, spring_damping : float
        The body's pitching on its springs.
    offset_mps2, drift_mps2 : float
        Standard deviation per axis of the constant offset, and of its change as the phone warms
        within a session.
    gain_sd : float
        Relative, alike on all axes.
    white_mps2, body_mps2, hop_mps2, engine_mps2 : float
        Vibration at 25 m/s: white; of the body at 1-2 Hz; of the wheels at 10-15 Hz; of the
        engine at twice its turns (root mean square).
    still_mps2 : float
        White noise at rest.
    low_pass_hz : float
        Corner of the phone's own first-order filter; 0 without.
    step_mps2 : float
        Resolution.
    jitter : float
        Share of samples that come late by half a spacing.
    """

    rate_hz: float = 60.0
    squat_deg_per_mps2: float = 0.25
    air_deg: float = 0.0
    spring_hz: float = 1.6
    spring_damping: float = 0.35
    offset_mps2: float = 0.12
    drift_mps2: float = 0.01
    gain_sd: float = 0.004
    white_mps2: float = 0.35
    body_mps2: float = 0.1
    hop_mps2: float = 0.15
    engine_mps2: float = 0.1
    still_mps2: float = 0.05
    low_pass_hz: float = 0.0
    step_mps2: float = 0.002
    jitter: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixes:
    """Fixes of one recording: arrays of shape (n,); `taken_s` is the true time of what was seen.

    `latitude_deg` and those after it are nan where not given.
    """

    time_s: Floats
    taken_s: Floats
    speed_mps: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    elevation_m: Floats
    heading_deg: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Acceleration on the device's axes: times of shape (n,), values of shape (n, 3) [m/s2]."""

    time_s: Floats
    accel_mps2: Floats


def fixes_of(
    path: Path, receiver: Receiver, road: RoadTable, bearing_rad: float, rng: np.random.Generator
) -> Fixes:
    """Return what a receiver gives of a path.

    Parameters
    ----------
    path : Path
        True motion.
    receiver : Receiver
        Its habits.
    road : RoadTable
        For heights.
    bearing_rad : float
        Of "up", clockwise from north.
    rng : numpy.random.Generator
        Chance of this recording.

    Returns
    -------
    Fixes
    """
    spacing, end = 1.0 / receiver.rate_hz, float(path.time_s[-1])
    stamps = np.arange(float(rng.uniform(0.0, spacing)), end, spacing)
    count = stamps.size
    lag = float(rng.uniform(*receiver.lag_s))
    wander = slow_noise(rng, count, spacing, receiver.lag_wander_s, 60.0)
    taken = np.clip(stamps - np.maximum(lag + wander, 0.0), 0.0, end)
    followed = _followed(path.speed_mps, receiver)
    true = np.interp(taken, path.time_s, followed)
    noise = receiver.white_mps * rng.standard_normal(count)
    noise += slow_noise(rng, count, spacing, receiver.slow_mps, receiver.slow_s)
    speed = np.abs(true + noise)
    # at rest most receivers hold the speed at zero
    resting = (true < 0.1) & (rng.uniform(size=count) < 0.75)
    speed = np.where(resting | (speed < receiver.dead_mps), 0.0, speed)
    if receiver.step_mps > 0.0:
        speed = receiver.step_mps * np.round(speed / receiver.step_mps)
    held = rng.uniform(size=count) < receiver.repeat_share
    held[0] = False
    speed = speed[np.maximum.accumulate(np.where(held, 0, np.arange(count)))]

    along = np.interp(taken, path.time_s, path.place_m) + slow_noise(rng, count, spacing, 2.0, 60.0)
    aside = np.interp(taken, path.time_s, path.aside_m) + slow_noise(rng, count, spacing, 2.0, 60.0)
    north = along * np.cos(bearing_rad) + aside * np.sin(bearing_rad)
    east = along * np.sin(bearing_rad) - aside * np.cos(bearing_rad)
    yaw = np.interp(taken, path.time_s, path.yaw_rad)
    blur = 0.08 / np.maximum(true, 0.5) * rng.standard_normal(count)
    heading = np.degrees(bearing_rad - yaw + blur) % 360.0
    # a place in the open North Sea
    latitude = 56.0 + np.degrees(north / _EARTH_M)
    longitude = 3.5 + np.degrees(east / _EARTH_M / np.cos(np.radians(56.0)))
    height = 30.0 + road.height_at(along) - float(road.height_at(np.zeros(1))[0])
    height = height + slow_noise(rng, count, spacing, 4.0, 90.0)
    if receiver.whole_seconds:
        stamps = np.round(stamps)
    else:
        stamps = stamps + receiver.jitter_s * rng.standard_normal(count).clip(-4.0, 4.0)
    unknown = np.full(count, np.nan)
    fixes = Fixes(
        time_s=np.maximum(stamps, 0.0),
        taken_s=taken,
        speed_mps=speed,
        latitude_deg=latitude if receiver.positions else unknown,
        longitude_deg=longitude if receiver.positions else unknown,
        elevation_m=height if receiver.positions else unknown,
        heading_deg=np.where(true > 1.0, heading, np.nan) if receiver.positions else unknown,
    )
    return _holes_and_doublets(fixes, receiver, rng)


def _followed(speed: Floats, receiver: Receiver) -> Floats:
    """Return the true speed as the receiver's own filter follows it."""
    out = speed
    if receiver.smooth_s > GRID_S:
        keep = float(np.exp(-GRID_S / receiver.smooth_s))
        out, _ = lfilter([1.0 - keep], [1.0, -keep], out, zi=[keep * out[0]])
    if receiver.predict_hz > 0.0:
        w, z = 2.0 * np.pi * receiver.predict_hz, receiver.predict_damping
        # (2 z w s + w^2) / (s^2 + 2 z w s + w^2): follows a ramp without error
        b, a = bilinear([2.0 * z * w, w * w], [1.0, 2.0 * z * w, w * w], fs=1.0 / GRID_S)
        out, _ = lfilter(b, a, out, zi=lfilter_zi(b, a) * out[0])
    return np.asarray(out, dtype=np.float64)


def _holes_and_doublets(fixes: Fixes, receiver: Receiver, rng: np.random.Generator) -> Fixes:
    """Leave fixes out in holes, and give some of them twice, some ms later."""
    stamps = fixes.time_s
    keep = np.ones(stamps.size, dtype=bool)
    for start in np.flatnonzero(rng.uniform(size=stamps.size) < receiver.hole_share):
        until = stamps[start] + float(rng.uniform(2.0, 10.0))
        keep[(stamps > stamps[start]) & (stamps < until)] = False
    chosen = np.flatnonzero(keep)
    twice = chosen[rng.uniform(size=chosen.size) < receiver.double_share]
    chosen = np.sort(np.concatenate([chosen, twice]))
    twin = np.append(False, np.diff(chosen) == 0)
    later = np.where(twin, rng.uniform(0.001, 0.006, chosen.size), 0.0)
    columns = {name: getattr(fixes, name)[chosen] for name in Fixes.__dataclass_fields__}
    columns["time_s"] = columns["time_s"] + later
    return Fixes(**columns)


def samples_of(
    path: Path,
    sensor: Sensor,
    mount: Floats,
    fixed: Floats,
    session_s: float,
    gravity_mps2: float,
    rng: np.random.Generator,
) -> Samples:
    """Return what an accelerometer gives of a path.

    Parameters
    ----------
    path : Path
        True motion.
    sensor : Sensor
        Its habits.
    mount : array of shape (3, 3)
        Device axes from the body's (forward, left, up); a factor of -1 for devices that give -g.
    fixed : array of shape (3, 3)
        Rows: offset per device axis, its change by warming [m/s2], gain error in the first cell.
    session_s : float
        Since the session began [s].
    gravity_mps2 : float
        At the place.
    rng : numpy.random.Generator
        Chance of this recording.

    Returns
    -------
    Samples
    """
    rate, end = sensor.rate_hz, float(path.time_s[-1])
    times = np.arange(float(rng.uniform(0.0, 1.0 / rate)), end, 1.0 / rate)
    count = times.size
    slope = path.slope * np.cos(path.yaw_rad)  # in the direction of travel
    along = path.accel_mps2 + gravity_mps2 * slope
    lean = np.radians(sensor.squat_deg_per_mps2) * _on_springs(path.accel_mps2, sensor)
    lean = lean + np.radians(sensor.air_deg) * (path.speed_mps / 30.0) ** 2
    up = gravity_mps2 + path.speed_mps * np.gradient(slope, GRID_S)
    left = path.speed_mps * np.gradient(path.yaw_rad, GRID_S)
    # axes leaning nose up by `lean` see gravity along forward
    felt = np.column_stack(
        [along * np.cos(lean) + up * np.sin(lean), left, up * np.cos(lean) - along * np.sin(lean)]
    )
    body = np.column_stack([np.interp(times, path.time_s, felt[:, axis]) for axis in range(3)])
    body += _vibration(path, sensor, times, rng)
    device = body @ mount.T * (1.0 + fixed[2, 0])
    warm = 1.0 - np.exp(-(session_s + times) / 1200.0)
    device += fixed[0] + warm[:, None] * fixed[1]
    if sensor.low_pass_hz > 0.0:
        keep = float(np.exp(-2.0 * np.pi * sensor.low_pass_hz / rate))
        device, _ = lfilter([1.0 - keep], [1.0, -keep], device, axis=0, zi=keep * device[:1])
    device = sensor.step_mps2 * np.round(device / sensor.step_mps2)
    late = rng.uniform(size=count) < sensor.jitter
    times = times + np.where(late, 0.5 / rate, 0.0)
    return Samples(time_s=times, accel_mps2=device)


def _on_springs(accel: Floats, sensor: Sensor) -> Floats:
    """Return acceleration as the pitching body follows it: second order, unit gain."""
    w, z = 2.0 * np.pi * sensor.spring_hz, sensor.spring_damping
    b, a = bilinear([w * w], [1.0, 2.0 * z * w, w * w], fs=1.0 / GRID_S)
    return np.asarray(lfilter(b, a, accel), dtype=np.float64)


def _vibration(path: Path, sensor: Sensor, times: Floats, rng: np.random.Generator) -> Floats:
    """Return vibration on the body's axes, shape (n, 3): white, two bands, the engine's."""
    speed = np.interp(times, path.time_s, path.speed_mps)
    loud = np.minimum(speed / 25.0, 1.5)[:, None]
    out = np.sqrt(sensor.still_mps2**2 + (sensor.white_mps2 * loud) ** 2) * rng.standard_normal(
        (times.size, 3)
    )
    tilt = np.array([1.0, 0.6, 1.3])
    for size, low, high in ((sensor.body_mps2, 1.0, 2.0), (sensor.hop_mps2, 10.0, 15.0)):
        centre = float(rng.uniform(low, high))
        if size > 0.0 and centre < 0.45 * sensor.rate_hz:
            out += size * loud * tilt * _band(rng, times.size, centre, sensor.rate_hz)
    turns = np.interp(times, path.time_s, np.cumsum(path.engine_hz) * GRID_S)
    swing = np.sqrt(2.0) * sensor.engine_mps2 * np.sin(4.0 * np.pi * turns)
    out += swing[:, None] * rng.uniform(0.3, 1.0, 3)
    return out


def _band(rng: np.random.Generator, count: int, centre_hz: float, rate_hz: float) -> Floats:
    """Return noise of a lightly damped resonance, one column per axis, each of unit size."""
    radius = float(np.exp(-0.25 * 2.0 * np.pi * centre_hz / rate_hz))
    angle = 2.0 * np.pi * centre_hz / rate_hz
    poles = [1.0, -2.0 * radius * np.cos(angle), radius**2]
    draws = rng.standard_normal((count, 3))
    out = np.asarray(lfilter([1.0, 0.0, -1.0], poles, draws, axis=0), dtype=np.float64)
    return np.asarray(out / np.std(out, axis=0), dtype=np.float64)
