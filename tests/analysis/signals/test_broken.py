"""Speeds that stand still, stop at a ceiling or jump with the clock are doubted; sound ones are not.

All speeds and places are arithmetic; the receiver's noise is normal with 0.05 m/s.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.signals.broken import doubt_broken
from logger.recording import Channel, Clock, Recording

Array = NDArray[np.float64]
_T = np.arange(0.0, 120.0)
#: Pulls to 40 m/s in 20 s, then rolls: loses 0.3 m/s in a second.
_SPEED = np.where(_T < 20.0, 2.0 * _T, 40.0 - 0.3 * (_T - 20.0))
_PLACE = np.cumsum(_SPEED)
_NOISE = 0.05 * np.random.default_rng(5).standard_normal(_T.size)


def made(t_s: Array, speed_mps: Array, place_m: Array) -> Recording:
    return Recording(
        channels=tuple(
            Channel(
                name=name,
                t_s=t_s,
                values=values,
                suspect=np.zeros(t_s.size, dtype=bool),
            )
            for name, values in (("speed_mps", speed_mps), ("place_m", place_m))
        ),
        clocks=(Clock(kind="elapsed", epoch_s=None, described="made"),),
    )


def doubted(recording: Recording) -> NDArray[np.intp]:
    speed = recording.channel("speed_mps")
    assert speed is not None
    return np.flatnonzero(speed.suspect)


@pytest.mark.parametrize("digit", [0.01, 0.1, 1 / 3.6])
def test_sound_speeds_of_any_resolution_stay(digit: float) -> None:
    speed = np.round((_SPEED + _NOISE) / digit) * digit
    found, findings = doubt_broken(made(_T, speed, _PLACE))
    assert findings == ()
    assert doubted(found).size == 0


@pytest.mark.parametrize("first", [8, 60])
def test_eight_equal_speeds_with_a_jump_after_them(first: int) -> None:
    speed = _SPEED + _NOISE
    speed[first : first + 8] = speed[first]
    found, (finding,) = doubt_broken(made(_T, speed, _PLACE), 3)
    # the first one was measured
    assert doubted(found).tolist() == list(range(first + 1, first + 8))
    assert (finding.kind, finding.log, finding.time_s) == ("speed_frozen", 3, first)
    assert f"8 times from {first} to {first + 7} s" in finding.text


def test_a_steady_speed_is_no_freeze() -> None:
    """Whole km/h at 130 km/h, held for a minute and left as slowly as cars do."""
    speed = np.interp(_T, [0.0, 30.0, 90.0, 119.0], [0.0, 36.11, 36.11, 20.0])
    whole = np.round(3.6 * speed) / 3.6
    assert doubt_broken(made(_T, whole, np.cumsum(speed)))[1] == ()


def test_a_flat_top_is_a_ceiling() -> None:
    speed = np.minimum(_SPEED + _NOISE, 35.0)
    found, (finding,) = doubt_broken(made(_T, speed, _PLACE))
    assert finding.kind == "speed_ceiling"
    assert "126.0 km/h" in finding.text
    assert doubted(found).size > 10


@pytest.mark.parametrize("jump_s", [2.0, 5.0])
def test_a_step_of_the_clock_shows_in_the_positions(jump_s: float) -> None:
    later = _T + np.where(_T > 10.0, jump_s, 0.0)
    found, (finding,) = doubt_broken(made(later, _SPEED + _NOISE, _PLACE))
    assert (finding.kind, finding.time_s) == ("clock_step", 10.0)
    gone = later[doubted(found)]
    assert gone.min() <= 10.0
    assert gone.max() >= 11.0 + jump_s
    left = np.delete(later, doubted(found))
    assert np.diff(left).max() > 3.5


def test_a_hole_that_was_driven_through_is_no_step_of_the_clock() -> None:
    keep = (_T < 10.0) | (_T > 13.0)
    assert doubt_broken(made(_T[keep], (_SPEED + _NOISE)[keep], _PLACE[keep]))[1] == ()
