"""Protects: what was driven in bends does not count, and straight roads lose nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_sessions import Simulated, simulated

from analysis.pipeline import Analysis, analyse
from analysis.runs.bends import sideways
from analysis.signals.smoothing import fuse
from logger.recording import Recording

_EARTH_M = 6371008.8  # mean radius, IUGG


def _laid_along_an_arc(made: Recording, first: Recording, radius_m: float) -> Recording:
    """Lay a straight road so that what lies from 400 to 700 m of it follows an arc."""
    origin = [first.channel(f"{name}_deg") for name in ("latitude", "longitude")]
    here = [made.channel(f"{name}_deg") for name in ("latitude", "longitude")]
    assert all(channel is not None for channel in (*origin, *here))
    lat0, lon0 = (float(channel.values[0]) for channel in origin if channel is not None)
    lat, lon = (channel.values for channel in here if channel is not None)
    far = [float(channel.values[-1]) for channel in origin if channel is not None]
    stretch = np.cos(np.radians(lat0))
    north, east = np.radians(lat - lat0) * _EARTH_M, np.radians(lon - lon0) * _EARTH_M * stretch
    way = np.array([far[0] - lat0, (far[1] - lon0) * stretch])
    way /= np.hypot(*way)
    along, across = north * way[0] + east * way[1], east * way[0] - north * way[1]
    turned = np.clip(along - 400.0, 0.0, 300.0) / radius_m
    before, after = np.minimum(along, 400.0), np.maximum(along - 700.0, 0.0)
    x = before + radius_m * np.sin(turned) + after * np.cos(turned) - across * np.sin(turned)
    y = radius_m * (1.0 - np.cos(turned)) + after * np.sin(turned) + across * np.cos(turned)
    new_north, new_east = x * way[0] - y * way[1], x * way[1] + y * way[0]
    swapped = {
        "latitude_deg": lat0 + np.degrees(new_north / _EARTH_M),
        "longitude_deg": lon0 + np.degrees(new_east / _EARTH_M / stretch),
    }
    channels = tuple(
        replace(channel, values=swapped[channel.name]) if channel.name in swapped else channel
        for channel in made.channels
        if channel.name != "heading_deg"
    )
    return replace(made, channels=channels)


def _on_an_arc(made: Simulated, radius_m: float) -> tuple[Recording, ...]:
    return tuple(_laid_along_an_arc(one, made.recordings[0], radius_m) for one in made.recordings)


def _cut(outcome: Analysis) -> list[str]:
    return [
        finding.text
        for finding in outcome.findings
        if "bend" in finding.text and finding.kind != "road_bends"
    ]


def test_a_straight_road_loses_nothing_to_bends() -> None:
    made = simulated(11, pairs=1, phone="rough")
    assert not _cut(analyse(made.session, made.recordings))


def test_the_acceleration_to_the_side_is_speed_squared_over_radius() -> None:
    """Textbook kinematics: v^2 / r on a circle."""
    made = simulated(11, pairs=1)
    recording = _on_an_arc(made, 300.0)[0]
    one, _ = fuse(recording, 0)
    found = sideways(recording, one)
    assert found is not None
    assert one.curve is not None
    time_s, side = found
    speed = np.interp(time_s, one.curve.time_s, one.curve.speed_mps)
    place_m = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(time_s))])
    # well inside the arc; the start's own place is known to some metres only
    inside = (place_m > 500.0) & (place_m < 600.0)
    assert inside.sum() >= 4
    # fixes scatter by about a metre: 0.3 m/s2 in a second difference over 3 s
    assert float(np.mean(np.abs(side[inside]))) == pytest.approx(
        float(np.mean(speed[inside] ** 2)) / 300.0, abs=0.3
    )


def test_a_bend_is_cut_out_and_said() -> None:
    """300 m of radius at 15 to 30 m/s is 0.8 to 3 m/s2 to the side."""
    made = simulated(11, pairs=1)
    straight = analyse(made.session, made.recordings)
    bent = analyse(made.session, _on_an_arc(made, 300.0))
    assert len(_cut(bent)) >= 2
    kept = [
        sum(p.end_s - p.start_s for run in one.runs for p in run.phases if p.used)
        for one in (straight, bent)
    ]
    assert kept[1] < kept[0]
    others = [p for run in bent.runs for p in run.phases if p.kind == "other"]
    left_out = [p for run in bent.runs for p in run.phases if not p.used and p.why_not]
    assert any("bend" in (p.why_not or "") for p in (*others, *left_out))


def test_what_the_tyres_hold_with_ease_stays() -> None:
    """5 km of radius at 30 m/s is 0.18 m/s2, which slows by 0.0003 m/s2."""
    made = simulated(11, pairs=1)
    assert not _cut(analyse(made.session, _on_an_arc(made, 5000.0)))
