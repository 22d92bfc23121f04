"""What one run gives the session model: bins, forces and fixes of an exact path."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.fixes import Fixes
from analysis.fuse import Fused, SpeedCurve
from analysis.lag import LagFit
from analysis.model_data import COAST, FREE, run_data
from analysis.mount import Mount
from analysis.road import RunPlace
from analysis.runs import Phase, Run


def _driven(rate_hz: float = 50.0) -> tuple[Fused, Run]:
    """A run on an exact path: stands until 3 s, 2.5 m/s2 to 8 s, 2.0 m/s2 from 8.6 s to 14 s, coasts."""
    t = np.arange(0.0, 60.0, 1.0 / rate_hz)
    accel = np.select(
        [t < 3.0, t < 8.0, t < 8.6, t < 14.0, t < 14.8], [0.0, 2.5, -0.3, 2.0, -0.4], -0.35
    )
    speed = np.concatenate([[0.0], np.cumsum(0.5 * (accel[1:] + accel[:-1]) / rate_hz)])
    curve = SpeedCurve(
        0, t, speed, np.full(t.size, 0.1), accel, np.full(t.size, 0.1), np.cumsum(speed) / rate_hz
    )
    fixes = Fixes(np.arange(0.4, 60.0) + 0.7, np.interp(np.arange(0.4, 60.0), t, speed), 0, False)
    mount = Mount(t, accel, 0.0 * t, True, None, LagFit(0.7, 0.05, np.ones(2), 0.9), rate_hz)
    phases = (
        Phase("stand", 0.0, 3.0, 0.0, 0.0),
        Phase("pull", 3.0, 14.0, 0.0, 23.0, gear_pieces_s=((3.3, 7.85), (8.75, 13.7))),
        Phase("coast", 15.2, 55.0, 22.0, 8.0),
    )
    return Fused(curve, fixes, mount, 0.7, 0.05, 0.05), Run(0, 0, 1, phases)


def test_bins_never_straddle_a_gear_change_or_the_release() -> None:
    fused, run = _driven()
    data = run_data(run, fused, RunPlace(np.zeros(0), np.zeros(0)), (0, 1))
    assert data is not None
    for border_s in (3.3, 7.85, 8.75, 13.7, 15.2, 55.0):
        assert np.min(np.abs(data.edge_s - border_s)) < 1e-9, border_s
    middle_s = 0.5 * (data.edge_s[1:] + data.edge_s[:-1])
    for code, spans in {
        0: [(3.3, 7.85)],
        1: [(8.75, 13.7)],
        COAST: [(15.2, 55.0)],
        FREE: [(2.0, 3.3), (7.85, 8.75), (13.7, 15.2)],
    }.items():
        inside = np.logical_or.reduce([(middle_s > a) & (middle_s < b) for a, b in spans])
        assert np.array_equal(data.drive == code, inside), code


def test_bin_forces_are_the_means_of_the_samples() -> None:
    fused, run = _driven()
    data = run_data(run, fused, RunPlace(np.zeros(0), np.zeros(0)), (0, 1))
    assert data is not None
    # constant force inside the pieces; the trapezium rule is exact there
    np.testing.assert_allclose(data.force_mps2[data.drive == 0], 2.5, atol=1e-9)
    np.testing.assert_allclose(data.force_mps2[data.drive == 1], 2.0, atol=1e-9)
    np.testing.assert_allclose(data.force_mps2[data.drive == COAST], -0.35, atol=1e-9)


def test_bins_in_a_hole_of_the_accelerometer_have_no_force() -> None:
    fused, run = _driven()
    keep = (fused.mount.accel_time_s < 30.0) | (fused.mount.accel_time_s > 32.0)
    mount = replace(
        fused.mount,
        accel_time_s=fused.mount.accel_time_s[keep],
        forward_mps2=fused.mount.forward_mps2[keep],
        lateral_mps2=fused.mount.lateral_mps2[keep],
    )
    data = run_data(run, replace(fused, mount=mount), RunPlace(np.zeros(0), np.zeros(0)), (0, 1))
    assert data is not None
    touches = (data.edge_s[:-1] < 32.0) & (data.edge_s[1:] > 30.0)
    assert np.array_equal(np.isnan(data.force_mps2), touches)


def test_with_an_accelerometer_a_run_begins_at_rest() -> None:
    """What is integrated from rest is the speed at the first drive, whatever the fixes say."""
    fused, run = _driven()
    nowhere = RunPlace(np.zeros(0), np.zeros(0))
    data = run_data(run, fused, nowhere, (0, 1))
    assert data is not None
    assert data.from_rest
    assert data.edge_s[0] == pytest.approx(2.0)
    launch = data.edge_s[:-1] < 3.3 - 1e-9
    gained_mps = float(np.sum((data.force_mps2 * np.diff(data.edge_s))[launch]))
    assert gained_mps == pytest.approx(2.5 * 0.3, abs=0.03)  # within a sample of 0.02 s

    rolling = replace(run, phases=run.phases[1:])
    slow = replace(run, phases=(replace(run.phases[0], start_s=-3.0, end_s=-1.0), *run.phases[1:]))
    keep = (fused.mount.accel_time_s < 2.5) | (fused.mount.accel_time_s > 2.9)
    holed = replace(
        fused.mount,
        accel_time_s=fused.mount.accel_time_s[keep],
        forward_mps2=fused.mount.forward_mps2[keep],
        lateral_mps2=fused.mount.lateral_mps2[keep],
    )
    without = replace(fused, mount=replace(fused.mount, used=False, why_not="none"))
    for other_run, other in (
        (rolling, fused),
        (slow, fused),
        (run, replace(fused, mount=holed)),
        (run, without),
    ):
        data = run_data(other_run, other, nowhere, (0, 1))
        assert data is not None
        assert not data.from_rest
        assert data.edge_s[0] == pytest.approx(3.3)


def test_fixes_held_at_zero_after_standstill_are_left_out() -> None:
    """Receivers leave zero 1 to 3 s late after a stop, then overshoot (measured recordings of phones)."""
    fused, run = _driven()
    data = run_data(run, fused, RunPlace(np.zeros(0), np.zeros(0)), (0, 1))
    assert data is not None
    assert data.fix_s.size > 40
    assert np.all(data.fix_s - fused.lag_s >= 3.0 + 4.5)
    assert np.all(data.fix_s - fused.lag_s <= 55.0)


def test_a_run_with_nothing_used_gives_no_data() -> None:
    fused, run = _driven()
    unused = replace(run, phases=tuple(replace(phase, used=False) for phase in run.phases))
    nowhere = RunPlace(np.zeros(0), np.zeros(0))
    assert run_data(unused, fused, nowhere, ()) is None
    assert run_data(run, replace(fused, curve=None), nowhere, (0, 1)) is None
