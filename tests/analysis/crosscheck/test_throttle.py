"""Full throttle, release and blips come out of made-up throttle traces whatever the sensor does."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.crosscheck.throttle import choose_trace, find_marks
from logger.errors import ReadError
from logger.tables.scope import Scope, Trace

Array = NDArray[np.float64]

RATE_HZ = 200.0
#: When the pedal is half-way: opened, gear change (lift and again), let go; two blips.
FULL_S, LIFT_S, AGAIN_S, RELEASE_S, BLIPS_S = 3.0, 6.0, 6.7, 12.0, (20.0, 31.5)
RAMP_S = 0.1


def pedal(end_s: float = 40.0, *, blip_height: float = 0.6) -> tuple[Array, Array]:
    t = np.arange(0.0, end_s, 1.0 / RATE_HZ)
    corners = [(0.0, 0.0)]
    height = 0.0
    steps = [(FULL_S, 1.0), (LIFT_S, 0.0), (AGAIN_S, 1.0), (RELEASE_S, 0.0)]
    for at in BLIPS_S:
        steps += [(at, blip_height), (at + 0.35, 0.0)]
    for at, new in steps:
        corners += [(at - RAMP_S / 2, height), (at + RAMP_S / 2, new)]
        height = new
    corners.append((end_s, height))
    return t, np.interp(t, [c[0] for c in corners], [c[1] for c in corners])


def check(trace: Trace, tolerance_s: float) -> None:
    marks = find_marks(trace, "scope.csv")
    assert marks.full.t_s == pytest.approx(FULL_S, abs=tolerance_s)
    assert marks.release.t_s == pytest.approx(RELEASE_S, abs=tolerance_s)
    assert [edge.t_s for edge in marks.blips] == pytest.approx(BLIPS_S, abs=tolerance_s)
    assert marks.lifts == 1
    for edge in (marks.full, marks.release, *marks.blips):
        assert 0.0 < edge.sd_s < 0.1


@pytest.mark.parametrize(
    ("idle", "full", "unit"),
    [(0.5, 4.5, "V"), (4.4, 0.7, "V"), (0.0, 100.0, "%"), (100.0, 0.0, "%"), (1.31, 1.96, "V")],
)
def test_levels_offset_and_inverted_sensors(idle: float, full: float, unit: str) -> None:
    t, share = pedal()
    # one sample is 5 ms; the mean over 30 ms moves no middle of a ramp
    check(Trace(name="ch", unit=unit, t_s=t, values=idle + (full - idle) * share), 0.01)  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(5))
def test_noise_of_a_twentieth_of_the_swing(seed: int) -> None:
    t, share = pedal()
    noise = 0.05 * np.random.default_rng(seed).standard_normal(t.size)
    # the ramp's slope is 10 per s for the pull and 6 per s for blips, the noise after averaging over
    # five samples 0.022: 4 ms at one sigma, and half a sample; three sigma of 5 ms
    check(Trace(name="ch", unit="V", t_s=t, values=0.5 + 4.0 * (share + noise)), 0.015)


def test_bounces_of_the_track_are_bridged() -> None:
    t, share = pedal()
    for at in (RELEASE_S + 0.1, FULL_S + 1.0, BLIPS_S[1] + 5.0):
        bounce = (t >= at) & (t < at + 0.04)
        share[bounce] = 1.0 - np.round(share[bounce])
    check(Trace(name="ch", unit="V", t_s=t, values=0.5 + 4.0 * share), 0.01)


def test_small_blips() -> None:
    t, share = pedal(blip_height=0.25)
    check(Trace(name="ch", unit="V", t_s=t, values=0.5 + 4.0 * share), 0.01)


def test_a_record_that_begins_at_full_throttle_and_an_inverted_sensor() -> None:
    t, share = pedal()
    later = t >= 2.0
    check(Trace(name="ch", unit="V", t_s=t[later], values=4.5 - 4.0 * share[later]), 0.01)


def test_overloaded_samples_are_passed_over() -> None:
    t, share = pedal()
    values = 0.5 + 4.0 * share
    values[(t > 8.0) & (t < 8.5)] = np.nan
    check(Trace(name="ch", unit="V", t_s=t, values=values), 0.01)


def test_the_longest_pull_is_taken() -> None:
    t, share = pedal(60.0)
    share[(t > 45.0) & (t < 48.0)] = 1.0
    marks = find_marks(Trace(name="ch", unit="V", t_s=t, values=share * 4.0), "scope.csv")
    assert marks.release.t_s == pytest.approx(RELEASE_S, abs=0.01)
    assert len(marks.blips) == 2


def test_the_channel_with_a_pull_is_chosen() -> None:
    t, share = pedal()
    flat = Trace(name="CH1", unit="V", t_s=t, values=np.full(t.size, 1.2))
    throttle = Trace(name="CH2", unit="V", t_s=t, values=4.0 * share)
    assert choose_trace(Scope(path="s.csv", traces=(flat, throttle))).name == "CH2"
    with pytest.raises(ReadError, match="2 channels look like a throttle .*--channel"):
        choose_trace(Scope(path="s.csv", traces=(throttle, throttle)))
    with pytest.raises(ReadError, match="no channel looks like a throttle"):
        choose_trace(Scope(path="s.csv", traces=(flat, flat)))
    assert choose_trace(Scope(path="s.csv", traces=(flat, throttle)), "CH1").name == "CH1"


def test_what_is_no_pull_is_refused() -> None:
    t, share = pedal()
    for values, message in (
        (np.full(t.size, 2.0), "changes by 0 V only"),
        (0.5 + 4.0 * share * (t > 15.0), "holds no full throttle"),
        (np.where(t > 30.0, 4.5, 0.5), "holds no full throttle"),  # never let go
    ):
        with pytest.raises(ReadError, match=message):
            find_marks(Trace(name="ch", unit="V", t_s=t, values=values), "scope.csv")
