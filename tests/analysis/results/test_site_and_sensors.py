"""What the fit says about site and sensors, against the truth of simulated sessions."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import pytest
from make_sessions import analysed

from analysis.simulate.phone import PhoneKind

_T = TypeVar("_T")


def _known(value: _T | None) -> _T:
    assert value is not None
    return value


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_wind_and_slope_are_found_within_their_intervals(seed: int) -> None:
    outcome, truth = analysed(seed)
    site = outcome.site
    assert abs(site.wind_mps - truth.wind_mps) < 4.0 * site.wind_sd_mps
    assert site.wind_sd_mps < 1.0  # two pairs tell the wind far better than the prior's 3 m/s
    assert abs(site.slope - truth.slope) < 4.0 * site.slope_sd
    assert site.slope_sd < 0.001


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_the_slope_profile_is_that_of_the_road(seed: int) -> None:
    """Some twenty independent places per road: mean square of z below 2.3 but once in a thousand."""
    outcome, truth = analysed(seed)
    site = outcome.site
    true = np.interp(site.slope_profile_place_m, truth.slope_place_m, truth.slope_profile)
    z = (site.slope_profile - true) / site.slope_profile_sd
    assert float(np.mean(z**2)) < 2.3
    # it says more than the mean does
    assert np.std(site.slope_profile - true) < 0.8 * np.std(true)


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_lag_rate_and_scale_of_each_recording(seed: int) -> None:
    outcome, truth = analysed(seed)
    for sensor, log in zip(outcome.sensors, truth.logs, strict=True):
        assert abs(_known(sensor.gps_lag_s) - log.gps_lag_s) < 4.0 * _known(sensor.gps_lag_sd_s)
        assert _known(sensor.gps_lag_sd_s) < 0.15
        assert _known(sensor.accel_rate_hz) == pytest.approx(log.accel_hz, rel=0.02)
        assert _known(sensor.gps_rate_hz) == pytest.approx(1.0, rel=0.01)
        # squat of 1 to 5 % told from the sensor's gain together: good to a per cent
        assert _known(sensor.accel_scale) == pytest.approx(log.accel_scale, abs=0.012)
        noise = float(np.hypot(log.gps_white_mps, log.gps_slow_mps))
        assert _known(sensor.gps_noise_mps) == pytest.approx(noise, rel=0.35)


@pytest.mark.parametrize("phone", ["clean", "gps-only"])
def test_residuals_look_like_the_receivers_noise(phone: PhoneKind) -> None:
    """GPS minus model: no offset, and spread as the receiver's own noise."""
    outcome, truth = analysed(2, phone=phone)
    for one in outcome.residuals:
        log = truth.logs[one.log]
        noise = float(np.hypot(log.gps_white_mps, log.gps_slow_mps))
        assert one.residual_mps.shape == one.time_s.shape == one.speed_mps.shape
        assert len(one.phase) == one.time_s.size
        assert set(one.phase) <= {"pull", "coast", "other"}
        assert abs(float(np.median(one.residual_mps))) < 0.5 * noise
        # over a hundred fixes per run
        assert float(np.std(one.residual_mps)) < 1.5 * noise
        assert float(np.std(one.residual_mps)) > 0.5 * noise


@pytest.mark.parametrize("seed", [1, 5])
def test_coast_forces_lie_about_the_true_road_load(seed: int) -> None:
    """Still-air level-road points for the eye: no bias at low or high speed."""
    outcome, truth = analysed(seed)
    points = outcome.coast_forces
    miss = points[:, 2] - truth.force_n(points[:, 1])
    for half in (points[:, 1] < np.median(points[:, 1]), points[:, 1] >= np.median(points[:, 1])):
        level = float(np.mean(truth.force_n(points[half, 1])))
        # points are drawn with the fit's own slope, wind and sensor errors, and so share its error
        sd = float(np.mean(_known(outcome.road_load).force_sd_n(points[half, 1])))
        assert abs(float(np.mean(miss[half]))) < 0.01 * level + 2.0 * sd
    assert set(points[:, 0]) == {float(run.number) for run in outcome.runs}
    low, high = _known(outcome.road_load).speed_range_mps
    assert np.all((points[:, 1] >= low) & (points[:, 1] <= high))
