"""The road load as it is told: curve, interval, range of speeds, budget, masses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_noisy import KNOTS_MPS, draw_world, noisy_run
from make_sessions import analysed

from analysis.model.fit import SessionFit, fit_session
from analysis.model.parameters import Spread
from analysis.results.road_load import RoadLoad, find_road_load
from logger.session.session import Site, Vehicle

_LOAD = RoadLoad(
    f0_n=152.0,
    f1_n_per_mps=1.1,
    f2_n_per_mps2=0.41,
    covariance=np.array([[2.0, -0.3, 0.004], [-0.3, 0.08, -0.0015], [0.004, -0.0015, 4e-5]]),
    speed_range_mps=(4.13, 32.9),
    separable=True,
    why_not_separable=None,
    budget_n={},
    budget_speed_mps=100 / 3.6,
)
_VEHICLE = Vehicle(
    mass_kg=970.0,
    mass_sd_kg=4.0,
    rotating_mass_kg=30.0,
    rotating_mass_sd_kg=3.0,
    stated=("rotating_mass",),
)


def _fit() -> SessionFit:
    rng = np.random.default_rng(91)
    spread = Spread()
    world = draw_world(rng, spread, wind_sd=1.0, slope_sd=0.002)
    runs = [noisy_run(rng, world, spread, number=n, direction=d) for n, d in enumerate((1, -1))]
    return fit_session(runs, KNOTS_MPS, _VEHICLE, Site(), start=spread, hold_spread=True)


@pytest.fixture(scope="module")
def fit() -> SessionFit:
    return _fit()


def test_the_curve_is_the_polynomial() -> None:
    """F(25 m/s) = 152 + 27.5 + 256.25 = 435.75 N, by hand."""
    assert float(_LOAD.force_n(np.array([25.0]))[0]) == pytest.approx(435.75)
    assert _LOAD.force_n(np.array([[1.0, 2.0]])).shape == (1, 2)


def test_the_interval_of_the_curve_is_that_of_its_coefficients() -> None:
    """Against draws of the coefficients: sd of 40,000 draws is good to 0.35 %, four of which are 1.5 %."""
    rng = np.random.default_rng(92)
    draws = rng.multivariate_normal([152.0, 1.1, 0.41], _LOAD.covariance, 40_000)
    speed = np.array([0.0, 5.0, 15.0, 30.0])
    basis = np.stack([np.ones(4), speed, speed**2])
    np.testing.assert_allclose(_LOAD.force_sd_n(speed), (draws @ basis).std(axis=0), rtol=0.015)


def test_curve_speeds_are_the_multiples_inside_the_range() -> None:
    speeds = _LOAD.curve_speeds_mps()
    assert speeds[0] == 4.5
    assert speeds[-1] == 32.5
    assert np.all(np.diff(speeds) == 0.5)
    exact = replace(_LOAD, speed_range_mps=(5.0, 30.0)).curve_speeds_mps()
    assert (exact[0], exact[-1]) == (5.0, 30.0)
    assert replace(_LOAD, speed_range_mps=(5.1, 5.3)).curve_speeds_mps().size == 0


@pytest.mark.parametrize(
    ("low", "high", "separable"), [(5.0, 30.0, True), (23.0, 27.0, False), (15.0, 22.0, False)]
)
def test_a_narrow_range_is_not_split(
    fit: SessionFit, low: float, high: float, separable: bool
) -> None:
    """Over 27 to 23 m/s F0, F1 and F2 are correlated to 1.00: the split is refused with its reason."""
    load = find_road_load(fit, _VEHICLE, (low, high))
    assert load.separable is separable
    assert (load.why_not_separable is None) is separable
    if not separable:
        assert load.why_not_separable is not None
        assert f"{3.6 * low:.0f} to {3.6 * high:.0f} km/h" in load.why_not_separable


def test_the_masses_are_in_the_interval(fit: SessionFit) -> None:
    """F = m_e a: relative sd of m_e (5 of 1000 kg) in square to what the fit leaves."""
    speed = np.array([10.0, 20.0])
    load = find_road_load(fit, _VEHICLE, (4.0, 24.0))
    exact = find_road_load(
        fit, replace(_VEHICLE, mass_sd_kg=0.0, rotating_mass_sd_kg=0.0), (4.0, 24.0)
    )
    np.testing.assert_allclose(load.force_n(speed), exact.force_n(speed), rtol=1e-12)
    expected = np.hypot(exact.force_sd_n(speed), 0.005 * load.force_n(speed))
    np.testing.assert_allclose(load.force_sd_n(speed), expected, rtol=1e-6)


@pytest.mark.parametrize(("high", "at"), [(24.0, 24.0), (33.0, 100 / 3.6)])
def test_the_budget_adds_up_at_100_kmh_or_the_nearest_covered_speed(
    fit: SessionFit, high: float, at: float
) -> None:
    load = find_road_load(fit, _VEHICLE, (4.0, high))
    assert load.budget_speed_mps == pytest.approx(at)
    assert set(load.budget_n) == {"noise", "wind", "slope", "lag", "mount", "mass"}
    total = np.sqrt(sum(part**2 for part in load.budget_n.values()))
    assert total == pytest.approx(float(load.force_sd_n(np.array([at]))[0]), rel=1e-6)


def test_a_session_covers_the_speeds_of_its_coast_downs() -> None:
    outcome, truth = analysed(1)
    load = outcome.road_load
    assert load is not None
    fastest = max(run.release_mps for run in truth.runs)
    assert fastest - 2.0 < load.speed_range_mps[1] < fastest
    assert load.speed_range_mps[0] > 2.0
    assert load.separable


def test_the_road_load_at_one_speed_is_that_of_the_curve() -> None:
    load = _LOAD
    at = load.at(20.0)
    force, sd = load.force_n(np.array([20.0]))[0], load.force_sd_n(np.array([20.0]))[0]
    assert (at.speed_mps, at.force_n, at.sd_n) == (20.0, force, sd)
    # 1.96 standard deviations hold 95 % of a normal distribution: tables of statistics
    assert at.ci95_n == pytest.approx((force - 1.96 * sd, force + 1.96 * sd), rel=1e-4)
    assert load.headline == load.at(load.budget_speed_mps)
    sds = np.sqrt(np.diag(load.covariance))
    assert load.coefficient_sds == pytest.approx(tuple(sds), rel=1e-12)
