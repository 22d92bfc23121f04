"""One run's share of the session model: prediction against an ODE solver, Jacobian against differences.

A wrong derivative would not show in a fit of good data, but in its intervals.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_runs import Problem, make_problem, settle
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from analysis.model.linearise import Linearised, linearise, step_linear
from analysis.model.observations import COAST, FREE
from analysis.model.parameters import local_slices
from logger.units import STANDARD_GRAVITY_MPS2

Array = NDArray[np.float64]


def _predict(problem: Problem, both: Array, near: Linearised | None = None) -> Linearised:
    size = problem.layout.size
    shared, local = both[:size], both[size:]
    path = settle(problem, shared, local, None if near is None else near.path_mps)
    return linearise(problem.data, problem.layout, shared, local, path, problem.gust_drag)


def _groups(problem: Problem) -> dict[str, slice]:
    layout = problem.layout
    groups = {
        "r0": slice(0, 1),
        "r1": slice(1, 2),
        "r2": slice(2, 3),
        "shared wind": slice(layout.WIND, layout.WIND + 1),
        "mean slope": slice(layout.SLOPE, layout.SLOPE + 1),
        "shared scale": slice(layout.SCALE, layout.SCALE + 1),
        "memory": slice(layout.MEMORY, layout.MEMORY + 1),
        "slope profile": layout.slope,
        "gear 0": layout.gear(0),
        "gear 1": layout.gear(1),
    }
    for name, part in local_slices(problem.data).items():
        groups[name] = slice(layout.size + part.start, layout.size + part.stop)
    return {name: part for name, part in groups.items() if part.stop > part.start}


#: Steps of the central differences: small against curvature, large against rounding. Moments of
#: fixes cross corners of the speed path when lag or memory move, so those steps are kept small.
_STEPS = {
    "memory": 1e-4, "lag": 1e-4, "lag_wander": 1e-4, "slope profile": 1e-5, "mean slope": 1e-5,
}  # fmt: skip
#: Columns looked at in each group, evenly spread: the others of a group come from the same lines.
_COLUMNS = 4


def _differences(
    problem: Problem, both: Array, column: int, step: float, near: Linearised
) -> tuple[Array, Array]:
    ends = []
    for sign in (1.0, -1.0):
        moved = both.copy()
        moved[column] += sign * step
        ends.append(_predict(problem, moved, near))
    ahead, back = ends  # a miss is measured minus predicted, hence the sign
    return (
        (back.force_miss - ahead.force_miss) / (2.0 * step),
        (back.fix_miss - ahead.fix_miss) / (2.0 * step),
    )


@pytest.mark.parametrize(
    ("accel", "place", "direction"),
    [(True, False, -1), (False, False, 1), (True, True, 1), (False, True, -1)],
)
def test_every_derivative_agrees_with_central_differences(
    accel: bool, place: bool, direction: int
) -> None:
    """Differentiates the path that agrees with its own forces, as the rounds of the fit reach it."""
    # A ripple of 0.02 %: the rows of the profile do not depend on its size, and what the model leaves
    # out on purpose does: that the place itself moves with the path (1 to 5 % of a row at 0.2 %).
    problem = make_problem(accel=accel, place=place, direction=direction, ripple=2e-4)
    both = np.concatenate([problem.shared, problem.local])
    lin = _predict(problem, both)
    # Without places the rest is the midpoint rule's own, (stiffness x bin)^2 / 12 < 1e-3, and fixes
    # whose memory reaches over a corner of the path; with places a tenth of the 5 % above.
    tolerance = 0.01 if place else 2e-3
    for name, part in _groups(problem).items():
        spread = np.linspace(part.start, part.stop - 1, min(_COLUMNS, part.stop - part.start))
        columns = [round(column) for column in spread]
        step = _STEPS.get(name, 1e-4)
        pairs = [_differences(problem, both, column, step, lin) for column in columns]
        for rows, which in ((lin.force_rows, 0), (lin.fix_rows, 1)):
            if name == "lag" and which == 0:
                continue  # only through the place, which the model holds
            expected = np.concatenate([pair[which] for pair in pairs])
            found = np.concatenate([rows[:, column] for column in columns])
            scale = max(float(np.linalg.norm(expected)), 1e-9)
            assert np.linalg.norm(found - expected) <= tolerance * scale + 1e-9, (name, which)


def test_the_path_solves_the_equation_of_motion() -> None:
    """The model's path against scipy's ODE solver, from the equation of motion on the road.

    m_e dv/dt = T - F0 - F1 v - F2 (v + h)|v + h| - m g d s(x), per effective mass.
    """
    problem = make_problem(accel=True, place=True, direction=-1)
    layout, data = problem.layout, problem.data
    shared, local = problem.shared, problem.local.copy()
    own = local_slices(data)
    for name in ("lag", "wind", "gust", "lag_wander"):
        local[own[name]] = 0.0
    path = settle(problem, shared, local)
    first = int(np.flatnonzero(data.drive == COAST)[0])
    time_s = data.edge_s[first:] - data.edge_s[first]
    driven = np.concatenate([[0.0], np.cumsum(0.5 * (path[1:] + path[:-1]) * np.diff(data.edge_s))])
    there = np.interp(data.place_s - data.lag_s, data.edge_s, driven)
    start_m = float(np.median(data.place_m + there)) - driven[first]
    r0, r1, r2, wind, slope = shared[:5]

    def motion(_: float, state: Array) -> list[float]:
        speed, gone = state
        headwind = -wind  # direction -1
        air = speed + headwind
        rise = slope + np.interp(start_m - gone, layout.slope_knots_m, shared[layout.slope])
        drag = r0 + r1 * speed / 30.0 + r2 * air * abs(air) / 900.0
        return [-drag + STANDARD_GRAVITY_MPS2 * layout.gravity_share * rise, speed]

    solved = solve_ivp(
        motion, (0.0, time_s[-1]), [path[first], 0.0], t_eval=time_s, rtol=1e-9, atol=1e-9,
        max_step=0.2,
    )  # fmt: skip
    # bins of 1 s: midpoint rule, error v''' dt^2 / 24 per second with v''' < 1e-3 on this road
    np.testing.assert_allclose(path[first:], solved.y[0], atol=0.005)


def test_wind_and_gusts_act_when_and_whence_they_blow() -> None:
    """In a coast-down, beside the still path: r2 (v + h)^2 grows by 2 r2 v h and the square of what
    both directions share, h = d (w + own wind) + gust, the gust between its knots as time goes."""
    for direction in (1, -1):
        problem = make_problem(accel=True, place=False, direction=direction)
        problem.data = replace(
            problem.data, drive=np.full(problem.data.drive.size, COAST, dtype=int)
        )
        data = problem.data
        own = local_slices(data)
        local = np.zeros(max(part.stop for part in own.values()))
        local[own["start_speed"]], local[own["wind"]] = 30.0, 0.3
        knots_s = np.linspace(data.edge_s[0], data.edge_s[-1], own["gust"].stop - own["gust"].start)
        local[own["gust"]] = np.where(np.arange(knots_s.size) % 5 == 0, 0.8, -0.2)
        path = settle(problem, problem.shared, local)
        middle_s, speed = 0.5 * (data.edge_s[1:] + data.edge_s[:-1]), 0.5 * (path[1:] + path[:-1])
        r0, r1, r2, wind, slope = problem.shared[:5]
        air = speed + direction * wind
        more = direction * 0.3 + np.interp(middle_s, knots_s, local[own["gust"]])
        drag = r0 + r1 * speed / 30.0 + (r2 * air**2 + 2.0 * problem.gust_drag * speed * more) / 900
        drag += direction * STANDARD_GRAVITY_MPS2 * 0.97 * slope
        np.testing.assert_allclose(np.diff(path) / np.diff(data.edge_s), -drag, atol=1e-9)


def test_beyond_the_last_knot_the_traction_is_level() -> None:
    """A gear that one run drove a little further than all knots: no force out of nowhere."""
    problem = make_problem(accel=True, place=False)
    layout, data = problem.layout, problem.data
    own = local_slices(data)
    local = np.zeros(max(part.stop for part in own.values()))
    local[own["start_speed"]] = 18.0  # the first gear's knots end at 15.5 m/s
    shared = problem.shared.copy()
    shared[layout.WIND] = shared[layout.SLOPE] = 0.0
    path = settle(problem, shared, local)
    first = data.drive == 0
    speed = 0.5 * (path[1:] + path[:-1])[first]
    assert speed.min() > 15.5
    r0, r1, r2 = shared[:3]
    expected = shared[layout.gear(0)][-1] - r0 - r1 * speed / 30.0 - r2 * speed**2 / 900.0
    found = (np.diff(path) / np.diff(data.edge_s))[first]
    np.testing.assert_allclose(found, expected, atol=1e-9)


def test_one_step_from_a_path_that_is_off_gives_forces_of_the_new_path() -> None:
    """Far from rest, accelerations must be those of the path that they are written beside."""
    problem = make_problem(place=False)
    path = settle(problem, problem.shared, problem.local)
    middle = 0.5 * (problem.data.edge_s[0] + problem.data.edge_s[-1])
    off = path + 0.8 * np.tanh((problem.data.edge_s - middle) / 8.0)
    lin = linearise(
        problem.data, problem.layout, problem.shared, problem.local, off, problem.gust_drag
    )
    own_accel = np.diff(lin.path_mps) / np.diff(problem.data.edge_s)
    moved = lin.path_mps - off
    assert np.abs(moved).max() > 0.3
    # steps of 1 s at a stiffness of 0.03/s: (0.03 x 1)^2 / 12 of what moved
    np.testing.assert_allclose(lin.accel_mps2, own_accel, atol=2e-4)


def test_the_accelerometer_reads_scale_slope_pitch_and_offset() -> None:
    """f = (1 + k) dv/dt + g d s + c (v / 30)^2 + b, checked on each bin by itself."""
    problem = make_problem(direction=-1)
    shared, local, layout = problem.shared, problem.local.copy(), problem.layout
    own = local_slices(problem.data)
    lin = _predict(problem, np.concatenate([shared, local]))
    edge_s = problem.data.edge_s
    accel = np.diff(lin.path_mps) / np.diff(edge_s)
    slope = shared[layout.SLOPE] + np.interp(
        lin.place_m, layout.slope_knots_m, shared[layout.slope]
    )
    scale = 1.0 + shared[layout.SCALE] + local[own["scale"]][0]
    wander = local[own["offset_wander"]]
    offset = local[own["offset"]][0] + np.interp(
        0.5 * (edge_s[1:] + edge_s[:-1]), np.linspace(edge_s[0], edge_s[-1], wander.size), wander
    )
    speed = 0.5 * (lin.path_mps[1:] + lin.path_mps[:-1])
    pitch = shared[layout.PITCH] * (speed / 30.0) ** 2
    assert np.abs(pitch).max() > 0.01
    expected = scale * accel - STANDARD_GRAVITY_MPS2 * slope + pitch + offset
    # the measured forces are 0 in this run, so that the miss is minus the prediction; rounding only
    np.testing.assert_allclose(-lin.force_miss, expected, atol=1e-9)


def test_a_receiver_that_smooths_is_late_by_its_memory_on_a_ramp() -> None:
    """First-order filter of a ramp: y(t) = a (t - tau). With T + tau held the memory cancels."""
    problem = make_problem(accel=True, place=False)
    local = problem.local.copy()
    own = local_slices(problem.data)
    for name in ("lag", "lag_wander", "slow_noise"):
        local[own[name]] = 0.0
    edge_s = problem.data.edge_s
    problem.data = replace(problem.data, drive=np.full(edge_s.size - 1, FREE))
    local = np.zeros(max(part.stop for part in local_slices(problem.data).values()))
    local[local_slices(problem.data)["free"]] = 0.5
    local[local_slices(problem.data)["start_speed"]] = 4.0
    for memory_s in (0.02, 0.4):
        shared = problem.shared.copy()
        shared[problem.layout.MEMORY] = memory_s
        lin = _predict(problem, np.concatenate([shared, local]))
        late = problem.data.fix_s > edge_s[0] + 12.0  # the ramp's start, memories e-30 away
        expected = 4.0 + 0.5 * (problem.data.fix_s - problem.data.lag_s - edge_s[0])
        inside = late & (problem.data.fix_s < edge_s[-1])
        assert inside.sum() > 30
        np.testing.assert_allclose(-lin.fix_miss[inside], expected[inside], atol=1e-9)


def _ramp_fixes(fix_s: Array, memory_s: float) -> tuple[Array, Array]:
    """Predicted fixes of a ramp of 0.5 m/s2 from 4 m/s, and the edges of its bins [s]."""
    problem = make_problem(accel=True, place=False)
    edge_s = problem.data.edge_s
    problem.data = replace(
        problem.data,
        drive=np.full(edge_s.size - 1, FREE),
        fix_s=fix_s + problem.data.lag_s - memory_s,
        fix_mps=np.zeros(fix_s.size),
    )
    own = local_slices(problem.data)
    local = np.zeros(max(part.stop for part in own.values()))
    local[own["free"]], local[own["start_speed"]] = 0.5, 4.0
    shared = problem.shared.copy()
    shared[problem.layout.MEMORY] = memory_s
    lin = _predict(problem, np.concatenate([shared, local]))
    return -lin.fix_miss, edge_s


def test_what_a_receiver_remembers_of_before_a_run_is_a_second_of_its_beginning() -> None:
    """Ramp continued back for 1 s, level before: y(t) = v0 + a (t - tau (1 - exp(-(t + 1) / tau)))."""
    tau = 1.0
    _, edge_s = _ramp_fixes(np.array([20.0]), tau)
    t = np.array([0.2, 0.6, 1.0])
    found, _ = _ramp_fixes(edge_s[0] + t, tau)
    expected = 4.0 + 0.5 * (t - tau * (1.0 - np.exp(-(t + 1.0) / tau)))
    # eight quadrature nodes on a corner: 2 % of a tau
    np.testing.assert_allclose(found, expected, atol=0.01)


def test_after_its_end_a_run_is_taken_to_keep_its_speed() -> None:
    _, edge_s = _ramp_fixes(np.array([20.0]), 0.02)
    found, _ = _ramp_fixes(edge_s[-1] + np.array([0.3, 2.0]), 0.02)
    end_mps = 4.0 + 0.5 * (edge_s[-1] - edge_s[0])
    np.testing.assert_allclose(found, end_mps, atol=1e-3)


def test_a_receiver_answers_a_corner_as_a_first_order_filter() -> None:
    """After a step of acceleration at 0: y = a (t - tau (1 - exp(-t / tau))), t from the filter's own
    clock; closed form of the first-order lag, any control-engineering text (from memory)."""
    problem = make_problem(accel=True, place=False)
    edge_s = problem.data.edge_s
    corner_s = float(edge_s[56])
    fix_s = corner_s + problem.data.lag_s + np.array([-0.5, 0.05, 0.3, 0.6, 1.0, 2.0])
    problem.data = replace(
        problem.data, drive=np.full(edge_s.size - 1, FREE), fix_s=fix_s, fix_mps=np.zeros(6)
    )
    own = local_slices(problem.data)
    local = np.zeros(max(part.stop for part in own.values()))
    local[own["start_speed"]] = 10.0
    local[own["free"]] = np.where(edge_s[:-1] >= corner_s - 1e-9, -2.0, 0.0)
    shared = problem.shared.copy()
    shared[problem.layout.MEMORY] = tau = 0.4
    lin = _predict(problem, np.concatenate([shared, local]))
    t = np.maximum(fix_s - problem.data.lag_s + tau - corner_s, 0.0)
    expected = 10.0 - 2.0 * (t - tau * (1.0 - np.exp(-t / tau)))
    # eight quadrature nodes on a corner: error below 2 % of a tau = 0.8 m/s
    np.testing.assert_allclose(-lin.fix_miss, expected, atol=0.016)


def test_a_step_moves_path_and_misses_by_the_rows() -> None:
    problem = make_problem()
    both = np.concatenate([problem.shared, problem.local])
    lin = _predict(problem, both)
    step = 1e-3 * np.random.default_rng(1).standard_normal(both.size)
    after = step_linear(lin, step)
    np.testing.assert_allclose(after.path_mps - lin.path_mps, lin.path_rows @ step, atol=1e-12)
    np.testing.assert_allclose(after.fix_miss - lin.fix_miss, -lin.fix_rows @ step, atol=1e-12)
    np.testing.assert_allclose(after.force_miss, lin.force_miss - lin.force_rows @ step, atol=1e-12)
