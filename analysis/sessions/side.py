"""One side of a comparison: what is needed of a session, and whether two were driven on one road."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.physics.air import AirState
from analysis.pipeline import Analysis
from analysis.results.power import PowerCurve
from analysis.results.road_load import RoadLoad
from analysis.results.trust import Trust
from analysis.signals.copies import Trace, trace_of
from analysis.signals.gps import EARTH_RADIUS_M, flat_positions_m
from logger.recording import Recording
from logger.session.session import Display, Site, Vehicle

__all__ = ["Road", "Side", "same_road", "side_of"]

_Array = NDArray[np.float64]
#: Two lines over the ground are one road if they differ by less than this in direction and to the
#: side, and share at least this much of the shorter: the width of a road and the error of a phone's
#: positions; common practice, no source.
_SAME_ANGLE_RAD, _SAME_ASIDE_M, _SAME_SHARE = math.radians(4.0), 40.0, 0.5
#: Driven less than this [m], a direction over the ground means nothing.
_LEAST_ROAD_M = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Road:
    """Where a session was driven; to compare roads only, never shown.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Middle of the stretch.
    up : array of shape (2,)
        Unit vector east and north of the direction "up".
    length_m : float
        Of the stretch.
    """

    latitude_deg: float
    longitude_deg: float
    up: _Array
    length_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """Everything that a comparison needs of one session.

    Parameters
    ----------
    name : str
        What to call it.
    source : {"session", "results.json"}
        Analysed afresh, or read back.
    vehicle : Vehicle or None
        None where an earlier results.json does not say which; `masses` is always known.
    masses : Vehicle
        Masses as stated.
    air : AirState
        Of the day.
    altitude_m : float or None
        As stated.
    site : Site or None
        What was stated of road and wind; None where not known any more.
    wind_mps, wind_sd_mps, separable
        As found.
    road_load, power
        None where there is none.
    runs_up, runs_down : int
        Used runs.
    road : Road or None
        None without positions.
    traces : tuple of Trace
        What its recordings are compared by; none of a results.json.
    serious : int
        Warnings and errors in its own report.
    scatter : bool
        Whether its runs scatter more than the model explains.
    display : Display
        Units.
    trust : Trust or None
        Of its own results; None where an early results.json does not hold it.
    """

    name: str
    source: Literal["session", "results.json"]
    vehicle: Vehicle | None
    masses: Vehicle
    air: AirState
    altitude_m: float | None
    site: Site | None
    wind_mps: float
    wind_sd_mps: float
    separable: bool
    road_load: RoadLoad | None
    power: PowerCurve | None
    runs_up: int
    runs_down: int
    road: Road | None
    traces: tuple[Trace, ...]
    serious: int
    scatter: bool
    display: Display
    trust: Trust | None = None

    @property
    def runs(self) -> int:
        """Used runs."""
        return self.runs_up + self.runs_down


def side_of(name: str, outcome: Analysis) -> Side:
    """Take one side out of a fresh analysis.

    Parameters
    ----------
    name : str
        What to call it.
    outcome : Analysis
        With a road load of its own, or none.

    Returns
    -------
    Side
        With its road, and what its recordings are compared by.
    """
    session = outcome.session
    ways = [run.direction for run in outcome.used_runs]
    return Side(
        name=name,
        source="session",
        vehicle=session.vehicle,
        masses=session.vehicle,
        air=outcome.air,
        altitude_m=None if session.air is None else session.air.altitude_m,
        site=session.site,
        wind_mps=outcome.site.wind_mps,
        wind_sd_mps=outcome.site.wind_sd_mps,
        separable=outcome.site.separable,
        road_load=outcome.road_load,
        power=outcome.power,
        runs_up=sum(way != -1 for way in ways),
        runs_down=ways.count(-1),
        road=_road(outcome),
        traces=tuple(trace_of(recording) for recording in outcome.recordings),
        serious=sum(finding.severity != "note" for finding in outcome.findings),
        scatter=any(finding.kind == "runs_scatter" for finding in outcome.findings),
        display=session.display,
        trust=outcome.verdict.trust,
    )


def _road(outcome: Analysis) -> Road | None:
    """Return the straight line that the used runs follow, pointing "up"."""
    origin: tuple[float, float] | None = None
    tracks, ways = [], []
    for run in outcome.used_runs:
        recording = outcome.recordings[run.log]
        t_s, place = flat_positions_m(recording)
        inside = (t_s >= run.start_s) & (t_s <= run.end_s)
        if int(inside.sum()) < 4:
            continue
        first = _first_position(recording)
        origin = origin or first
        track = place[inside] + _metres(origin, first)
        tracks.append(track)
        ways.append((run.direction or 1) * (track[-1] - track[0]))
    if not tracks or origin is None:
        return None
    every = np.concatenate(tracks)
    centre = every.mean(axis=0)
    _, _, axes = np.linalg.svd(every - centre, full_matrices=False)
    axis = axes[0] if np.sum(ways, axis=0) @ axes[0] >= 0 else -axes[0]
    along = (every - centre) @ axis
    if float(np.ptp(along)) < _LEAST_ROAD_M:
        return None
    middle = centre + 0.5 * (along.min() + along.max()) * axis
    latitude = origin[0] + math.degrees(middle[1] / EARTH_RADIUS_M)
    longitude = origin[1] + math.degrees(
        middle[0] / EARTH_RADIUS_M / math.cos(math.radians(origin[0]))
    )
    return Road(
        latitude_deg=latitude, longitude_deg=longitude, up=axis, length_m=float(np.ptp(along))
    )


def _first_position(recording: Recording) -> tuple[float, float]:
    """Return latitude and longitude [deg] of the first position."""
    latitude, longitude = recording.channel("latitude_deg"), recording.channel("longitude_deg")
    assert latitude is not None  # there were positions
    assert longitude is not None
    both, at_lat, at_lon = np.intersect1d(latitude.t_s, longitude.t_s, return_indices=True)
    assert both.size
    return float(latitude.values[at_lat[0]]), float(longitude.values[at_lon[0]])


def _metres(origin: tuple[float, float], point: tuple[float, float]) -> _Array:
    """Return where a point lies from the origin, east and north [m]; the short way round."""
    turn = (point[1] - origin[1] + 180.0) % 360.0 - 180.0
    return EARTH_RADIUS_M * np.radians(
        [turn * math.cos(math.radians(origin[0])), point[0] - origin[0]]
    )


def same_road(first: Road | None, other: Road | None) -> int | None:
    """Return whether two sessions were driven on one road.

    Parameters
    ----------
    first, other : Road or None
        None where positions are missing.

    Returns
    -------
    int or None
        +1 on one road with the same "up", -1 with the opposite one, 0 on different roads, None
        where that is not known.
    """
    if first is None or other is None:
        return None
    cosine = float(first.up @ other.up)
    away = _metres(
        (first.latitude_deg, first.longitude_deg), (other.latitude_deg, other.longitude_deg)
    )
    along = float(away @ first.up)
    aside = abs(float(away @ np.array([-first.up[1], first.up[0]])))
    half, other_half = 0.5 * first.length_m, 0.5 * other.length_m
    shared = min(half, along + other_half) - max(-half, along - other_half)
    if (
        abs(cosine) < math.cos(_SAME_ANGLE_RAD)
        or aside > _SAME_ASIDE_M
        or shared < _SAME_SHARE * min(first.length_m, other.length_m)
    ):
        return 0
    return 1 if cosine > 0 else -1
