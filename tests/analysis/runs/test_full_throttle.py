"""Full throttle repeats; part throttle does not."""

from __future__ import annotations

import numpy as np
from make_fused import fused_of

from analysis.runs.judging.full_throttle import pulls_that_repeat, why_pulls_differ
from analysis.runs.run import Phase, Run
from analysis.signals.smoothing import Fused

_TIME = np.arange(0.0, 12.0, 0.1)


def _pulls(*shares: tuple[float, float], coasts: bool = False) -> tuple[list[Run], list[Fused]]:
    """Make one pull for each pair of shares of the full force, at its beginning and at its end."""
    runs, fused = [], []
    for number, (first, last) in enumerate(shares):
        # 2.5 m/s2 at rest, falling with speed: constant force, then about constant power
        speed = [3.0]
        for share in np.linspace(first, last, _TIME.size)[:-1]:
            speed.append(speed[-1] + 0.1 * share * min(2.5, 25.0 / speed[-1]))
        phase = Phase(
            kind="pull",
            start_s=0.0,
            end_s=11.9,
            from_mps=3.0,
            to_mps=speed[-1],
            gear_pieces_s=((0.0, 11.9),),
        )
        after = Phase(kind="coast", start_s=12.0, end_s=40.0, from_mps=20.0, to_mps=8.0)
        phases = (phase, after) if coasts else (phase,)
        runs.append(Run(log=number, number=number, direction=1, phases=phases))
        fused.append(fused_of(_TIME, np.array(speed)))
    return runs, fused


def test_equal_pulls_repeat() -> None:
    runs, fused = _pulls((1.0, 1.0), (0.97, 0.97), (1.02, 1.0))
    assert why_pulls_differ(runs, fused) is None
    assert pulls_that_repeat(runs, fused).alike == (0, 1, 2)


def test_driving_at_part_throttle_is_no_full_throttle() -> None:
    runs, fused = _pulls((0.4, 0.9), (0.9, 0.4), (0.6, 0.6), (0.35, 0.5), (1.0, 0.3))
    why = why_pulls_differ(runs, fused)
    assert why is not None
    assert "full throttle repeats" in why


def test_pulls_of_several_gears_that_all_end_in_coast_downs_stay() -> None:
    shares = (1.0, 1.0), (0.6, 0.6), (0.4, 0.4)
    assert why_pulls_differ(*_pulls(*shares, coasts=True)) is None
    assert why_pulls_differ(*_pulls(*shares)) is not None
