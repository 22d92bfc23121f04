"""A road remembered: what sessions found of its slope, kept in a file, as a prior of later sessions.

The file (`pullcoast-road/1`) holds where the road lies and one lesson of each session that taught it, so
that a session never leans on itself. It is used only where place and bearing agree, and where the
session's own runs do not contradict it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from analysis.model.covariance import inverse
from analysis.model.fit import SessionFit
from analysis.model.parameters import SPEED_SCALE_MPS
from analysis.model.priors import road_covariance
from analysis.model.road_prior import (
    SlopeMessage,
    added,
    log_odds,
    message_of_fit,
    moved,
    road_shares,
    turned,
)
from analysis.runs.road import RunPlace, road_line
from analysis.runs.run import Run
from analysis.signals.gps import EARTH_RADIUS_M
from logger.arrays import Array
from logger.errors import ReadError
from logger.findings import Finding
from logger.recording import Recording
from logger.source import read_regular
from logger.writing import write_text_atomic

__all__ = ["RoadMemory", "RoadPlace", "RoadUse", "lean_on_road", "learn_road", "read_road"]

_FORMAT = "pullcoast-road/1"
#: A session lies on the road within this beside it [m] and this of bearing [deg], and shares this part
#: of its own way with it. Receivers are off by some metres, lines through their fixes by tenths of a degree.
_BESIDE_M, _TURNED_DEG, _SHARED = 25.0, 3.0, 0.5
_MOST_BYTES, _MOST_LESSONS, _MOST_KNOTS = 20_000_000, 40, 150
_REMEDY = "Give a file that --learn-road wrote, or another name to begin a new one"
_AT_MPS = 100.0 / 3.6


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadPlace:
    """Where place 0 of a straight road lies [deg], and the bearing along which places rise [deg]."""

    latitude_deg: float
    longitude_deg: float
    bearing_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadMemory:
    """What a road file holds: its path, where the road lies (None: nothing yet), lessons by session."""

    path: Path
    place: RoadPlace | None = None
    lessons: tuple[tuple[str, SlopeMessage], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadUse:
    """What a session took from a road file, and what it can teach it.

    Parameters
    ----------
    name : str
        Of the file, without its folder.
    used : bool
        Whether the result leans on it.
    why_not : str or None
        The reason where it does not.
    sessions : tuple of str
        Fingerprints of the sessions that it leans on.
    share : float
        Part of the variance of the road load at 100 km/h that is the road's own error.
    fingerprint : str
        Of this session.
    place : RoadPlace or None
        Where it was driven; None where that is unknown.
    lesson : SlopeMessage or None
        What its own runs say of the slope.
    """

    name: str
    used: bool
    why_not: str | None
    sessions: tuple[str, ...]
    share: float
    fingerprint: str
    place: RoadPlace | None
    lesson: SlopeMessage | None


def read_road(path: Path, *, may_be_new: bool = False) -> RoadMemory:
    """Read a road file.

    Parameters
    ----------
    path : Path
        Where it is.
    may_be_new : bool
        Whether it may be missing: a road that nothing is known of yet.

    Raises
    ------
    ReadError
        It is missing, no regular file, too large, or no road file; names what was found and expected.
    """
    name = str(path)
    try:
        raw = read_regular(path, _MOST_BYTES)
    except FileNotFoundError as error:
        if may_be_new:
            return RoadMemory(path=path)
        remedy = "Check the name, or begin the file with --learn-road"
        raise ReadError(name, "no such file", "a road file", remedy) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise ReadError(name, f"cannot be read: {reason}", "a road file", _REMEDY) from error
    if raw is None:
        found = f"larger than {_MOST_BYTES // 1_000_000} MB"
        raise ReadError(name, found, "a road file of some hundred kB", _REMEDY)
    try:
        held = json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise ReadError(name, "no JSON", f"a file of format {_FORMAT}", _REMEDY) from error
    kind = held.get("format") if isinstance(held, dict) else None
    if kind != _FORMAT:
        raise ReadError(name, f"format {kind!r}"[:80], f'"{_FORMAT}"', _REMEDY)
    try:
        latitude, longitude = (float(x) for x in held["anchor_deg"])
        place = RoadPlace(
            latitude_deg=latitude,
            longitude_deg=longitude,
            bearing_deg=float(held["bearing_deg"]),
        )
        lessons = tuple(_lesson(one) for one in held["lessons"][: _MOST_LESSONS + 1])
        known = abs(latitude) <= 90.0 and abs(longitude) <= 180.0 and np.isfinite(place.bearing_deg)
        _require(known, "anchor_deg")
        _require(1 <= len(lessons) <= _MOST_LESSONS, "lessons")
    except (KeyError, TypeError, ValueError, OverflowError, AttributeError) as error:
        found = f"a broken value ({str(error)[:60]})"
        raise ReadError(name, found, f"the keys of {_FORMAT}", _REMEDY) from error
    return RoadMemory(path=path, place=place, lessons=lessons)


def _require(met: bool, key: str) -> None:
    """Raise ValueError with the key whose value is broken."""
    if not met:
        raise ValueError(key)


def _lesson(held: dict[str, Any]) -> tuple[str, SlopeMessage]:
    """Return fingerprint and message of one lesson; ValueError where it is none."""
    count = len(held["pull"])
    _require(2 <= count <= _MOST_KNOTS, "pull")
    first, last = (float(x) for x in held["ends_m"])
    _require(bool(np.isfinite([first, last]).all() and 0.0 < last - first < 1e6), "ends_m")
    upper = np.array(held["information"], dtype=np.float64)
    pull = np.array(held["pull"], dtype=np.float64)
    _require(upper.shape == (count * (count + 1) // 2,), "information")
    information = np.zeros((count, count))
    information[np.triu_indices(count)] = upper
    information = information + np.triu(information, 1).T
    _require(bool(np.isfinite(upper).all() and np.isfinite(pull).all()), "information")
    values = np.linalg.eigvalsh(information)
    _require(bool(values[0] >= -1e-5 * max(float(values[-1]), 1.0)), "information")
    message = SlopeMessage(
        knots_m=np.linspace(first, last, count), information=information, pull=pull
    )
    return str(held["fingerprint"]), message


def learn_road(memory: RoadMemory, use: RoadUse) -> str | None:
    """Write what a session teaches into its road file, in place of what it taught before.

    Returns
    -------
    str or None
        Why nothing was learnt; None where it was.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    if use.lesson is None or use.place is None:
        return use.why_not or "the road is not known well enough"
    place = memory.place or use.place
    across = _registered(place, use.place, use.lesson.knots_m, memory)
    if isinstance(across, str):
        return across
    origin_m, way = across
    # in the road's own places: x_road = origin + way x
    mine = turned(use.lesson, -way * origin_m, way)
    if mine.knots_m.size > _MOST_KNOTS:
        return f"the way driven is longer than {_MOST_KNOTS} knots of 60 m"
    others = [one for one in memory.lessons if one[0] != use.fingerprint]
    if others and not use.used:
        return use.why_not or "it was not used"
    if len(others) >= _MOST_LESSONS:
        return f"the file holds {_MOST_LESSONS} sessions, as many as it can"
    lessons = [*others, (use.fingerprint, mine)]
    low = min(float(message.knots_m[0]) for _, message in lessons)
    high = max(float(message.knots_m[-1]) for _, message in lessons)
    knots = np.linspace(low, high, min(round((high - low) / 60.0) + 1, 2 * _MOST_KNOTS))
    slope, sd = _profile(added([moved(message, knots) for _, message in lessons]))
    held = {
        "format": _FORMAT,
        "anchor_deg": [place.latitude_deg, place.longitude_deg],
        "bearing_deg": place.bearing_deg,
        "knots_m": [round(float(x), 2) for x in knots],
        "slope": [round(float(x), 7) for x in slope],
        "slope_sd": [round(float(x), 7) for x in sd],
        "lessons": [
            {
                "fingerprint": fingerprint,
                "ends_m": [float(message.knots_m[0]), float(message.knots_m[-1])],
                "pull": [float(f"{x:.9g}") for x in message.pull],
                "information": [
                    float(f"{x:.9g}")
                    for x in message.information[np.triu_indices(message.knots_m.size)]
                ],
            }
            for fingerprint, message in lessons
        ],
    }
    write_text_atomic(memory.path, json.dumps(held, indent=1, allow_nan=False) + "\n")
    return None


def _profile(message: SlopeMessage) -> tuple[Array, Array]:
    """Return the slope and its sd at a message's knots."""
    covariance = inverse(
        message.information + inverse(road_covariance(message.knots_m, message.knots_m))
    )
    return covariance @ message.pull, np.sqrt(np.diag(covariance))


def lean_on_road(
    fit: SessionFit,
    refit: Callable[[SlopeMessage], SessionFit],
    memory: RoadMemory,
    recordings: Sequence[Recording],
    runs: Sequence[Run],
    places: Sequence[RunPlace],
) -> tuple[SessionFit, RoadUse, tuple[Finding, ...]]:
    """Fit a session anew with what is remembered of its road, where it is that road.

    Parameters
    ----------
    fit : SessionFit
        Without the road.
    refit : callable
        Fits with it, at the same knots.
    memory : RoadMemory
        As read.
    recordings, runs, places : sequences
        Of the session.
    """
    fingerprint = _fingerprint(recordings)
    here = _place_of(recordings, runs, places)
    lesson = message_of_fit(fit) if fit.layout.slope_knots_m.size else None
    use = RoadUse(
        name=memory.path.name, used=False, why_not=None, sessions=(), share=0.0,
        fingerprint=fingerprint, place=here if isinstance(here, RoadPlace) else None, lesson=lesson,
    )  # fmt: skip
    found = _message_for(memory, here, lesson, fingerprint)
    if isinstance(found, str):
        text = f"The road file {memory.path.name} was not used: {found}."
        new = memory.place is None
        notes = () if new else (Finding(kind="road_not_used", severity="warning", text=text),)
        return fit, replace(use, why_not=found), notes
    sessions, road = found
    again = refit(road)
    weights = np.zeros(again.layout.size)
    weights[:3] = (_AT_MPS / SPEED_SCALE_MPS) ** np.arange(3)
    share = road_shares(again, road, weights)
    text = (
        f"The slope of the road was known beforehand from {len(sessions)} earlier "
        f"session{'s' if len(sessions) > 1 else ''} ({memory.path.name}); {100 * share:.0f} % of the "
        "variance of the road load at 100 km/h is what they left open. Sessions that lean on one "
        "road file are not independent of each other."
    )
    use = replace(
        use, used=True, sessions=sessions, share=share, lesson=message_of_fit(again, road)
    )
    return again, use, (Finding(kind="road_remembered", severity="note", text=text),)


def _message_for(
    memory: RoadMemory, here: RoadPlace | str, own: SlopeMessage | None, fingerprint: str
) -> tuple[tuple[str, ...], SlopeMessage] | str:
    """Return which sessions are leant on and what they say at this one's knots, or why none is."""
    if isinstance(here, str):
        return here
    if own is None:
        return "the runs' places on the road are unknown"
    lessons = [one for one in memory.lessons if one[0] != fingerprint]
    if memory.place is None or not lessons:
        return "no other session has taught it yet"
    across = _registered(memory.place, here, own.knots_m, memory)
    if isinstance(across, str):
        return across
    origin_m, way = across
    road = added([moved(turned(message, origin_m, way), own.knots_m) for _, message in lessons])
    if log_odds(own, road) <= 0.0:
        return "these runs contradict its slopes"
    return tuple(name for name, _ in lessons), road


def _registered(
    road: RoadPlace, here: RoadPlace, knots_m: Array, memory: RoadMemory
) -> tuple[float, int] | str:
    """Return where this session's place 0 lies on the road [m] and which way it rises, or why nowhere."""
    turned_deg = (here.bearing_deg - road.bearing_deg + 180.0) % 360.0 - 180.0
    way = 1 if abs(turned_deg) < 90.0 else -1
    off_deg = turned_deg if way > 0 else (turned_deg + 360.0) % 360.0 - 180.0
    if abs(off_deg) > _TURNED_DEG:
        return f"it lies along another bearing, {abs(off_deg):.0f} degrees off"
    turn = (here.longitude_deg - road.longitude_deg + 180.0) % 360.0 - 180.0
    east = np.radians(turn) * np.cos(np.radians(road.latitude_deg)) * EARTH_RADIUS_M
    north = np.radians(here.latitude_deg - road.latitude_deg) * EARTH_RADIUS_M
    bearing = np.radians(road.bearing_deg)
    along = float(east * np.sin(bearing) + north * np.cos(bearing))
    across = float(east * np.cos(bearing) - north * np.sin(bearing))
    # beside the road at both ends of what was driven
    ends = [across + x * way * np.sin(np.radians(off_deg)) for x in (knots_m[0], knots_m[-1])]
    if max(map(abs, ends)) > _BESIDE_M:
        return f"it is of another place, {max(map(abs, ends)):.0f} m beside"
    if memory.lessons:
        low = min(float(message.knots_m[0]) for _, message in memory.lessons)
        high = max(float(message.knots_m[-1]) for _, message in memory.lessons)
        mine = sorted((along + way * float(knots_m[0]), along + way * float(knots_m[-1])))
        if min(high, mine[1]) - max(low, mine[0]) < _SHARED * (mine[1] - mine[0]):
            return "it is of another stretch: less than half of the way driven is known"
    return along, way


def _place_of(
    recordings: Sequence[Recording], runs: Sequence[Run], places: Sequence[RunPlace]
) -> RoadPlace | str:
    """Return where place 0 of the session lies and which way places rise; else why it is unknown."""
    line = road_line(recordings, [(run.log, run.start_s, run.end_s) for run in runs])
    if line is None or line.origin_deg is None:
        return "the logs hold no positions"
    if line.path_m is not None:
        return "the road bends, and only straight ones are remembered"
    first = next((k for k, place in enumerate(places) if place.place_m.size), None)
    if first is None:
        return "the runs' places on the road are unknown"
    t_s, along = line.places_of(recordings[runs[first].log])
    far = places[first].place_m[-1]
    same = along[np.searchsorted(t_s, places[first].t_s[-1])]
    # places count against the line where a stated direction turned them round
    way = 1 if abs(same - far) <= abs(same + far) else -1
    east, north = line.centre_m + line.base_m * line.axis
    latitude = line.origin_deg[0] + float(np.degrees(north / EARTH_RADIUS_M))
    shrunk = EARTH_RADIUS_M * np.cos(np.radians(line.origin_deg[0]))
    bearing = float(np.degrees(np.arctan2(way * line.axis[0], way * line.axis[1])))
    return RoadPlace(
        latitude_deg=latitude,
        longitude_deg=line.origin_deg[1] + float(np.degrees(east / shrunk)),
        bearing_deg=bearing % 360.0,
    )


def _fingerprint(recordings: Sequence[Recording]) -> str:
    """Return a mark of a session's speeds, the same in whatever order its logs stand."""
    marks = []
    for recording in recordings:
        channels = [recording.channel(name) for name in ("speed_mps", "latitude_deg", "place_m")]
        held = [np.round(one.values, 6).tobytes() for one in channels if one is not None]
        marks.append(hashlib.sha256(b"|".join(held)).hexdigest())
    return hashlib.sha256("".join(sorted(marks)).encode()).hexdigest()[:24]
