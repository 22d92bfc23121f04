"""Write simulated recordings as files: own table, GPX with motion table, session.toml."""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import isnan
from pathlib import Path as FilePath

import numpy as np
from numpy.typing import NDArray

from analysis.simulate_phone import GpsLog, MotionLog
from analysis.simulate_road import SimSite
from analysis.simulate_vehicle import SimVehicle

__all__ = ["MotionClock", "day_start", "gpx", "motion_table", "own_table", "put", "session_toml"]

Floats = NDArray[np.float64]
_GPS_COLUMNS = (
    "latitude_deg,longitude_deg,elevation_m,position_accuracy_m,speed_mps,speed_accuracy_mps,"
    "heading_deg"
)
_ACCEL_COLUMNS = "accel_x_mps2,accel_y_mps2,accel_z_mps2"


def own_table(gps: GpsLog, motion: MotionLog | None, start_s: float) -> str:
    """Return the text of an own table, fixes and motion samples merged by time.

    Parameters
    ----------
    gps : GpsLog
        Fixes.
    motion : MotionLog or None
        Acceleration; None without.
    start_s : float
        The path's time that becomes 0 [s].

    Returns
    -------
    str
        Header and rows; blank where a row has no value.
    """
    blank = ",,," if motion is not None else ""
    fix_rows = _fix_rows(gps, start_s, blank)
    if motion is None:
        return f"time_s,{_GPS_COLUMNS}\n" + "".join(fix_rows)
    table = np.column_stack([motion.time_s - start_s, motion.accel_mps2])
    text = ("%.4f,,,,,,,,%.3f,%.3f,%.3f\n" * len(table)) % tuple(table.ravel().tolist())
    rows = text.splitlines(keepends=True)
    # put each fix before the first motion row of a later or the same time
    where = np.searchsorted(motion.time_s, gps.time_s, side="left").tolist()
    pieces, done = [f"time_s,{_GPS_COLUMNS},{_ACCEL_COLUMNS}\n"], 0
    for row, at in zip(fix_rows, where, strict=True):
        pieces.extend(rows[done:at])
        pieces.append(row)
        done = at
    pieces.extend(rows[done:])
    return "".join(pieces)


def _fix_rows(gps: GpsLog, start_s: float, tail: str) -> list[str]:
    columns = zip(
        (gps.time_s - start_s).tolist(),
        gps.latitude_deg.tolist(),
        gps.longitude_deg.tolist(),
        gps.elevation_m.tolist(),
        gps.position_accuracy_m.tolist(),
        gps.speed_mps.tolist(),
        gps.speed_accuracy_mps.tolist(),
        gps.heading_deg.tolist(),
        strict=True,
    )
    return [
        f"{t:.4f},{latitude:.7f},{longitude:.7f},{height:.1f},{within:.1f},{speed:.3f},{spread:.2f},"
        f"{'' if isnan(heading) else f'{heading:.1f}'}{tail}\n"
        for t, latitude, longitude, height, within, speed, spread, heading in columns
    ]


def gpx(gps: GpsLog, epoch: datetime) -> str:
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


@dataclass(frozen=True, slots=True)
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
    """Write text to a file; names ending in .gz are packed, the same bytes every time."""
    data = text.encode()
    if path.suffix == ".gz":
        data = gzip.compress(data, 9, mtime=0)
    path.write_bytes(data)


def session_toml(
    vehicle: SimVehicle,
    site: SimSite,
    logs: tuple[tuple[str, ...], ...],
    directions: tuple[str | None, ...],
) -> str:
    """Return the text of session.toml: stated values, never the true ones.

    Parameters
    ----------
    vehicle : SimVehicle
        Names, stated masses, gearing.
    site : SimSite
        Air of the day.
    logs : tuple of tuple of str
        File names of each recording.
    directions : tuple of "up", "down" or None
        Of each recording, None where positions tell.

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
    for names, direction in zip(logs, directions, strict=True):
        quoted = ", ".join(f'"{name}"' for name in names)
        lines += ["", "[[log]]", f"file = {quoted}" if len(names) == 1 else f"files = [{quoted}]"]
        if direction is not None:
            lines.append(f'direction = "{direction}"')
    return "\n".join(lines) + "\n"


def day_start(seed: int) -> datetime:
    """Return the invented start [UTC] of a session's first recording."""
    return datetime(2025, 5, 17, 7, 30, tzinfo=UTC) + timedelta(days=seed % 90, seconds=seed % 1000)
