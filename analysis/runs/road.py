"""Where on the road each run was, and which way it went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from analysis.runs.driven import driven_places, turns_around
from analysis.runs.run import Run
from analysis.signals.gps import EARTH_RADIUS_M, road_positions_m
from analysis.signals.smoothing import Fused
from logger.arrays import Array
from logger.findings import Finding
from logger.recording import Recording
from logger.session.session import LogEntry

__all__ = ["ROAD_EVENT", "RoadLine", "RunPlace", "place_runs", "road_line", "road_mark"]


#: How the event begins that names the road of a stripped copy.
ROAD_EVENT = "road "
#: A road is taken for straight when it strays less than this share of its length to the side.
_STRAIGHT = 0.08


@dataclass(frozen=True, slots=True, kw_only=True)
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


@dataclass(frozen=True, slots=True, kw_only=True)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadLine:
    """The road as a line on the session's flat map: straight, or along the longest run.

    Parameters
    ----------
    origin_deg : (latitude, longitude) or None
        Of the map [deg]; None where the logs know places along the road only.
    centre_m, axis : arrays of shape (2,)
        A point of the straight line [m] and its direction, that of the first run.
    base_m : float
        Place of the first run's start along the straight line from `centre_m` [m].
    path_m : array of shape (n, 2) or None
        The course of a road that bends [m]; None for a straight one.
    """

    origin_deg: tuple[float, float] | None
    centre_m: Array
    axis: Array
    base_m: float
    path_m: Array | None

    def place_m(self, east_north_m: Array) -> Array:
        """Return the place along the road [m] of each point of shape (n, 2) on the map."""
        if self.path_m is None:
            return np.asarray((east_north_m - self.centre_m) @ self.axis - self.base_m)
        steps = np.hypot(*np.diff(self.path_m, axis=0).T)
        return _nearest_on_path(
            east_north_m, self.path_m, np.concatenate([[0.0], np.cumsum(steps)])
        )

    def places_of(self, recording: Recording) -> tuple[Array, Array]:
        """Return the times [s] and places along the road [m] of all positions of a recording."""
        t_s, place = road_positions_m(recording)
        if self.origin_deg is not None and t_s.size:
            place = place + _offset_m(recording, self.origin_deg)
        return t_s, self.place_m(place)


def road_mark(recording: Recording) -> str | None:
    """Return the mark of the road that `place_m` of a stripped copy counts along, None without.

    Copies that were stripped together carry one mark; their places and directions can be compared.
    """
    for event in recording.events:
        if event.kind == "event" and event.text.startswith(ROAD_EVENT):
            return event.text
    return None


def _foreign_roads(recordings: Sequence[Recording]) -> set[int]:
    """Return the logs whose places along a road mean nothing beside the others' positions."""
    mapped = [one.channel("latitude_deg") is not None for one in recordings]
    placed = [
        one.channel("place_m") is not None and not on_map
        for one, on_map in zip(recordings, mapped, strict=True)
    ]
    if any(mapped):
        return {log for log, one in enumerate(placed) if one}
    marks = [road_mark(one) for one in recordings]
    first = next((mark for mark, one in zip(marks, placed, strict=True) if one), None)
    return {log for log, one in enumerate(placed) if one and marks[log] != first}


def _tracks(
    recordings: Sequence[Recording], spans: Sequence[tuple[int, float, float]]
) -> tuple[list[_Track | None], tuple[float, float] | None]:
    """Return the positions in each span on one map, and the map's origin [deg]."""
    origin: tuple[float, float] | None = None
    tracks: list[_Track | None] = []
    cache: dict[int, tuple[Array, Array]] = {}
    foreign = _foreign_roads(recordings)
    for log, start_s, end_s in spans:
        if log in foreign:
            tracks.append(None)
            continue
        if log not in cache:
            recording = recordings[log]
            t_s, place = road_positions_m(recording)
            latitude = recording.channel("latitude_deg")
            longitude = recording.channel("longitude_deg")
            if latitude is not None and longitude is not None and t_s.size:
                if origin is None:
                    origin = (float(latitude.values[0]), float(longitude.values[0]))
                place = place + _offset_m(recording, origin)
            cache[log] = t_s, place
        t_s, place = cache[log]
        inside = (t_s >= start_s) & (t_s <= end_s)
        enough = int(inside.sum()) >= 4 and float(np.ptp(place[inside], axis=0).max()) > 50.0
        tracks.append(_Track(t_s=t_s[inside], east_north_m=place[inside]) if enough else None)
    return tracks, origin


def road_line(
    recordings: Sequence[Recording], spans: Sequence[tuple[int, float, float]]
) -> RoadLine | None:
    """Return the road that was driven.

    Parameters
    ----------
    recordings : sequence of Recording
        One per log.
    spans : sequence of (log, start_s, end_s)
        When it was driven along, as of runs; the first sets the direction that places rise in.

    Returns
    -------
    RoadLine or None
        None where no span has positions.
    """
    tracks, origin = _tracks(recordings, spans)
    return _line(tracks, origin)


def _line(tracks: Sequence[_Track | None], origin: tuple[float, float] | None) -> RoadLine | None:
    """Return the line through all tracks, in the direction of the first."""
    known = [track for track in tracks if track is not None]
    if not known:
        return None
    every = np.concatenate([track.east_north_m for track in known])
    centre = every.mean(axis=0)
    _, spread, axes = np.linalg.svd(every - centre, full_matrices=False)
    axis = axes[0]
    first = known[0].east_north_m
    if (first[-1] - first[0]) @ axis < 0:
        axis = -axis
    base = float((first[0] - centre) @ axis)
    if spread[1] <= _STRAIGHT * spread[0]:
        return RoadLine(origin_deg=origin, centre_m=centre, axis=axis, base_m=base, path_m=None)
    line = max(known, key=lambda track: float(np.ptp((track.east_north_m - centre) @ axis)))
    path = line.east_north_m
    if line is not known[0]:
        start, end = (int(np.argmin(np.hypot(*(path - p).T))) for p in (first[0], first[-1]))
        path = path[::-1] if start > end else path
    return RoadLine(origin_deg=origin, centre_m=centre, axis=axis, base_m=base, path_m=path)


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
    """Return the mean heading of a run [rad]; None with fewer than three."""
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
        entry states another.
    places : tuple of RunPlace
        One per run.
    findings : tuple of Finding
        What stays unknown.
    """
    tracks, origin = _tracks(recordings, [(run.log, run.start_s, run.end_s) for run in runs])
    line = _line(tracks, origin)
    along = [
        None if track is None or line is None else line.place_m(track.east_north_m)
        for track in tracks
    ]
    placed: list[Run] = []
    places: list[RunPlace] = []
    unknown = 0
    headings = [_heading_rad(recordings[run.log], run) for run in runs]
    first_heading = next((angle for angle in headings if angle is not None), None)
    for run, track, place, heading in zip(runs, tracks, along, headings, strict=True):
        stated = _stated(entries[run.log])
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
            places.append(RunPlace(t_s=np.zeros(0), place_m=np.zeros(0)))
        else:
            places.append(RunPlace(t_s=track.t_s, place_m=place))
    by_distance = None
    if line is None:
        by_distance = _places_by_distance(fused, placed, known=len(placed) - unknown)
    if by_distance is not None:
        placed, places, unknown = *by_distance, 0
    flip = _stated_sign(placed, entries)
    if flip < 0:
        placed = [
            run if run.direction is None else replace(run, direction=-run.direction)
            for run in placed
        ]
        places = [RunPlace(t_s=place.t_s, place_m=-place.place_m) for place in places]
    findings = _road_findings(recordings, placed, entries, unknown)
    if line is not None and line.path_m is not None:
        text = "The road bends; places are lengths along its course."
        findings.append(Finding(kind="road_bends", severity="note", text=text))
    if by_distance is not None:
        text = (
            "Without positions, places along the road come from the distance driven since the first "
            "run; they count back where the vehicle turned around."
        )
        findings.append(
            Finding(kind="places_by_distance", severity="note", text=text, log=placed[0].log)
        )
    placed = [replace(run, direction=run.direction or 1) for run in placed]
    return tuple(placed), tuple(places), tuple(findings)


def _places_by_distance(
    fused: Sequence[Fused], runs: Sequence[Run], *, known: int
) -> tuple[list[Run], list[RunPlace]] | None:
    """Return runs and places of one recording without positions; None where they stay unknown."""
    logs = {run.log for run in runs}
    if len(logs) != 1 or len(runs) < 2:
        return None
    one = fused[runs[0].log]
    if one.curve is None:
        return None
    ways = [run.direction or 1 for run in runs]
    if known < len(runs):
        # nothing states the directions: the road itself may
        if known or not turns_around(one.curve, runs):
            return None
        ways = [1 - 2 * (number % 2) for number in range(len(runs))]
    if any(way == after for way, after in pairwise(ways)):
        return None  # it came back somehow in between
    found = driven_places(one.curve, runs, ways)
    if found is None:
        return None
    placed = [replace(run, direction=way) for run, way in zip(runs, ways, strict=True)]
    return placed, [RunPlace(t_s=time_s + one.lag_s, place_m=place) for time_s, place in found]


def _stated(entry: LogEntry) -> int | None:
    """Return the direction that a log entry states, +1 or -1; None without one."""
    return {"up": 1, "down": -1}.get(entry.direction or "")


def _road_findings(
    recordings: Sequence[Recording], runs: Sequence[Run], entries: Sequence[LogEntry], unknown: int
) -> list[Finding]:
    """Report directions that are unknown or contradicted, and places that cannot be compared."""
    findings = []
    if unknown:
        text = (
            f"{unknown} of {len(runs)} runs have neither positions nor headings nor a stated "
            'direction; they are taken as driven the same way. Say direction = "up" or '
            '"down" in their [[log]].'
        )
        findings.append(
            Finding(kind="direction_unknown", severity="warning", text=text, count=unknown)
        )
    against = [
        run.log
        for run in runs
        if run.direction is not None and _stated(entries[run.log]) == -run.direction
    ]
    if against:
        logs = ", ".join(str(log + 1) for log in sorted(set(against)))
        text = (
            f"The stated direction of log {logs} is not the one "
            "that its positions or headings show beside the other runs; these count."
        )
        kind = "direction_contradicted"
        findings.append(
            Finding(kind=kind, severity="warning", text=text, log=against[0], count=len(against))
        )
    foreign = sorted(_foreign_roads(recordings))
    if foreign:
        text = (
            f"Log {', '.join(str(log + 1) for log in foreign)} was stripped of its positions apart from the other "
            "logs, so neither where nor which way it went is known beside them. Strip the logs of a "
            'session together, or say direction = "up" or "down" in their [[log]].'
        )
        kind = "roads_not_comparable"
        findings.append(
            Finding(kind=kind, severity="warning", text=text, log=foreign[0], count=len(foreign))
        )
    return findings


def _stated_sign(runs: Sequence[Run], entries: Sequence[LogEntry]) -> int:
    """Return -1 where the stated directions make the found "up" the other way round."""
    votes = 0
    for run in runs:
        votes += (_stated(entries[run.log]) or 0) * (run.direction or 0)
    return -1 if votes < 0 else 1
