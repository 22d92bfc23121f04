"""One recording written again in other words, and a second phone beside it: files for tests.

What must be found is known by how a file is made: the same fixes rounded, in another unit, cut or
moved in time are a copy; the same motion with noise of its own, at the same time, is a second phone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from logger.reading import read
from logger.recording import Clock, Recording

__all__ = ["COPIES", "EPOCH", "dated", "second_phone", "written_again"]

_Array = NDArray[np.float64]
#: When a drive is said to have begun where its clock has no date.
EPOCH = datetime(2025, 5, 17, 7, 30, tzinfo=UTC)
KMH, MPH = 3.6, 3600.0 / 1609.344


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixes:
    """Fixes of a recording; places nan where there are none."""

    t_s: _Array
    speed_mps: _Array
    latitude_deg: _Array
    longitude_deg: _Array


def fixes_of(recording: Recording) -> Fixes:
    """Return speeds and the places that were recorded with them."""
    speed = recording.channel("speed_mps")
    assert speed is not None
    places = []
    for name in ("latitude_deg", "longitude_deg"):
        channel = recording.channel(name)
        values = np.full(speed.t_s.size, np.nan)
        if channel is not None:
            _, at, of = np.intersect1d(speed.t_s, channel.t_s, return_indices=True)
            values[at] = channel.values[of]
        places.append(values)
    return Fixes(
        t_s=speed.t_s,
        speed_mps=speed.values,
        latitude_deg=places[0],
        longitude_deg=places[1],
    )


def _table(fixes: Fixes, header: str, scale: float, decimals: int, late_s: float = 0.0) -> str:
    lines = [f"time_s,{header},latitude_deg,longitude_deg"]
    for t, v, lat, lon in zip(
        fixes.t_s, fixes.speed_mps, fixes.latitude_deg, fixes.longitude_deg, strict=True
    ):
        place = f"{lat:.7f},{lon:.7f}" if np.isfinite(lat + lon) else ","
        lines.append(f"{t + late_s:.3f},{scale * v:.{decimals}f},{place}")
    return "\n".join(lines) + "\n"


def _part(fixes: Fixes, start: float, end: float) -> Fixes:
    """Return the fixes between two shares of the time from the first to the last motion."""
    moving = fixes.t_s[fixes.speed_mps > 1.0]
    first, last = moving[0], moving[-1]
    inside = (fixes.t_s >= first + start * (last - first)) & (
        fixes.t_s <= first + end * (last - first)
    )
    return _chosen(fixes, np.flatnonzero(inside))


def _chosen(fixes: Fixes, rows: NDArray[np.intp]) -> Fixes:
    return Fixes(
        t_s=fixes.t_s[rows],
        speed_mps=fixes.speed_mps[rows],
        latitude_deg=fixes.latitude_deg[rows],
        longitude_deg=fixes.longitude_deg[rows],
    )


def _gpx(fixes: Fixes, decimals: int, *, speed: bool) -> str:
    points = []
    for t, v, lat, lon in zip(
        fixes.t_s, fixes.speed_mps, fixes.latitude_deg, fixes.longitude_deg, strict=True
    ):
        stamp = (EPOCH + timedelta(seconds=float(t))).isoformat(timespec="milliseconds")
        inner = f"<time>{stamp}</time>" + (f"<speed>{v:.2f}</speed>" if speed else "")
        points.append(f'<trkpt lat="{lat:.{decimals}f}" lon="{lon:.{decimals}f}">{inner}</trkpt>')
    inside = "\n".join(points)
    return f'<gpx version="1.0" creator="test"><trk><trkseg>\n{inside}\n</trkseg></trk></gpx>\n'


#: Name to suffix and text of the copy; those of GPX need places.
COPIES: dict[str, tuple[str, Callable[[Fixes], str]]] = {
    "the same": (".csv", lambda f: _table(f, "speed_mps", 1.0, 4)),
    "one decimal": (".csv", lambda f: _table(f, "speed_mps", 1.0, 1)),
    "km/h": (".csv", lambda f: _table(f, "speed_kmh", KMH, 2)),
    "km/h, one decimal": (".csv", lambda f: _table(f, "speed_kmh", KMH, 1)),
    "mph, one decimal": (".csv", lambda f: _table(f, "speed_mph", MPH, 1)),
    "whole km/h": (".csv", lambda f: _table(f, "speed_kmh", KMH, 0)),
    "trimmed": (".csv", lambda f: _table(_part(f, 0.15, 0.8), "speed_mps", 1.0, 2)),
    "shifted": (".csv", lambda f: _table(f, "speed_mps", 1.0, 2, late_s=7213.7)),
    "trimmed, shifted, km/h": (
        ".csv",
        lambda f: _table(_part(f, 0.1, 0.9), "speed_kmh", KMH, 1, late_s=512.35),
    ),
    "every second fix": (
        ".csv",
        lambda f: _table(_chosen(f, np.arange(0, f.t_s.size, 2)), "speed_mps", 1.0, 2),
    ),
    "GPX with speed": (".gpx", lambda f: _gpx(f, 6, speed=True)),
    "GPX, places of 5 decimals": (".gpx", lambda f: _gpx(f, 5, speed=False)),
}


def written_again(recording: Recording, how: str, folder: Path) -> Recording | None:
    """Write a copy of a recording's fixes and read it; None where it needs places that are missing."""
    suffix, text = COPIES[how]
    fixes = fixes_of(recording)
    if suffix == ".gpx":
        fixes = _chosen(fixes, np.flatnonzero(np.isfinite(fixes.latitude_deg)))
        if fixes.t_s.size < 10:
            return None
    path = folder / f"copy{suffix}"
    path.write_text(text(fixes))
    return read(path)


def dated(recording: Recording, epoch_s: float = EPOCH.timestamp()) -> Recording:
    """Return a recording whose clocks have a date."""
    clock = Clock(kind="epoch", epoch_s=epoch_s, described="made for a test")
    return replace(recording, clocks=(clock,) * len(recording.clocks))


def second_phone(recording: Recording, rng: np.random.Generator) -> Recording:
    """Return the motion of a recording as another phone has it: moments, delay and noise of its own."""
    fixes = fixes_of(recording)
    step = float(np.median(np.diff(fixes.t_s)))
    t_s = np.arange(fixes.t_s[0] + 5.3 * step, fixes.t_s[-1] - 3.0 * step, step)
    late_s = rng.uniform(0.2, 1.2)
    channels = []
    for name, values, noise in (
        ("speed_mps", fixes.speed_mps, 0.12),
        ("latitude_deg", fixes.latitude_deg, 2e-5),
        ("longitude_deg", fixes.longitude_deg, 2e-5),
    ):
        known = np.isfinite(values)
        if known.sum() < 10:
            continue
        channel = recording.channel(name)
        assert channel is not None
        # a hole stays a hole: moments of which the first phone has no fix within two steps
        nearest = np.abs(fixes.t_s[known] - t_s[:, None]).min(axis=1) <= 2.0 * step
        at = t_s[nearest]
        moved = np.interp(at - late_s, fixes.t_s[known], values[known])
        noisy = moved + noise * rng.standard_normal(at.size)
        if name == "speed_mps":
            noisy = np.abs(noisy)
        channels.append(replace(channel, t_s=at, values=noisy, suspect=np.zeros(at.size, bool),
                                arrived_s=None))  # fmt: skip
    clocks = recording.clocks
    return replace(recording, channels=tuple(channels), clocks=clocks, findings=(), events=())
