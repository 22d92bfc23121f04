"""What positions say of the speeds, and of whether both directions were driven on one road."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.runs.road import RunPlace
from analysis.runs.run import Run
from analysis.signals.gps import EARTH_RADIUS_M
from analysis.signals.smoothing import Fused
from logger.arrays import Array
from logger.findings import Finding
from logger.recording import Recording

__all__ = ["as_one_way", "check_positions", "distance_ratio"]

#: Legs between positions are at least this long [m]: shorter ones are lengthened by noise, longer ones
#: cut bends. A log needs so much of them [m].
_LEG_M, _LEAST_M = 100.0, 600.0
#: Over sound logs distances by speed and by positions agree within 0.2 % (sd over 18 logs, one table
#: of recordings); more than the first is named, more than the second is not to be relied on.
_NAMED, _FAR = 0.01, 0.03
_LEAST_SPEED_MPS, _LONGEST_STEP_S = 3.0, 3.0
#: Places of two runs are shared within this distance [m]: both sides of a wide road, and the receivers.
_SHARED_M = 50.0
#: Both directions count as one road where at least this share of the places is shared.
_LEAST_SHARED = 0.3


def check_positions(
    recordings: Sequence[Recording], fused: Sequence[Fused], runs: Sequence[Run]
) -> tuple[Finding, ...]:
    """Report speeds that are not those of the positions, and directions driven on different roads.

    Parameters
    ----------
    recordings, fused : sequences, one per log
        Positions and speeds.
    runs : sequence of Run
        With their directions; those of which something is used count.
    """
    findings = []
    for log, (recording, one) in enumerate(zip(recordings, fused, strict=True)):
        found = distance_ratio(recording, one)
        if found is not None:
            ratio, sd = found
            if abs(ratio - 1.0) > _NAMED + 2.0 * sd:
                findings.append(_speed_finding(ratio, log))
    shared = _shared_places(recordings, [run for run in runs if run.used])
    if shared is not None and shared < _LEAST_SHARED:
        up, down = (
            ", ".join(
                str(run.number + 1) for run in runs if run.used and (run.direction or 1) == way
            )
            for way in (1, -1)
        )
        text = (
            f"The runs up ({up}) and down ({down}) were driven on different roads: {100 * shared:.0f} % of the "
            f"places of one direction lie within {_SHARED_M:.0f} m of those of the other, so that slope and wind "
            "of one say nothing of the other. Each is judged as one direction alone, which widens the "
            "intervals. Drive both ways on one road."
        )
        findings.append(Finding(kind="roads_differ", severity="warning", text=text))
    return tuple(findings)


def as_one_way(
    runs: Sequence[Run], places: Sequence[RunPlace], findings: Sequence[Finding]
) -> tuple[tuple[Run, ...], tuple[RunPlace, ...]]:
    """Return runs and places as they may be used together: runs of different roads as of one direction.

    Slope and wind of two roads do not change sign from one to the other. With one direction for all, what
    is not known of them stays in the intervals, and no place is shared.
    """
    if not any(finding.kind == "roads_differ" for finding in findings):
        return tuple(runs), tuple(places)
    nowhere = RunPlace(t_s=np.zeros(0), place_m=np.zeros(0))
    return tuple(replace(run, direction=1) for run in runs), (nowhere,) * len(places)


def _speed_finding(ratio: float, log: int) -> Finding:
    far = abs(ratio - 1.0) > _FAR
    off = 100.0 * (ratio - 1.0)
    text = (
        f"The distance by the speeds is {abs(off):.1f} % {'longer' if off > 0 else 'shorter'} than that "
        f"between the positions. Power is then off by {2 * abs(off):.0f} %, the road load by "
        f"{abs(off):.0f} % or more. Are the speeds of the wheels or of a display, and not of the receiver, "
        "or does a clock run fast? Where the positions are right, settle it in [log.columns]: "
        f"speed_mps = {{scale = {1.0 / ratio:.4f}}}."
    )
    kind = "speed_far_from_positions" if far else "speed_off_positions"
    return Finding(kind=kind, severity="warning", text=text, log=log)


def distance_ratio(recording: Recording, fused: Fused) -> tuple[float, float] | None:
    """Return distance by speed over distance by positions and its sd; None where not enough is known.

    Parameters
    ----------
    recording : Recording
        With positions and a speed of their own.
    fused : Fused
        Its speed fixes, on the clock of the positions.
    """
    found = _positions(recording, None)
    if found is None or fused.fixes.from_positions or fused.fixes.t_s.size < 4:
        return None
    t_s, place_m, clock = found
    if clock != fused.fixes.clock:
        return None
    fix_s, speed = fused.fixes.t_s, fused.fixes.speed_mps
    step_s = np.diff(fix_s)
    path = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * step_s)])
    # no leg leads through a hole of the fixes or a stop
    broken = np.concatenate([[0], np.cumsum(step_s > _LONGEST_STEP_S)])
    inside = (
        (t_s >= fix_s[0]) & (t_s <= fix_s[-1]) & (np.interp(t_s, fix_s, speed) > _LEAST_SPEED_MPS)
    )
    t_s, place_m = t_s[inside], place_m[inside]
    if t_s.size < 4:
        return None
    along, holes = np.interp(t_s, fix_s, path), np.interp(t_s, fix_s, broken)
    by_speed, by_places, start = [], [], 0
    for end in range(1, t_s.size):
        if holes[end] != holes[start] or t_s[end] - t_s[end - 1] > _LONGEST_STEP_S:
            start = end
            continue
        length = float(np.hypot(*(place_m[end] - place_m[start])))
        if length >= _LEG_M:
            by_places.append(length)
            by_speed.append(float(along[end] - along[start]))
            start = end
    total = float(np.sum(by_places))
    if total < _LEAST_M:
        return None
    ratio = float(np.sum(by_speed)) / total
    away = np.array(by_speed) / np.array(by_places) - ratio
    return ratio, float(np.std(away) / np.sqrt(len(by_places)))


def _positions(
    recording: Recording, origin: tuple[float, float] | None
) -> tuple[Array, Array, int] | None:
    """Return times [s], metres east and north of the origin, and the clock; None without positions."""
    latitude, longitude = recording.channel("latitude_deg"), recording.channel("longitude_deg")
    if latitude is None or longitude is None or latitude.t_s.size < 4:
        return None
    if not np.array_equal(latitude.t_s, longitude.t_s):
        return None
    good = ~(latitude.suspect | longitude.suspect)
    north0, east0 = origin or (float(latitude.values[0]), float(longitude.values[0]))
    turn = (longitude.values[good] - east0 + 180.0) % 360.0 - 180.0
    flat = np.column_stack([turn * np.cos(np.radians(north0)), latitude.values[good] - north0])
    return latitude.t_s[good], np.radians(flat) * EARTH_RADIUS_M, latitude.clock


def _shared_places(recordings: Sequence[Recording], runs: Sequence[Run]) -> float | None:
    """Return which share of the places of the rarer direction the other one shares; None if unknown."""
    origin: tuple[float, float] | None = None
    ways: dict[int, list[Array]] = {1: [], -1: []}
    for run in runs:
        recording = recordings[run.log]
        if origin is None and (found := recording.channel("latitude_deg")) is not None:
            east = recording.channel("longitude_deg")
            if east is not None and found.values.size:
                origin = float(found.values[0]), float(east.values[0])
        places = _positions(recording, origin)
        if places is None:
            return None
        inside = (places[0] >= run.start_s) & (places[0] <= run.end_s)
        ways[run.direction or 1].append(places[1][inside])
    if not ways[1] or not ways[-1]:
        return None
    one, other = sorted((np.concatenate(tracks) for tracks in ways.values()), key=len)
    if len(one) < 4:
        return None
    near = 0
    for point in one:
        # fixes lie up to some 35 m apart along the road: half of it adds to the distance
        near += bool((np.hypot(*(other - point).T) < _SHARED_M + 20.0).any())
    return near / len(one)
