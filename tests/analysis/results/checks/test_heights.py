"""Heights and gravity at rest are held against the slope that a result stands on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_sessions import recordings_of

from analysis.pipeline import analyse
from analysis.results.checks.heights import slope_witnesses
from analysis.runs.road import RunPlace
from analysis.runs.survey import fuse_all
from analysis.simulate.road import draw_site
from analysis.simulate.session import Layout, simulate_session
from logger.session.session import Site, read_session


def warnings_of(
    folder: Path, slope: float, layout: Layout, *, one_way: bool, stated: Site
) -> list[str]:
    """Texts of the warnings of a session simulated on a road of some mean slope."""
    site = replace(draw_site(np.random.default_rng(1)), slope=slope)
    simulate_session(folder, seed=51, pairs=1, one_way=one_way, layout=layout, site=site)
    session = replace(read_session(folder), site=stated)
    outcome = analyse(session, recordings_of(session))
    return [one.text for one in outcome.findings if one.kind == "slope_contradicted"]


def test_a_road_taken_for_level_that_rises_is_named(tmp_path: Path) -> None:
    # one way on a simulated road of 3.1 %, [site] left at 0 +/- 0.5 %: heights that wander by 4 m tell
    (text,) = warnings_of(tmp_path, 0.031, "own", one_way=True, stated=Site())
    assert "heights" in text
    shown = float(text.split("mean slope of ")[1].split(" %")[0])
    assert shown == pytest.approx(3.1, abs=0.8)  # 4 m over the run's 1.5 km, three sigma
    assert "slope_percent" in text


def test_gravity_at_rest_both_ways_tells_too(tmp_path: Path) -> None:
    # a simulated road of 3 %, driven both ways in one recording, held against a result of 0.2 %
    site = replace(draw_site(np.random.default_rng(1)), slope=0.03)
    simulate_session(tmp_path, seed=51, pairs=1, layout="one_long", site=site)
    recordings = recordings_of(read_session(tmp_path))
    outcome = analyse(read_session(tmp_path), recordings)
    fused, _ = fuse_all(recordings)
    nowhere = [RunPlace(t_s=np.zeros(0), place_m=np.zeros(0))] * len(outcome.runs)
    wrong = replace(outcome.site, slope=0.002, slope_sd=0.001)
    (found,) = slope_witnesses(recordings, fused, outcome.runs, nowhere, wrong)
    assert found.text.startswith("Gravity at rest")
    shown = float(found.text.split("mean slope of ")[1].split(" %")[0])
    assert shown == pytest.approx(3.0, abs=0.9)  # 0.3 % where it stands, three sigma
    right = replace(outcome.site, slope=0.03, slope_sd=0.001)
    assert slope_witnesses(recordings, fused, outcome.runs, nowhere, right) == ()


@pytest.mark.parametrize("layout", ["own", "one_long"])
def test_a_level_road_is_not_doubted(tmp_path: Path, layout: Layout) -> None:
    assert warnings_of(tmp_path, 0.0, layout, one_way=False, stated=Site()) == []
