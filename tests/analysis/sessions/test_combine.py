"""Several sessions put together: honest, narrower where they agree, wider with a word where not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_days import (
    DENSITY_KG_M3,
    RANGE_MPS,
    SPEEDS_MPS,
    TRUE,
    kinds,
    load_of,
    sds,
    session,
)
from make_several import days_of_one_vehicle

from analysis.physics.air import AirState, air_state
from analysis.results.reference import ROLLING_PER_K_SD
from analysis.sessions.carry import LEAST_ROAD_LOAD_SPREAD
from analysis.sessions.combine import combine
from logger.session.session import Air

# --- what a session brings -------------------------------------------------------------------


def test_one_session_in_reference_air_is_its_own_with_the_day_added() -> None:
    """Air moves nothing there; what is added is summed by hand: day, thermometer, density."""
    one = session("a", TRUE)
    found = load_of(combine([one])).road_load
    np.testing.assert_allclose([found.f0_n, found.f1_n_per_mps], TRUE[:2], rtol=1e-9)
    # the density of dry air here is the ideal gas's, the project's has compressibility: 3e-4
    assert found.f2_n_per_mps2 == pytest.approx(TRUE[2], rel=5e-4)
    assert one.road_load is not None
    # at 17.5 m/s, where the deviation is thought of, it is 1.5 % of the force by definition
    at = np.array([17.5])
    force = float(one.road_load.force_n(at)[0])
    drag = 0.42 * 17.5**2
    rolling = force - drag
    # 1 K of the thermometer moves rolling by 0.86 %, and drag along with it by 1/293; but here the
    # density's whole sd is no more than that
    thermometer = 0.0086 * rolling + drag * 0.004 / DENSITY_KG_M3
    expected = np.sqrt(
        sds(one.road_load, at)[0] ** 2 + (LEAST_ROAD_LOAD_SPREAD * force) ** 2 + thermometer**2
    )
    # the two densities again
    assert sds(found, at)[0] == pytest.approx(expected, rel=5e-4)


def test_road_load_is_carried_to_reference_air() -> None:
    """By hand: 10 C colder means 8.6 % more rolling resistance, 5 % denser air 5 % more drag."""
    air = AirState(
        density_kg_m3=1.05 * DENSITY_KG_M3,
        density_sd_kg_m3=0.004,
        source="measured",
        temperature_c=10.0,
        pressure_hpa=1010.0,
    )
    rolling = 1 - 0.0086 * 10
    tested = np.array([TRUE[0] / rolling, TRUE[1] / rolling, TRUE[2] * 1.05])
    found = load_of(combine([session("a", tested, air=air)])).road_load
    got = [found.f0_n, found.f1_n_per_mps, found.f2_n_per_mps2]
    np.testing.assert_allclose(got, TRUE, rtol=5e-4)  # compressibility, as above


def test_far_from_reference_the_tyres_coefficient_is_common_to_all() -> None:
    """Sessions that are all 15 K cold cannot average that error away: it stays in full."""
    air = AirState(
        density_kg_m3=DENSITY_KG_M3,
        density_sd_kg_m3=0.004,
        source="measured",
        temperature_c=5.0,
        pressure_hpa=1000.0,
    )
    tested = np.array([TRUE[0] / 0.871, TRUE[1] / 0.871, TRUE[2]])
    many = load_of(combine([session(str(i), tested, air=air) for i in range(40)])).road_load
    least = 15 * ROLLING_PER_K_SD / 0.871 * (TRUE[0] + TRUE[1] * 5.0)
    # 40 sessions leave little else but that and the mass
    assert float(sds(many, np.array([5.0]))[0]) > least


def test_an_unknown_air_counts_for_less_and_is_said() -> None:
    assumed, _ = air_state(None)
    known, unknown = session("known", TRUE), session("unknown", TRUE, air=assumed)
    alone = load_of(combine([unknown])).road_load
    assert np.all(sds(alone) > sds(load_of(combine([known])).road_load))
    both = combine([known, unknown])
    (note,) = [finding for finding in both.findings if finding.kind == "air_unknown"]
    assert "unknown" in note.text
    assert np.all(sds(load_of(both).road_load) < sds(load_of(combine([known])).road_load))


def test_a_temperature_not_stated_is_taken_at_the_stated_altitude() -> None:
    """ISO 2533: 2 C at 2,000 m; 18 K off reference moves rolling by 15 %."""
    air, _ = air_state(Air(pressure_hpa=795.0, altitude_m=2000.0))
    one = session("hill", TRUE, air=air)
    one = replace(one, session=replace(one.session, air=Air(pressure_hpa=795.0, altitude_m=2000.0)))
    found = load_of(combine([one])).road_load
    assert found.f0_n == pytest.approx(150.0 * (1 - 0.0086 * 18.0), rel=1e-4)


def test_the_mass_is_taken_out_before_and_added_back_once() -> None:
    """Many sessions with one mass error: what is left cannot fall below it."""
    many = combine([session(str(i), TRUE, mass_sd_kg=40.0) for i in range(60)])
    found = load_of(many).road_load
    # a rotating mass that is not stated errs along with the mass: 1 + 44/1480 of its error
    mass = np.hypot(40.0 * (1 + 44 / 1480), 7.0) / 1524.0 * found.force_n(SPEEDS_MPS)
    assert np.all(sds(found) > mass)
    # the other errors of sixty sessions are some 3 N, squared beside a mass part of 7 N and more
    np.testing.assert_allclose(sds(found), mass, rtol=0.15)
    assert found.budget_n["mass"] == pytest.approx(mass[2], rel=1e-6)


def test_a_better_known_mass_serves_all() -> None:
    rough = session("rough", TRUE, mass_sd_kg=40.0)
    weighed = session("weighed", TRUE, mass_sd_kg=4.0)
    assert np.all(
        sds(load_of(combine([rough, weighed])).road_load)
        < sds(load_of(combine([rough, session("too", TRUE, mass_sd_kg=40.0)])).road_load)
    )


def test_a_heavier_day_is_carried_to_the_first_ones_mass() -> None:
    """F0 goes with the mass (UN GTR No. 15, Annex 4, 4.5, K1), F1 and F2 do not."""
    heavy = np.array([150.0 * 1.1, 1.2, 0.42])
    shared = combine([session("empty", TRUE), session("full", heavy, mass_kg=1480.0 * 1.1)])
    assert shared.states[0].mass_kg == 1480.0
    assert "masses_differ" in kinds(shared)
    assert load_of(shared).chance > 0.99
    assert load_of(shared).road_load.f0_n == pytest.approx(150.0, rel=1e-6)


def test_a_narrow_session_adds_what_it_knows() -> None:
    """Coast-downs about 25 m/s only: better there, next to nothing at low speed."""
    basis = np.array([23.0, 25.0, 27.0])[:, None] ** np.arange(3)
    inverse = np.linalg.inv(basis)
    covariance = inverse @ np.diag([4.0, 4.0, 4.0]) ** 2 @ inverse.T
    wide = session("wide", TRUE)
    narrow = session("narrow", TRUE, covariance=covariance, speeds=(23.0, 27.0))
    both, alone = load_of(combine([wide, narrow])).road_load, load_of(combine([wide])).road_load
    gain = sds(both, np.array([6.0, 25.0])) / sds(alone, np.array([6.0, 25.0]))
    assert gain[1] < 0.85
    assert gain[1] < gain[0] <= 1.0
    assert both.speed_range_mps == RANGE_MPS
    assert both.separable


def test_ranges_join() -> None:
    low = session("low", TRUE, speeds=(5.0, 11.0))
    high = session("high", TRUE, speeds=(20.0, 30.0))
    assert not load_of(combine([low])).road_load.separable
    found = load_of(combine([low, high])).road_load
    assert (found.speed_range_mps, found.separable) == ((5.0, 30.0), True)


# --- which sessions belong together ----------------------------------------------------------


def test_only_the_same_state_is_put_together() -> None:
    days = [
        session("before", TRUE),
        session("rack", TRUE * 1.2, state="roof rack"),
        session("again", TRUE, state=" Stock "),
    ]
    shared = combine(days)
    assert [state.sessions for state in shared.states] == [(0, 2), (1,)]
    assert "states_differ" in kinds(shared)
    assert "vehicles_differ" not in kinds(shared)
    assert load_of(shared, 1).deviations == ()
    assert load_of(shared, 1).road_load.f0_n == pytest.approx(180.0)


def test_different_vehicles_are_not_put_together() -> None:
    shared = combine([session("a", TRUE), session("b", TRUE, vehicle="van")])
    assert len(shared.states) == 2
    assert kinds(shared)[0] == "vehicles_differ"


def test_a_log_counts_once() -> None:
    """The same runs twice would look like twice the evidence; a copy under another name as well."""
    one = session("a", TRUE)
    renamed = tuple(replace(log, files=(Path("else.csv"),)) for log in one.session.logs)
    copy = replace(one, session=replace(one.session, name="copy", logs=renamed))
    shared = combine([one, copy, session("b", TRUE)], ["first", "second", "third"])
    assert shared.used == (0, 2)
    assert shared.sessions[1].why_not is not None
    assert (
        "second holds else.csv, the same drive that first holds in log 1, fix by fix"
        in shared.sessions[1].why_not
    )
    np.testing.assert_allclose(
        sds(load_of(shared).road_load),
        sds(load_of(combine([one, session("b", TRUE)])).road_load),
        rtol=1e-9,
    )


def test_sessions_that_could_not_be_used_are_said_to_be_missing() -> None:
    shared = combine([session("a", TRUE), session("b", TRUE)], missing=2)
    assert shared.findings[0].text.startswith("2 sessions could not be used")


def test_nothing_to_combine_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        combine([])
    with pytest.raises(ValueError, match="1 analyses and 2 names"):
        combine([session("a", TRUE)], ["a", "b"])


# --- the whole way ---------------------------------------------------------------------------


def test_a_simulated_vehicle_is_known_better_from_three_days_than_from_one(tmp_path: Path) -> None:
    """Simulated truth: road, wind, phone, air and the day's deviation differ, the vehicle does not."""
    shared_errors, single_errors, scores = [], [], []
    for seed in (1, 2, 3):
        days, true = days_of_one_vehicle(tmp_path / str(seed), seed=seed)
        truth = true @ (SPEEDS_MPS ** np.arange(3)[:, None])
        found = load_of(combine(days)).road_load
        shared_errors.append(found.force_n(SPEEDS_MPS) / truth - 1)
        scores.append((found.force_n(SPEEDS_MPS) - truth) / sds(found))
        for day in days:
            alone = load_of(combine([day])).road_load
            single_errors.append(alone.force_n(SPEEDS_MPS) / truth - 1)
            assert np.all(sds(found) < sds(alone))
    better = np.sqrt(np.mean(np.square(shared_errors), axis=0))
    assert np.all(better < np.sqrt(np.mean(np.square(single_errors), axis=0)))
    # nine z, of which three are independent: beyond 3 comes once in 100 such tests
    assert np.max(np.abs(scores)) < 3.0
    # chi-square with 3 degrees of freedom: a mean square below 0.008 once in 1000
    assert np.mean(np.square(scores)) > 0.008
