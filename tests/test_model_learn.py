"""The noise levels that the session model learns are those that the data have."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_runs import PRIOR, make_problem, settle
from numpy.typing import NDArray

from analysis.model_design import linearise
from analysis.model_learn import next_spread
from analysis.model_prior import shared_prior_matrix
from analysis.model_solve import RunState, eliminate, shared_solution
from analysis.model_spread import FORCE_BIN_S, Spread, spread_table

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
        states.append(RunState(problem.data, local, path, np.ones(n_fix)))
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
