"""Coast-downs share one curve of speed; traffic, gears and the brake follow none.

The speeds are integrals of dv/dt = -(c0 + c2 v^2) with a car's figures (0.11 m/s2 and 0.4/1400 1/m:
common practice, no source), made here and not by the project.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from make_fused import fused_of

from analysis.runs.judging.shared_curve import apart_from_shared_curve
from analysis.runs.run import Phase, Run
from logger.arrays import Array
from logger.session.session import LogEntry, Session, Vehicle

_CAR = Vehicle(mass_kg=1400.0, mass_sd_kg=10.0, rotating_mass_kg=40.0, rotating_mass_sd_kg=5.0)
_SESSION = Session(path=Path(), name="made", vehicle=_CAR, logs=(LogEntry(files=()),))
_TIME = np.arange(0.0, 60.0, 0.1)


def _coast(start_mps: float, extra_mps2: Array | float = 0.0) -> Array:
    """Return the speed of a coast-down that something else slows by `extra_mps2` besides."""
    more = np.broadcast_to(np.asarray(extra_mps2, dtype=np.float64), _TIME.shape)
    speed = [start_mps]
    for slowing in more[:-1]:
        speed.append(max(speed[-1] - 0.1 * (0.11 + 0.4 / 1400 * speed[-1] ** 2 + slowing), 2.0))
    return np.array(speed)


def _apart(*speeds: Array, vouched: tuple[int, ...] = ()) -> dict[int, str]:
    """Judge coast-downs, each in a log of its own and without a pull."""
    runs, fused = [], []
    for number, speed in enumerate(speeds):
        last = int(np.argmax(speed < 3.0)) or speed.size - 1
        phase = Phase(
            kind="coast",
            start_s=0.0,
            end_s=float(_TIME[last]),
            from_mps=float(speed[0]),
            to_mps=float(speed[last]),
        )
        runs.append(Run(log=number, number=number, direction=1, phases=(phase,)))
        fused.append(fused_of(_TIME, speed))
    session = replace(_SESSION, logs=(LogEntry(files=()),) * len(speeds))
    return apart_from_shared_curve(runs, fused, session, vouched)


def test_coast_downs_from_several_speeds_share_one_curve() -> None:
    assert _apart(_coast(30.0), _coast(25.0), _coast(18.0)) == {}


def test_one_slowing_in_gear_among_coast_downs_is_set_aside() -> None:
    """Engine braking adds some 0.4 m/s2 in a middle gear: common practice, no source."""
    apart = _apart(_coast(30.0), _coast(27.0), _coast(25.0), _coast(28.0, 0.4))
    assert list(apart) == [3]
    assert "gear or the brake" in apart[3]


def test_slowings_in_traffic_share_no_curve_and_none_counts() -> None:
    rng = np.random.default_rng(1)
    drives = [_coast(28.0, np.repeat(rng.uniform(-0.1, 0.7, 12), 50)) for _ in range(4)]
    apart = _apart(*drives)
    assert sorted(apart) == [0, 1, 2, 3]
    assert any("neutral = true" in why or "traffic" in why for why in apart.values())


def test_logs_whose_driver_vouches_are_never_set_aside() -> None:
    assert _apart(_coast(28.0, 0.5), _coast(28.0, 0.5), vouched=(0, 1)) == {}


def test_a_single_short_slowing_needs_support_and_a_long_one_does_not() -> None:
    short = np.concatenate([np.full(300, 19.0), np.linspace(19.0, 14.0, 200), np.full(100, 14.0)])
    phase = Phase(kind="coast", start_s=30.0, end_s=50.0, from_mps=19.0, to_mps=14.0)
    runs = [Run(log=0, number=0, direction=1, phases=(phase,))]
    apart = apart_from_shared_curve(runs, [fused_of(_TIME, short)], _SESSION)
    assert "single slowing" in apart[0]
    assert _apart(_coast(28.0)) == {}
