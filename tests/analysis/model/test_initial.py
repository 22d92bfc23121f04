"""Where the fit starts: knots over all road covered, and first values that exact runs have by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_runs import PRIOR, Problem, make_problem
from numpy.typing import NDArray

from analysis.model.initial import first_shared, first_state, slope_knots
from analysis.model.observations import COAST, FREE, RunData
from analysis.model.parameters import Layout, local_slices

Array = NDArray[np.float64]


def _placed(first_m: float, direction: int) -> RunData:
    """A run of 56.8 s that starts at 15 m/s and keeps it, from `first_m` on."""
    data = make_problem(direction=direction).data
    gone_m = 15.0 * (data.place_s - data.lag_s - data.edge_s[0])
    return replace(data, place_m=first_m + direction * gone_m)


@pytest.mark.parametrize(("first_m", "direction"), [(100.0, 1), (952.0, -1)])
def test_slope_knots_cover_the_road_and_a_little_more(first_m: float, direction: int) -> None:
    """852 m from 100 m on, 20 m to spare at each end, a knot every 60 m or nearly so."""
    knots = slope_knots([_placed(first_m, direction)])
    assert (knots[0], knots[-1]) == pytest.approx((80.0, 972.0))
    np.testing.assert_allclose(np.diff(knots), 892.0 / 15.0)


def test_slope_knots_cover_every_run() -> None:
    knots = slope_knots([_placed(0.0, 1), _placed(1700.0, -1), make_problem(place=False).data])
    assert (knots[0], knots[-1]) == pytest.approx((-20.0, 1720.0))
    assert slope_knots([make_problem(place=False).data]).size == 0


def test_the_knots_of_an_endless_road_are_limited() -> None:
    """400 pieces of 60 m, or positions that are a continent apart would fill the memory."""
    knots = slope_knots([_placed(0.0, 1), _placed(1e6, 1)])
    assert knots.size == 401
    np.testing.assert_allclose(np.diff(knots), 60.0)


def _exact(accel_mps2: Array, problem: Problem, start_mps: float) -> RunData:
    """The run along a path of the given accelerations."""
    steps = accel_mps2 * np.diff(problem.data.edge_s)
    path = start_mps + np.concatenate([[0.0], np.cumsum(steps)])
    return replace(problem.data, first_path_mps=path)


def _coasting(r0: float, r2: float, start_mps: float, bins: int = 45) -> RunData:
    """A coast-down alone, decelerations exact at the speeds in the middle of its bins of 0.8 s."""
    edge_s = 0.8 * np.arange(bins + 1.0, dtype=np.float64)
    path = [start_mps]
    for _ in range(bins):
        end = path[-1]
        for _ in range(50):
            end = path[-1] - 0.8 * (r0 + r2 * (0.5 * (path[-1] + end) / 30.0) ** 2)
        path.append(end)
    return replace(
        make_problem(place=False).data,
        edge_s=edge_s,
        drive=np.full(bins, COAST),
        first_path_mps=np.array(path),
    )


_NO_GEARS = Layout(gear_knots_mps=(), slope_knots_m=np.zeros(0), gravity_share=0.97)


def test_the_resistance_starts_where_the_coast_downs_have_it() -> None:
    runs = [_coasting(0.15, 0.42, start) for start in (33.0, 25.0)]
    shared = first_shared(runs, _NO_GEARS, PRIOR, 0.02)
    # an ordinary resistance counts for one bin of 90, and in air for a third of one
    np.testing.assert_allclose(shared[:3], [0.15, 0.0, 0.42], atol=0.003)
    assert shared[_NO_GEARS.SCALE] == 0.02
    assert (shared[_NO_GEARS.WIND], shared[_NO_GEARS.MEMORY]) == (PRIOR.mean[3], PRIOR.mean[6])


def test_few_bins_of_a_coast_down_start_near_an_ordinary_resistance() -> None:
    """As if one bin more had shown 0.12 m/s2 of rolling, and 0.3 of one 0.35 of air at 30 m/s; least
    squares by numpy."""
    run = _coasting(0.25, 0.15, 26.0, bins=5)
    speed = 0.5 * (run.first_path_mps[1:] + run.first_path_mps[:-1])
    rows = np.column_stack([np.ones(5), (speed / 30.0) ** 2])
    slows = 0.25 + 0.15 * (speed / 30.0) ** 2
    ordinary = np.diag(np.sqrt([1.0, 0.3]))
    expected = np.linalg.lstsq(
        np.concatenate([rows, ordinary]),
        np.concatenate([slows, ordinary @ np.array([0.12, 0.35])]),
        rcond=None,
    )[0]
    shared = first_shared([run], _NO_GEARS, PRIOR, 0.0)
    np.testing.assert_allclose(shared[[0, 2]], expected, rtol=1e-6)
    # of three bins nothing is taken: the prior's own means
    three = first_shared([_coasting(0.25, 0.15, 26.0, bins=3)], _NO_GEARS, PRIOR, 0.0)
    np.testing.assert_array_equal(three[:5], PRIOR.mean[:5])


def test_a_road_that_falls_does_not_start_the_fit_at_a_resistance_that_drives() -> None:
    """Rolling and air at least 0.02 m/s2 each, a fifth of a car's rolling resistance."""
    shared = first_shared([_coasting(-0.3, -0.2, 15.0)], _NO_GEARS, PRIOR, 0.0)
    assert (shared[0], shared[1], shared[2]) == (0.02, 0.0, 0.02)


def _pulling(noise_mps2: float) -> tuple[list[RunData], Layout]:
    """A coast-down of known resistance, and a pull in two gears of straight tractive curves."""
    problem = make_problem(place=False)
    drive, dt = problem.data.drive, np.diff(problem.data.edge_s)
    speed, accel = 2.0, []
    for number, (code, step) in enumerate(zip(drive.tolist(), dt.tolist(), strict=True)):
        force = {0: 3.4 - 0.06 * speed, 1: 2.6 - 0.04 * speed}.get(code, 0.0)
        here = force - 0.15 - 0.42 * (speed / 30.0) ** 2 + noise_mps2 * (-1.0) ** number
        accel.append(here if code != FREE else -0.3)
        speed = max(speed + step * accel[-1], 0.5)
    run = _exact(np.array(accel), problem, 2.0)
    return [_coasting(0.15, 0.42, 33.0), _coasting(0.15, 0.42, 30.0), run], problem.layout


@pytest.mark.parametrize("noise_mps2", [0.0, 0.5])
def test_tractive_curves_start_where_the_pulls_have_them(noise_mps2: float) -> None:
    """Acceleration and resistance together, over the speeds driven; a smooth curve, whatever the noise."""
    runs, layout = _pulling(noise_mps2)
    shared = first_shared(runs, layout, PRIOR, 0.0)
    for gear, (level, fall) in enumerate(((3.4, 0.06), (2.6, 0.04))):
        knots = layout.gear_knots_mps[gear]
        here = runs[-1].drive == gear
        speed = (0.5 * (runs[-1].first_path_mps[1:] + runs[-1].first_path_mps[:-1]))[here]
        driven = (knots > speed.min()) & (knots < speed.max())
        assert driven.sum() >= 4
        # forces at the bin's beginning, half a bin before its middle: 0.01; noise of 30 bins, smoothed
        room = 0.03 + 0.2 * noise_mps2
        np.testing.assert_allclose(
            shared[layout.gear(gear)][driven], (level - fall * knots)[driven], atol=room
        )


def test_a_run_starts_along_its_smoothed_path() -> None:
    """Speed and free accelerations of the path; the offset that most bins of the accelerometer have."""
    problem = make_problem(place=False)
    accel = np.linspace(1.0, -0.5, problem.data.drive.size)
    data = _exact(accel, problem, 4.0)
    force = 1.03 * accel + 0.4
    force[5], force[9] = 30.0, np.nan
    data = replace(data, force_mps2=force)
    state, own = first_state(data, 0.03), local_slices(data)
    assert state.local[own["start_speed"]] == 4.0
    assert state.local[own["offset"]] == pytest.approx(0.4)
    np.testing.assert_allclose(state.local[own["free"]], accel[data.drive == FREE])
    np.testing.assert_array_equal(state.path_mps, data.first_path_mps)
    np.testing.assert_array_equal(state.fix_weight, 1.0)


def test_a_fix_that_is_a_mean_counts_for_the_fixes_in_it() -> None:
    data = make_problem(accel=False, place=False).data
    count = np.arange(1.0, data.fix_s.size + 1.0, dtype=np.float64)
    state = first_state(replace(data, fix_count=count), 0.0)
    np.testing.assert_array_equal(state.fix_weight, count)
    assert "offset" not in {n for n, part in local_slices(data).items() if part.stop > part.start}
