"""The plain fit beside the session model: against scipy's own, and where the two may not differ."""

from __future__ import annotations

import numpy as np
import pytest
from make_coasts import Coasting, coast_run
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares

from analysis.model.fit import fit_session
from analysis.model.observations import RunData
from analysis.results.checks.plain_fit import PlainFit, plain_fit
from analysis.results.road_load import find_road_load
from logger.session.session import Site, Vehicle

Array = NDArray[np.float64]

_LIGHT = Vehicle(mass_kg=70.0, mass_sd_kg=0.07, rotating_mass_kg=1.0, rotating_mass_sd_kg=0.01)
_SPEEDS_MPS = np.array([1.5, 3.0, 4.5, 6.0])


def _basis(speed_mps: Array) -> Array:
    return (speed_mps[:, None] / 30.0) ** np.arange(3)


def _rolled(seed: int) -> tuple[Coasting, RunData]:
    """70 kg roll one way from 27 km/h nearly to rest; 0.07 m/s of noise at every turn of a wheel or so."""
    rng = np.random.default_rng([710, seed])
    f0, f1, f2 = 3.1 * (1.0 + 0.3 * rng.uniform(-1, 1)), 0.02, 0.08
    wind = float(rng.normal(0.0, 0.7))
    coasting = Coasting(
        mass_kg=70.0,
        effective_mass_kg=71.0,
        force_n=lambda v: f0 + f1 * v + f2 * (v + wind) * abs(v + wind),
        noise_mps=0.07,
        from_mps=7.5,
        to_mps=0.3,
    )
    return coasting, coast_run(rng, coasting, number=0, direction=1, step_s=0.4)


def _by_scipy(data: RunData) -> tuple[Array, Array]:
    """r0, r1, r2 and their covariance by scipy's integrator and least squares."""

    def miss(unknown: Array) -> Array:
        def rate(_: float, v: Array) -> Array:
            u = v / 30.0
            return np.asarray(-(unknown[0] + unknown[1] * u + unknown[2] * u * np.abs(u)))

        span = (0.0, float(data.fix_s[-1]))
        path = solve_ivp(rate, span, [unknown[3]], t_eval=data.fix_s, rtol=1e-9, atol=1e-9)
        return np.asarray(path.y[0] - data.fix_mps)

    found = least_squares(miss, [0.05, 0.0, 1.0, 7.5], x_scale=[0.05, 0.3, 1.0, 1.0])
    square = 2.0 * found.cost / (data.fix_s.size - 4)
    jacobian = np.asarray(found.jac, dtype=np.float64)
    covariance = np.linalg.inv(jacobian.T @ jacobian) * square
    return np.asarray(found.x[:3]), np.asarray(covariance[:3, :3])


def _plain(data: RunData, site: Site | None = None) -> PlainFit:
    plain = plain_fit(fit_session([data], (), _LIGHT, site or Site()))
    assert plain is not None
    return plain


@pytest.mark.parametrize("seed", range(3))
def test_it_is_the_fit_that_scipy_makes(seed: int) -> None:
    """Forces over m_e at four speeds within a tenth of their sd (bins of a second against an integrator of
    nine digits), and the sd within a twentieth."""
    _, data = _rolled(seed)
    expected, covariance = _by_scipy(data)
    plain, rows = _plain(data), _basis(_SPEEDS_MPS)
    sd = np.sqrt(np.einsum("ij,jk,ik->i", rows, covariance, rows))
    np.testing.assert_allclose(rows @ plain.resistance, rows @ expected, atol=0.1 * float(sd.min()))
    own = np.sqrt(np.einsum("ij,jk,ik->i", rows, plain.covariance, rows))
    np.testing.assert_allclose(own, sd, rtol=0.05)
    assert plain.residual_mps == pytest.approx(0.07, rel=0.3)


@pytest.mark.parametrize("seed", range(6))
def test_a_light_vehicle_rolling_one_way_keeps_its_force(seed: int) -> None:
    """The resistance of 3 to 7 N must not become wind or slope beyond what [site] says: forces stay
    within three sd of the plain fit's from them, or what wind and slope of the site make of 70 kg; the wind
    stays inside the site's, the sd of what was found is positive and no bound."""
    coasting, data = _rolled(seed)
    fit = fit_session([data], (), _LIGHT, Site())
    load = find_road_load(fit, _LIGHT, (0.5, 7.4))
    true = np.array([coasting.force_n(v) for v in _SPEEDS_MPS.tolist()])
    sd = load.force_sd_n(_SPEEDS_MPS)
    # one way: the true force includes the wind, whose share the interval must hold
    assert np.all(np.abs(load.force_n(_SPEEDS_MPS) - true) < 2.0 * sd)
    assert load.plain is not None
    plain_n = load.plain.force_n(_SPEEDS_MPS)
    assert np.all(np.abs(load.force_n(_SPEEDS_MPS) - plain_n) < 0.5 * plain_n)
    assert abs(float(fit.shared[fit.layout.WIND])) < 1.5
    assert fit.spread.fix == pytest.approx(0.07, rel=0.4)
    assert load.f2_n_per_mps2 > 0.0
    assert np.linalg.eigvalsh(load.covariance)[0] > 0.0
    assert load.plain.sigma < 3.3


def test_where_both_differ_by_more_than_wind_and_slope_allow_the_interval_reaches_the_plain_fit() -> (
    None
):
    """A known slope that is off by 1 % with an sd of 0.01 %: the model takes the climb for what it was told,
    7 N of 71 kg; the plain fit does not know of it."""
    _, data = _rolled(1)
    sure = Site(slope=0.01, slope_sd=1e-4, wind_mps=0.0, wind_sd_mps=0.01)
    fit = fit_session([data], (), _LIGHT, sure)
    load = find_road_load(fit, _LIGHT, (0.5, 7.4))
    assert load.plain is not None
    assert load.plain.sigma < 3.3  # stated, and so allowed for
