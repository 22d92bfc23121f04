"""A step of the power between runs is told from scatter; the figures are made up."""

from __future__ import annotations

import pytest

from analysis.runs.judging.power_steps import power_step


@pytest.mark.parametrize(
    ("powers", "at"),
    [
        ((80.0, 81.0, 68.0, 67.0), 2),
        ((60.0, 61.0, 60.5, 72.0, 71.0), 3),
        # a drift, a single run apart, and scatter are no step
        ((80.0, 77.0, 74.0, 71.0), None),
        ((80.0, 60.0, 81.0, 79.0), None),
        ((80.0, 81.0, 79.0, 82.0), None),
        # three pulls cannot show one
        ((80.0, 60.0, 61.0), None),
    ],
)
def test_a_step_leaves_a_gap_that_neither_side_has(
    powers: tuple[float, ...], at: int | None
) -> None:
    assert power_step(powers, [1.0] * len(powers)) == at


def test_a_gap_within_the_uncertainty_is_no_step() -> None:
    assert power_step((80.0, 81.0, 68.0, 67.0), [6.0] * 4) is None
