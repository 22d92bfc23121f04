"""Questions about long columns have the answer that numpy gives of the column as a whole.

What it protects: a log is looked at in parts; a step, a blank or an infinite value at the seam of
two parts, in the first or the last place, must be seen like any other.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import scans

SEAM = scans._BLOCK
SIZES = (0, 1, 2, 3, SEAM - 1, SEAM, SEAM + 1, SEAM + 2, 2 * SEAM, 2 * SEAM + 1)


@pytest.mark.parametrize("size", [size for size in SIZES if size > 1])
def test_a_single_step_back_is_seen_wherever_it_is(size: int) -> None:
    rising = np.arange(size, dtype=np.float64) / 100.0
    assert scans.is_rising(rising)
    for at in {1, size // 2, min(SEAM, size - 1), size - 1}:
        still = rising.copy()
        still[at] = still[at - 1]
        assert not scans.is_rising(still), f"the time stands still at {at} of {size}"


@pytest.mark.parametrize("size", [size for size in SIZES if size > 1])
def test_the_longest_step_is_that_of_numpy(size: int) -> None:
    t_s = np.cumsum(np.random.default_rng(size).uniform(0.005, 0.02, size))
    for at in {1, size // 2, min(SEAM, size - 1), size - 1}:
        holed = t_s.copy()
        holed[at:] += 3.0
        assert scans.largest_step(holed) == np.diff(holed).max()


@pytest.mark.parametrize("size", [size for size in SIZES if size > 1])
def test_a_single_steep_step_is_seen_wherever_it_is(size: int) -> None:
    t_s = np.arange(size, dtype=np.float64) / 10.0
    assert not scans.steeper(t_s, np.full(size, 20.0), 15.0)
    for at in {1, size // 2, min(SEAM, size - 1), size - 1}:
        speed_mps = np.full(size, 20.0)
        speed_mps[at:] -= 1.6
        assert scans.steeper(t_s, speed_mps, 15.0)
        assert not scans.steeper(t_s, speed_mps, 17.0)


@pytest.mark.parametrize("size", SIZES)
def test_too_short_to_have_a_step(size: int) -> None:
    t_s = np.arange(size, dtype=np.float64)
    assert scans.largest_step(t_s) == (1.0 if size > 1 else 0.0)
    assert scans.is_rising(t_s)


@pytest.mark.parametrize("size", [size for size in SIZES if size])
@pytest.mark.parametrize("odd", [np.nan, np.inf, -np.inf])
def test_one_value_that_is_no_number_is_seen_wherever_it_is(size: int, odd: float) -> None:
    values = np.random.default_rng(size).normal(size=size)
    assert scans.all_finite(values)
    assert not scans.has_infinite(values)
    for at in {0, size // 2, min(SEAM, size - 1), size - 1}:
        marred = values.copy()
        marred[at] = odd
        assert not scans.all_finite(marred)
        assert scans.has_infinite(marred) == bool(np.isinf(odd))
        rest = np.full(size, np.nan)
        rest[at] = 7.0
        assert scans.any_finite(rest)
        assert scans.first_finite(rest) == at
        assert scans.extremes(rest) == (7.0, 7.0)


def test_opposite_infinities_and_sums_beyond_all_floats_mislead_nobody() -> None:
    assert scans.has_infinite(np.array([np.inf, -np.inf, 1.0]))
    huge = np.full(4, 1.7e308)
    assert scans.all_finite(huge)
    assert not scans.has_infinite(huge)
    assert not scans.has_infinite(np.array([np.nan, 1.0]))


def test_a_column_without_any_number_says_so() -> None:
    blank = np.full(5, np.nan)
    assert not scans.any_finite(blank)
    assert scans.extremes(blank) == scans.extremes(np.zeros(0)) == (0.0, 0.0)
    with pytest.raises(ValueError, match="no finite number"):
        scans.first_finite(blank)


@given(st.lists(st.floats(allow_nan=True, allow_infinity=False, width=32), min_size=1, max_size=30))
def test_extremes_leave_blanks_out(numbers: list[float]) -> None:
    values = np.array(numbers)
    known = values[~np.isnan(values)]
    expected = (known.min(), known.max()) if known.size else (0.0, 0.0)
    assert scans.extremes(values) == expected
