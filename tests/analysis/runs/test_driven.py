"""Places by the distance driven: out and back on a road that waves, with wheel speed alone."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.runs.phases import find_runs
from analysis.runs.road import place_runs
from analysis.runs.run import Run
from analysis.signals.smoothing import Fused, fuse
from logger.arrays import Array
from logger.recording import Channel, Clock, Recording
from logger.session.session import LogEntry

_STEP_S = 0.02


def _slope(place_m: Array) -> Array:
    """A waving road: 0.6 % over 300 m and 0.4 % over 130 m."""
    return 0.006 * np.sin(2 * np.pi * place_m / 300.0) + 0.004 * np.sin(2 * np.pi * place_m / 130.0)


def _out_and_back(
    runs: int, *, turns: bool = True, waves: float = 1.0, seed: int = 0
) -> tuple[Recording, Array, Array]:
    """Pull to 22 m/s, coast to 9, brake, turn, and again; true times and places every 0.02 s.

    Rolling in neutral: ``dv/dt = -(0.15 + 2.6e-4 v^2) - d g s(x)``, stepped by Euler's rule.
    """
    time, speed, place = [0.0], [0.0], [0.0]

    def go(accel: float | None, until: float, direction: int) -> None:
        while True:
            v, x = speed[-1], place[-1]
            grade = 9.81 * waves * float(_slope(np.array(x)))
            a = -(0.15 + 2.6e-4 * v * v) - direction * grade if accel is None else accel
            if (a > 0 and v >= until) or (a <= 0 and v <= until):
                return
            time.append(time[-1] + _STEP_S)
            speed.append(max(v + a * _STEP_S, 0.0))
            place.append(x + direction * v * _STEP_S)

    def stand(seconds: float) -> None:
        for _ in range(round(seconds / _STEP_S)):
            time.append(time[-1] + _STEP_S)
            speed.append(0.0)
            place.append(place[-1])

    stand(4.0)
    for number in range(runs):
        direction = 1 if number % 2 == 0 or not turns else -1
        go(2.2, 22.0, direction)
        go(None, 9.0, direction)
        go(-2.0, 0.01, direction)
        stand(6.0)
    t, v, x = (np.array(column, dtype=np.float64) for column in (time, speed, place))
    stamps = np.arange(0.0, t[-1], 1.0 / 34.0)
    # a wheel's reading: noise of 1.5 cm/s (measured on cars), steps of 0.01 km/h
    seen = np.interp(stamps, t, v)
    seen = seen + 0.015 * np.random.default_rng([71, seed]).standard_normal(seen.size) * (seen > 0)
    seen = np.maximum(np.round(seen * 360.0) / 360.0, 0.0)
    channel = Channel(name="speed_mps", t_s=stamps, values=seen)
    return (
        Recording(
            channels=(channel,), clocks=(Clock(kind="elapsed", epoch_s=None, described="made"),)
        ),
        t,
        x,
    )


def _found(made: Recording) -> tuple[Fused, tuple[Run, ...]]:
    fused, _ = fuse(made)
    return fused, find_runs(fused)


@pytest.mark.parametrize("seed", range(3))
def test_out_and_back_share_their_places(seed: int) -> None:
    made, time_s, place_m = _out_and_back(4, seed=seed)
    fused, runs = _found(made)
    assert len(runs) == 4
    placed, places, findings = place_runs([made], [fused], runs, [LogEntry(files=())])
    assert [run.direction for run in placed] == [1, -1, 1, -1]
    assert [finding.kind for finding in findings] == ["places_by_distance"]
    start = np.interp(runs[0].start_s, time_s, place_m)
    for place in places:
        assert place.t_s.size > 20
        # a wheel's noise of 1.5 cm/s adds up to centimetres; the curve smooths the brake and launch
        truth = np.interp(place.t_s, time_s, place_m) - start
        np.testing.assert_allclose(place.place_m, truth, atol=3.0)


def test_a_road_that_shows_nothing_leaves_the_directions_open() -> None:
    """On a level road, and on new road all the time, nothing says that the vehicle turned around."""
    for turns, waves in ((True, 0.0), (False, 1.0)):
        made, _, _ = _out_and_back(4, turns=turns, waves=waves)
        fused, runs = _found(made)
        placed, places, findings = place_runs([made], [fused], runs, [LogEntry(files=())])
        assert [run.direction for run in placed] == [1, 1, 1, 1]
        assert all(place.t_s.size == 0 for place in places)
        assert [finding.kind for finding in findings] == ["direction_unknown"]


def test_a_hole_hides_how_far_was_driven() -> None:
    made, _, _ = _out_and_back(2)
    (speed,) = made.channels
    keep = (speed.t_s < 30.0) | (speed.t_s > 38.0)
    holed = Channel(name="speed_mps", t_s=speed.t_s[keep], values=speed.values[keep])
    fused, runs = _found(Recording(channels=(holed,), clocks=made.clocks))
    if len(runs) > 1:
        _, places, _ = place_runs([made], [fused], runs, [LogEntry(files=())])
        assert all(place.t_s.size == 0 for place in places)
    assert fused.curve is not None
    assert np.isnan(fused.curve.speed_mps).any()
