"""Differences of two sessions: what is common cancels, nothing else does, and claims keep their rate."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from make_days import TRUE, own_covariance, side
from make_sessions import recordings_of
from make_several import days_of_one_vehicle
from scipy import stats

from analysis.physics.air import AirState
from analysis.pipeline import analyse
from analysis.results.power import PowerCurve
from analysis.results.road_load import RoadLoad
from analysis.sessions.carry import LEAST_POWER_SPREAD, LEAST_ROAD_LOAD_SPREAD
from analysis.sessions.compare import Comparison, compare, compare_all
from analysis.sessions.difference import CLAIM, SHOWN_SHARE, Difference, share_found, smallest_shown
from analysis.sessions.side import Road, Side, same_road, side_of
from analysis.simulate.session import simulate_session
from logger.errors import SessionError
from logger.session.session import Site, read_session

#: Of the made-up analysis: noise, road load, lag and mount of the peak [W], without the mass.
_OWN_W = float(np.sqrt(700.0**2 + 500.0**2 + 400.0**2 + 600.0**2))
_PEAK_W, _MASS_W = 77_900.0, 300.0
#: Of the stated masses: 8 and 7 kg in 1524 kg.
_MASS_SHARE = float(np.hypot(8.0, 7.0) / 1524.0)


def power_of(one: Side) -> PowerCurve:
    assert one.power is not None
    return one.power


def load_of(one: Side) -> RoadLoad:
    assert one.road_load is not None
    return one.road_load


def peak_of(one: Comparison) -> Difference:
    assert one.peak_w is not None
    return one.peak_w


def cancelled(one: Comparison) -> set[str]:
    return {cause.name for cause in one.causes if cause.cancelled}


def kinds(one: Comparison) -> dict[str, str]:
    return {finding.kind: finding.severity for finding in one.findings}


# --- one difference --------------------------------------------------------------------------


def test_claims_follow_the_normal_distribution() -> None:
    """Probability, interval and share found are those of scipy's normal distribution."""
    found = Difference(first=100.0, other=103.0, sd=2.0)
    assert found.chance_more == pytest.approx(stats.norm.cdf(1.5))
    assert found.interval95 == pytest.approx(stats.norm.interval(0.95, 3.0, 2.0))
    assert found.percent == pytest.approx(3.0)
    assert found.percent_sd == pytest.approx(100.0 * found.sd / found.first)
    limit = stats.norm.ppf(CLAIM)
    assert share_found(3.0, 2.0) == pytest.approx(stats.norm.sf(limit - 1.5), rel=1e-6)
    assert share_found(smallest_shown(2.0), 2.0) == pytest.approx(SHOWN_SHARE, abs=1e-6)
    for value, verdict in ((3.2, "not shown"), (3.3, "more"), (-3.2, "not shown"), (-3.3, "less")):
        assert Difference(first=0.0, other=value, sd=2.0).verdict == verdict  # 1.645 sd is 3.29
    below = Difference(first=-5.0, other=1.0, sd=1.0)
    assert below.percent is below.percent_sd is None


# --- what is common --------------------------------------------------------------------------


def test_one_stated_mass_cancels_and_the_day_stays() -> None:
    """By hand: both sessions' own errors and 1 % of each for the day, in squares; no mass."""
    found = compare(side("a"), side("b"))
    day_w = LEAST_POWER_SPREAD * _PEAK_W
    # the made-up budget's mass share differs from that of the stated mass: what is left is own
    share = power_of(found.first).budget_w["mass"] / _PEAK_W
    left = max(share**2 - _MASS_SHARE**2, 0.0) * _PEAK_W**2
    assert peak_of(found).sd == pytest.approx(np.sqrt(2.0 * (_OWN_W**2 + day_w**2 + left)))
    assert "mass" in cancelled(found)


@pytest.mark.parametrize(
    "other",
    [{"vehicle": "coupe"}, {"mass_kg": 1500.0}, {"mass_sd_kg": 9.0}],
    ids=["vehicle", "mass", "uncertainty"],
)
def test_masses_of_two_statements_do_not_cancel(other: dict[str, Any]) -> None:
    alike, apart = compare(side("a"), side("b")), compare(side("a"), side("b", **other))
    assert "mass" not in cancelled(apart)
    assert peak_of(apart).sd > peak_of(alike).sd
    own = 2.0 * (_OWN_W**2 + _MASS_W**2 + (LEAST_POWER_SPREAD * _PEAK_W) ** 2)
    assert peak_of(apart).sd == pytest.approx(np.sqrt(own), rel=2e-3)


def drawn(rng: np.random.Generator, template: Side, gain: float, mass_error: float) -> Side:
    """Return a side whose errors are drawn: its own, the day's, and a mass wrong for all."""
    day = 1.0 + LEAST_POWER_SPREAD * rng.standard_normal()
    peak = _PEAK_W * (1.0 + gain) * day * (1.0 + mass_error)
    peak += _OWN_W * rng.standard_normal()
    anchors = np.array([5.0, 17.5, 30.0])
    basis = anchors[:, None] ** np.arange(3)
    force = basis @ (TRUE * (1.0 + gain))
    half = np.sqrt(0.5) * LEAST_ROAD_LOAD_SPREAD
    force *= 1.0 + half * rng.standard_normal() + half * rng.standard_normal(3)
    value = np.linalg.solve(basis, force) * (1.0 + mass_error)
    value = value + rng.multivariate_normal(np.zeros(3), own_covariance())
    budget = {**power_of(template).budget_w, "mass": _MASS_SHARE * peak}
    sd = float(np.sqrt(sum(part**2 for part in budget.values())))
    power = replace(power_of(template), peak_w=peak, peak_sd_w=sd, budget_w=budget)
    load = replace(
        load_of(template),
        f0_n=float(value[0]),
        f1_n_per_mps=float(value[1]),
        f2_n_per_mps2=float(value[2]),
        covariance=own_covariance() + np.outer(value, value) * _MASS_SHARE**2,
    )
    return replace(template, power=power, road_load=load)


def test_claims_keep_their_rate_and_find_what_is_there() -> None:
    """400 pairs with drawn errors: 5 % claim a gain where there is none, within the binomial 99.9 %.

    A gain is found as often as predicted, also within 99.9 %. The same for the road load at 72 km/h.
    """
    rng = np.random.default_rng(20261125)
    templates = side("a"), side("b")
    count = 400
    for gain in (0.0, 0.05):
        claims = {"more": 0, "less": 0, "load": 0}
        predicted = load_predicted = 0.0
        for _ in range(count):
            mass_error = _MASS_SHARE * float(rng.standard_normal())
            first = drawn(rng, templates[0], 0.0, mass_error)
            other = drawn(rng, templates[1], gain, mass_error)
            found = compare(first, other)
            peak = peak_of(found)
            claims["more"] += peak.verdict == "more"
            claims["less"] += peak.verdict == "less"
            assert found.road_load is not None
            load = found.road_load.at(20.0)
            claims["load"] += load.verdict == "more"
            predicted += share_found(gain * _PEAK_W, peak.sd) / count
            true = float(20.0 ** np.arange(3) @ TRUE) * gain
            load_predicted += share_found(true, load.sd) / count
        for claimed, expected in ((claims["more"], predicted), (claims["load"], load_predicted)):
            low, high = stats.binom.interval(0.999, count, expected)
            assert low <= claimed <= high, (gain, claims, expected)
        if gain == 0.0:
            assert predicted == pytest.approx(0.05, abs=1e-6)
            assert claims["less"] <= stats.binom.ppf(0.9995, count, 0.05)


def test_a_common_slope_is_taken_out_and_counts_double_the_other_way_round() -> None:
    """By hand: var(a - b) with one common error e: (e_a - e_b)^2 in place of e_a^2 + e_b^2.

    Carried to reference air, whose density is rounded to 0.05 %.
    """
    road = Road(latitude_deg=56.0, longitude_deg=3.5, up=np.array([1.0, 0.0]), length_m=2000.0)
    back = replace(road, up=np.array([-1.0, 0.0]))
    effect_n = np.array([20.0, 0.1, 0.01])

    def sloped(name: str, on: Road | None, factor: float) -> Side:
        one = side(name, scale=8.0)
        load = replace(load_of(one), slope_effect=factor * effect_n)
        power = replace(power_of(one), peak_slope_effect_w=factor * 500.0)
        return replace(one, road=on, road_load=load, power=power)

    apart = compare(sloped("a", road, 1.0), sloped("b", None, 0.6))
    alike = compare(sloped("a", road, 1.0), sloped("b", road, 0.6))
    turned = compare(sloped("a", road, 1.0), sloped("b", back, 0.6))
    assert "mean slope of the road" in cancelled(alike) & cancelled(turned)
    assert "mean slope of the road" not in cancelled(apart)
    shift = 2.0 * 500.0 * 300.0
    for found, sign in ((alike, -1.0), (turned, 1.0)):
        assert peak_of(found).sd ** 2 == pytest.approx(peak_of(apart).sd ** 2 + sign * shift)
        assert found.road_load is not None
        assert apart.road_load is not None
        moved = found.road_load.covariance - apart.road_load.covariance
        np.testing.assert_allclose(moved, sign * 1.2 * np.outer(effect_n, effect_n), rtol=2e-3)


def test_roads_stated_differently_do_not_cancel() -> None:
    road = Road(latitude_deg=56.0, longitude_deg=3.5, up=np.array([1.0, 0.0]), length_m=2000.0)
    first, other = (replace(side(name), road=road) for name in ("a", "b"))
    found = compare(first, replace(other, site=Site(slope=0.01)))
    assert "mean slope of the road" not in cancelled(found)


def test_slope_effect_is_what_another_stated_slope_does(tmp_path: Path) -> None:
    """One way only, the stated slope decides: stating it one sd higher moves results by the effect.

    The fit is linear but for products of small unknowns: within 10 % of the effect.
    """
    simulate_session(tmp_path, seed=5, pairs=1, one_way=True)
    session_ = read_session(tmp_path)
    recordings = recordings_of(session_)
    site = session_.site
    before = analyse(session_, recordings)
    higher = replace(session_, site=replace(site, slope=site.slope + site.slope_sd))
    after = analyse(higher, recordings)
    load, moved = before.road_load, after.road_load
    assert load is not None
    assert moved is not None
    assert load.slope_effect is not None
    speed = np.array([20.0])
    effect = float(20.0 ** np.arange(3) @ load.slope_effect)
    change = float(moved.force_n(speed)[0] - load.force_n(speed)[0])
    assert abs(effect) > 20.0  # 0.5 % of slope is some 70 N for such a car
    assert change == pytest.approx(effect, rel=0.1)


def test_same_road_needs_place_direction_and_overlap() -> None:
    """Made-up lines; a degree of latitude is 111.2 km."""
    road = Road(latitude_deg=56.0, longitude_deg=3.5, up=np.array([0.0, 1.0]), length_m=2000.0)
    north = 1.0 / 111_195.0
    assert same_road(road, road) == 1
    assert same_road(road, replace(road, up=np.array([0.0, -1.0]))) == -1
    assert same_road(road, None) is None
    assert same_road(road, replace(road, latitude_deg=56.0 + 900.0 * north)) == 1
    assert same_road(road, replace(road, latitude_deg=56.0 + 1100.0 * north)) == 0
    assert same_road(road, replace(road, longitude_deg=3.5 + 60.0 * north / np.cos(0.977))) == 0
    assert same_road(road, replace(road, up=np.array([0.2, 0.98]))) == 0
    across = replace(road, longitude_deg=180.0)
    assert same_road(across, replace(across, longitude_deg=-180.0)) == 1


# --- road load and curves --------------------------------------------------------------------


def test_road_loads_are_compared_in_one_air_and_for_one_mass() -> None:
    """One vehicle in thick cold air and heavier: in reference air nothing differs.

    Rolling resistance by 0.86 %/K, drag by density (UN GTR No. 15, Annex 4, 4.5), F0 by mass.
    """
    cold = 1.0 + 0.0086 * (5.0 - 20.0)
    heavy, density = 1600.0 / 1480.0, 1.25
    reference = 100e3 / (287.05 * 293.15)
    value = TRUE * np.array([heavy / cold, 1.0 / cold, density / reference])
    air = AirState(
        density_kg_m3=density,
        density_sd_kg_m3=0.004,
        source="measured",
        temperature_c=5.0,
        pressure_hpa=1000.0,
    )
    found = compare(side("a"), side("b", value, mass_kg=1600.0, air=air))
    assert found.road_load is not None
    for speed in (5.0, 20.0, 32.0):
        assert abs(found.road_load.at(speed).value) < 1e-3 * found.road_load.at(speed).first
    assert found.road_load.drag_area_m2 is not None
    # 2 F2 / rho with the reference density of dry air
    assert found.road_load.drag_area_m2.first == pytest.approx(2.0 * 0.42 / reference, rel=1e-3)


def test_f1_alike_is_the_conditional_distribution() -> None:
    """Against another form of it: the inverse of the precision's rows of F0 and F2 alone."""
    found = compare(side("a"), side("b", TRUE + np.array([10.0, -0.8, 0.02]))).road_load
    assert found is not None
    assert found.drag_area_alike_m2 is not None
    assert found.rolling_alike is not None
    assert found.drag_area_m2 is not None
    precision = np.linalg.inv(found.covariance)
    keep = np.ix_([0, 2], [0, 2])
    conditional = np.linalg.inv(precision[keep])
    difference = found.other - found.first
    mean = difference[[0, 2]] + conditional @ precision[[0, 2], 1] * difference[1]
    per_f2 = found.drag_area_m2.first / found.first[2]
    assert found.drag_area_alike_m2.value == pytest.approx(per_f2 * mean[1], rel=1e-6)
    assert found.drag_area_alike_m2.sd == pytest.approx(per_f2 * conditional[1, 1] ** 0.5, rel=1e-6)
    assert found.rolling_alike.value == pytest.approx(mean[0] / (1480.0 * 9.80665), rel=1e-6)


def test_narrow_speeds_give_a_curve_and_no_drag_area() -> None:
    found = compare(side("a"), side("b", speeds=(23.0, 27.0)))
    assert found.road_load is not None
    assert found.road_load.speed_range_mps == (23.0, 27.0)
    apart = compare(side("a", speeds=(5.0, 15.0)), side("b", speeds=(20.0, 30.0)))
    assert apart.road_load is None
    assert "no speeds in common" in str(apart.why_no_road_load)


def test_power_is_compared_gear_by_gear_and_widened_by_scatter() -> None:
    first, other = side("a"), side("b")
    found = compare(first, other)
    assert [(c.gear, c.other_gear) for c in found.power] == [(1, 1), (2, 2), (3, 3)]
    for curve in found.power:
        np.testing.assert_allclose(curve.other_w, curve.first_w)
    scattered = replace(other, power=replace(power_of(other), scatter_factor=2.0))
    wider = compare(first, scattered)
    for one, two in zip(found.power, wider.power, strict=True):
        assert (two.sd_w > one.sd_w).all()
    # a session that begins in the second gear is compared in the gears that both drove
    later = replace(other, power=replace(power_of(other), gears=power_of(other).gears[1:]))
    assert [c.gear for c in compare(first, later).power] == [2, 3]


# --- findings --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "severity", "change"),
    [
        ("one_direction", "warning", {"separable": False}),
        ("wind_strong", "warning", {"wind_mps": -7.0}),
        ("winds_differ", "warning", {"wind_mps": 4.8}),
        (
            "power_air_differs",
            "warning",
            {
                "air": AirState(
                    density_kg_m3=1.25,
                    density_sd_kg_m3=0.004,
                    source="measured",
                    temperature_c=5.0,
                    pressure_hpa=1000.0,
                )
            },
        ),
        (
            "air_unknown",
            "warning",
            {"air": AirState(density_kg_m3=1.2, density_sd_kg_m3=0.05, source="assumed")},
        ),
        ("few_runs", "note", {"runs_up": 1, "runs_down": 1}),
        ("runs_scatter", "warning", {"scatter": True}),
        ("own_warnings", "note", {"serious": 3}),
        ("vehicle_unknown", "warning", {"vehicle": None}),
    ],
)
def test_what_weakens_a_comparison_is_named(
    kind: str, severity: str, change: dict[str, Any]
) -> None:
    calm: dict[str, Any] = {"serious": 0, "runs_up": 4, "runs_down": 4, "wind_mps": 0.5}
    first, other = (replace(side(name), **calm) for name in ("a", "b"))
    other = replace(other, vehicle=replace(other.vehicle or other.masses, state="chip"))
    assert set(kinds(compare(first, other))) == {"road_unknown"}
    found = kinds(compare(first, replace(other, **change)))
    assert found[kind] == severity
    assert set(found) <= {kind, "road_unknown"}


def test_other_tyres_roads_vehicles_and_an_unchanged_state_are_named() -> None:
    road = Road(latitude_deg=56.0, longitude_deg=3.5, up=np.array([1.0, 0.0]), length_m=2000.0)
    first, other = (replace(side(name), road=road) for name in ("a", "b"))
    assert kinds(compare(first, other))["states_alike"] == "note"
    assert first.vehicle is not None
    tyres = [replace(first.vehicle, tyre=tyre) for tyre in ("205/55 R16", "195/65 R15")]
    found = compare(replace(first, vehicle=tyres[0]), replace(other, vehicle=tyres[1]))
    assert kinds(found)["tyres_differ"] == "warning"
    away = replace(other, road=replace(road, latitude_deg=57.0))
    assert kinds(compare(first, away))["roads_differ"] == "warning"
    assert kinds(compare(first, side("c", vehicle="coupe")))["vehicles_differ"] == "warning"


def test_slipping_tyres_are_named() -> None:
    first, other = side("a"), side("b")
    slipping = replace(other, power=replace(power_of(other), lower_bound_below_mps=8.0))
    (finding,) = [f for f in compare(first, slipping).findings if f.kind == "tyres_may_slip"]
    assert "b below 29 km/h" in finding.text


def test_a_recording_in_both_is_refused() -> None:
    with pytest.raises(SessionError, match="log 1 holds the same drive as log 1 of a, fix by fix"):
        compare_all([side("a"), replace(side("b"), traces=side("a").traces)])


def test_each_is_set_against_the_first() -> None:
    found = compare_all([side("a"), side("b", peak_w=80_000.0), side("c", peak_w=70_000.0)])
    assert [one.other.name for one in found] == ["b", "c"]
    assert [peak_of(one).verdict for one in found] == ["not shown", "less"]


def test_simulated_days_of_one_vehicle_differ_by_no_more_than_stated(tmp_path: Path) -> None:
    """Two days of a simulated car, one pair each: every difference within 3.3 sd (1 in 1000)."""
    days, _ = days_of_one_vehicle(tmp_path, seed=3, days=2, pairs=1, coast_only=False)
    found = compare(*(side_of(str(number), day) for number, day in enumerate(days)))
    peak = peak_of(found)
    assert abs(peak.value) < 3.3 * peak.sd
    assert found.road_load is not None
    for speed in (14.0, 20.0, 27.0):
        load = found.road_load.at(speed)
        assert abs(load.value) < 3.3 * load.sd
    assert "mass" in cancelled(found)
    # each is on its own road by its own positions, and the two are not one
    road = found.first.road
    assert road is not None
    assert 500.0 < road.length_m < 5000.0
    assert same_road(road, road) == 1
    assert kinds(found)["roads_differ"] == "warning"
