"""Pulls that slow fixes show at the same few speeds, and pulls that they do not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_curves import made_curve

from analysis.runs.run import Phase, Run
from analysis.runs.survey import sampling_findings
from analysis.signals.gps import Fixes
from analysis.signals.smoothing import Fused


def _pulls(
    phases_s: list[float], *, count: int = 8, used: bool = True
) -> tuple[list[Fused], list[Run]]:
    """Pulls of 12 s to 30 m/s at 2.5 m/s2 with one fix a second, the first so long after the launch."""
    base = made_curve([(0.0, 2.0), (2.5, 12.0), (-0.5, 6.0)])
    fused, runs = [], []
    for number in range(count):
        late = phases_s[number % len(phases_s)]
        stamps = 2.0 + late + np.arange(0.0, 12.0)
        fixes = Fixes(t_s=stamps, speed_mps=2.5 * (stamps - 2.0), clock=0, from_positions=False)
        mount = replace(base.mount, used=False, why_not="none")
        fused.append(replace(base, fixes=fixes, mount=mount))
        pull = Phase(
            kind="pull",
            start_s=2.0,
            end_s=14.0,
            from_mps=0.0,
            to_mps=30.0,
            used=used,
            gear_pieces_s=((2.5, 13.5),),
        )
        runs.append(Run(log=number, number=number, direction=1, phases=(pull,)))
    return fused, runs


def test_pulls_begun_at_one_moment_between_fixes_are_named() -> None:
    (finding,) = sampling_findings(*_pulls([0.3]))
    assert finding.kind == "same_speeds_sampled"
    assert finding.severity == "warning"
    assert finding.count == 8
    # 10 speeds 2.5 m/s apart show 0.7 m/s each
    assert " 28 % of the speeds" in finding.text


@pytest.mark.parametrize("seed", range(5))
def test_pulls_begun_at_any_moment_are_not(seed: int) -> None:
    phases = np.random.default_rng([72, seed]).uniform(0.0, 1.0, 8).tolist()
    assert sampling_findings(*_pulls(phases)) == ()


def test_few_or_unused_pulls_and_fine_signals_are_not() -> None:
    assert sampling_findings(*_pulls([0.3], count=2)) == ()
    assert sampling_findings(*_pulls([0.3], used=False)) == ()
    fused, runs = _pulls([0.3])
    fine = [replace(one, mount=replace(one.mount, used=True)) for one in fused]
    assert sampling_findings(fine, runs) == ()
