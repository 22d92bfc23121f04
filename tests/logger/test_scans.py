"""Questions about columns have the right answer wherever the one odd value is.

What it protects: a step back, a blank or an infinite value in the first or the last place must be
seen like any other.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import scans

SIZES = (0, 1, 2, 3, 1000)


@pytest.mark.parametrize("size", [size for size in SIZES if size > 1])
def test_a_single_step_back_is_seen_wherever_it_is(size: int) -> None:
    rising = np.arange(size, dtype=np.float64) / 100.0
    assert scans.is_rising(rising)
    for at in {1, size // 2, size - 1}:
        still = rising.copy()
        still[at] = still[at - 1]
        assert not scans.is_rising(still), f"the time stands still at {at} of {size}"


@pytest.mark.parametrize("size", SIZES)
def test_times_too_short_to_have_a_step_rise(size: int) -> None:
    assert scans.is_rising(np.arange(size, dtype=np.float64))


@pytest.mark.parametrize("size", [size for size in SIZES if size])
@pytest.mark.parametrize("odd", [np.nan, np.inf, -np.inf])
def test_one_value_that_is_no_number_is_seen_wherever_it_is(size: int, odd: float) -> None:
    values = np.random.default_rng(size).normal(size=size)
    assert scans.all_finite(values)
    for at in {0, size // 2, size - 1}:
        marred = values.copy()
        marred[at] = odd
        assert not scans.all_finite(marred)
        rest = np.full(size, np.nan)
        rest[at] = 7.0
        assert scans.any_finite(rest)
        assert scans.extremes(rest) == (7.0, 7.0)


def test_opposite_infinities_and_sums_beyond_all_floats_mislead_nobody() -> None:
    assert not scans.all_finite(np.array([np.inf, -np.inf, 1.0]))
    assert scans.all_finite(np.full(4, 1.7e308))


def test_a_column_without_any_number_has_no_extremes() -> None:
    blank = np.full(5, np.nan)
    assert not scans.any_finite(blank)
    assert scans.extremes(blank) == scans.extremes(np.zeros(0)) == (0.0, 0.0)


@given(st.lists(st.floats(allow_nan=True, allow_infinity=False, width=32), min_size=1, max_size=30))
def test_extremes_leave_blanks_out(numbers: list[float]) -> None:
    values = np.array(numbers)
    known = values[~np.isnan(values)]
    expected = (known.min(), known.max()) if known.size else (0.0, 0.0)
    assert scans.extremes(values) == expected
