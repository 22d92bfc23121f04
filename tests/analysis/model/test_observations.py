"""What one run gives the session model: bins, forces and fixes of an exact path."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.model.observations import COAST, FREE, RunData, run_data
from analysis.model.parameters import FORCE_BIN_S
from analysis.runs.road import RunPlace
from analysis.runs.run import Phase, Run
from analysis.signals.gps import Fixes
from analysis.signals.lag import LagFit
from analysis.signals.mount import Mount
from analysis.signals.smoothing import Fused, SpeedCurve


def _driven(rate_hz: float = 50.0) -> tuple[Fused, Run]:
    """A run on an exact path: stands until 3 s, 2.5 m/s2 to 8 s, 2.0 m/s2 from 8.6 s to 14 s, coasts."""
    t = np.arange(0.0, 60.0, 1.0 / rate_hz)
    accel = np.select(
        [t < 3.0, t < 8.0, t < 8.6, t < 14.0, t < 14.8], [0.0, 2.5, -0.3, 2.0, -0.4], -0.35
    )
    speed = np.concatenate([[0.0], np.cumsum(0.5 * (accel[1:] + accel[:-1]) / rate_hz)])
    curve = SpeedCurve(
        log=0,
        time_s=t,
        speed_mps=speed,
        speed_sd_mps=np.full(t.size, 0.1),
        accel_mps2=accel,
        accel_sd_mps2=np.full(t.size, 0.1),
        place_m=np.cumsum(speed) / rate_hz,
    )
    fixes = Fixes(
        t_s=np.arange(0.4, 60.0) + 0.7,
        speed_mps=np.interp(np.arange(0.4, 60.0), t, speed),
        clock=0,
        from_positions=False,
    )
    mount = Mount(
        accel_time_s=t,
        forward_mps2=accel,
        lateral_mps2=0.0 * t,
        used=True,
        why_not=None,
        lag=LagFit(lag_s=0.7, lag_sd_s=0.05, weights=np.ones(2), explained=0.9),
        rate_hz=rate_hz,
    )
    phases = (
        Phase(kind="stand", start_s=0.0, end_s=3.0, from_mps=0.0, to_mps=0.0),
        Phase(
            kind="pull",
            start_s=3.0,
            end_s=14.0,
            from_mps=0.0,
            to_mps=23.0,
            gear_pieces_s=((3.3, 7.85), (8.75, 13.7)),
        ),
        Phase(kind="coast", start_s=15.2, end_s=55.0, from_mps=22.0, to_mps=8.0),
    )
    return Fused(
        curve=curve, fixes=fixes, mount=mount, lag_s=0.7, lag_sd_s=0.05, fix_sd_mps=0.05
    ), Run(log=0, number=0, direction=1, phases=phases)
    return Fused(
        curve=curve, fixes=fixes, mount=mount, lag_s=0.7, lag_sd_s=0.05, fix_sd_mps=0.05
    ), Run(log=0, number=0, direction=1, phases=phases)


_NOWHERE = RunPlace(t_s=np.zeros(0), place_m=np.zeros(0))


def _cut(run: Run, fused: Fused, place: RunPlace = _NOWHERE) -> RunData:
    data = run_data(run, fused, place, (0, 1))
    assert data is not None
    return data


def _without_accel(fused: Fused) -> Fused:
    return replace(fused, mount=replace(fused.mount, used=False, why_not="none"))


def _with_fixes_of(fused: Fused, moment_s: list[float]) -> Fused:
    """Fixes of what happened at the given moments, stamped late by the lag."""
    at = np.array(moment_s)
    return replace(
        fused,
        fixes=Fixes(
            t_s=at + fused.lag_s, speed_mps=np.full(at.size, 10.0), clock=0, from_positions=False
        ),
    )


def test_bins_never_straddle_a_gear_change_or_the_release() -> None:
    fused, run = _driven()
    data = _cut(run, fused)
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
    data = _cut(run, fused)
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
    data = _cut(run, replace(fused, mount=mount))
    touches = (data.edge_s[:-1] < 32.0) & (data.edge_s[1:] > 30.0)
    assert np.array_equal(np.isnan(data.force_mps2), touches)


def test_with_an_accelerometer_a_run_begins_at_rest() -> None:
    """What is integrated from rest is the speed at the first drive, whatever the fixes say."""
    fused, run = _driven()
    data = _cut(run, fused)
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
    for other_run, other in (
        (rolling, fused),
        (slow, fused),
        (run, replace(fused, mount=holed)),
        (run, _without_accel(fused)),
    ):
        data = _cut(other_run, other)
        assert not data.from_rest
        assert data.edge_s[0] == pytest.approx(3.3)


def test_fixes_held_at_zero_after_standstill_are_left_out() -> None:
    """Receivers leave zero 1 to 3 s late after a stop, then overshoot (measured recordings of phones)."""
    fused, run = _driven()
    data = _cut(run, fused)
    assert data.fix_s.size > 40
    assert np.all(data.fix_s - fused.lag_s >= 3.0 + 4.5)
    assert np.all(data.fix_s - fused.lag_s <= 55.0)


def test_a_run_with_nothing_used_gives_no_data() -> None:
    fused, run = _driven()
    unused = replace(run, phases=tuple(replace(phase, used=False) for phase in run.phases))
    assert run_data(unused, fused, _NOWHERE, ()) is None
    assert run_data(run, replace(fused, curve=None), _NOWHERE, (0, 1)) is None


@pytest.mark.parametrize(
    ("accel", "code", "length_s"),
    [
        # a pull's bins are those that the stated vibration refers to
        (True, 0, FORCE_BIN_S),
        # a clutch is down for some 0.3 s: three bins
        (True, FREE, 0.1),
        # a coast-down is smooth: as long as from fix to fix
        (True, COAST, 1.0),
        # without accelerometer three bins from one fix to the next, at once a second
        (False, 0, 1.0 / 3.0),
        (False, FREE, 1.0 / 3.0),
        (False, COAST, 1.0),
    ],
)
def test_bins_are_as_long_as_what_is_driven_asks_for(
    accel: bool, code: int, length_s: float
) -> None:
    fused, run = _driven()
    data = _cut(run, fused if accel else _without_accel(fused))
    here = (data.drive == code) & (data.edge_s[:-1] > 3.2)  # after the launch
    # whole bins in pieces of 0.9 s and more: at most a seventh off
    assert np.diff(data.edge_s)[here] == pytest.approx(length_s, rel=0.15)


def test_a_launch_has_four_bins_a_second() -> None:
    """From rest to the first drive: the clutch takes up over about a second."""
    fused, run = _driven()
    data = _cut(run, fused)
    launch = np.diff(data.edge_s)[data.edge_s[:-1] < 3.3 - 1e-9]
    assert launch == pytest.approx(0.25, rel=0.15)


@pytest.mark.parametrize(("drive_s", "leads"), [(6.9, True), (7.1, False)])
def test_the_accelerometer_leads_from_rest_over_a_short_launch_alone(
    drive_s: float, leads: bool
) -> None:
    """Stands until 3 s. An offset of 0.1 m/s2 makes 0.4 m/s in 4 s, more than fixes are off by."""
    fused, run = _driven()
    stand, pull, coast = run.phases
    late = replace(pull, gear_pieces_s=((drive_s, 7.85), (8.75, 13.7)))
    data = _cut(replace(run, phases=(stand, late, coast)), fused)
    assert data.from_rest == leads
    assert data.edge_s[0] == pytest.approx(2.0 if leads else drive_s)


@pytest.mark.parametrize(("hole_s", "bridged"), [(0.28, True), (0.34, False)])
def test_a_hole_of_a_few_samples_is_bridged(hole_s: float, bridged: bool) -> None:
    """Phones skip some samples of the accelerometer; a gear change would be lost in a longer hole."""
    fused, run = _driven()
    for start_s in (2.5, 30.4):
        time_s = fused.mount.accel_time_s
        keep = (time_s < start_s + 1e-9) | (time_s > start_s + hole_s - 1e-9)
        mount = replace(
            fused.mount,
            accel_time_s=time_s[keep],
            forward_mps2=fused.mount.forward_mps2[keep],
            lateral_mps2=fused.mount.lateral_mps2[keep],
        )
        data = _cut(run, replace(fused, mount=mount))
        assert data.from_rest == (bridged or start_s > 3.0)
        assert bool(np.isfinite(data.force_mps2).all()) == (bridged or start_s < 3.0)


@pytest.mark.parametrize(("accel", "held_s"), [(True, 5.0), (False, 2.5)])
def test_fixes_catch_up_after_standstill(accel: bool, held_s: float) -> None:
    """Held at zero for 1 to 3 s after a stop, then catching up: without an accelerometer that leads
    from rest they are needed for the first gear and taken as soon as they hold no more."""
    fused, run = _driven()
    start_s = 3.0 + held_s
    moments = [start_s - 0.6, start_s + 0.15, start_s + 0.25, *np.arange(start_s + 1.0, 54.0)]
    fused = _with_fixes_of(fused, moments)
    data = _cut(run, fused if accel else _without_accel(fused))
    np.testing.assert_allclose(data.fix_s - data.lag_s, moments[2:])


def test_rolling_starts_hold_no_fix_back() -> None:
    """Without a stand before the pull, or with one after the coast-down, the receiver follows."""
    fused, run = _driven()
    after = Phase(kind="stand", start_s=56.0, end_s=59.0, from_mps=0.0, to_mps=0.0)
    moments = [3.3 + 0.15, 3.3 + 0.25, *np.arange(4.0, 54.0), 54.45, 54.55]
    for phases in (run.phases[1:], (*run.phases[1:], after)):
        data = _cut(replace(run, phases=phases), _with_fixes_of(fused, moments))
        # from the first bin to the last, less what the lag may be off by
        np.testing.assert_allclose(data.fix_s - data.lag_s, moments[1:-1])


def test_positions_count_from_the_first_bin_to_the_last() -> None:
    """As the receiver stamped them, late by the lag: what happened before and after is elsewhere."""
    fused, run = _driven()
    stamped = np.arange(60.0, dtype=np.float64)
    data = _cut(run, fused, RunPlace(t_s=stamped, place_m=5.0 * stamped))
    inside = (stamped - 0.7 > data.edge_s[0]) & (stamped - 0.7 < data.edge_s[-1])
    np.testing.assert_array_equal(data.place_s, stamped[inside])
    np.testing.assert_array_equal(data.place_m, 5.0 * stamped[inside])
    assert data.has_place


@pytest.mark.parametrize(("count", "known"), [(0, False), (2, False), (3, True)])
def test_a_place_needs_three_positions(count: int, known: bool) -> None:
    """Two agree with anything; of three, one that is far off is outvoted."""
    fused, run = _driven()
    stamped = np.arange(20.0, 20.0 + count, dtype=np.float64)
    assert _cut(run, fused, RunPlace(t_s=stamped, place_m=5.0 * stamped)).has_place == known


def test_pieces_that_touch_have_no_empty_bin_between_them() -> None:
    """A bin of no length would be a division by zero."""
    fused, run = _driven()
    stand, pull, coast = run.phases
    whole = replace(pull, gear_pieces_s=((3.3, 8.0), (8.0, 13.7)))
    data = _cut(replace(run, phases=(stand, whole, replace(coast, start_s=13.7))), fused)
    assert np.diff(data.edge_s).min() > 0.05
    assert set(data.drive[data.edge_s[:-1] > 3.3 - 1e-9]) == {0, 1, COAST}
