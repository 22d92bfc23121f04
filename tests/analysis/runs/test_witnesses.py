"""A logged throttle or engine speed speaks against a pull or a coast-down."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.runs.judging.full_throttle import why_in_gear, why_throttle_closed
from analysis.runs.run import Phase, Run
from logger.recording import Channel, Clock, Recording

_TIME = np.arange(0.0, 60.0, 1.0)
_RUN = Run(
    log=0,
    number=0,
    direction=1,
    phases=(
        Phase(kind="pull", start_s=0.0, end_s=15.0, from_mps=2.0, to_mps=30.0),
        Phase(kind="coast", start_s=16.0, end_s=59.0, from_mps=30.0, to_mps=10.0),
    ),
)
_SPEED = np.interp(_TIME, [0.0, 15.0, 59.0], [2.0, 30.0, 10.0])


def _recording(name: str, values: np.ndarray) -> Recording:
    channel = Channel(name=name, t_s=_TIME, values=values, clock=0)
    return Recording(
        channels=(channel,), clocks=(Clock(kind="elapsed", epoch_s=None, described="made"),)
    )


@pytest.mark.parametrize(("percent", "open_"), [(30.0, False), (45.0, False), (85.0, True)])
def test_a_pull_needs_an_open_throttle(percent: float, open_: bool) -> None:
    """Throttle sensors read 75 to 100 % fully open: common practice, no source."""
    values = np.where(_TIME < 15.0, percent, 14.0)
    why = why_throttle_closed(_RUN, _recording("throttle_percent", values))
    assert (why is None) == open_
    if why is not None:
        assert f"{percent:.0f} %" in why


def test_engine_speed_in_proportion_to_speed_is_a_gear() -> None:
    why = why_in_gear(_RUN, _recording("engine_speed_rpm", 100.0 * _SPEED), _TIME, _SPEED)
    assert why is not None
    assert "a gear is engaged" in why


def test_an_idling_engine_is_no_gear() -> None:
    idle = 850.0 + 10.0 * np.sin(_TIME)
    assert why_in_gear(_RUN, _recording("engine_speed_rpm", idle), _TIME, _SPEED) is None
