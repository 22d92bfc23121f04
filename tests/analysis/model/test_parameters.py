"""Knots of the session model and the interpolation between them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from make_runs import make_problem
from numpy.typing import NDArray

from analysis.model.observations import COAST, FREE
from analysis.model.parameters import LOCAL_NAMES, hat, knots_over, local_slices

Array = NDArray[np.float64]


def test_hat_interpolates_as_numpy_does_and_stays_level_outside() -> None:
    knots, x = np.array([0.0, 1.0, 2.5, 4.0]), np.linspace(-1.0, 5.0, 61)
    values = np.array([1.0, -2.0, 0.5, 3.0])
    np.testing.assert_allclose(hat(x, knots) @ values, np.interp(x, knots, values), atol=1e-12)
    np.testing.assert_allclose(hat(x, np.array([2.0])), 1.0)


def test_knots_reach_both_ends() -> None:
    knots = knots_over(3.0, 33.0, 4.0)
    assert knots[0] == 3.0
    assert knots[-1] == 33.0
    assert np.ptp(np.diff(knots)) < 1e-9
    assert knots_over(0.0, 0.1, 4.0).size == 2
    # as far apart as asked where that fits, else the nearest that does
    np.testing.assert_allclose(np.diff(knots_over(100.0, 160.0, 4.0)), 4.0)
    np.testing.assert_allclose(np.diff(knots_over(100.0, 161.0, 4.0)), 61.0 / 15.0)


def _sizes(accel: bool, drive: int | None = None) -> dict[str, int]:
    data = make_problem(accel=accel, place=False).data
    if drive is not None:
        data = replace(data, drive=np.full_like(data.drive, drive))
    own = local_slices(data)
    stops = [own[name].stop for name in LOCAL_NAMES]
    assert [own[name].start for name in LOCAL_NAMES] == [0, *stops[:-1]]
    return {name: part.stop - part.start for name, part in own.items()}


def test_a_run_has_the_unknowns_of_what_was_driven_and_recorded() -> None:
    """What was not driven or measured must not stand in the fit as its bare prior."""
    whole = _sizes(accel=True)
    assert (whole["pull"], whole["lag"], whole["scale"], whole["offset"]) == (1, 1, 1, 1)
    assert whole["free"] == 6 + 12  # bins of the gear change and of the release
    only_pulled, only_coasted = _sizes(accel=True, drive=0), _sizes(accel=True, drive=COAST)
    assert (only_pulled["pull"], only_pulled["free"]) == (1, 0)
    assert (only_coasted["pull"], only_coasted["free"]) == (0, 0)
    assert _sizes(accel=True, drive=FREE)["pull"] == 0
    alone = _sizes(accel=False)
    assert [alone[name] for name in ("lag", "lag_wander", "offset", "offset_wander", "scale")] == [
        0
    ] * 5


def test_slow_processes_have_knots_as_far_apart_as_they_are_slow() -> None:
    """A run of 57 s: gusts every 3 s, slow errors of the receiver every 4, its lag every 12, the
    accelerometer's offset every 20. Fewer, and an error that wanders between two would be taken for a
    force; the count decides what a run costs."""
    sizes = _sizes(accel=True)
    length_s = 56.8
    for name, every_s in (
        ("gust", 3.0), ("slow_noise", 4.0), ("lag_wander", 12.0), ("offset_wander", 20.0),
    ):  # fmt: skip
        assert sizes[name] - 1 == round(length_s / every_s), name
