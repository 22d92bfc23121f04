"""The rounds of the session fit: where they may start, what they may reach, what they leave out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_noisy import KNOTS_MPS, World, draw_world, noisy_run
from make_runs import known_run, make_problem
from numpy.typing import NDArray

from analysis.model import fit as model
from analysis.model.fit import SessionFit, fit_session, mean_slope, slope_effect
from analysis.model.observations import RunData
from analysis.model.parameters import Spread
from logger.session.session import Site, Vehicle

Array = NDArray[np.float64]

_SPREAD = Spread(lag=0.1)
_VEHICLE = Vehicle(mass_kg=970.0, mass_sd_kg=1.0, rotating_mass_kg=30.0, rotating_mass_sd_kg=1.0)
_SITE = Site(slope=0.0, slope_sd=0.004, wind_mps=0.0, wind_sd_mps=2.0)


def _drawn(
    seed: int, directions: tuple[int, ...] = (1, -1), memory_s: float | None = None
) -> tuple[World, list[RunData]]:
    rng = np.random.default_rng([97, seed])
    world = draw_world(rng, _SPREAD, wind_sd=2.0, slope_sd=0.004)
    if memory_s is not None:
        world = replace(world, memory_s=memory_s)
    runs = [
        noisy_run(rng, world, _SPREAD, number=number, direction=direction)
        for number, direction in enumerate(directions)
    ]
    return world, runs


def _nowhere(run: RunData) -> RunData:
    return replace(run, place_s=np.zeros(0), place_m=np.zeros(0))


def _fit(runs: list[RunData], *, site: Site = _SITE, hold: bool = True) -> SessionFit:
    return fit_session(runs, KNOTS_MPS, _VEHICLE, site, start=_SPREAD, hold_spread=hold)


def _sds_apart(one: SessionFit, other: SessionFit) -> float:
    """How far resistance, wind and mean slope lie apart at most, in sd."""
    sd = np.sqrt(np.diag(other.covariance)[:5])
    return float(np.max(np.abs(one.shared[:5] - other.shared[:5]) / sd))


def test_where_the_fit_starts_does_not_matter() -> None:
    """From paths that are 6 m/s off, and sway, it comes to the same place: a tenth of an sd is what
    the rounds may leave. Without positions, or the paths would choose the knots of the slope."""
    runs = [_nowhere(run) for run in _drawn(1)[1]]
    near = _fit(runs)
    off = [
        replace(run, first_path_mps=run.first_path_mps + 6.0 + 2.0 * np.sin(run.edge_s / 4.0))
        for run in runs
    ]
    far = _fit(off)
    assert near.converged
    assert far.converged
    assert _sds_apart(far, near) < 0.1


def test_a_mean_slope_stated_wrongly_moves_the_result_as_foretold() -> None:
    """The site's slope off by one of its sd, against a fit that is told so."""
    _, runs = _drawn(2)
    as_stated = _fit(runs)
    told = _fit(runs, site=replace(_SITE, slope=_SITE.slope_sd))
    moved = told.shared - as_stated.shared
    sd = np.sqrt(np.diag(as_stated.covariance))
    # both come to rest within some hundredths of an sd
    np.testing.assert_allclose(slope_effect(as_stated) / sd, moved / sd, atol=0.05)
    assert np.abs(moved / sd).max() > 0.1


def test_a_receiver_s_memory_stays_within_what_receivers_have() -> None:
    """One that remembers for 4 s is none: at most 1.5 s are fitted, and never less than 0.02 s."""
    for memory_s, fitted_s in ((4.0, 1.5), (1e-3, 0.02)):
        _, runs = _drawn(3, memory_s=memory_s)
        if memory_s < 1.0:
            # fixes sharper than the speed itself, as a filter that looks ahead gives them
            runs = [_sharpened(run) for run in runs]
        fit = _fit(runs)
        assert fit.shared[fit.layout.MEMORY] == pytest.approx(fitted_s)


def _sharpened(run: RunData) -> RunData:
    """Fixes as a filter of a memory below 0 would give them: less what smoothing had added."""
    bend = np.gradient(np.gradient(run.fix_mps, run.fix_s), run.fix_s)
    return replace(run, fix_mps=run.fix_mps - 1.5 * bend)


def test_a_gear_that_nobody_drove_has_a_proper_prior_all_the_same() -> None:
    """No level is known of it: 0.05 m/s2, what holds a car against a hill of 0.5 %."""
    _, runs = _drawn(4)
    more = (*KNOTS_MPS, np.linspace(24.0, 34.0, 8))
    fit = fit_session(runs, more, _VEHICLE, _SITE, start=_SPREAD, hold_spread=True)
    assert fit.layout.gear_level_mps2[2] == pytest.approx(0.05)
    assert fit.converged
    assert _sds_apart(fit, _fit(runs)) < 0.1


def test_the_mean_slope_is_the_mean_over_its_knots() -> None:
    """What all of the road has, and what the profile leaves of it where its mean is not quite 0."""
    _, runs = _drawn(5)
    fit = _fit(runs)
    profile = fit.shared[fit.layout.slope]
    assert np.abs(profile).max() > 1e-4
    assert mean_slope(fit)[0] == pytest.approx(fit.shared[fit.layout.SLOPE] + profile.mean())


def test_without_positions_the_mean_slope_is_that_of_the_fit() -> None:
    _, runs = _drawn(5)
    fit = _fit([_nowhere(run) for run in runs])
    found, sd = mean_slope(fit)
    at = fit.layout.SLOPE
    assert found == fit.shared[at]
    assert sd == pytest.approx(float(np.sqrt(fit.covariance[at, at])))


def test_fixes_far_off_are_left_out_and_change_nothing() -> None:
    """Three of 45 fixes of a run are 3 m/s off: as if they had not been."""
    _, runs = _drawn(7)
    wild = [7, 20, 33]
    spoilt = runs[0].fix_mps.copy()
    spoilt[wild] += (3.0, -3.0, 3.0)
    with_them = _fit([replace(runs[0], fix_mps=spoilt), runs[1]], hold=False)
    kept = np.setdiff1d(np.arange(runs[0].fix_s.size), wild)
    without = _fit(
        [replace(runs[0], fix_s=runs[0].fix_s[kept], fix_mps=runs[0].fix_mps[kept]), runs[1]],
        hold=False,
    )
    assert np.all(with_them.states[0].fix_weight[wild] == 0.0)
    assert np.sum(with_them.states[0].fix_weight == 0.0) <= len(wild) + 1
    assert with_them.spread.fix == pytest.approx(without.spread.fix, rel=0.05)
    # rounds end when a step is below 0.08 sd, so that two fits of one thing may lie some steps apart
    assert _sds_apart(with_them, without) < 0.3


def test_levels_that_are_learnt_come_near_those_that_were_drawn() -> None:
    """From starts half as large again, which count for 10 and 20 of some 160 observations each."""
    _, runs = _drawn(7, (1, -1, 1, -1))
    big = replace(_SPREAD, fix=0.12, force_drive=0.225, force_coast=0.18)
    fit = fit_session(runs, KNOTS_MPS, _VEHICLE, _SITE, start=big)
    assert fit.converged
    for name in ("fix", "force_drive", "force_coast"):
        assert getattr(fit.spread, name) == pytest.approx(getattr(_SPREAD, name), rel=0.25), name


@pytest.mark.parametrize(("moved_mps", "share"), [(3.0, 1.0), (8.0, 0.5), (-16.0, 0.25)])
def test_no_round_moves_a_path_by_more_than_four_metres_a_second(
    moved_mps: float, share: float
) -> None:
    """The linearised forces of a car hold that far about; a longer step is taken in part."""
    state, lin, normal = known_run(make_problem(), 0.0)
    size = normal.shared.shape[0]
    rows = np.zeros((lin.path_mps.size, size + state.local.size))
    rows[7, 0], rows[9, 0] = moved_mps, -0.5 * moved_mps
    step = np.zeros(size)
    step[0] = 1.0
    still = replace(lin, path_rows=np.zeros_like(rows))
    found = model._damping(step, [still, replace(lin, path_rows=rows)], [normal, normal])
    assert found == pytest.approx(share)
