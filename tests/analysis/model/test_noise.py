"""The noise levels that the session model learns are those that the data have."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_runs import PRIOR, known_run, make_problem, settle, whitened
from numpy.typing import NDArray

from analysis.model.linearise import linearise
from analysis.model.noise import fix_weights, next_spread
from analysis.model.normal_equations import RunState, eliminate, shared_solution
from analysis.model.observations import COAST
from analysis.model.parameters import FORCE_BIN_S, Layout, Spread, local_slices, spread_table
from analysis.model.priors import (
    PROCESSES,
    Prior,
    bend_precision,
    shared_prior_matrix,
    slope_bands,
    slope_precision,
)

Array = NDArray[np.float64]
_SPREAD = Spread()


def _learn(noise_fix: float, noise_force: float, rounds: int = 12) -> Spread:
    """Noise levels learnt from two runs whose measurements have the given white noise."""
    made = [make_problem(seed=seed, direction=d) for seed, d in ((1, 1), (2, -1))]
    rng = np.random.default_rng(22)
    layout, shared = made[0].layout, made[0].shared
    states, lins = [], []
    for problem in made:
        local = problem.local.copy()
        path = settle(problem, shared, local)
        lin = linearise(problem.data, layout, shared, local, path, problem.gust_drag)
        n_force, n_fix = lin.force_miss.size, lin.fix_miss.size
        bins = np.diff(problem.data.edge_s)[lin.force_bins]
        force_noise = noise_force * np.sqrt(FORCE_BIN_S / bins)
        states.append(
            RunState(data=problem.data, local=local, path_mps=path, fix_weight=np.ones(n_fix))
        )
        lins.append(
            replace(
                lin,
                force_miss=force_noise * rng.standard_normal(n_force),
                fix_miss=noise_fix * rng.standard_normal(n_fix),
            )
        )
    start, spread = Spread(), Spread()
    for _ in range(rounds):
        normals = [
            eliminate(state, lin, layout, spread, state.local)
            for state, lin in zip(states, lins, strict=True)
        ]
        matrix, _ = shared_prior_matrix(layout, PRIOR, spread)
        step, cov = shared_solution(normals, matrix, np.zeros(layout.size))
        moved = []
        for lin, normal in zip(lins, normals, strict=True):
            own_step = normal.own_inverse @ (normal.gradient_own - normal.cross.T @ step)
            move = np.append(step, own_step)
            moved.append(
                replace(
                    lin,
                    force_miss=lin.force_miss - lin.force_rows @ move,
                    fix_miss=lin.fix_miss - lin.fix_rows @ move,
                )
            )
        spread = next_spread(states, moved, normals, layout, spread, start, PRIOR, shared, cov)
    return spread


@pytest.mark.parametrize(("fix", "force"), [(0.05, 0.3), (0.2, 0.08)])
def test_noise_levels_follow_the_data(fix: float, force: float) -> None:
    """White noise put in comes out, from starting values 2 to 4 times off."""
    spread = _learn(fix, force)
    # about 90 fixes and 45 coast bins of which the fit uses up a third: sd of a level 8 to 13 %,
    # and the starting values count for 10 and 20 observations more
    assert spread.fix == pytest.approx(fix, rel=0.3)
    assert spread.force_drive == pytest.approx(force, rel=0.3)
    assert spread.force_coast == pytest.approx(force, rel=0.35)


def test_the_noise_table_has_every_level() -> None:
    table = spread_table(Spread(fix=0.07))
    assert table["fix"] == 0.07
    assert set(table) == set(Spread.__slots__)


# ---- what each starting value counts for, and the range of each level -----------------------------

_NOTHING = Layout(gear_knots_mps=(), slope_knots_m=np.zeros(0), gravity_share=0.97)
#: A site of which so little is known that it caps no level.
_OPEN = Prior(mean=PRIOR.mean, sd=PRIOR.sd, most_slope=1.0, most_wind_mps=100.0)
#: Level -> how many observations its starting value counts for: fixes, bins of the accelerometer,
#: runs, or knots of a slow process, of the slope or of a tractive curve.
_COUNTS_FOR = {
    "fix": 10,
    "force_drive": 20,
    "force_coast": 20,
    "slow_noise": 40,
    "gust": 40,
    "wind": 4,
    "offset_wander": 8,
    "lag_wander": 10,
    "pull": 4,
    "slope": 4,
    "slope_long": 2,
    "bend": 8,
}
#: Level -> least and most that it can be, whatever a log says.
_RANGES = {
    "fix": (0.01, 2.0),  # speeds are written to the centimetre a second; 7 km/h is no receiver's
    "force_drive": (0.005, 3.0),  # from a lift's to a tractor's
    "force_coast": (0.005, 3.0),
    "slow_noise": (0.003, 0.5),
    "gust": (0.02, 2.0),  # air is never quite still; 2 m/s either way is no day for coast-downs
    "wind": (0.02, 2.0),
    "offset_wander": (0.003, 0.5),
    "lag_wander": (0.005, 0.6),  # receivers smooth over at most 0.6 s
    "pull": (0.001, 0.1),  # a tenth: another throttle
    "slope": (0.0003, 0.03),  # no road is better than 3 cm in 100 m
    "slope_long": (0.0003, 0.03),
    "bend": (1.0, 20.0),
    "bump": (0.0003, 0.3),
}


def _curves_of_bend(layout: Layout, level: float) -> Array:
    """Return shared unknowns whose slope profile and tractive curves have `level` in every knot."""
    shared = np.zeros(layout.size)
    if layout.slope_knots_m.size:
        unit = Spread(slope=1.0, slope_long=1.0)
        shared[layout.slope] = level * whitened(slope_precision(layout, unit))
    for gear, knots in enumerate(layout.gear_knots_mps):
        curve = knots**2
        squares = curve @ bend_precision(knots, layout.gear_level_mps2[gear]) @ curve
        shared[layout.gear(gear)] = level * curve * np.sqrt((knots.size - 2) / squares)
    return shared


def test_a_starting_value_counts_for_as_many_observations_as_stated() -> None:
    """Of n observations of size L beside a start b that counts for h: (n L^2 + h b^2) / (n + h)."""
    problem = make_problem()
    data, layout = problem.data, problem.layout
    own = local_slices(data)
    level = 0.02
    start = Spread(**dict.fromkeys(Spread.__slots__, 0.03))
    start = replace(start, bend=3.0, slope=0.012, slope_long=0.01)
    state, lin, normal = known_run(problem, level)
    shared, none = _curves_of_bend(layout, level), np.zeros((layout.size, layout.size))
    shared[layout.gear(0).start :] *= 2.0 / level
    shared[layout.slope] *= 0.3  # inside the range of each band
    new = next_spread([state], [lin], [normal], layout, start, start, _OPEN, shared, none)
    coasting = data.drive[lin.force_bins] == COAST
    observed = {
        "fix": data.fix_s.size // 2,
        "force_coast": int(coasting.sum()),
        "force_drive": int((~coasting).sum()),
        "wind": 1,
        "pull": 1,
        "bend": sum(knots.size - 2 for knots in layout.gear_knots_mps),
    } | {name: own[name].stop - own[name].start for name in PROCESSES}
    q, profile = slope_precision(layout, start), shared[layout.slope]
    bands = dict(zip(("slope", "slope_long"), slope_bands(layout), strict=True))
    for name, counts_for in _COUNTS_FOR.items():
        begin, found = getattr(start, name), getattr(new, name)
        if name in bands:  # the two share the knots, and each the part that its waves explain
            n = begin**2 * np.trace(q @ bands[name])
            squares = begin**4 * (profile @ q @ bands[name] @ q @ profile)
        else:
            n = observed[name]
            squares = n * (2.0 if name == "bend" else level) ** 2
        held = (squares - n * found**2) / (found**2 - begin**2)
        assert held == pytest.approx(counts_for, rel=1e-6), name


def _learnt_from_nothing(start: Spread, prior: Prior) -> Spread:
    none = np.zeros((_NOTHING.size, _NOTHING.size))
    shared = np.zeros(_NOTHING.size)
    return next_spread([], [], [], _NOTHING, Spread(), start, prior, shared, none)


def test_without_evidence_every_level_stays_where_it_starts() -> None:
    assert _learnt_from_nothing(Spread(), _OPEN) == Spread()


def test_no_level_leaves_what_sensors_roads_and_weather_have() -> None:
    """0 would be an interval of nothing, and a level without end would drown every measurement."""
    least = _learnt_from_nothing(Spread(**dict.fromkeys(Spread.__slots__, 1e-9)), _OPEN)
    most = _learnt_from_nothing(Spread(**dict.fromkeys(Spread.__slots__, 1e9)), _OPEN)
    for name, (low, high) in _RANGES.items():
        assert getattr(least, name) == pytest.approx(low), name
        assert getattr(most, name) == pytest.approx(high), name


def test_road_and_wind_vary_no_more_than_the_site_says() -> None:
    """Slope known to 0.1 % and wind to 0.1 m/s: neither profile nor gusts take more than that."""
    site = replace(_OPEN, most_slope=0.001, most_wind_mps=0.1)
    quiet = _learnt_from_nothing(Spread(), site)
    assert (quiet.slope, quiet.slope_long) == pytest.approx((0.001, 0.001))
    assert (quiet.wind, quiet.gust) == pytest.approx((0.1, 0.1))
    problem = make_problem()
    state, lin, normal = known_run(problem, 0.5)
    layout, none = problem.layout, np.zeros((problem.layout.size,) * 2)
    shared = _curves_of_bend(layout, 0.5)
    new = next_spread([state], [lin], [normal], layout, Spread(), Spread(), site, shared, none)
    assert (new.slope, new.slope_long) == pytest.approx((0.001, 0.001))
    assert (new.wind, new.gust) == pytest.approx((0.1, 0.1))


def test_what_the_fit_follows_wholly_counts_next_to_nothing() -> None:
    """Rows that the unknowns are free to follow, 5000 of each kind, misses 0: they say nothing of
    noise. A fiftieth of each counts all the same, so that no count falls below nothing."""
    problem = make_problem()
    state, lin, normal = known_run(problem, 0.0)
    q = state.local.size
    free = replace(normal, own_inverse=1e9 * np.eye(q))
    layout = problem.layout
    lin = replace(
        lin,
        fix_rows=np.ones_like(lin.fix_rows),
        force_rows=np.ones_like(lin.force_rows),
        fix_miss=np.zeros(lin.fix_miss.size),
    )
    none = np.zeros((layout.size, layout.size))
    times = 100
    new = next_spread(
        [state] * times, [lin] * times, [free] * times, layout, Spread(), Spread(), _OPEN,
        problem.shared, none,
    )  # fmt: skip
    coasting = state.data.drive[lin.force_bins] == COAST
    for name, n in (
        ("fix", int(state.fix_weight.sum())),
        ("force_coast", int(coasting.sum())),
        ("force_drive", int((~coasting).sum())),
    ):
        held = _COUNTS_FOR[name]
        share = held / (held + 0.02 * times * n)
        assert getattr(new, name) == pytest.approx(getattr(Spread(), name) * np.sqrt(share)), name


@pytest.mark.parametrize(("off_sd", "weight"), [(4.4, 3.0), (4.6, 0.0)])
def test_a_fix_beyond_four_and_a_half_sd_is_left_out(off_sd: float, weight: float) -> None:
    """A normal error does that once in 150,000 fixes; what is kept counts for the fixes it stands for."""
    problem = make_problem()
    data = replace(problem.data, fix_count=np.full(problem.data.fix_s.size, 3.0))
    _, lin, _ = known_run(problem, 0.0)
    miss = np.zeros(data.fix_s.size)
    miss[[5, 8]] = off_sd * 0.08, -off_sd * 0.08
    found = fix_weights(data, replace(lin, fix_miss=miss), 0.08)
    assert found[[5, 8]] == pytest.approx(weight)
    assert np.all(np.delete(found, [5, 8]) == 3.0)
