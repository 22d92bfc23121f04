"""Speed fixes of one recording: the receiver's own speed, or speed from positions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.arrays import Array
from logger.findings import Finding
from logger.recording import Recording

__all__ = [
    "EARTH_RADIUS_M",
    "HOLE_S",
    "Fixes",
    "flat_positions_m",
    "half_second_means",
    "road_positions_m",
    "speed_fixes",
]

#: Mean Earth radius [m], IUGG; the error over a test road is below 0.5 %.
EARTH_RADIUS_M = 6371008.8
#: A hole in the fixes longer than this ends the use of one piece [s].
HOLE_S = 3.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixes:
    """Usable speed fixes of one recording, times on clock `clock`, increasing.

    Parameters
    ----------
    t_s, speed_mps : arrays of shape (n,)
        Time as stamped [s] and speed [m/s].
    clock : int
        Index into the recording's clocks.
    from_positions : bool
        True where the receiver gave no speed and positions had to do.
    """

    t_s: Array
    speed_mps: Array
    clock: int
    from_positions: bool

    @property
    def rate_hz(self) -> float | None:
        """Fixes per second from the median step [Hz]."""
        return None if self.t_s.size < 2 else float(1.0 / np.median(np.diff(self.t_s)))


def flat_positions_m(recording: Recording) -> tuple[Array, Array]:
    """Return position times and metres east and north of the first position.

    Parameters
    ----------
    recording : Recording
        Any; without positions the arrays are empty.

    Returns
    -------
    t_s : array of shape (n,)
        Times [s] on the latitude channel's clock.
    east_north_m : array of shape (n, 2)
        Equirectangular metres about the first position; the date line is taken the short way.
    """
    latitude, longitude = recording.channel("latitude_deg"), recording.channel("longitude_deg")
    if latitude is None or longitude is None or latitude.t_s.size == 0:
        return np.zeros(0), np.zeros((0, 2))
    t_s, at_lat, at_lon = np.intersect1d(latitude.t_s, longitude.t_s, return_indices=True)
    if t_s.size == 0:
        return np.zeros(0), np.zeros((0, 2))
    lat_deg, lon_deg = latitude.values[at_lat], longitude.values[at_lon]
    turn_deg = (lon_deg - lon_deg[0] + 180.0) % 360.0 - 180.0
    north = np.radians(lat_deg - lat_deg[0]) * EARTH_RADIUS_M
    east = np.radians(turn_deg) * EARTH_RADIUS_M * np.cos(np.radians(lat_deg[0]))
    return t_s, np.column_stack([east, north])


def road_positions_m(recording: Recording) -> tuple[Array, Array]:
    """Return positions as `flat_positions_m` does; places along the road where those are all there is.

    Parameters
    ----------
    recording : Recording
        Any; a copy stripped of its positions has `place_m` in their stead.

    Returns
    -------
    t_s : array of shape (n,)
        Times [s] on the clock of the channel.
    positions_m : array of shape (n, 2)
        Metres east and north of the first position; of a stripped copy the place along the road,
        and 0.
    """
    place = recording.channel("place_m")
    if place is None or recording.channel("latitude_deg") is not None:
        return flat_positions_m(recording)
    return place.t_s, np.column_stack([place.values, np.zeros(place.values.size)])


def speed_fixes(recording: Recording, log: int = 0) -> tuple[Fixes, tuple[Finding, ...]]:
    """Choose the speed fixes of a recording.

    Parameters
    ----------
    recording : Recording
        Any.
    log : int
        Index for findings.

    Returns
    -------
    Fixes
        Empty where there is neither speed nor position.
    tuple of Finding
        Says so when positions had to stand in for speed.
    """
    speed = recording.channel("speed_mps")
    if speed is not None:
        good = ~speed.suspect
        if int(good.sum()) >= 1:
            return Fixes(
                t_s=speed.t_s[good],
                speed_mps=speed.values[good],
                clock=speed.clock,
                from_positions=False,
            ), ()
    source = recording.channel("latitude_deg") or recording.channel("place_m")
    t_s, place = road_positions_m(recording)
    if source is None or t_s.size < 3:
        return Fixes(t_s=np.zeros(0), speed_mps=np.zeros(0), clock=0, from_positions=False), ()
    step_s = np.diff(t_s)
    near = (step_s > 0.05) & (step_s < HOLE_S)
    speed_mps = np.hypot(*np.diff(place, axis=0).T)[near] / step_s[near]
    middle_s = (0.5 * (t_s[1:] + t_s[:-1]))[near]
    finding = Finding(
        kind="speed_from_positions",
        severity="warning",
        text="The receiver gave no usable speed, so speed was taken from positions, which is 4 to 8 "
        "times noisier; the intervals are wider for it.",
        log=log,
        count=int(speed_mps.size),
    )
    return Fixes(t_s=middle_s, speed_mps=speed_mps, clock=source.clock, from_positions=True), (
        finding,
    )


def half_second_means(fix_s: Array, speed_mps: Array) -> tuple[Array, Array, Array]:
    """Average fixes that come faster than 2.5 a second over half seconds.

    Parameters
    ----------
    fix_s, speed_mps : arrays of shape (n,)
        Times [s], increasing, and speeds [m/s].

    Returns
    -------
    fix_s, speed_mps, count : arrays of shape (m,)
        Mean times and speeds, and how many fixes each stands for; slower fixes as they are.
    """
    if fix_s.size < 2 or float(np.median(np.diff(fix_s))) > 0.4:
        return fix_s, speed_mps, np.ones(fix_s.size)
    block = np.floor((fix_s - fix_s[0]) / 0.5).astype(int)
    _, owner, count = np.unique(block, return_inverse=True, return_counts=True)
    time = np.bincount(owner, fix_s) / count
    speed = np.bincount(owner, speed_mps) / count
    return time, speed, count.astype(np.float64)
