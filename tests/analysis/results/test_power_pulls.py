"""One pull's own figures against what a hand works out for exact curves: edges, energy, uncertainty.

The vehicle is invented: 970 kg and 30 kg of rotating mass, known to 4 and 3 kg.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from make_noisy import KNOTS_MPS, draw_world, noisy_run
from numpy.typing import NDArray

from analysis.model.fit import SessionFit, fit_session
from analysis.model.parameters import Spread, local_slices
from analysis.results.power import PowerCurve, PullFigures, pull_figures
from analysis.runs.run import Phase, Run
from analysis.signals.smoothing import SpeedCurve
from logger.session.session import Site, Vehicle

Array = NDArray[np.float64]

_VEHICLE = Vehicle(
    mass_kg=970.0,
    mass_sd_kg=4.0,
    rotating_mass_kg=30.0,
    rotating_mass_sd_kg=3.0,
    stated=("mass_uncertainty", "rotating_mass", "rotating_mass_uncertainty"),
)
_POWER = PowerCurve(
    gears=(),
    peak_w=60e3,
    peak_sd_w=600.0,
    peak_ci95_w=(58.8e3, 61.2e3),
    peak_speed_mps=20.0,
    budget_w={},
)
#: Resistance at 30 m/s per effective mass [m/s2], wind against up [m/s], slope.
_R0, _R1, _R2, _WIND, _SLOPE = 0.10, 0.06, 0.30, 2.0, 0.01
_OWN_WIND, _STRONGER = 0.5, 0.02


@pytest.fixture(scope="module")
def fit() -> SessionFit:
    """A fit in which what a pull's figures need is known by heart."""
    rng = np.random.default_rng(96)
    world = draw_world(rng, Spread(), wind_sd=1.0, slope_sd=0.002)
    runs = [noisy_run(rng, world, Spread(), number=0, direction=1)]
    found = fit_session(runs, KNOTS_MPS, _VEHICLE, Site(), start=Spread(), hold_spread=True)
    layout = found.layout
    shared = found.shared.copy()
    shared[:3] = _R0, _R1, _R2
    shared[layout.WIND], shared[layout.SLOPE] = _WIND, _SLOPE
    shared[layout.slope] = 0.0
    own = local_slices(runs[0])
    local = found.states[0].local.copy()
    local[own["wind"]], local[own["pull"]] = _OWN_WIND, _STRONGER
    covariance = np.zeros_like(found.covariance)
    covariance[0, 0] = 0.02**2
    state = replace(found.states[0], local=local)
    return replace(found, shared=shared, covariance=covariance, states=(state,))


def _curve(speed_at: Callable[[Array], Array], end_s: float, step_s: float = 0.01) -> SpeedCurve:
    t = np.arange(0.0, end_s, step_s)
    v, few = np.asarray(speed_at(t), dtype=np.float64), np.full(t.size, 0.1)
    return SpeedCurve(
        log=0,
        time_s=t,
        speed_mps=v,
        speed_sd_mps=few,
        accel_mps2=np.gradient(v, t),
        accel_sd_mps2=few,
        place_m=np.cumsum(v) * step_s,
    )


def _steady(t: Array) -> Array:
    """10 m/s until 2 s, then 2 m/s2 up to 20 m/s at 7 s, kept."""
    return np.clip(10.0 + 2.0 * (t - 2.0), 10.0, 20.0)


def _figures(
    fit: SessionFit,
    curve: SpeedCurve,
    start_s: float,
    end_s: float,
    *,
    direction: int | None = 1,
    number: int = 0,
) -> PullFigures:
    from_mps, to_mps = np.interp([start_s, end_s], curve.time_s, curve.speed_mps)
    pull = Phase(
        kind="pull", start_s=start_s, end_s=end_s, from_mps=float(from_mps), to_mps=float(to_mps)
    )
    return pull_figures(
        Run(log=0, number=number, direction=direction, phases=(pull,)),
        pull,
        curve,
        fit,
        _POWER,
        _VEHICLE,
    )


def _rolling(fit: SessionFit, direction: int | None = 1, number: int = 0) -> PullFigures:
    # the steepest fall of acceleration lies in the middle of 0.3 s in which the throttle is let go
    return _figures(fit, _curve(_steady, 9.0), 2.0, 7.15, direction=direction, number=number)


@pytest.mark.parametrize(("direction", "number"), [(1, 0), (-1, 0), (None, 0), (1, 7)])
def test_mean_power_is_what_went_into_speed_air_tyres_and_hill(
    fit: SessionFit, direction: int | None, number: int
) -> None:
    """Energy of 1000 kg from 10 to 20 m/s in 5 s, and road load, headwind and slope on the way.

    The wind that this run had beside the session's counts in this run alone.
    """
    found = _rolling(fit, direction, number)
    d = direction or 1
    t = np.linspace(0.0, 5.0, 2001)
    v = 10.0 + 2.0 * t
    air = v + d * (_WIND + (_OWN_WIND if number == 0 else 0.0))
    force_n = 1000.0 * (_R0 + _R1 * v / 30.0 + _R2 * air**2 / 900.0) + d * 970.0 * 9.80665 * _SLOPE
    expected_w = (1000.0 * (20.0**2 - 10.0**2) / 2.0 + float(np.trapezoid(force_n * v, t))) / 5.0
    # a sample more or less at either end: 0.02 of 5 s
    assert found.mean_power_w == pytest.approx(expected_w, rel=0.003)
    assert found.duration_s == pytest.approx(5.0, abs=0.011)
    assert found.distance_m == pytest.approx(75.0, abs=0.4)
    assert found.kinetic_mean_power_w == pytest.approx(970.0 * 150.0 / 5.0, rel=0.004)
    assert (found.start_s, found.end_s) == pytest.approx((2.0, 7.0), abs=0.011)


def test_the_peak_of_a_pull_is_the_session_s_times_what_this_one_did_better(
    fit: SessionFit,
) -> None:
    """2 % more drive than the session's in its own run; of pulls without data the session's. Pulls
    scatter by 1 % (of 60 kW) beside the session's own 600 W."""
    assert _rolling(fit).peak_power_w == pytest.approx(61.2e3)
    assert _rolling(fit, number=7).peak_power_w == pytest.approx(60e3)
    wide = replace(fit, spread=replace(fit.spread, pull=0.01))
    assert _rolling(wide).peak_power_sd_w == pytest.approx(600.0 * np.sqrt(2.0))


def test_the_error_of_mean_power_comes_from_mass_end_time_and_resistance(fit: SessionFit) -> None:
    """First order in each: 5 of 1000 kg; 0.1 m/s at 20 m/s; 0.2 s of 5 s; 20 N at 15 m/s."""
    found = _rolling(fit)
    parts_w = (
        0.005 * found.mean_power_w,
        1000.0 * 20.0 * 0.1 / 5.0,
        found.mean_power_w * 0.2 / 5.0,
        20.0 * 15.0,
    )
    assert found.mean_power_sd_w == pytest.approx(float(np.hypot.reduce(parts_w)), rel=0.003)


def test_a_coarse_curve_makes_the_duration_uncertain(fit: SessionFit) -> None:
    """An edge is good to 0.2 s and to one and a half samples: with ten a second 0.25 s in all."""
    coarse = _figures(fit, _curve(_steady, 9.0, 0.1), 2.0, 7.15)
    assert coarse.duration_sd_s == pytest.approx(0.25)
    assert _rolling(fit).duration_sd_s == pytest.approx(0.2, abs=0.001)


def _clutch(t: Array) -> Array:
    """At rest until 3 s; 1.5 m/s at 4.5 s, 2 at 4.75, 3 at 5.0, 4 at 5.5, and 2 m/s2 further on."""
    return np.interp(t, [3.0, 4.5, 4.75, 5.0, 5.5, 13.5], [0.0, 1.5, 2.0, 3.0, 4.0, 20.0])


def test_a_launch_lies_half_way_between_rest_and_the_line_of_the_drive(fit: SessionFit) -> None:
    """The clutch takes up slowly: rest ends at 3.0 s, the line through 1.5 and 3 m/s begins at 4.0."""
    found = _figures(fit, _curve(_clutch, 13.5), 3.0, 13.4)
    assert found.start_s == pytest.approx(3.5, abs=0.03)
    # a pull that was given up at 4 m/s was launched all the same
    given_up = _curve(lambda t: np.minimum(_clutch(t), 4.1), 9.0)
    assert _figures(fit, given_up, 3.0, 5.7).start_s == pytest.approx(3.5, abs=0.03)


def test_a_pull_from_a_roll_starts_where_it_starts(fit: SessionFit) -> None:
    """From 1.2 m/s, idling in first gear, no clutch is let in."""
    curve = _curve(lambda t: np.maximum(_clutch(t), 1.2), 13.5)
    assert _figures(fit, curve, 4.2, 13.4).start_s == 4.2


def test_the_shortest_pull_has_a_duration(fit: SessionFit) -> None:
    """Half a second, less than which no pull of one gear lasts: nothing is divided by 0."""
    found = _figures(fit, _curve(_steady, 9.0), 3.0, 3.3)
    assert found.duration_s == pytest.approx(0.5)
    assert found.mean_power_w > 0.0
