"""Heights and gravity at rest are held against the slope that a result stands on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_sessions import recordings_of

from analysis.pipeline import analyse
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
    stated = Site(slope=0.0, slope_sd=1e-4)
    texts = warnings_of(tmp_path, 0.03, "one_long", one_way=False, stated=stated)
    assert [text.split()[0] for text in texts] == ["The", "Gravity"]


@pytest.mark.parametrize("layout", ["own", "one_long"])
def test_a_level_road_is_not_doubted(tmp_path: Path, layout: Layout) -> None:
    assert warnings_of(tmp_path, 0.0, layout, one_way=False, stated=Site()) == []
