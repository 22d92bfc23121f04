"""Several sessions put together: honest, narrower where they agree, wider with a word where not."""

from __future__ import annotations

import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_analysis import make_analysis
from make_several import days_of_one_vehicle
from numpy.typing import NDArray
from scipy import stats

from analysis.air import AirState, air_state
from analysis.pipeline import Analysis
from analysis.reference import ROLLING_PER_K_SD
from analysis.roadload import RoadLoad
from analysis.several import Shared, SharedRoadLoad, combine
from analysis.several_days import LEAST_POWER_SPREAD, LEAST_ROAD_LOAD_SPREAD
from analysis.vehicle import effective_mass_kg
from logger.session import Air

_TRUE = np.array([150.0, 1.2, 0.42])
_SPEEDS = np.array([50.0, 72.0, 100.0]) / 3.6
#: Density of dry air at 20 C and 100 kPa [kg/m3]: p / (R T) with R 287.05 J/(kg K).
_DENSITY = 100e3 / (287.05 * 293.15)
#: Reference air, whose temperature and density still have their sd.
_REFERENCE_AIR = AirState(_DENSITY, 0.004, "measured", 20.0, 1000.0)
_RANGE = (5.0, 32.0)


def own_covariance(scale: float = 1.0) -> NDArray[np.float64]:
    """Return what a session leaves open but for its mass: curve errors of a few newtons."""
    basis = np.array([5.0, 18.0, 31.0])[:, None] ** np.arange(3)
    inverse = np.linalg.inv(basis)
    on_curve = np.diag([5.0, 5.0, 9.0]) ** 2 * scale**2
    return np.asarray(inverse @ on_curve @ inverse.T)


def session(
    name: str,
    value: NDArray[np.float64],
    *,
    air: AirState = _REFERENCE_AIR,
    scale: float = 1.0,
    mass_sd_kg: float = 8.0,
    state: str = "stock",
    vehicle: str = "estate",
    mass_kg: float = 1480.0,
    peak_w: float | None = 77_900.0,
    speeds: tuple[float, float] = _RANGE,
    covariance: NDArray[np.float64] | None = None,
) -> Analysis:
    """Return an analysis with this road load as tested, and logs of its own."""
    made = make_analysis("full", logs=1)
    later_s = float(zlib.crc32(name.encode()))  # a recording of its own
    recordings = tuple(
        replace(one, channels=tuple(replace(c, t_s=c.t_s + later_s) for c in one.channels))
        for one in made.recordings
    )
    one = replace(
        made.session.vehicle, mass_sd_kg=mass_sd_kg, state=state, name=vehicle, mass_kg=mass_kg
    )
    logs = tuple(replace(log, files=(Path("run.csv"),)) for log in made.session.logs)
    effective, effective_sd = effective_mass_kg(one)
    own = own_covariance(scale) if covariance is None else covariance
    made_load, made_power = made.road_load, made.power
    assert made_load is not None
    assert made_power is not None
    load = replace(
        made_load,
        f0_n=float(value[0]),
        f1_n_per_mps=float(value[1]),
        f2_n_per_mps2=float(value[2]),
        covariance=own + np.outer(value, value) * (effective_sd / effective) ** 2,
        speed_range_mps=speeds,
    )
    return replace(
        made,
        session=replace(made.session, name=name, vehicle=one, logs=logs, air=None),
        recordings=recordings,
        air=air,
        road_load=load,
        power=None if peak_w is None else replace(made_power, peak_w=peak_w),
    )


def load_of(shared: Shared, state: int = 0) -> SharedRoadLoad:
    found = shared.states[state].road_load
    assert found is not None
    return found


def sds(load: RoadLoad, speeds: NDArray[np.float64] = _SPEEDS) -> NDArray[np.float64]:
    return load.force_sd_n(speeds)


def kinds(shared: Shared) -> list[str]:
    return [finding.kind for finding in shared.findings]


# --- what a session brings -------------------------------------------------------------------


def test_one_session_in_reference_air_is_its_own_with_the_day_added() -> None:
    """Air moves nothing there; what is added is summed by hand: day, thermometer, density."""
    one = session("a", _TRUE)
    found = load_of(combine([one])).road_load
    np.testing.assert_allclose([found.f0_n, found.f1_n_per_mps], _TRUE[:2], rtol=1e-9)
    # the density of dry air here is the ideal gas's, the project's has compressibility: 3e-4
    assert found.f2_n_per_mps2 == pytest.approx(_TRUE[2], rel=5e-4)
    assert one.road_load is not None
    # at 17.5 m/s, where the deviation is thought of, it is 1.5 % of the force by definition
    at = np.array([17.5])
    force = float(one.road_load.force_n(at)[0])
    drag = 0.42 * 17.5**2
    rolling = force - drag
    # 1 K of the thermometer moves rolling by 0.86 %, and drag along with it by 1/293; but here the
    # density's whole sd is no more than that
    thermometer = 0.0086 * rolling + drag * 0.004 / _DENSITY
    expected = np.sqrt(
        sds(one.road_load, at)[0] ** 2 + (LEAST_ROAD_LOAD_SPREAD * force) ** 2 + thermometer**2
    )
    # the two densities again
    assert sds(found, at)[0] == pytest.approx(expected, rel=5e-4)


def test_road_load_is_carried_to_reference_air() -> None:
    """By hand: 10 C colder means 8.6 % more rolling resistance, 5 % denser air 5 % more drag."""
    air = AirState(1.05 * _DENSITY, 0.004, "measured", 10.0, 1010.0)
    rolling = 1 - 0.0086 * 10
    tested = np.array([_TRUE[0] / rolling, _TRUE[1] / rolling, _TRUE[2] * 1.05])
    found = load_of(combine([session("a", tested, air=air)])).road_load
    got = [found.f0_n, found.f1_n_per_mps, found.f2_n_per_mps2]
    np.testing.assert_allclose(got, _TRUE, rtol=5e-4)  # compressibility, as above


def test_far_from_reference_the_tyres_coefficient_is_common_to_all() -> None:
    """Sessions that are all 15 K cold cannot average that error away: it stays in full."""
    air = AirState(_DENSITY, 0.004, "measured", 5.0, 1000.0)
    tested = np.array([_TRUE[0] / 0.871, _TRUE[1] / 0.871, _TRUE[2]])
    many = load_of(combine([session(str(i), tested, air=air) for i in range(40)])).road_load
    least = 15 * ROLLING_PER_K_SD / 0.871 * (_TRUE[0] + _TRUE[1] * 5.0)
    # 40 sessions leave little else but that and the mass
    assert float(sds(many, np.array([5.0]))[0]) > least


def test_an_unknown_air_counts_for_less_and_is_said() -> None:
    assumed, _ = air_state(None)
    known, unknown = session("known", _TRUE), session("unknown", _TRUE, air=assumed)
    alone = load_of(combine([unknown])).road_load
    assert np.all(sds(alone) > sds(load_of(combine([known])).road_load))
    both = combine([known, unknown])
    (note,) = [finding for finding in both.findings if finding.kind == "air_unknown"]
    assert "unknown" in note.text
    assert np.all(sds(load_of(both).road_load) < sds(load_of(combine([known])).road_load))


def test_a_temperature_not_stated_is_taken_at_the_stated_altitude() -> None:
    """ISO 2533: 2 C at 2,000 m; 18 K off reference moves rolling by 15 %."""
    air, _ = air_state(Air(pressure_hpa=795.0, altitude_m=2000.0))
    one = session("hill", _TRUE, air=air)
    one = replace(one, session=replace(one.session, air=Air(pressure_hpa=795.0, altitude_m=2000.0)))
    found = load_of(combine([one])).road_load
    assert found.f0_n == pytest.approx(150.0 * (1 - 0.0086 * 18.0), rel=1e-4)


def test_the_mass_is_taken_out_before_and_added_back_once() -> None:
    """Many sessions with one mass error: what is left cannot fall below it."""
    many = combine([session(str(i), _TRUE, mass_sd_kg=40.0) for i in range(60)])
    found = load_of(many).road_load
    # a rotating mass that is not stated errs along with the mass: 1 + 44/1480 of its error
    mass = np.hypot(40.0 * (1 + 44 / 1480), 7.0) / 1524.0 * found.force_n(_SPEEDS)
    assert np.all(sds(found) > mass)
    # the other errors of sixty sessions are some 3 N, squared beside a mass part of 7 N and more
    np.testing.assert_allclose(sds(found), mass, rtol=0.15)
    assert found.budget_n["mass"] == pytest.approx(mass[2], rel=1e-6)


def test_a_better_known_mass_serves_all() -> None:
    rough = session("rough", _TRUE, mass_sd_kg=40.0)
    weighed = session("weighed", _TRUE, mass_sd_kg=4.0)
    assert np.all(
        sds(load_of(combine([rough, weighed])).road_load)
        < sds(load_of(combine([rough, session("too", _TRUE, mass_sd_kg=40.0)])).road_load)
    )


def test_a_heavier_day_is_carried_to_the_first_ones_mass() -> None:
    """F0 goes with the mass (UN GTR No. 15, Annex 4, 4.5, K1), F1 and F2 do not."""
    heavy = np.array([150.0 * 1.1, 1.2, 0.42])
    shared = combine([session("empty", _TRUE), session("full", heavy, mass_kg=1480.0 * 1.1)])
    assert shared.states[0].mass_kg == 1480.0
    assert "masses_differ" in kinds(shared)
    assert load_of(shared).chance > 0.99
    assert load_of(shared).road_load.f0_n == pytest.approx(150.0, rel=1e-6)


def test_a_narrow_session_adds_what_it_knows() -> None:
    """Coast-downs about 25 m/s only: better there, next to nothing at low speed."""
    basis = np.array([23.0, 25.0, 27.0])[:, None] ** np.arange(3)
    inverse = np.linalg.inv(basis)
    covariance = inverse @ np.diag([4.0, 4.0, 4.0]) ** 2 @ inverse.T
    wide = session("wide", _TRUE)
    narrow = session("narrow", _TRUE, covariance=covariance, speeds=(23.0, 27.0))
    both, alone = load_of(combine([wide, narrow])).road_load, load_of(combine([wide])).road_load
    gain = sds(both, np.array([6.0, 25.0])) / sds(alone, np.array([6.0, 25.0]))
    assert gain[1] < 0.85
    assert gain[1] < gain[0] <= 1.0
    assert both.speed_range_mps == _RANGE
    assert both.separable


def test_ranges_join() -> None:
    low = session("low", _TRUE, speeds=(5.0, 11.0))
    high = session("high", _TRUE, speeds=(20.0, 30.0))
    assert not load_of(combine([low])).road_load.separable
    found = load_of(combine([low, high])).road_load
    assert (found.speed_range_mps, found.separable) == ((5.0, 30.0), True)


# --- agreement and disagreement --------------------------------------------------------------


def drawn(rng: np.random.Generator, number: int) -> Analysis:
    """Draw a session as the model says; its own noise and the day's deviation."""
    anchors = np.array([5.0, 17.5, 30.0])[:, None] ** np.arange(3)
    force = anchors @ _TRUE
    share = np.sqrt(0.5) * (rng.normal() + rng.normal(size=3))
    deviation = np.linalg.solve(anchors, LEAST_ROAD_LOAD_SPREAD * force * share)
    scale = float(rng.uniform(0.6, 2.5))
    noise = rng.multivariate_normal(np.zeros(3), own_covariance(scale))
    warm = float(rng.normal())
    thin = 0.004 / _DENSITY * float(rng.normal())
    air = np.array([0.0086 * warm * _TRUE[0], 0.0086 * warm * _TRUE[1], thin * _TRUE[2]])
    peak = 77_900.0 * (1 + 0.01 * float(rng.normal())) + 1123.0 * float(rng.normal())
    return session(f"day {number}", _TRUE + deviation + noise + air, scale=scale, peak_w=peak)


def test_a_consistent_session_never_widens() -> None:
    """At every speed of the session's range, in 30 drawn sets of up to 5 sessions."""
    rng = np.random.default_rng(11)
    speeds = np.linspace(*_RANGE, 15)
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
    good = [session(f"day {i}", _TRUE * (1 + 0.002 * i)) for i in range(3)]
    bad = session("brake", _TRUE + np.array([90.0, 0.0, 0.0]))
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
    both = combine([session("a", _TRUE), session("b", _TRUE * 1.3)])
    (warning,) = [f for f in both.findings if f.kind == "road_loads_disagree"]
    assert warning.text.startswith("a and b disagree, and two cannot tell")
    found = load_of(both).road_load
    lower, upper = 1.0 * (_TRUE @ [1, 20, 400]), 1.3 * (_TRUE @ [1, 20, 400])
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
        truth = _TRUE @ (_SPEEDS ** np.arange(3)[:, None])
        scores.append((found.force_n(_SPEEDS) - truth) / sds(found))
        power = shared.states[0].power
        assert power is not None
        peaks.append((power.peak_w - 77_900.0) / power.peak_sd_w)
    # squares of 150 standard normal numbers, 99.9 % band
    low, high = np.sqrt(stats.chi2.ppf([0.0005, 0.9995], sets) / sets)
    rms = np.sqrt(np.mean(np.square(scores), axis=0))
    assert np.all((rms > low) & (rms < high)), rms
    assert low < np.sqrt(np.mean(np.square(peaks))) < high


def _without_mass(analysis: Analysis) -> Analysis:
    load, power = analysis.road_load, analysis.power
    assert load is not None
    assert power is not None
    value = np.array([load.f0_n, load.f1_n_per_mps, load.f2_n_per_mps2])
    mass_kg, sd_kg = effective_mass_kg(analysis.session.vehicle)
    vehicle = replace(analysis.session.vehicle, mass_sd_kg=0.01, rotating_mass_sd_kg=0.01)
    own = load.covariance - np.outer(value, value) * (sd_kg / mass_kg) ** 2
    _, small_kg = effective_mass_kg(vehicle)
    own = own + np.outer(value, value) * (small_kg / mass_kg) ** 2
    # the peak's other causes: 1162^2 - 300^2
    sd_w = float(np.sqrt(power.peak_sd_w**2 - power.budget_w["mass"] ** 2))
    return replace(
        analysis,
        session=replace(analysis.session, vehicle=vehicle),
        road_load=replace(load, covariance=own),
        power=replace(power, peak_sd_w=sd_w, budget_w={**power.budget_w, "mass": 0.0}),
    )


# --- power -----------------------------------------------------------------------------------


def test_peak_power_is_the_inverse_variance_mean_with_the_mass_in_common() -> None:
    """By hand: two peaks of 77.9 and 79.9 kW, own sd 1123 W, mass 300 W, 1 % from day to day."""
    a, b = session("a", _TRUE), session("b", _TRUE, peak_w=79_900.0)
    power = combine([a, b]).states[0].power
    assert power is not None
    assert a.power is not None
    # alike in weight but for the mass's share of each peak, 0.385 and 0.375 %
    assert power.peak_w == pytest.approx(78_900.0, rel=1e-4)
    own = (a.power.peak_sd_w**2 - 300.0**2 + (LEAST_POWER_SPREAD * 78_900.0) ** 2) / 2
    # the mass's share is the smaller of the two, 1.3 % less than of their mean
    assert power.peak_sd_w == pytest.approx(np.sqrt(own + 300.0**2), rel=2e-3)
    assert power.peak_ci95_w[1] - power.peak_w == pytest.approx(1.96 * power.peak_sd_w, rel=1e-4)


def test_powers_that_disagree_are_said_to() -> None:
    days = [session("a", _TRUE), session("b", _TRUE), session("tuned", _TRUE, peak_w=95_000.0)]
    shared = combine(days)
    (warning,) = [f for f in shared.findings if f.kind == "peak_wheel_powers_disagree"]
    assert warning.text.startswith("tuned disagrees with a and b")


def test_power_in_other_air_is_not_corrected_but_said() -> None:
    cold = AirState(1.06 * _DENSITY, 0.004, "measured", 5.0, 1000.0)
    assert "power_air_differs" in kinds(
        combine([session("a", _TRUE), session("b", _TRUE, air=cold)])
    )


def test_sessions_without_pulls_share_the_road_load_only() -> None:
    state = combine([session("a", _TRUE, peak_w=None), session("b", _TRUE)]).states[0]
    assert state.road_load is not None
    assert state.power is not None
    assert (state.road_load.sessions, state.power.sessions) == ((0, 1), (1,))


# --- which sessions belong together ----------------------------------------------------------


def test_only_the_same_state_is_put_together() -> None:
    days = [
        session("before", _TRUE),
        session("rack", _TRUE * 1.2, state="roof rack"),
        session("again", _TRUE, state=" Stock "),
    ]
    shared = combine(days)
    assert [state.sessions for state in shared.states] == [(0, 2), (1,)]
    assert "states_differ" in kinds(shared)
    assert "vehicles_differ" not in kinds(shared)
    assert load_of(shared, 1).deviations == ()
    assert load_of(shared, 1).road_load.f0_n == pytest.approx(180.0)


def test_different_vehicles_are_not_put_together() -> None:
    shared = combine([session("a", _TRUE), session("b", _TRUE, vehicle="van")])
    assert len(shared.states) == 2
    assert kinds(shared)[0] == "vehicles_differ"


def test_a_log_counts_once() -> None:
    """The same runs twice would look like twice the evidence; a copy under another name as well."""
    one = session("a", _TRUE)
    renamed = tuple(replace(log, files=(Path("else.csv"),)) for log in one.session.logs)
    copy = replace(one, session=replace(one.session, name="copy", logs=renamed))
    shared = combine([one, copy, session("b", _TRUE)], ["first", "second", "third"])
    assert shared.used == (0, 2)
    assert shared.sessions[1].why_not is not None
    assert (
        "second holds else.csv, the same recording that first holds" in shared.sessions[1].why_not
    )
    np.testing.assert_allclose(
        sds(load_of(shared).road_load),
        sds(load_of(combine([one, session("b", _TRUE)])).road_load),
        rtol=1e-9,
    )


def test_sessions_that_could_not_be_used_are_said_to_be_missing() -> None:
    shared = combine([session("a", _TRUE), session("b", _TRUE)], missing=2)
    assert shared.findings[0].text.startswith("2 sessions could not be used")


def test_nothing_to_combine_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        combine([])
    with pytest.raises(ValueError, match="1 analyses and 2 names"):
        combine([session("a", _TRUE)], ["a", "b"])


# --- the whole way ---------------------------------------------------------------------------


def test_a_simulated_vehicle_is_known_better_from_three_days_than_from_one(tmp_path: Path) -> None:
    """Simulated truth: road, wind, phone, air and the day's deviation differ, the vehicle does not."""
    shared_errors, single_errors, scores = [], [], []
    for seed in (1, 2, 3):
        days, true = days_of_one_vehicle(tmp_path / str(seed), seed=seed)
        truth = true @ (_SPEEDS ** np.arange(3)[:, None])
        found = load_of(combine(days)).road_load
        shared_errors.append(found.force_n(_SPEEDS) / truth - 1)
        scores.append((found.force_n(_SPEEDS) - truth) / sds(found))
        for day in days:
            alone = load_of(combine([day])).road_load
            single_errors.append(alone.force_n(_SPEEDS) / truth - 1)
            assert np.all(sds(found) < sds(alone))
    better = np.sqrt(np.mean(np.square(shared_errors), axis=0))
    assert np.all(better < np.sqrt(np.mean(np.square(single_errors), axis=0)))
    # nine z, of which three are independent: beyond 3 comes once in 100 such tests
    assert np.max(np.abs(scores)) < 3.0
    # chi-square with 3 degrees of freedom: a mean square below 0.008 once in 1000
    assert np.mean(np.square(scores)) > 0.008
