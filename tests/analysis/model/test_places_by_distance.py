"""Places by the driven distance where no positions are: from rest to rest, up and down one road."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_coasts import Coasting, coast_run

from analysis.model.observations import RunData, nowhere_both_ways, placed_by_distance
from analysis.runs.run import Phase

#: Two seconds from rest to 6 m/s, which is 6 m.
_LAUNCH_S, _LAUNCH_M = 2.0, 6.0


def _from_rest(number: int, direction: int) -> tuple[RunData, float]:
    """Return a run that begins at rest shortly before it rolls, and the way it rolled [m], integrated by hand."""
    coasting = Coasting(
        mass_kg=1000.0,
        effective_mass_kg=1030.0,
        force_n=lambda _: 206.0,
        noise_mps=1e-6,
        from_mps=6.0,
        to_mps=1.0,
    )
    data = coast_run(np.random.default_rng(1), coasting, number=number, direction=direction)
    stand = Phase(kind="stand", start_s=-9.0, end_s=-_LAUNCH_S, from_mps=0.0, to_mps=0.0)
    run = replace(data.run, phases=(stand, *data.run.phases))
    data = replace(data, run=run, first_path_mps=6.0 - 0.2 * data.edge_s)
    # a constant 206 N / 1030 kg = 0.2 m/s2: (36 - 1) / (2 * 0.2) = 87.5 m
    return data, 87.5


def test_runs_down_begin_where_runs_up_came_to_rest() -> None:
    (up, way_m), (down, _) = _from_rest(0, 1), _from_rest(1, -1)
    placed_up, placed_down = placed_by_distance([up, down])
    # half of 6 m/s over the 2 s of launch
    assert placed_up.place_m[0] == pytest.approx(_LAUNCH_M, abs=0.1)
    assert placed_up.place_m[-1] == pytest.approx(_LAUNCH_M + way_m, abs=0.2)
    # without a braking phase the run up ends where it rolled to, and the run down starts there
    assert placed_down.place_m[0] == pytest.approx(way_m, abs=0.2)
    assert placed_down.place_m[-1] == pytest.approx(0.0, abs=0.2)
    assert np.all(np.diff(placed_down.place_m) < 0.0)
    assert placed_up.has_place


def test_one_way_alone_and_rolling_starts_are_not_placed() -> None:
    (up, _), (down, _) = _from_rest(0, 1), _from_rest(1, -1)
    assert not any(one.has_place for one in placed_by_distance([up, replace(up)]))
    rolling = replace(down, run=replace(down.run, phases=down.run.phases[1:]))
    assert not any(one.has_place for one in placed_by_distance([up, rolling]))
    assert nowhere_both_ways([up, rolling])
    assert not nowhere_both_ways([up, up])


def test_positions_come_before_the_way_driven() -> None:
    (up, _), (down, _) = _from_rest(0, 1), _from_rest(1, -1)
    seen = replace(up, place_s=up.edge_s, place_m=5000.0 + up.edge_s)
    kept = placed_by_distance([seen, down])
    assert kept[0].place_m[0] == 5000.0
    assert not kept[1].has_place
