"""Sessions that agree narrow the interval, those that do not widen it with a word, and it holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from make_days import (
    DENSITY_KG_M3,
    RANGE_MPS,
    SPEEDS_MPS,
    TRUE,
    kinds,
    load_of,
    own_covariance,
    sds,
    session,
)
from scipy import stats

from analysis.physics.vehicle import effective_mass_kg
from analysis.pipeline import Analysis
from analysis.sessions.carry import LEAST_ROAD_LOAD_SPREAD
from analysis.sessions.combine import combine


def drawn(rng: np.random.Generator, number: int) -> Analysis:
    """Draw a session as the model says; its own noise and the day's deviation."""
    anchors = np.array([5.0, 17.5, 30.0])[:, None] ** np.arange(3)
    force = anchors @ TRUE
    share = np.sqrt(0.5) * (rng.normal() + rng.normal(size=3))
    deviation = np.linalg.solve(anchors, LEAST_ROAD_LOAD_SPREAD * force * share)
    scale = float(rng.uniform(0.6, 2.5))
    noise = rng.multivariate_normal(np.zeros(3), own_covariance(scale))
    warm = float(rng.normal())
    thin = 0.004 / DENSITY_KG_M3 * float(rng.normal())
    air = np.array([0.0086 * warm * TRUE[0], 0.0086 * warm * TRUE[1], thin * TRUE[2]])
    peak = 77_900.0 * (1 + 0.01 * float(rng.normal())) + 1123.0 * float(rng.normal())
    return session(f"day {number}", TRUE + deviation + noise + air, scale=scale, peak_w=peak)


def test_a_consistent_session_never_widens() -> None:
    """At every speed of the session's range, in 30 drawn sets of up to 5 sessions."""
    rng = np.random.default_rng(11)
    speeds = np.linspace(*RANGE_MPS, 15)
    grown = 0
    for _ in range(30):
        days = [drawn(rng, number) for number in range(5)]
        before = combine(days[:1])
        for count in range(2, 6):
            after = combine(days[:count])
            said = {"road_loads_disagree", "interval_widened", "peak_wheel_powers_disagree"}
            if not said & set(kinds(after)):
                grown += 1
                old, new = load_of(before).road_load, load_of(after).road_load
                # the finding speaks from 0.1 % on
                assert np.all(sds(new, speeds) <= 1.001 * sds(old, speeds))
                powers = before.states[0].power, after.states[0].power
                assert powers[0] is not None
                assert powers[1] is not None
                assert powers[1].peak_sd_w <= 1.001 * powers[0].peak_sd_w
            before = after
    assert grown > 90  # of 120: findings are the exception


def test_a_contradicting_session_widens_and_is_named() -> None:
    good = [session(f"day {i}", TRUE * (1 + 0.002 * i)) for i in range(3)]
    bad = session("brake", TRUE + np.array([90.0, 0.0, 0.0]))
    before, after = combine(good), combine([good[0], bad, *good[1:]])
    assert "road_loads_disagree" not in kinds(before)
    (warning,) = [f for f in after.findings if f.kind == "road_loads_disagree"]
    assert warning.severity == "warning"
    assert warning.text.startswith("brake disagrees with day 0, day 1 and day 2")
    assert np.all(sds(load_of(after).road_load) > sds(load_of(before).road_load))
    assert load_of(after).spread > 2 * LEAST_ROAD_LOAD_SPREAD
    off = load_of(after).deviations[1]
    assert after.sessions[off.session].name == "brake"
    assert min(off.difference) > 50.0


def test_of_two_that_disagree_none_is_blamed() -> None:
    both = combine([session("a", TRUE), session("b", TRUE * 1.3)])
    (warning,) = [f for f in both.findings if f.kind == "road_loads_disagree"]
    assert warning.text.startswith("a and b disagree, and two cannot tell")
    found = load_of(both).road_load
    lower, upper = 1.0 * (TRUE @ [1, 20, 400]), 1.3 * (TRUE @ [1, 20, 400])
    at = np.array([20.0])
    half = 1.96 * sds(found, at)[0]
    # the interval reaches over both
    assert found.force_n(at)[0] - half < lower
    assert found.force_n(at)[0] + half > upper


def test_intervals_hold_on_drawn_sessions() -> None:
    """Drawn as the model says: z at three speeds and of the peak has an sd of 1."""
    rng = np.random.default_rng(12)
    scores, peaks, sets = [], [], 150
    for _ in range(sets):
        days = [drawn(rng, number) for number in range(3)]
        # the mass's part is not drawn; make it as good as known
        shared = combine([_without_mass(day) for day in days])
        found = load_of(shared).road_load
        truth = TRUE @ (SPEEDS_MPS ** np.arange(3)[:, None])
        scores.append((found.force_n(SPEEDS_MPS) - truth) / sds(found))
        power = shared.states[0].power
        assert power is not None
        peaks.append((power.peak_w - 77_900.0) / power.peak_sd_w)
    # squares of 150 standard normal numbers, 99.9 % band
    low, high = np.sqrt(stats.chi2.ppf([0.0005, 0.9995], sets) / sets)
    rms = np.sqrt(np.mean(np.square(scores), axis=0))
    assert np.all((rms > low) & (rms < high)), rms
    assert low < np.sqrt(np.mean(np.square(peaks))) < high


def _without_mass(outcome: Analysis) -> Analysis:
    load, power = outcome.road_load, outcome.power
    assert load is not None
    assert power is not None
    value = np.array([load.f0_n, load.f1_n_per_mps, load.f2_n_per_mps2])
    mass_kg, sd_kg = effective_mass_kg(outcome.session.vehicle)
    vehicle = replace(outcome.session.vehicle, mass_sd_kg=0.01, rotating_mass_sd_kg=0.01)
    own = load.covariance - np.outer(value, value) * (sd_kg / mass_kg) ** 2
    _, small_kg = effective_mass_kg(vehicle)
    own = own + np.outer(value, value) * (small_kg / mass_kg) ** 2
    # the peak's other causes: 1162^2 - 300^2
    sd_w = float(np.sqrt(power.peak_sd_w**2 - power.budget_w["mass"] ** 2))
    return replace(
        outcome,
        session=replace(outcome.session, vehicle=vehicle),
        road_load=replace(load, covariance=own),
        power=replace(power, peak_sd_w=sd_w, budget_w={**power.budget_w, "mass": 0.0}),
    )
