"""Recordings without the place, the day and the device: what a copy to share may hold.

Positions become the place along the road that all copies share; what a report needs stays. What is
left can still be recognised by who has it already: a profile of heights, or of speeds, is like a
fingerprint of its road and drive.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.runs.phases import find_runs
from analysis.runs.road import ROAD_EVENT, RoadLine, road_line
from analysis.runs.run import Run
from analysis.signals.smoothing import fuse
from logger.errors import PullcoastError
from logger.recording import Channel, Clock, Event, Recording
from logger.scans import is_rising

__all__ = ["RoadsApart", "Stripped", "strip_recordings", "tables_of"]

#: Places further apart are of no one road, and would show how far apart their roads lie [m].
_LONGEST_ROAD_M = 60_000.0

#: Events that programs write; any other text might name a place, day or person.
_EVENTS = frozenset(
    [
        "start",
        "stop",
        "hidden",
        "visible",
        "gps_lost",
        "gps_back",
        "target_reached",
        "low_reached",
        "screen_released",
    ]
)
#: Channels that show nothing of place or device; places, heights and headings are made anew.
_KEPT = frozenset(
    [
        "position_accuracy_m",
        "speed_mps",
        "speed_accuracy_mps",
        "accel_x_mps2",
        "accel_y_mps2",
        "accel_z_mps2",
        "up_x",
        "up_y",
        "up_z",
        "rotation_x_radps",
        "rotation_y_radps",
        "rotation_z_radps",
        "engine_speed_rpm",
        "throttle_percent",
        "throttle_volts",
    ]
)
#: A second clock starts here, so that nobody takes it for the first one [s].
_APART_S = 1.0e6
#: Places and heights are written to so many digits after the point [m]: far below what a phone knows.
_DIGITS = 2
_HEADING_DEG = {True: 0.0, False: 180.0}


class RoadsApart(PullcoastError, ValueError):
    """Recordings whose places along one line would show how far apart they were made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stripped:
    """Copies to share, and what was done to make them.

    Parameters
    ----------
    recordings : tuple of Recording
        One per recording, without sources, findings and dates.
    placed : bool
        Positions were turned into places along one road.
    bends : bool
        That road bends, which places along it do not show.
    heights : bool
        Heights were counted from the first one.
    marks, doubtful : int
        Texts taken out of marks; speeds left out that were no measurement of their moment.
    """

    recordings: tuple[Recording, ...]
    placed: bool
    bends: bool
    heights: bool
    marks: int
    doubtful: int


def strip_recordings(
    recordings: Sequence[Recording], road: str, *, heights: bool = True
) -> Stripped:
    """Take place, day and device out of recordings of one road.

    Parameters
    ----------
    recordings : sequence of Recording
        As read; those of one session together, since their places are along one line.
    road : str
        A mark that no other copies have; see `analysis.runs.road.road_mark`.
    heights : bool
        Whether heights stay, counted from the first one.

    Returns
    -------
    Stripped
        Times count from the start of each recording; a mark's text is "mark".

    Raises
    ------
    RoadsApart
        Places spread further than a test road is long.
    """
    runs = _runs(recordings)
    spans = [(run.log, run.start_s, run.end_s) for run in runs]
    line = road_line(recordings, spans) or _whole_line(recordings)
    if line is not None:
        _refuse_roads_apart(recordings, line)
    first_height = next(
        (
            float(channel.values[0])
            for one in recordings
            if (channel := one.channel("elevation_m")) is not None and channel.values.size
        ),
        None,
    )
    north = _first_heading_rad(recordings, runs) if line is None else None
    copies, marks, doubtful = [], 0, 0
    for recording in recordings:
        channels, lost = _kept(recording)
        doubtful += lost
        if line is not None:
            channels += _places(recording, line)
        elif north is not None:
            channels += _directions(recording, north)
        height = recording.channel("elevation_m")
        if heights and height is not None and first_height is not None:
            relative = np.round(height.values - first_height, _DIGITS)
            channels.append(_bare(height, relative))
        events = [_event(event) for event in recording.events]
        marks += sum(event.kind == "mark" for event in events)
        if line is not None and any(channel.name == "place_m" for channel in channels):
            place = next(channel for channel in channels if channel.name == "place_m")
            events.insert(
                0,
                Event(
                    t_s=float(place.t_s[0]), kind="event", text=ROAD_EVENT + road, clock=place.clock
                ),
            )
        clocks = tuple(Clock(kind="elapsed", epoch_s=None, described="") for _ in recording.clocks)
        copies.append(Recording(channels=tuple(channels), clocks=clocks, events=tuple(events)))
    return Stripped(
        recordings=tuple(copies),
        placed=line is not None,
        bends=line is not None and line.path_m is not None,
        heights=heights and first_height is not None,
        marks=marks,
        doubtful=doubtful,
    )


def tables_of(recording: Recording) -> tuple[Recording, ...]:
    """Return a recording as one recording per clock, since a table has one clock.

    Times of a further clock begin far from those of the first, so that a reader leaves them apart.
    """
    tables = []
    for clock in range(len(recording.clocks)):
        channels = tuple(
            replace(
                channel,
                t_s=_fine(channel.t_s + clock * _APART_S),
                arrived_s=None
                if channel.arrived_s is None
                else _fine(channel.arrived_s + clock * _APART_S),
                clock=0,
            )
            for channel in recording.channels
            if channel.clock == clock
        )
        events = tuple(
            replace(event, t_s=float(_fine(np.array([event.t_s + clock * _APART_S]))[0]), clock=0)
            for event in recording.events
            if event.clock == clock
        )
        if channels:
            tables.append(
                Recording(channels=channels, clocks=(recording.clocks[clock],), events=events)
            )
    return tuple(tables)


def _fine(t_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return times in whole microseconds where that keeps them apart."""
    fine = np.round(t_s, 6)
    return fine if is_rising(fine) else t_s


def _runs(recordings: Sequence[Recording]) -> list[Run]:
    runs: list[Run] = []
    for log, recording in enumerate(recordings):
        fused, _ = fuse(recording, log)
        runs += find_runs(fused, log)
    return [replace(run, number=number) for number, run in enumerate(runs)]


def _whole_line(recordings: Sequence[Recording]) -> RoadLine | None:
    """Return the line through all positions where no run was found."""
    whole = [
        (log, float(channel.t_s[0]), float(channel.t_s[-1]))
        for log, recording in enumerate(recordings)
        if (channel := recording.channel("latitude_deg")) is not None and channel.t_s.size
    ]
    line = road_line(recordings, whole)
    return None if line is None else replace(line, path_m=None)


def _refuse_roads_apart(recordings: Sequence[Recording], line: RoadLine) -> None:
    placed = [place_m for one in recordings if (place_m := line.places_of(one)[1]).size]
    low, high = min(float(p.min()) for p in placed), max(float(p.max()) for p in placed)
    if high - low > _LONGEST_ROAD_M:
        msg = (
            f"these logs were made up to {(high - low) / 1000:.0f} km apart; expected one road of at "
            f"most {_LONGEST_ROAD_M / 1000:.0f} km, since places along it would tell the distance. "
            "Strip the logs of each road by themselves"
        )
        raise RoadsApart(msg)


def _bare(channel: Channel, values: NDArray[np.float64], name: str = "") -> Channel:
    """Return a channel without words of its source."""
    return Channel(
        name=name or channel.name,
        t_s=channel.t_s,
        values=values,
        clock=channel.clock,
        arrived_s=channel.arrived_s,
    )


def _kept(recording: Recording) -> tuple[list[Channel], int]:
    """Return what may stay as it is, and how many doubtful speeds were left out."""
    kept, lost = [], 0
    for channel in recording.channels:
        if channel.name not in _KEPT:
            continue
        good = np.ones(channel.t_s.size, dtype=bool)
        if channel.name == "speed_mps":
            good = ~channel.suspect
            lost = int(channel.suspect.sum())
        if not good.any():
            continue
        arrived = channel.arrived_s
        kept.append(
            Channel(
                name=channel.name,
                t_s=channel.t_s[good],
                values=channel.values[good],
                clock=channel.clock,
                arrived_s=None if arrived is None else arrived[good],
            )
        )
    return kept, lost


def _places(recording: Recording, line: RoadLine) -> list[Channel]:
    source = recording.channel("latitude_deg") or recording.channel("place_m")
    t_s, place_m = line.places_of(recording)
    if source is None or not t_s.size:
        return []
    return [Channel(name="place_m", t_s=t_s, values=np.round(place_m, _DIGITS), clock=source.clock)]


def _first_heading_rad(recordings: Sequence[Recording], runs: Sequence[Run]) -> float | None:
    """Return the mean heading of the first run that has any [rad]."""
    for run in runs:
        heading = recordings[run.log].channel("heading_deg")
        if heading is None:
            continue
        inside = (heading.t_s >= run.start_s) & (heading.t_s <= run.end_s)
        if int(inside.sum()) >= 3:
            angle = np.radians(heading.values[inside])
            return float(np.arctan2(np.sin(angle).mean(), np.cos(angle).mean()))
    return None


def _directions(recording: Recording, north_rad: float) -> list[Channel]:
    """Return headings as 0 along the first run and 180 against it."""
    heading = recording.channel("heading_deg")
    if heading is None:
        return []
    along = np.cos(np.radians(heading.values) - north_rad) >= 0.0
    return [_bare(heading, np.where(along, _HEADING_DEG[True], _HEADING_DEG[False]))]


def _event(event: Event) -> Event:
    if event.kind == "mark":
        return replace(event, text="mark")
    word = event.text.strip().lower()
    if re.fullmatch(ROAD_EVENT + r"[0-9a-f]+", word):
        return replace(event, text="stripped")  # of an earlier copy: another road counts now
    return replace(event, text=word if word in _EVENTS else "event")
