"""The whole chain on simulated sessions of known truth: errors as small and intervals as honest as promised.

A short form of `benchmarks/accuracy.py`, which has more sessions, an oracle and the ways of
practitioners. The truth comes from `analysis.simulate.session`, which shares no physics with the estimator
(a test in test_simulate.py says so) and draws the true masses from their stated sd.

False alarms. Errors of N sessions are taken for independent and normal. Where the true rms error
is just the goal G, the sum of (error / G)^2 is chi-square with N degrees of freedom; the limit is its
1 - ALPHA quantile, so an estimator that just meets a goal fails that check for one set of seeds in
2000. The sum of (error / sd)^2 over all two-way sessions (N = 15) must lie between the ALPHA quantiles
on both sides. With the 16 + 4 + 2 checks below, another set of seeds would fail an estimator that just
meets all goals with honest intervals in at most 22 x 0.0005 = 1.1 % of cases; the seeds are fixed, so a
result changes only when the code does. What the checks can see: intervals half as wide as they
should be are caught four times in five, twice as wide one time in three (chi-square with 15
degrees of freedom); finer than that is the business of the benchmark with its 200 sessions.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from make_drives import calm_site
from numpy.typing import NDArray
from scipy.stats import binom, chi2

BENCHMARKS = Path(__file__).resolve().parents[1] / "benchmarks"
sys.path.insert(0, str(BENCHMARKS))

from accuracy_cases import CASES, SPEEDS_KMH, Opened, analysed, opened
from accuracy_scores import Estimate, Score, estimate_of, score, scored
from accuracy_table import binomial_band, rows, table
from make_sessions import recordings_of
from rivals import RIVALS

from analysis.simulate.phone import draw_phone
from analysis.simulate.session import simulate_session
from logger.errors import PullcoastError
from logger.session.session import read_session

Floats = NDArray[np.float64]

ALPHA = 0.0005
#: Sessions per case and their first seed: as many as a test run has time for.
SESSIONS = {"clean": (4, 301), "one-pair": (6, 321), "gps-only": (3, 341), "rough": (2, 361)}
QUANTITIES = (*(f"road load at {kmh:.0f} km/h" for kmh in SPEEDS_KMH), "peak wheel power")


@cache
def judged(case: str) -> tuple[Score, ...]:
    """Simulate and analyse a case's sessions, once for all tests."""
    count, first = SESSIONS[case]
    found = []
    for seed in range(first, first + count):
        with TemporaryDirectory() as folder:
            one, _ = opened(CASES[case], seed, Path(folder) / "session")
        found.append(scored("ours", case, seed, one, lambda one: estimate_of(analysed(one))))
    return tuple(found)


def errors_and_sds(case: str, quantity: str) -> tuple[Floats, Floats]:
    scores = judged(case)
    assert [one.refusal for one in scores] == [""] * len(scores)
    if quantity == "peak wheel power":
        pairs = [(one.peak_error, one.peak_sd) for one in scores]
    else:
        at = QUANTITIES.index(quantity)
        pairs = [(one.load_error[at], one.load_sd[at]) for one in scores]
    columns = np.array(pairs, dtype=np.float64)
    return columns[:, 0], columns[:, 1]


@pytest.mark.parametrize("quantity", QUANTITIES)
@pytest.mark.parametrize("case", SESSIONS)
def test_errors_are_as_small_as_promised(case: str, quantity: str) -> None:
    """Protects the accuracy: chi-square limit about the goals of `accuracy_cases`, see above."""
    errors, _ = errors_and_sds(case, quantity)
    loads, at = CASES[case].load_goal, QUANTITIES.index(quantity)
    assert loads is not None
    goal = CASES[case].peak_goal if at == len(loads) else loads[at]
    assert goal is not None
    limit = goal * np.sqrt(chi2.ppf(1.0 - ALPHA, errors.size) / errors.size)
    rms = float(np.sqrt(np.mean(errors**2)))
    assert rms <= limit, f"{quantity}: rms {100 * rms:.2f} %, errors {np.round(100 * errors, 2)} %"


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_intervals_are_neither_too_narrow_nor_too_wide(quantity: str) -> None:
    """Protects the stated sd: the errors in units of it are those of a standard normal."""
    both = np.concatenate([errors_and_sds(case, quantity) for case in SESSIONS], axis=1)
    errors, sds = both[0], both[1]
    assert np.all(np.isfinite(sds) & (sds > 0.0))
    squares = float(np.sum((errors / sds) ** 2))
    low, high = (chi2.ppf(share, errors.size) for share in (ALPHA, 1.0 - ALPHA))
    assert low <= squares <= high, f"errors / sd: {np.round(errors / sds, 2)}"


def test_one_direction_leaves_wind_to_its_prior() -> None:
    """Protects one-way sessions from a wind that the data cannot tell.

    Runs in one direction say next to nothing of the wind: only the product with F2 in the part
    of the force that goes with v, where F1 hides it. So what comes out must stay within the prior's
    3 m/s of 0, and the road load's error within what its sd allows: the sum of three sessions'
    (error / sd)^2 at 72 km/h below the 1 - ALPHA quantile of chi-square (no lower limit: the simulator
    draws wind and slope from narrower ranges than the default priors).
    """
    z, winds = [], []
    for seed in (2, 381, 382):
        with TemporaryDirectory() as folder:
            one, _ = opened(CASES["one-way"], seed, Path(folder) / "session")
        outcome = analysed(one)
        found = score("ours", "one-way", seed, one.truth, estimate_of(outcome), 0.0)
        assert not outcome.site.separable
        winds.append(outcome.site.wind_mps)
        z.append(found.load_error[1] / found.load_sd[1])
    assert np.abs(winds).max() < 3.0, winds
    assert float(np.sum(np.square(z))) < chi2.ppf(1.0 - ALPHA, len(z)), z


def test_sessions_are_those_of_the_simulator(tmp_path: Path) -> None:
    """Protects what the oracle knows: road and phone handed over are those drawn without it."""
    one, _ = opened(CASES["one-pair"], 390, tmp_path / "handed")
    drawn = simulate_session(tmp_path / "drawn", seed=390, pairs=1, phone="clean")
    assert one.truth.to_json() == drawn.to_json()
    for name in drawn.logs[0].files:
        handed = (tmp_path / "handed" / name).read_bytes()
        assert handed == (tmp_path / "drawn" / name).read_bytes()


@pytest.fixture(scope="module")
def perfect(tmp_path_factory: pytest.TempPathFactory) -> Opened:
    """Return a session without wind, slope, sensor noise, lag, or error of mass."""
    phone = replace(
        draw_phone(np.random.default_rng(5), "clean", 1.0),
        gps_white_mps=0.0,
        gps_slow_mps=0.0,
        gps_smoothing_s=0.0,
        lag_range_s=(0.0, 0.0),
        lag_wander_s=0.0,
    )
    site, folder = calm_site(), tmp_path_factory.mktemp("perfect")
    truth = simulate_session(folder, seed=5, pairs=1, site=site, sim_phone=phone, exact_mass=True)
    session = read_session(folder)
    recordings = recordings_of(session)
    return Opened(truth, session, recordings, site, phone)


def test_rivals_are_given_their_best(perfect: Opened) -> None:
    """Protects the comparison from straw men: without noise the practitioners' ways are right.

    The trajectory fit solves the very equation that was simulated: 0.3 % is the rounding of a
    logged speed to 0.001 m/s and of times. Differences over 1 s have the truncation error of a
    chord, below 1 %. The three segments know forces at 50, 70 and 90 km/h as means over 20 km/h
    and by straight lines between fixes 1 s apart, which is worth up to 2 % at 50 and 72 km/h.
    """
    for method, tolerance, speeds in (
        ("trajectories", 0.003, slice(0, 3)),
        ("differences", 0.01, slice(0, 3)),
        ("gated sum", 0.02, slice(0, 2)),
    ):
        found = score(method, "perfect", 5, perfect.truth, RIVALS[method](perfect), 0.0)
        assert np.abs(found.load_error[speeds]).max() < tolerance, (method, found.load_error)
        assert found.mean_error is not None
        if method != "gated sum":  # whose sum means neither the mean nor the peak
            assert abs(found.mean_error) < 0.01, method


def test_scores_of_a_known_estimate(perfect: Opened) -> None:
    """Protects the yardstick: an estimate of known error gets that error, no more and no less."""
    truth = perfect.truth
    peak_w = truth.peak_wheel_power_w
    assert peak_w is not None
    speeds = np.array(SPEEDS_KMH) / 3.6
    # three per cent too high everywhere, from curves that stop at the true gears' middles
    curves = tuple(
        (v[: v.size // 2], 1.03 * p[: v.size // 2], 0.015 * p[: v.size // 2])
        for v, p in ((np.array(g.speed_mps), np.array(g.power_w)) for g in truth.wheel_power)
    )
    given = Estimate(
        1.03 * truth.force_n(speeds),
        0.015 * truth.force_n(speeds),
        1.03 * peak_w,
        0.015 * peak_w,
        (1.001 * peak_w, 1.06 * peak_w),
        curves,
    )
    found = score("known", "clean", 1, truth, given, 0.0)
    np.testing.assert_allclose(found.load_error, 0.03, rtol=1e-9)
    np.testing.assert_allclose(found.load_sd, 0.015, rtol=1e-9)
    assert found.peak_error == pytest.approx(0.03)
    assert found.peak_inside is False
    assert found.curve_error == pytest.approx(0.03)
    assert found.curve_z == pytest.approx(2.0)
    assert found.curve_share == pytest.approx(0.5, abs=0.02)  # two halves, to one grid point
    assert found.gears == found.true_gears == len(truth.wheel_power)
    row = rows([found, found], CASES["clean"])[0]
    assert (row.rms, row.bias, row.sd, row.z) == pytest.approx((0.03, 0.03, 0.015, 2.0))
    assert row.passed is False


def test_refusals_and_crashes_are_rows_of_the_table(perfect: Opened) -> None:
    """Protects the table: a session that gives nothing is counted, and a crash is told apart."""

    def refuse(one: Opened) -> Estimate:
        msg = "no coast-down"
        raise PullcoastError(msg)

    def crash(one: Opened) -> Estimate:
        msg = "singular"
        raise ZeroDivisionError(msg)

    scores = [scored("ours", "clean", seed, perfect, by) for seed, by in ((1, refuse), (2, crash))]
    text = "\n".join(table(scores, CASES["clean"]))
    assert "0 sessions analysed, 1 refused, 1 failed" in text
    assert "seed 1: no coast-down" in text
    assert "seed 2: ZeroDivisionError: singular" in text


def test_binomial_band() -> None:
    """Protects the coverage check: by the definition of the binomial distribution, summed here."""
    low, high = binomial_band(0.95, 200, wider=0.0)
    inside = sum(binom.pmf(k, 200, 0.95) for k in range(round(200 * low), round(200 * high) + 1))
    assert 0.99 <= inside < 0.996  # the smallest central band that holds 99 %
    assert binomial_band(0.95, 200) == pytest.approx((low - 0.02, min(1.0, high + 0.02)))
