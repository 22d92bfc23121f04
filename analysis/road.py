"""Where on the road each run was, and which way it went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.fixes import EARTH_RADIUS_M, flat_positions_m
from analysis.fuse import Fused
from analysis.phases import Run
from logger.findings import Finding
from logger.recording import Recording
from logger.session import LogEntry

__all__ = ["RunPlace", "place_runs"]

Array: TypeAlias = NDArray[np.float64]

#: A road is taken for straight when it strays less than this share of its length to the side.
_STRAIGHT = 0.08


@dataclass(frozen=True, slots=True)
class RunPlace:
    """Position fixes of one run as places along the road.

    Parameters
    ----------
    t_s : array of shape (n,)
        Times of the position fixes, as stamped [s].
    place_m : array of shape (n,)
        Place along the road, rising in the direction "up" [m]; empty where the place is unknown.
    """

    t_s: Array
    place_m: Array


@dataclass(frozen=True, slots=True)
class _Track:
    """Positions of one run on the session's common flat map."""

    t_s: Array
    east_north_m: Array


def _offset_m(recording: Recording, origin: tuple[float, float]) -> Array:
    """Return where a recording's first position lies from the session's origin, east and north."""
    latitude, longitude = recording.channel("latitude_deg"), recording.channel("longitude_deg")
    if latitude is None or longitude is None or not latitude.t_s.size:
        return np.zeros(2)
    turn = (longitude.values[0] - origin[1] + 180.0) % 360.0 - 180.0
    return (
        np.radians([turn * np.cos(np.radians(origin[0])), latitude.values[0] - origin[0]])
        * EARTH_RADIUS_M
    )


def _tracks(recordings: Sequence[Recording], runs: Sequence[Run]) -> list[_Track | None]:
    origin: tuple[float, float] | None = None
    tracks: list[_Track | None] = []
    cache: dict[int, tuple[Array, Array]] = {}
    for run in runs:
        if run.log not in cache:
            recording = recordings[run.log]
            t_s, place = flat_positions_m(recording)
            latitude = recording.channel("latitude_deg")
            longitude = recording.channel("longitude_deg")
            if latitude is not None and longitude is not None and t_s.size:
                if origin is None:
                    origin = (float(latitude.values[0]), float(longitude.values[0]))
                place = place + _offset_m(recording, origin)
            cache[run.log] = t_s, place
        t_s, place = cache[run.log]
        inside = (t_s >= run.start_s) & (t_s <= run.end_s)
        enough = int(inside.sum()) >= 4 and float(np.ptp(place[inside], axis=0).max()) > 50.0
        tracks.append(_Track(t_s[inside], place[inside]) if enough else None)
    return tracks


def _along(tracks: Sequence[_Track | None]) -> tuple[list[Array | None], bool]:
    """Return the place of every track along the road, and whether the road was straight."""
    known = [track for track in tracks if track is not None]
    if not known:
        return [None] * len(tracks), True
    every = np.concatenate([track.east_north_m for track in known])
    centre = every.mean(axis=0)
    _, spread, axes = np.linalg.svd(every - centre, full_matrices=False)
    axis = axes[0]
    first = known[0].east_north_m
    if (first[-1] - first[0]) @ axis < 0:
        axis = -axis
    if spread[1] <= _STRAIGHT * spread[0]:
        base = float((first[0] - centre) @ axis)
        return [
            None if track is None else (track.east_north_m - centre) @ axis - base
            for track in tracks
        ], True
    line = max(known, key=lambda track: float(np.ptp((track.east_north_m - centre) @ axis)))
    path = line.east_north_m
    if line is not known[0]:
        start, end = (int(np.argmin(np.hypot(*(path - p).T))) for p in (first[0], first[-1]))
        path = path[::-1] if start > end else path
    knots = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    return [
        None if track is None else _nearest_on_path(track.east_north_m, path, knots)
        for track in tracks
    ], False


def _nearest_on_path(points: Array, path: Array, knots: Array) -> Array:
    """Return the path length [m] of the nearest point on a polyline for each point."""
    step = np.diff(path, axis=0)
    length2 = np.maximum((step**2).sum(axis=1), 1e-9)
    best = np.empty(len(points))
    for i, point in enumerate(points):
        part = np.clip(((point - path[:-1]) * step).sum(axis=1) / length2, 0.0, 1.0)
        away = ((path[:-1] + part[:, None] * step - point) ** 2).sum(axis=1)
        j = int(np.argmin(away))
        best[i] = knots[j] + part[j] * (knots[j + 1] - knots[j])
    return best


def _heading_rad(recording: Recording, run: Run) -> float | None:
    heading = recording.channel("heading_deg")
    if heading is None:
        return None
    inside = (heading.t_s >= run.start_s) & (heading.t_s <= run.end_s)
    if int(inside.sum()) < 3:
        return None
    angle = np.radians(heading.values[inside])
    return float(np.arctan2(np.sin(angle).mean(), np.cos(angle).mean()))


def place_runs(
    recordings: Sequence[Recording],
    fused: Sequence[Fused],
    runs: Sequence[Run],
    entries: Sequence[LogEntry],
) -> tuple[tuple[Run, ...], tuple[RunPlace, ...], tuple[Finding, ...]]:
    """Give every run its direction and its place along the road.

    Positions decide; without them headings; without either the ``direction`` of the log entry.

    Parameters
    ----------
    recordings, fused, entries : sequences, one per log
        The recordings, their curves, and the session's entries for them.
    runs : sequence of Run
        All runs of the session.

    Returns
    -------
    runs : tuple of Run
        With `direction` set where it could be found; +1 is the first run's way unless the log
        entry says otherwise.
    places : tuple of RunPlace
        One per run.
    findings : tuple of Finding
        What could not be told.
    """
    tracks = _tracks(recordings, runs)
    along, straight = _along(tracks)
    placed: list[Run] = []
    places: list[RunPlace] = []
    unknown = 0
    headings = [_heading_rad(recordings[run.log], run) for run in runs]
    first_heading = next((angle for angle in headings if angle is not None), None)
    for run, track, place, heading in zip(runs, tracks, along, headings, strict=True):
        stated = {"up": 1, "down": -1}.get(entries[run.log].direction or "")
        direction: int | None
        if track is not None and place is not None:
            direction = 1 if place[-1] > place[0] else -1
        elif heading is not None and first_heading is not None:
            direction = 1 if np.cos(heading - first_heading) >= 0 else -1
        else:
            direction = stated
            unknown += stated is None
        placed.append(replace(run, direction=direction))
        if track is None or place is None:
            places.append(RunPlace(np.zeros(0), np.zeros(0)))
        else:
            places.append(RunPlace(track.t_s, place))
    flip = _stated_sign(placed, entries)
    if flip < 0:
        placed = [
            run if run.direction is None else replace(run, direction=-run.direction)
            for run in placed
        ]
        places = [RunPlace(place.t_s, -place.place_m) for place in places]
    findings: list[Finding] = []
    if unknown:
        findings.append(
            Finding(
                "direction_unknown",
                "warning",
                f"{unknown} of {len(placed)} runs have neither positions nor headings nor a stated "
                'direction; they are taken as driven the same way. Say direction = "up" or '
                '"down" in their [[log]].',
                count=unknown,
            )
        )
        placed = [replace(run, direction=run.direction or 1) for run in placed]
    against = [
        run.log
        for run in placed
        if run.direction is not None
        and {"up": 1, "down": -1}.get(entries[run.log].direction or "", run.direction)
        != run.direction
    ]
    if against:
        findings.append(
            Finding(
                "direction_contradicted",
                "warning",
                f"The stated direction of log {', '.join(map(str, sorted(set(against))))} is not the one "
                "that its positions or headings show beside the other runs; these count.",
                log=against[0],
                count=len(against),
            )
        )
    if not straight:
        findings.append(
            Finding("road_bends", "note", "The road bends; places are lengths along its course.")
        )
    return tuple(placed), tuple(places), tuple(findings)


def _stated_sign(runs: Sequence[Run], entries: Sequence[LogEntry]) -> int:
    """Return -1 where the stated directions say that the found "up" is the other way round."""
    votes = 0
    for run in runs:
        stated = {"up": 1, "down": -1}.get(entries[run.log].direction or "", 0)
        votes += stated * (run.direction or 0)
    return -1 if votes < 0 else 1
