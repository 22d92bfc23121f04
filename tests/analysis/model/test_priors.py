"""What the session model holds likely before any data, against what is stated of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_runs import PRIOR, make_problem
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.special import sici
from scipy.stats import norm

from analysis.model import priors as model_prior
from analysis.model.parameters import Layout, Spread, local_slices
from analysis.model.priors import (
    bend_precision,
    known_prior,
    local_prior,
    local_prior_mean,
    pitch_sd,
    process_precision,
    shared_prior,
    shared_prior_matrix,
    slope_precision,
)
from logger.session.session import Site, Vehicle

Array = NDArray[np.float64]
_SPREAD = Spread()


def _inverse(matrix: Array) -> Array:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def test_prior_of_the_tractive_curve_leaves_straight_lines_free_of_bend() -> None:
    """Second differences of a line are 0, so only the weak priors on level and slope hold it."""
    knots = np.linspace(8.0, 20.0, 13)
    layout = Layout(
        gear_knots_mps=(knots,),
        slope_knots_m=np.zeros(0),
        gravity_share=0.97,
        gear_level_mps2=(2.0,),
    )
    soft, _ = shared_prior_matrix(layout, PRIOR, replace(_SPREAD, bend=1e6))
    hard, pull = shared_prior_matrix(layout, PRIOR, replace(_SPREAD, bend=0.5))
    part = layout.gear(0)
    line = 0.3 * (knots - 14.0)
    bowed = 0.1 * (knots - 14.0) ** 2
    stiffer = (hard - soft)[part, part]
    assert line @ stiffer @ line == pytest.approx(0.0, abs=1e-6)
    assert bowed @ stiffer @ bowed > 1.0
    mean = np.linalg.solve(hard, pull)[part]
    assert mean.mean() == pytest.approx(2.0, abs=0.2)
    # between constant force and constant power: it falls
    assert mean[0] > mean[-1] > 0.0


@pytest.mark.parametrize(
    ("name", "sd", "time_s"),
    [
        ("gust", _SPREAD.gust, 6.0),  # at 20 m/s an eddy of 120 m
        ("slow_noise", _SPREAD.slow_noise, 8.0),
        ("offset_wander", _SPREAD.offset_wander, 150.0),  # a phone warms up over minutes
        ("lag_wander", _SPREAD.lag_wander, 40.0),
    ],
)
def test_slow_processes_have_an_exponential_correlation(
    name: str, sd: float, time_s: float
) -> None:
    """Prior covariance between knots: sd^2 exp(-|t - t'| / time), the Ornstein-Uhlenbeck process."""
    data = make_problem().data
    own = local_slices(data)
    part = own[name]
    covariance = _inverse(local_prior(data, _SPREAD, own))[part, part]
    knots = np.linspace(data.edge_s[0], data.edge_s[-1], part.stop - part.start)
    expected = sd**2 * np.exp(-np.abs(np.subtract.outer(knots, knots)) / time_s)
    np.testing.assert_allclose(covariance, expected, atol=1e-6 * sd**2)


@pytest.mark.parametrize("name", ["lag", "wind", "pull", "scale"])
def test_single_unknowns_of_a_run_have_their_stated_spread(name: str) -> None:
    data = make_problem().data
    own = local_slices(data)
    covariance = _inverse(local_prior(data, _SPREAD, own))[own[name], own[name]]
    assert float(covariance[0, 0]) ** 0.5 == pytest.approx(getattr(_SPREAD, name), rel=1e-6)


@pytest.mark.parametrize("accel", [True, False])
def test_priors_are_proper(accel: bool) -> None:
    """Every unknown has some prior, so that no session can make the fit singular."""
    problem = make_problem(accel=accel)
    matrix, _ = shared_prior_matrix(problem.layout, PRIOR, _SPREAD)
    assert np.linalg.eigvalsh(matrix).min() > 0.0
    own = local_prior(problem.data, _SPREAD, local_slices(problem.data))
    assert np.linalg.eigvalsh(own).min() > 0.0


def test_the_prior_of_the_first_unknowns_is_as_stated() -> None:
    """Resistance, wind, slope, scale, memory, pitch: independent, with the stated means and sds; the
    pitch's sd is a noise level."""
    spread = replace(_SPREAD, pitch=float(PRIOR.sd[Layout.PITCH]))
    matrix, pull = shared_prior_matrix(make_problem().layout, PRIOR, spread)
    covariance = _inverse(matrix)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)[: Layout.SINGLE]), PRIOR.sd, rtol=1e-9)
    np.testing.assert_allclose((covariance @ pull)[: Layout.SINGLE], PRIOR.mean, atol=1e-9)


def test_neighbouring_gears_are_tied_so_loosely_that_data_decide() -> None:
    """Tractive force may change by a third across a gear change within 3 sd of the prior."""
    knots = (np.linspace(2.0, 11.0, 10), np.linspace(11.0, 20.0, 10))
    layout = Layout(
        gear_knots_mps=knots,
        slope_knots_m=np.zeros(0),
        gravity_share=0.97,
        gear_level_mps2=(3.5, 2.0),
    )
    matrix, _ = shared_prior_matrix(layout, PRIOR, _SPREAD)
    covariance = _inverse(matrix)
    row = np.zeros(layout.size)
    row[layout.gear(1).start], row[layout.gear(0).stop - 1] = 1.0, -1.0
    jump_sd = float(np.sqrt(row @ covariance @ row))
    assert jump_sd > 0.1 * 2.0


def test_what_was_fitted_before_changes_no_digit() -> None:
    """Sessions of one process share what is kept: a run a little longer must not lend its precision."""
    data = make_problem().data
    longer = replace(data, edge_s=data.edge_s[0] + (data.edge_s - data.edge_s[0]) * (1.0 + 2e-7))
    model_prior._unit_precision.cache_clear()
    alone = process_precision(data, "gust", 20)
    model_prior._unit_precision.cache_clear()
    process_precision(longer, "gust", 20)
    assert np.array_equal(process_precision(data, "gust", 20), alone)


def test_without_evidence_a_car_rolls_and_drags_as_published_ones_do() -> None:
    """Where nothing is measured the prior is the answer, and must be one that a driver would give.

    A tonne on ordinary tyres: rolling resistance 1 % of the weight (98 N) within 5 %, so that the slope
    of a road driven one way is not taken for it; at 108 km/h 350 N of air drag within six times as much,
    so that any shape may turn up; a part that grows with speed of 50 N there, which may be negative.
    """
    prior = shared_prior(Site(), accel=True)
    tonne_n, sd_n = 1000.0 * prior.mean[:3], 1000.0 * prior.sd[:3]
    assert tonne_n == pytest.approx([0.0102 * 9806.65, 50.0, 350.0], rel=0.01)
    assert sd_n == pytest.approx([0.051 * 9806.65, 6.0 * 50.0, 2000.0], rel=0.01)


def test_site_and_phone_are_held_likely_as_said() -> None:
    """Wind and slope as [site] says; an accelerometer reads a few percent wrong, a receiver remembers
    some tenths of a second, of which fixes alone show nothing. The pitch of the body is held by its
    level, see below."""
    site = Site(slope=0.002, slope_sd=0.001, wind_mps=-1.0, wind_sd_mps=0.5)
    for accel, memory_sd_s in ((True, 0.2), (False, 0.05)):
        prior = shared_prior(site, accel)
        assert prior.mean[3:] == pytest.approx([-1.0, 0.002, 0.0, 0.3, 0.0])
        assert prior.sd[3:-1] == pytest.approx([0.5, 0.001, 0.06, memory_sd_s])
        assert (prior.most_slope, prior.most_wind_mps) == (0.001, 0.5)


@pytest.mark.parametrize(
    ("own", "own_sd"), [(0.0, 0.02), (0.02, 0.01), (-0.05, 0.015), (0.01, 0.1)]
)
def test_the_pitch_is_drawn_to_nothing_as_by_the_mixture(own: float, own_sd: float) -> None:
    """Bodies of which 60 % pitch with an sd of 0.03 degrees at 108 km/h (0.005 m/s2 of gravity) and 40 %
    with one of 0.18 (0.03 m/s2): the mean of the posterior by numerical integration over the pitch."""
    c = np.linspace(-0.5, 0.5, 200001)
    prior = 0.6 * norm.pdf(c, 0.0, 0.005) + 0.4 * norm.pdf(c, 0.0, 0.03)
    posterior = prior * norm.pdf(own, c, own_sd)
    expected = float(np.sum(c * posterior) / np.sum(posterior))
    held = 0.012  # any level that the round before was made with
    variance = 1.0 / (1.0 / own_sd**2 + 1.0 / held**2)
    level = pitch_sd(own * variance / own_sd**2, variance, held)
    assert own * level**2 / (level**2 + own_sd**2) == pytest.approx(expected, rel=1e-3, abs=1e-9)


class _Known:
    """A road load found elsewhere: F(20 m/s) = 140 + 22 + 160 N."""

    f0_n, f1_n_per_mps, f2_n_per_mps2 = 140.0, 1.1, 0.4
    covariance: Array = np.diag([8.0, 0.9, 0.03]) @ np.array(
        [[1.0, -0.5, 0.3], [-0.5, 1.0, -0.6], [0.3, -0.6, 1.0]]
    ) @ np.diag([8.0, 0.9, 0.03])  # fmt: skip


def test_a_known_road_load_keeps_its_forces_and_their_uncertainty() -> None:
    """In the model's terms (per effective mass, at 30 m/s) and back: force and sd at any speed."""
    precision, mean = known_prior(
        _Known(),
        Vehicle(mass_kg=1400.0, mass_sd_kg=1.0, rotating_mass_kg=50.0, rotating_mass_sd_kg=1.0),
    )
    assert precision is not None
    covariance = _inverse(precision)
    for speed_mps in (5.0, 20.0, 35.0):
        basis, ours = speed_mps ** np.arange(3), (speed_mps / 30.0) ** np.arange(3)
        force_n = 140.0 + 1.1 * speed_mps + 0.4 * speed_mps**2
        assert 1450.0 * float(ours @ mean) == pytest.approx(force_n)
        sd_n = float(np.sqrt(basis @ _Known.covariance @ basis))
        # the floor of a known road load is 1450 kg x 3e-5 m/s2, 0.05 N
        assert 1450.0 * float(np.sqrt(ours @ covariance @ ours)) == pytest.approx(sd_n, rel=1e-3)


def test_a_road_load_known_exactly_is_still_a_proper_prior() -> None:
    class Exact(_Known):
        covariance: Array = np.zeros((3, 3))

    precision, mean = known_prior(
        Exact(),
        Vehicle(mass_kg=1400.0, mass_sd_kg=1.0, rotating_mass_kg=50.0, rotating_mass_sd_kg=1.0),
    )
    assert precision is not None
    assert np.linalg.eigvalsh(precision).min() > 0.0
    assert mean[0] == pytest.approx(140.0 / 1450.0)
    nothing, no_mean = known_prior(
        None,
        Vehicle(mass_kg=1400.0, mass_sd_kg=1.0, rotating_mass_kg=50.0, rotating_mass_sd_kg=1.0),
    )
    assert nothing is None
    assert not no_mean.any()


@pytest.mark.parametrize(
    ("name", "sd"),
    [
        ("start_speed", 3.0),
        # of a phone whose seat is off by 4.7 degrees: g sin 4.7
        ("offset", 9.80665 * float(np.sin(np.radians(4.68)))),
        # between two gears and on the brake: up to 3 m/s2 either way
        ("free", 3.0),
    ],
)
def test_what_nothing_is_known_of_has_room(name: str, sd: float) -> None:
    data = make_problem().data
    own = local_slices(data)
    found = np.sqrt(np.diag(_inverse(local_prior(data, _SPREAD, own)))[own[name]])
    assert found == pytest.approx(sd, rel=2e-3)


def test_a_run_from_rest_starts_at_a_standstill() -> None:
    """Within what a car creeps while it seems to stand, 0.1 m/s; else at the speed first seen."""
    rolling = make_problem().data
    resting = replace(rolling, from_rest=True)
    own = local_slices(rolling)
    start = own["start_speed"].start
    sd = np.sqrt(np.diag(_inverse(local_prior(resting, _SPREAD, own))))[start]
    assert sd == pytest.approx(0.1)
    assert local_prior_mean(resting)[start] == 0.0
    assert local_prior_mean(rolling)[start] == rolling.first_path_mps[0]
    assert np.count_nonzero(local_prior_mean(rolling)) == 1


# ---- the road's slope about its mean --------------------------------------------------------------

#: (shortest, longest [m], variance) of the waves of which the profile is made; in each all lengths
#: alike per octave.
_BANDS = ((120.0, 600.0, 1.0), (600.0, 6000.0, 0.12))
_LEVELS = replace(_SPREAD, slope=1.0, slope_long=float(np.sqrt(0.12)))


def _slope_covariance(place_m: Array) -> Array:
    layout = Layout(gear_knots_mps=(), slope_knots_m=place_m, gravity_share=0.97)
    return _inverse(slope_precision(layout, _LEVELS))


def test_slopes_at_two_places_are_as_alike_as_waves_of_all_lengths_make_them() -> None:
    """Mean of cos(2 pi d / length) over the logarithm of the length: a difference of cosine integrals.

    Forty lengths stand for the integral, whose last and first count in full instead of half: within
    0.03 of a variance of 1.
    """
    place = np.arange(0.0, 601.0, 60.0)
    away = np.maximum(np.abs(np.subtract.outer(place, place)), 1e-6)
    expected = sum(
        share
        * (sici(2.0 * np.pi * away / shortest)[1] - sici(2.0 * np.pi * away / longest)[1])
        / np.log(longest / shortest)
        for shortest, longest, share in _BANDS
    )
    np.testing.assert_allclose(_slope_covariance(place), expected, atol=0.03)


@pytest.mark.parametrize("length_m", [1500.0, 2400.0, 3000.0])
def test_a_long_road_differs_little_from_its_mean_slope(length_m: float) -> None:
    """Variance of the slope's mean over a road: sinc^2(road / wave) over all waves, by quadrature."""

    def share(log_wave: float) -> float:
        return float(np.sinc(length_m / np.exp(log_wave)) ** 2)

    expected = sum(
        part * quad(share, np.log(low), np.log(high), limit=400)[0] / np.log(high / low)
        for low, high, part in _BANDS
    )
    place = np.arange(0.0, length_m + 1.0, 60.0)
    weight = np.ones(place.size)
    weight[[0, -1]] = 0.5
    weight /= weight.sum()
    # forty lengths for the integral: 1 to 2 % here
    assert weight @ _slope_covariance(place) @ weight == pytest.approx(expected, rel=0.03)


def test_the_slope_profile_has_the_spread_that_is_learnt() -> None:
    layout = make_problem().layout
    spread = replace(_SPREAD, slope=0.004, slope_long=0.003)
    covariance = _inverse(shared_prior_matrix(layout, PRIOR, spread)[0])
    sd = np.sqrt(np.diag(covariance)[layout.slope])
    assert sd == pytest.approx(0.005, rel=1e-3)  # the two bands add in squares


def test_a_road_of_any_length_has_a_proper_prior() -> None:
    """Of 24 km at knots of 60 m: far more knots than waves, so that something else must hold some."""
    precision = slope_precision(
        Layout(gear_knots_mps=(), slope_knots_m=60.0 * np.arange(401.0), gravity_share=0.97),
        _LEVELS,
    )
    assert np.linalg.eigvalsh(precision).min() > 0.0


# ---- tractive curves ------------------------------------------------------------------------------


def test_bend_is_the_integral_of_the_squared_second_derivative() -> None:
    """Of c v^2 / 2 over n knots h apart: c^2 (n - 2) h, in units of (level / speed^1.5)^2."""
    knots = np.linspace(8.0, 20.0, 13)
    for level_mps2 in (2.0, 5.0):
        curve = 0.5 * 0.07 * knots**2
        unit = level_mps2 / 14.0**1.5
        found = curve @ bend_precision(knots, level_mps2) @ curve
        assert found == pytest.approx(0.07**2 * 11 * 1.0 / unit**2)
        # half the spacing, the same curve: the same integral but for the two ends
        fine = np.linspace(8.0, 20.0, 25)
        curve = 0.5 * 0.07 * fine**2
        assert curve @ bend_precision(fine, level_mps2) @ curve == pytest.approx(
            0.07**2 * 23 * 0.5 / unit**2
        )


def test_bend_of_one_engine_is_the_same_in_any_gear() -> None:
    """In a gear 1.6 times as long: speeds times 1.6, forces over 1.6, and the same spread of bend."""
    knots = np.linspace(8.0, 20.0, 13)
    curve = 2.0 - 0.01 * (knots - 12.0) ** 2
    short = curve @ bend_precision(knots, 2.0) @ curve
    long = (curve / 1.6) @ bend_precision(1.6 * knots, 2.0 / 1.6) @ (curve / 1.6)
    assert long == pytest.approx(short)


def test_without_evidence_the_force_falls_over_a_gear_as_engines_have_it() -> None:
    """Between constant force and constant power: over the gear by 0.4 within 0.6 of T / v."""
    knots = np.linspace(8.0, 20.0, 13)
    layout = Layout(
        gear_knots_mps=(knots,),
        slope_knots_m=np.zeros(0),
        gravity_share=0.97,
        gear_level_mps2=(2.0,),
    )
    matrix, pull = shared_prior_matrix(layout, PRIOR, _SPREAD)
    covariance = _inverse(matrix)
    across = np.zeros(layout.size)
    across[layout.gear(0).stop - 1], across[layout.gear(0).start] = 1.0 / 12.0, -1.0 / 12.0
    unit = 2.0 / 14.0
    assert across @ covariance @ pull == pytest.approx(-0.4 * unit, rel=1e-6)
    # a ten-thousandth of level and line is held beside it, lest a gear without data be free
    assert np.sqrt(across @ covariance @ across) == pytest.approx(0.6 * unit, rel=1e-3)


def test_without_evidence_power_keeps_to_nine_tenths_over_a_gear_change() -> None:
    """Within 0.15 of the next gear's level, for each change."""
    knots = (np.linspace(2.0, 11.0, 10), np.linspace(11.0, 20.0, 10), np.linspace(20.0, 32.0, 13))
    levels = (3.5, 2.0, 1.2)
    layout = Layout(
        gear_knots_mps=knots, slope_knots_m=np.zeros(0), gravity_share=0.97, gear_level_mps2=levels
    )
    matrix, pull = shared_prior_matrix(layout, PRIOR, _SPREAD)
    covariance = _inverse(matrix)
    for gear in (0, 1):
        row = np.zeros(layout.size)
        row[layout.gear(gear + 1).start], row[layout.gear(gear).stop - 1] = 1.0, -0.9
        assert row @ covariance @ pull == pytest.approx(0.0, abs=1e-4)
        assert np.sqrt(row @ covariance @ row) == pytest.approx(0.15 * levels[gear + 1], rel=1e-3)
