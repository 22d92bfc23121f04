"""Simulated recordings as files: what `logger.writing` does not write, and session.toml."""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path as FilePath

import numpy as np
from numpy.typing import NDArray

from analysis.simulate.phone import GpsLog, MotionLog
from analysis.simulate.road import SimSite
from analysis.simulate.vehicle import SimVehicle
from logger.recording import Channel, Clock, Recording
from logger.writing import write_bytes_atomic

__all__ = [
    "MotionClock",
    "day_start",
    "gpx_1_1",
    "motion_table",
    "put",
    "recording_of",
    "session_toml",
]

Floats = NDArray[np.float64]
_GPS_DIGITS = {
    "latitude_deg": 7,
    "longitude_deg": 7,
    "elevation_m": 1,
    "position_accuracy_m": 1,
    "speed_mps": 3,
    "speed_accuracy_mps": 2,
    "heading_deg": 1,
}


def recording_of(gps: GpsLog, motion: MotionLog | None, clock: Clock, start_s: float) -> Recording:
    """Return fixes and motion samples as one recording, to the digits that a phone would give.

    Parameters
    ----------
    gps : GpsLog
        Fixes.
    motion : MotionLog or None
        Acceleration; None without.
    clock : Clock
        What the recording's times count from.
    start_s : float
        The path's time that becomes 0 [s].

    Returns
    -------
    Recording
        Times to 0.1 ms; values that a fix lacks are absent.
    """
    fixed_s = np.round(gps.time_s - start_s, 4)
    channels = []
    for name, digits in _GPS_DIGITS.items():
        values = np.round(getattr(gps, name), digits)
        known = np.isfinite(values)
        times = fixed_s if known.all() else fixed_s[known]
        channels.append(Channel(name=name, t_s=times, values=values[known]))
    if motion is not None:
        felt_s = np.round(motion.time_s - start_s, 4)
        for column, axis in enumerate("xyz"):
            values = np.round(motion.accel_mps2[:, column], 3)
            channels.append(Channel(name=f"accel_{axis}_mps2", t_s=felt_s, values=values))
    return Recording(channels=tuple(channels), clocks=(clock,))


def gpx_1_1(gps: GpsLog, epoch: datetime) -> str:
    """Return the text of a GPX 1.1 track whose points carry speed in the extension of version 2.

    Parameters
    ----------
    gps : GpsLog
        Fixes.
    epoch : datetime
        UTC of the path's time 0.

    Returns
    -------
    str
    """
    points = []
    columns = zip(
        gps.time_s.tolist(),
        gps.latitude_deg.tolist(),
        gps.longitude_deg.tolist(),
        gps.elevation_m.tolist(),
        gps.speed_mps.tolist(),
        strict=True,
    )
    for time_s, latitude, longitude, height, speed in columns:
        stamp = (epoch + timedelta(seconds=time_s)).isoformat(timespec="milliseconds")
        points.append(
            f'<trkpt lat="{latitude:.7f}" lon="{longitude:.7f}"><ele>{height:.1f}</ele>'
            f"<time>{stamp.replace('+00:00', 'Z')}</time><extensions><tpx:TrackPointExtension>"
            f"<tpx:speed>{speed:.3f}</tpx:speed></tpx:TrackPointExtension></extensions></trkpt>\n"
        )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="pullcoast simulation"'
        ' xmlns="http://www.topografix.com/GPX/1/1"'
        ' xmlns:tpx="http://www.garmin.com/xmlschemas/TrackPointExtension/v2">\n'
        "<trk><trkseg>\n" + "".join(points) + "</trkseg></trk>\n</gpx>\n"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionClock:
    """The clock of a motion table: epoch milliseconds, or seconds elapsed since `zero_s`.

    Parameters
    ----------
    elapsed : bool
        Whether it counts from a moment that nobody knows.
    zero_s : float
        That moment on the path's clock [s].
    """

    elapsed: bool
    zero_s: float


def motion_table(motion: MotionLog, clock: MotionClock, epoch: datetime) -> str:
    """Return the text of a plain table of acceleration in g, on a clock of its own kind.

    Parameters
    ----------
    motion : MotionLog
        Acceleration.
    clock : MotionClock
        Which clock its stamps are on.
    epoch : datetime
        UTC of the path's time 0.

    Returns
    -------
    str
    """
    in_g = motion.accel_mps2 / 9.80665
    if clock.elapsed:
        stamps = motion.time_s - clock.zero_s
        head, row = "elapsed (s),acc x [g],acc y [g],acc z [g]\n", "%.4f,%.5f,%.5f,%.5f\n"
    else:
        stamps = (epoch.timestamp() + motion.time_s) * 1000.0
        head, row = "timestamp_ms,acc x [g],acc y [g],acc z [g]\n", "%.0f,%.5f,%.5f,%.5f\n"
    table = np.column_stack([stamps, in_g])
    return head + (row * len(table)) % tuple(table.ravel().tolist())


def put(path: FilePath, text: str) -> None:
    """Write text to a file, whole or not at all; names ending in .gz are packed."""
    data = text.encode("utf-8")
    write_bytes_atomic(path, gzip.compress(data, 6, mtime=0) if path.suffix == ".gz" else data)


def session_toml(vehicle: SimVehicle, site: SimSite, logs: tuple[tuple[str, ...], ...]) -> str:
    """Return the text of session.toml: stated values, never the true ones.

    Parameters
    ----------
    vehicle : SimVehicle
        Names, stated masses, gearing.
    site : SimSite
        Air of the day.
    logs : tuple of tuple of str
        File names of each recording.

    Returns
    -------
    str
    """
    lines = [
        "# Simulated: no vehicle, road or phone behind it. The truth is in truth.json.",
        "",
        "[vehicle]",
        f'name = "{vehicle.name}"',
        f'kind = "{vehicle.kind}"',
        f'state = "{vehicle.state}"',
        f"mass_kg = {vehicle.mass_kg:g}",
        f"mass_uncertainty_kg = {vehicle.mass_sd_kg:g}",
        f"rotating_mass_kg = {vehicle.rotating_mass_kg:g}",
        f"rotating_mass_uncertainty_kg = {vehicle.rotating_mass_sd_kg:g}",
        f'drive = "{vehicle.drive}"',
    ]
    if vehicle.frontal_area_m2 is not None:
        lines.append(f"frontal_area_m2 = {vehicle.frontal_area_m2:g}")
    if vehicle.tyre is not None:
        lines.append(f'tyre = "{vehicle.tyre}"')
    lines += [
        "",
        "[air]",
        f"temperature_C = {site.temperature_c:g}",
        f"pressure_hPa = {site.pressure_hpa:g}",
        f"relative_humidity_percent = {site.humidity_percent:g}",
    ]
    for names in logs:
        quoted = ", ".join(f'"{name}"' for name in names)
        lines += ["", "[[log]]", f"file = {quoted}" if len(names) == 1 else f"files = [{quoted}]"]
    return "\n".join(lines) + "\n"


def day_start(seed: int) -> datetime:
    """Return the invented start [UTC] of a session's first recording."""
    return datetime(2025, 5, 17, 7, 30, tzinfo=UTC) + timedelta(days=seed % 90, seconds=seed % 1000)
