"""The smoother against a dense Gaussian posterior, and the curves of made-up logs with known motion.

What a good tool does with the files in ``data/cases`` is stated beside each check; truths as given
with the files.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from statsmodels.tsa.statespace.mlemodel import MLEModel

from analysis.signals import alone as alone_module
from analysis.signals import levels as levels_module
from analysis.signals.alone import smooth_fixes
from analysis.signals.gps import HOLE_S
from analysis.signals.lag import integral_at
from analysis.signals.levels import Levels, learn_levels
from analysis.signals.smoothing import Smoothed, fuse, smooth_speed
from logger.reading import read, read_log
from logger.recording import Channel, Clock, Recording

Array = NDArray[np.float64]
CASES = Path(__file__).resolve().parents[2] / "data" / "cases"


def _recording(**channels: tuple[Array, Array]) -> Recording:
    return Recording(
        channels=tuple(
            Channel(name=name, t_s=t_s, values=values) for name, (t_s, values) in channels.items()
        ),
        clocks=(Clock(kind="elapsed", epoch_s=None, described="made"),),
    )


def _dense_posterior(
    dt: Array,
    gain: Array,
    fix: Array,
    *,
    r: float,
    walk_v: float,
    walk_b: float,
    first_b: float,
    first_k: float = 1e-12,
) -> tuple[Array, Array]:
    """Mean and covariance of v_0, b_0, v_1, b_1, ..., k from the joint precision matrix, built by hand.

    v' = v + (1 + k) gain - b dt and b' = b, plus a Gaussian walk with the covariance of white noise of
    densities `walk_v` on dv/dt and `walk_b` on db/dt integrated over the step; every fix reads v.
    The first fix is also all that is known of v_0 before.
    """
    n = fix.size
    precision, right = np.zeros((2 * n + 1, 2 * n + 1)), np.zeros(2 * n + 1)
    precision[1, 1] += 1.0 / first_b
    precision[-1, -1] += 1.0 / first_k
    for i in range(n):
        precision[2 * i, 2 * i] += 1.0 / r
        right[2 * i] += fix[i] / r
    for i, step in enumerate(dt):
        move = np.array([[1.0, -step], [0.0, 1.0]])
        cross = -walk_b * step**2 / 2.0
        noise = np.array([[walk_v * step + walk_b * step**3 / 3.0, cross], [cross, walk_b * step]])
        rows = np.zeros((2, 2 * n + 1))
        rows[:, 2 * i : 2 * i + 2] = -move
        rows[:, 2 * i + 2 : 2 * i + 4] = np.eye(2)
        rows[0, -1] = -gain[i]
        weight = np.linalg.inv(noise)
        precision += rows.T @ weight @ rows
        right += rows.T @ weight @ np.array([gain[i], 0.0])
    covariance: Array = np.asarray(np.linalg.inv(precision), dtype=np.float64)
    return covariance @ right, covariance


def _irregular(rng: np.random.Generator, count: int) -> Array:
    return np.cumsum(rng.choice([0.05, 0.2, 0.9, 1.0, 2.3], count))


def _check_same(smooth: Smoothed, mean: Array, covariance: Array) -> None:
    # same Gaussian, two orders of arithmetic: rounding only
    np.testing.assert_allclose(smooth.speed_mps, mean[0:-1:2], rtol=1e-7, atol=1e-7)
    np.testing.assert_allclose(smooth.offset_mps2, mean[1:-1:2], rtol=1e-6, atol=1e-7)
    np.testing.assert_allclose(smooth.speed_var, np.diag(covariance)[0:-1:2], rtol=1e-5)
    np.testing.assert_allclose(smooth.offset_var, np.diag(covariance)[1:-1:2], rtol=1e-5)


_LEVELS = Levels(fix_sd_mps=0.12, vibration=0.04, wander=0.07)


def test_with_an_accelerometer_the_smoother_is_the_dense_posterior() -> None:
    rng = np.random.default_rng(11)
    t = _irregular(rng, 40)
    forward = 10.0 + 6.0 * np.sin(t / 7.0)
    fix = 1.02 * forward + 0.1 * t * 0.05 + 0.12 * rng.standard_normal(t.size)
    smooth = smooth_speed(t, fix, forward, _LEVELS)
    mean, covariance = _dense_posterior(
        np.diff(t),
        np.diff(forward),
        fix,
        r=_LEVELS.fix_sd_mps**2,
        walk_v=_LEVELS.vibration**2,
        walk_b=_LEVELS.wander**2,
        first_b=levels_module._OFFSET_SD**2,
        first_k=levels_module._SCALE_SD**2,
    )
    _check_same(smooth, mean, covariance)
    assert smooth.scale == pytest.approx(1.0 + mean[-1], abs=1e-7)


def test_a_long_hole_forgets_speed_and_offset_but_not_the_scale() -> None:
    """Two pieces an hour apart: each is smoothed as it would be alone, were the scale known."""
    rng = np.random.default_rng(12)
    t = np.arange(0.0, 60.0)
    forward = 10.0 + 6.0 * np.sin(t / 7.0)
    fix = forward + 0.12 * rng.standard_normal((2, t.size))
    both = smooth_speed(np.concatenate([t, t + 3600.0]), fix.ravel(), np.tile(forward, 2), _LEVELS)
    alone = [smooth_speed(t, one, forward, _LEVELS) for one in fix]
    # a scale known to 0.5 % at 6 m/s of change about the mean is 3 cm/s, a third of a smoothed sd
    np.testing.assert_allclose(
        both.speed_mps, np.concatenate([one.speed_mps for one in alone]), atol=0.04
    )
    edges = slice(t.size - 1, t.size + 1)
    ends = [alone[0].speed_var[-1], alone[1].speed_var[0]]
    np.testing.assert_allclose(both.speed_var[edges], ends, rtol=0.05)


def test_without_one_the_smoother_is_the_dense_posterior_of_the_likeliest_wander() -> None:
    """The wander of the acceleration is the one of the tried ones whose marginal likelihood is largest.

    Likelihoods from statsmodels' state-space filter (test-only reference).
    """
    rng = np.random.default_rng(12)
    t = _irregular(rng, 60)
    fix = 12.0 + 8.0 * np.sin(t / 9.0) + 0.1 * rng.standard_normal(t.size)
    smooth = smooth_fixes(t, fix)
    variance = smooth.fix_sd_mps**2
    dt, likelihoods = np.diff(t), []
    for wander in alone_module._JERK_GRID:
        ratio = (wander / 0.1) ** 2
        model = MLEModel(fix, k_states=2, k_posdef=2)
        model["design"] = np.array([[1.0, 0.0]])
        model["obs_cov"] = np.array([[1.0]])
        model["selection"] = np.eye(2)
        steps = np.append(dt, 1.0)
        one, nil = np.ones(steps.size), np.zeros(steps.size)
        model["transition"] = np.array([[one, -steps], [nil, one]])
        model["state_cov"] = ratio * np.array(
            [[steps**3 / 3.0, -(steps**2) / 2.0], [-(steps**2) / 2.0, steps]]
        )
        model.ssm.initialize_known(np.array([fix[0], 0.0]), np.diag([1e9, 1e6]))
        found = model.ssm.filter()
        surprise, total = found.forecasts_error[0, 1:], found.forecasts_error_cov[0, 0, 1:]
        # concentrated over the common noise variance, whose estimate is the mean square
        noise = float(np.sum(surprise**2 / total)) / (t.size - 2)
        likelihoods.append(-(t.size - 2) * np.log(noise) - float(np.sum(np.log(total))))
    wander = float(alone_module._JERK_GRID[int(np.argmax(likelihoods))])
    mean, covariance = _dense_posterior(
        dt,
        np.zeros(dt.size),
        fix,
        r=variance,
        walk_v=0.0,
        walk_b=(wander / 0.1) ** 2 * variance,
        first_b=1e6 * variance,
    )
    _check_same(smooth, mean, covariance)


def _honest(misses: list[Array], sds: list[Array]) -> float:
    """Mean square of misses in units of their stated sd."""
    return float(np.mean((np.concatenate(misses) / np.concatenate(sds)) ** 2))


def test_without_accelerometer_speed_sd_is_honest() -> None:
    """Motion drawn from the smoother's own kind: an acceleration that wanders."""
    misses, sds = [], []
    for seed in range(40):
        rng = np.random.default_rng([13, seed])
        t = np.arange(0.0, 60.0)
        accel = np.cumsum(0.2 * rng.standard_normal(t.size * 50)) * np.sqrt(1 / 50)
        speed = 30.0 + np.cumsum(accel) / 50
        truth = speed[::50]
        smooth = smooth_fixes(t, truth + 0.1 * rng.standard_normal(t.size))
        misses.append(smooth.speed_mps - truth)
        sds.append(np.sqrt(smooth.speed_var))
    # 40 records of about 20 independent speeds: sd of the mean square 5 %; the noise level itself
    # is learnt from 60 fixes on a grid of wanders a factor 2 to 3 apart, some 15 % of the variance
    assert 0.75 < _honest(misses, sds) < 1.3


@pytest.mark.parametrize(
    "levels",
    [(0.06, 0.03, 0.05), (0.1, 0.03, 0.15), (0.3, 0.1, 0.05)],
    ids=["fine", "hilly", "rough"],
)
def test_with_an_accelerometer_levels_lag_and_speed_sd_are_honest(
    levels: tuple[float, float, float],
) -> None:
    """Offset and vibration wander as the smoother takes them to, at levels that it must learn."""
    noise, vibration, wander = levels
    misses, sds, found, lags = [], [], [], []
    for seed in range(30):
        rng = np.random.default_rng([14, seed])
        n = 180 * 20
        fine = np.arange(n) / 20
        walk = np.cumsum(rng.standard_normal(n)) * np.sqrt(1 / 20)
        offset = 0.3 * rng.standard_normal() + wander * walk
        forward = 0.75 * np.cos(fine / 8.0) + 0.5 * np.sin(fine / 3.0)
        shake = vibration * np.sqrt(20.0) * rng.standard_normal(n)
        truth = 30.0 + np.cumsum(forward - offset + shake) / 20
        lag_s = float(rng.uniform(0.0, 2.0))
        t = np.arange(3.0, 175.0)
        fix = np.interp(t - lag_s, fine, truth) + noise * rng.standard_normal(t.size)
        learnt = learn_levels(t, fix, fine, forward)
        node_s = t - learnt.lag_s
        integral = integral_at(node_s, fine, forward[:, None])[:, 0]
        smooth = smooth_speed(node_s, fix, integral, learnt.levels)
        # at the moments that the fixes were true at: the sd leaves out the lag, which has its own
        misses.append(smooth.speed_mps - np.interp(t - lag_s, fine, truth))
        sds.append(np.sqrt(smooth.speed_var))
        found.append(smooth.fix_sd_mps)
        lags.append((learnt.lag_s - lag_s) / learnt.lag_sd_s)
    # 172 fixes per record: a level is good to 6 %, their mean to 1 %; vibration and wander can stand
    # in for it, the grid has steps of 12 % to either side, and what is usual of levels pulls at them
    assert float(np.mean(found)) == pytest.approx(noise, rel=0.15)
    # 30 records of 60 to 170 independent speeds: the mean square is good to 4 %; the lag's error
    # (some hundredths of a second at 1 m/s2) and the levels' own add to it
    assert 0.75 < _honest(misses, sds) < 1.5
    # mean square of 30 normal variables: 99.9 % within 0.38 to 2.0
    assert 0.38 < float(np.mean(np.square(lags))) < 2.0


def test_an_exact_ramp_has_its_acceleration_at_every_time_and_both_ends() -> None:
    """Expected: 2.000 m/s2 (+/- 0.001) at every time including both ends, on unequal steps."""
    fused, _ = fuse(read(CASES / "first" / "ramp_two_mps2_irregular_times.csv"))
    assert fused.curve is not None
    assert fused.curve.time_s[0] == 0.0
    assert fused.curve.time_s[-1] == 7.0
    np.testing.assert_allclose(fused.curve.accel_mps2, 2.0, atol=0.001)
    np.testing.assert_allclose(fused.curve.speed_mps, 5.0 + 2.0 * fused.curve.time_s, atol=0.001)
    assert np.all(fused.curve.speed_sd_mps > 0.0)


def test_a_noisy_ramp_on_changing_steps() -> None:
    """Expected: mean 1.20 +/- 0.01 m/s2; speed error at most 0.05 m/s rms, below the filtered 0.076.

    Truth: 8 + 1.2 t (the file's noise is 0.15 m/s).
    """
    fused, _ = fuse(read(CASES / "first" / "ramp_1p2_mps2_noisy_irregular.csv"))
    assert fused.curve is not None
    assert float(np.mean(fused.curve.accel_mps2)) == pytest.approx(1.20, abs=0.01)
    miss = fused.curve.speed_mps - (8.0 + 1.2 * fused.curve.time_s)
    assert float(np.sqrt(np.mean(miss**2))) <= 0.05
    assert np.all(np.abs(fused.curve.accel_mps2 - 1.2) < 0.5)


def test_a_hole_in_a_pull_stays_a_hole() -> None:
    """Expected: two pieces (0-6.0 s, 15.1-19.9 s), nothing inside the hole; a = 1.5 - 0.04 t."""
    recording = read(CASES / "first" / "csv_nine_second_gap_in_pull.csv")
    fused, _ = fuse(recording)
    curve = fused.curve
    assert curve is not None
    inside = (curve.time_s > 6.05) & (curve.time_s < 15.05)
    outside = (curve.time_s < 5.95) | (curve.time_s > 15.05)
    assert inside.sum() > 20
    assert outside.sum() > 50
    for column in (curve.speed_mps, curve.speed_sd_mps, curve.accel_mps2, curve.accel_sd_mps2):
        assert np.isnan(column[inside]).all()
        assert np.isfinite(column[outside]).all()
    truth = 1.5 - 0.04 * curve.time_s[outside]
    # speeds are written to 1 mm/s every 0.1 s: rounding sd 0.3 mm/s, one acceleration knot per fix;
    # the ends of the pieces are the loosest
    np.testing.assert_allclose(curve.accel_mps2[outside], truth, atol=0.05)
    assert any(finding.kind == "hole" and finding.line == 62 for finding in recording.findings)


def test_sparse_fixes_among_dense_acceleration_are_all_there() -> None:
    """Expected: 7 GPS speeds and 100 accelerations; speed 10 + 2 t, acceleration 2.00."""
    recording = read(CASES / "second" / "csv_sparse_gps_dense_accel.csv")
    fused, _ = fuse(recording)
    assert fused.fixes.t_s.size == 7
    assert fused.curve is not None
    np.testing.assert_allclose(fused.curve.accel_mps2, 2.0, atol=0.005)
    np.testing.assert_allclose(fused.curve.speed_mps, 10.0 + 2.0 * fused.curve.time_s, atol=0.005)


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_sign_and_unit_of_acceleration_do_not_change_the_answer(order: tuple[int, int]) -> None:
    """Expected: both files the same answer, forward +3.0 m/s2 (+/- 0.05) at 5 s."""
    found = []
    for kind in ("plus_g_in_mps2", "minus_g_in_g"):
        files = [
            CASES / "first" / "accel_rest_then_pull_gps.csv",
            CASES / "first" / f"accel_rest_then_pull_{kind}.csv",
        ]
        fused, _ = fuse(read_log([files[i] for i in order]))
        assert fused.curve is not None
        found.append(float(np.interp(5.0, fused.curve.time_s, fused.curve.accel_mps2)))
    assert found[0] == pytest.approx(3.0, abs=0.05)
    assert found[1] == pytest.approx(found[0], abs=0.005)  # g in the file has 4 decimals


def test_one_long_hole_is_never_bridged_without_acceleration() -> None:
    t = np.concatenate([np.arange(0.0, 30.0), np.arange(30.0 + HOLE_S + 0.5, 60.0)])
    fused, _ = fuse(_recording(speed_mps=(t, 10.0 + 0.3 * t)))
    assert fused.curve is not None
    inside = (fused.curve.time_s > 29.1) & (fused.curve.time_s < 30.4 + HOLE_S)
    outside = (fused.curve.time_s < 28.9) | (fused.curve.time_s > 30.6 + HOLE_S)
    assert inside.any()
    assert np.isnan(fused.curve.speed_mps[inside]).all()
    assert np.isfinite(fused.curve.speed_mps[outside]).all()


def test_a_short_step_is_bridged() -> None:
    t = np.delete(np.arange(0.0, 60.0), [20, 21])
    fused, _ = fuse(_recording(speed_mps=(t, 10.0 + 0.3 * t)))
    assert fused.curve is not None
    assert np.isfinite(fused.curve.speed_mps).all()


@pytest.mark.parametrize("count", [0, 2, 3])
def test_too_few_fixes_give_no_curve_and_say_so(count: int) -> None:
    t = np.arange(float(count))
    channels = {"speed_mps": (t, 10.0 + t)} if count else {}
    fused, findings = fuse(_recording(**channels), log=3)
    assert fused.curve is None
    said = [finding for finding in findings if finding.kind == "too_few_fixes"]
    assert len(said) == 1
    assert said[0].log == 3
    assert str(count) in said[0].text


def test_a_standing_phone_gives_a_curve_of_zeros() -> None:
    t = np.arange(0.0, 20.0)
    fused, _ = fuse(_recording(speed_mps=(t, np.zeros(t.size))))
    assert fused.curve is not None
    np.testing.assert_allclose(fused.curve.speed_mps, 0.0, atol=1e-9)
    assert np.all(fused.curve.speed_sd_mps > 0.0)
    assert np.isfinite(fused.curve.accel_sd_mps2).all()


def test_place_is_the_integral_of_speed() -> None:
    t = np.arange(0.0, 40.0)
    fused, _ = fuse(_recording(speed_mps=(t, 5.0 + 0.5 * t)))
    assert fused.curve is not None
    expected = 5.0 * fused.curve.time_s + 0.25 * fused.curve.time_s**2
    # the noise floor of 2 cm/s lets the ramp's speed be off by mm/s
    np.testing.assert_allclose(fused.curve.place_m, expected, atol=0.2)


def test_the_same_recording_gives_the_same_curve() -> None:
    t = np.arange(0.0, 40.0)
    speed = 5.0 + 0.5 * t + 0.1 * np.random.default_rng(3).standard_normal(t.size)
    first, _ = fuse(_recording(speed_mps=(t, speed)))
    second, _ = fuse(_recording(speed_mps=(t, speed)))
    assert first.curve is not None
    assert second.curve is not None
    assert np.array_equal(first.curve.speed_mps, second.curve.speed_mps)
