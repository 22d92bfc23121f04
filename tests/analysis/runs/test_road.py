"""Where each run was and which way it went: positions first, then headings, then what the user says."""

from __future__ import annotations

import numpy as np
import pytest
from make_sessions import Direction, simulated
from numpy.typing import NDArray

from analysis.runs.phases import find_runs
from analysis.runs.road import RunPlace, place_runs
from analysis.runs.run import Phase, Run
from analysis.signals.gps import Fixes
from analysis.signals.mount import Mount
from analysis.signals.smoothing import Fused, fuse
from logger.findings import Finding
from logger.recording import Channel, Clock, Recording
from logger.session.session import LogEntry

Array = NDArray[np.float64]
#: Radius of the sphere on which the made-up roads lie [m]: mean Earth radius, IUGG.
_RADIUS_M = 6371008.8
_T = np.linspace(0.0, 60.0, 61)


def _run(log: int) -> Run:
    return Run(
        log=log,
        number=log,
        direction=None,
        phases=(Phase(kind="coast", start_s=0.0, end_s=60.0, from_mps=30.0, to_mps=10.0),),
    )


def _recording(
    east_m: Array | None = None,
    north_m: Array | None = None,
    heading_deg: Array | None = None,
    origin: tuple[float, float] = (48.0, 11.0),
) -> Recording:
    channels = []
    if east_m is not None and north_m is not None:
        latitude = origin[0] + np.degrees(north_m / _RADIUS_M)
        longitude = origin[1] + np.degrees(east_m / (_RADIUS_M * np.cos(np.radians(origin[0]))))
        longitude = (longitude + 180.0) % 360.0 - 180.0
        channels += [
            Channel(name="latitude_deg", t_s=_T, values=latitude),
            Channel(name="longitude_deg", t_s=_T, values=longitude),
        ]
    if heading_deg is not None:
        channels.append(Channel(name="heading_deg", t_s=_T, values=heading_deg))
    return Recording(
        channels=tuple(channels), clocks=(Clock(kind="elapsed", epoch_s=None, described="made"),)
    )


def _place(
    recordings: list[Recording], stated: list[Direction | None] | None = None
) -> tuple[tuple[Run, ...], tuple[RunPlace, ...], tuple[Finding, ...]]:
    stated = stated or [None] * len(recordings)
    nothing = np.zeros(0)
    mount = Mount(
        accel_time_s=nothing,
        forward_mps2=nothing,
        lateral_mps2=nothing,
        used=False,
        why_not=None,
        lag=None,
        rate_hz=None,
    )
    fused = [
        Fused(
            curve=None,
            fixes=Fixes(t_s=nothing, speed_mps=nothing, clock=0, from_positions=False),
            mount=mount,
            lag_s=0.0,
            lag_sd_s=0.0,
            fix_sd_mps=0.0,
        )
        for _ in recordings
    ]
    runs = [_run(log) for log in range(len(recordings))]
    return place_runs(
        recordings, fused, runs, [LogEntry(files=(), direction=way) for way in stated]
    )


def _straight(
    bearing_deg: float, start_m: float, length_m: float, aside_m: float = 0.0
) -> Recording:
    along = start_m + length_m * _T / 60.0
    angle = np.radians(bearing_deg)
    return _recording(
        along * np.sin(angle) + aside_m * np.cos(angle),
        along * np.cos(angle) - aside_m * np.sin(angle),
    )


@pytest.mark.parametrize("bearing_deg", [0.0, 37.0, 90.0, 180.0, 251.0])
def test_positions_give_direction_and_place(bearing_deg: float) -> None:
    recordings = [
        _straight(bearing_deg, 0.0, 1200.0),
        _straight(bearing_deg, 1150.0, -1200.0, aside_m=4.0),
        _straight(bearing_deg, 20.0, 1200.0),
    ]
    runs, places, findings = _place(recordings)
    assert [run.direction for run in runs] == [1, -1, 1]
    # flat map against sphere over 1.2 km: below 1 cm; 4 m aside does not count
    for place, start, length in zip(
        places, (0.0, 1150.0, 20.0), (1200.0, -1200.0, 1200.0), strict=True
    ):
        expected = start + length * _T / 60.0
        np.testing.assert_allclose(place.place_m, expected, atol=0.5)
        assert np.array_equal(place.t_s, _T)
    assert findings == ()


def test_what_the_user_says_decides_which_way_is_up() -> None:
    recordings = [_straight(10.0, 0.0, 1200.0), _straight(10.0, 1150.0, -1200.0)]
    runs, places, _ = _place(recordings, ["down", None])
    assert [run.direction for run in runs] == [-1, 1]
    assert places[0].place_m[-1] < places[0].place_m[0]
    assert places[1].place_m[-1] > places[1].place_m[0]


def test_a_road_over_the_date_line_is_one_road() -> None:
    along = 1200.0 * _T / 60.0 - 500.0
    nil = np.zeros(_T.size)
    recordings = [
        _recording(along, nil, origin=(-17.0, 180.0)),
        _recording(-along, nil, origin=(-17.0, -180.0)),
    ]
    runs, places, _ = _place(recordings)
    assert [run.direction for run in runs] == [1, -1]
    np.testing.assert_allclose(np.ptp(places[0].place_m), 1200.0, rtol=0.001)
    assert places[1].place_m[0] == pytest.approx(places[0].place_m[0] + 1000.0, abs=2.0)


def test_headings_do_where_positions_are_missing() -> None:
    around_north = np.where(np.arange(_T.size) % 2 == 0, 358.0, 3.0)
    recordings = [
        _recording(heading_deg=around_north),
        _recording(heading_deg=np.full(_T.size, 181.0)),
        _recording(heading_deg=np.full(_T.size, 5.0)),
    ]
    runs, places, findings = _place(recordings)
    assert [run.direction for run in runs] == [1, -1, 1]
    assert all(place.place_m.size == 0 for place in places)
    assert findings == ()


def test_stated_directions_do_where_nothing_else_tells() -> None:
    runs, _, findings = _place([_recording(), _recording()], ["up", "down"])
    assert [run.direction for run in runs] == [1, -1]
    assert findings == ()


def test_unknown_directions_are_said_and_taken_as_one() -> None:
    runs, _, findings = _place([_recording(), _recording()])
    assert [run.direction for run in runs] == [1, 1]
    assert [finding.kind for finding in findings] == ["direction_unknown"]
    assert findings[0].count == 2
    assert "direction" in findings[0].text


def test_a_phone_that_stands_has_no_place() -> None:
    jitter = 2.0 * np.sin(_T)
    _, places, _ = _place([_recording(jitter, jitter)])
    assert places[0].place_m.size == 0


def test_on_a_bend_place_is_the_length_along_the_road() -> None:
    """A quarter circle of 400 m radius and back: the same places, whichever way."""
    angle = 0.5 * np.pi * _T / 60.0
    there = _recording(400.0 * np.sin(angle), 400.0 * (1.0 - np.cos(angle)))
    back = _recording(400.0 * np.sin(angle[::-1]), 400.0 * (1.0 - np.cos(angle[::-1])))
    runs, places, findings = _place([there, back])
    assert [run.direction for run in runs] == [1, -1]
    # chords of 10 m on a radius of 400 m are 0.03 % short
    np.testing.assert_allclose(places[0].place_m, 400.0 * angle, atol=1.0)
    np.testing.assert_allclose(places[1].place_m, 400.0 * angle[::-1], atol=1.0)
    assert "road_bends" in {finding.kind for finding in findings}


@pytest.mark.parametrize("seed", [1, 2])
def test_simulated_runs_are_placed_to_the_noise_of_their_positions(seed: int) -> None:
    """Against the true path; positions wander by 2.5 m and come 0.2 to 1 s late at up to 33 m/s."""
    made = simulated(seed)
    fused = [fuse(recording, log)[0] for log, recording in enumerate(made.recordings)]
    runs = [run for log, one in enumerate(fused) for run in find_runs(one, log)]
    placed, places, _ = place_runs(made.recordings, fused, runs, made.session.logs)
    assert len(placed) == len(made.truth.runs)
    shifts = []
    for run, place, truth in zip(placed, places, made.truth.runs, strict=True):
        assert run.direction == truth.direction
        log, path = made.truth.logs[truth.log], made.truth.paths[truth.log]
        moment = place.t_s + log.path_offset_s - log.gps_lag_s
        expected = np.interp(moment, path.time_s, path.place_m)
        away = place.place_m - expected
        # slow wander of 2.5 m over a run of a minute or two
        assert np.std(away) < 6.0
        shifts.append(float(np.mean(away)))
    assert np.ptp(shifts) < 15.0
