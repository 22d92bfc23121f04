"""Which speed fixes are used, and speed from positions where there is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.signals.gps import HOLE_S, flat_positions_m, speed_fixes
from logger.recording import Channel, Clock, Recording

Array = NDArray[np.float64]
#: Length of a degree of latitude and of longitude [m] on the WGS 84 ellipsoid at 0 and 60 degrees:
#: NGA.STND.0036 (semi-axes), closed forms of the two radii of curvature; from memory.
_DEGREES = {0.0: (110574.3, 111319.5), 60.0: (111412.2, 55800.0)}


def _recording(*channels: Channel) -> Recording:
    return Recording(
        channels=channels, clocks=(Clock(kind="elapsed", epoch_s=None, described="made"),)
    )


def _positions(t_s: Array, latitude: Array, longitude: Array) -> Recording:
    return _recording(
        Channel(name="latitude_deg", t_s=t_s, values=latitude),
        Channel(name="longitude_deg", t_s=t_s, values=longitude),
    )


def test_the_receivers_own_speed_wins_over_positions() -> None:
    t = np.arange(0.0, 10.0)
    positions = _positions(t, 50.0 + t * 1e-3, np.full(10, 8.0))
    own = Channel(name="speed_mps", t_s=t, values=np.full(10, 20.0))
    fixes, findings = speed_fixes(_recording(*positions.channels, own))
    assert np.all(fixes.speed_mps == 20.0)
    assert not fixes.from_positions
    assert findings == ()
    assert fixes.rate_hz == pytest.approx(1.0)


def test_suspect_fixes_are_left_out() -> None:
    t = np.arange(0.0, 10.0)
    suspect = np.zeros(10, dtype=bool)
    suspect[[2, 7]] = True
    channel = Channel(name="speed_mps", t_s=t, values=np.arange(10.0), suspect=suspect)
    fixes, _ = speed_fixes(_recording(channel))
    assert np.array_equal(fixes.t_s, np.delete(t, [2, 7]))
    assert np.array_equal(fixes.speed_mps, np.delete(np.arange(10.0), [2, 7]))


def test_all_suspect_speeds_fall_back_to_positions_and_say_so() -> None:
    """Speed 0 while the position moves is no speed."""
    t = np.arange(0.0, 10.0)
    positions = _positions(t, 50.0 + t * 25.0 / 111_200.0, np.full(10, 8.0))
    zeros = Channel(name="speed_mps", t_s=t, values=np.zeros(10), suspect=np.ones(10, dtype=bool))
    fixes, findings = speed_fixes(_recording(*positions.channels, zeros), log=2)
    assert fixes.from_positions
    np.testing.assert_allclose(fixes.speed_mps, 25.0, rtol=0.01)
    assert [finding.kind for finding in findings] == ["speed_from_positions"]
    assert findings[0].log == 2
    assert findings[0].severity == "warning"


@pytest.mark.parametrize("latitude", [0.0, 60.0])
@pytest.mark.parametrize("axis", [0, 1])
def test_metres_agree_with_the_ellipsoid(latitude: float, axis: int) -> None:
    """Sphere against ellipsoid: at most 0.6 % off, which scales distances, not receiver speeds."""
    t = np.arange(5.0)
    step = 1e-3 * t
    still = np.zeros(5)
    lat, lon = (latitude + step, still + 7.0) if axis == 0 else (latitude + still, 7.0 + step)
    _, place = flat_positions_m(_positions(t, lat, lon))
    expected = _DEGREES[latitude][axis] * step
    column = 1 if axis == 0 else 0  # east, north
    np.testing.assert_allclose(place[:, column], expected, rtol=0.006)
    np.testing.assert_allclose(place[:, 1 - column], 0.0, atol=1e-6)


def test_the_date_line_is_crossed_the_short_way() -> None:
    t = np.arange(4.0)
    lon = np.array([179.9998, 179.9999, -180.0, -179.9999])
    _, place = flat_positions_m(_positions(t, np.zeros(4), lon))
    np.testing.assert_allclose(np.diff(place[:, 0]), 1e-4 * 111_319.5, rtol=0.006)


def test_speed_from_positions_stands_at_the_middle_and_skips_holes() -> None:
    t = np.concatenate([np.arange(0.0, 10.0), np.arange(10.0 + HOLE_S, 20.0)])
    place = 5.0 * t + t**2  # 2 m/s2
    made = _positions(t, 45.0 + place / 111_194.9, np.full(t.size, 9.0))
    fixes, _ = speed_fixes(made)
    # the difference quotient of a parabola is its slope at the middle
    np.testing.assert_allclose(fixes.speed_mps, 5.0 + 2.0 * fixes.t_s, rtol=1e-4)
    across = (fixes.t_s > 9.0) & (fixes.t_s < 10.0 + HOLE_S)
    assert not across.any()


def test_doublets_give_no_wild_speed() -> None:
    """Two positions 2 ms apart, as one phone in fifty recordings writes them, are no basis of a speed."""
    t = np.sort(np.concatenate([np.arange(0.0, 10.0), [4.002]]))
    jitter = np.where(t == 4.002, 0.05 / 111_194.9, 0.0)
    made = _positions(t, 45.0 + 20.0 * t / 111_194.9 + jitter, np.full(t.size, 9.0))
    fixes, _ = speed_fixes(made)
    np.testing.assert_allclose(fixes.speed_mps, 20.0, atol=0.1)


def test_nothing_to_go_by_gives_no_fixes() -> None:
    fixes, findings = speed_fixes(_recording())
    assert fixes.t_s.size == 0
    assert fixes.rate_hz is None
    assert findings == ()
    two = _positions(np.arange(2.0), np.zeros(2), np.zeros(2))
    assert speed_fixes(two)[0].t_s.size == 0
    assert flat_positions_m(_recording())[1].shape == (0, 2)
    alone = replace(two, channels=two.channels[:1])
    assert flat_positions_m(alone)[1].shape == (0, 2)
