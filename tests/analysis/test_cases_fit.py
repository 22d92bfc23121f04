"""Small made-up files that break fits, through the whole path `analyse`.

True values and what a good tool finds were computed outside the project, by a plain least-squares fit
of the speed-time curve; a +/- is the noise of such a fit on the file's own samples. All files:
effective mass 1329 kg, F0 152 N, F1 1.1 N/(m/s), F2 0.41 N/(m/s)^2.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from make_sessions import KNOWN_SITE, MASS_KG, analyse_files
from numpy.typing import NDArray

from analysis.pipeline import Analysis
from analysis.results.checks.validity import NothingUsable
from analysis.results.road_load import RoadLoad
from logger.reading import read
from logger.session.session import Site, Vehicle
from logger.tables.table import ColumnChoice

CASES = Path(__file__).resolve().parents[1] / "data" / "cases"
F0, F1, F2 = 152.0, 1.1, 0.41


def _load(outcome: Analysis) -> RoadLoad:
    assert outcome.road_load is not None
    return outcome.road_load


def _sd(load: RoadLoad) -> NDArray[np.float64]:
    return np.sqrt(np.diag(load.covariance))


def _force(load: RoadLoad, speed_mps: float) -> tuple[float, float]:
    speed = np.array([speed_mps])
    return float(load.force_n(speed)[0]), float(load.force_sd_n(speed)[0])


def test_a_narrow_range_gives_the_force_and_refuses_the_split() -> None:
    """27 to 23 m/s: F(25) about 435 +/- 9 N; a free split would be F0 = 2658 +/- 6089 N."""
    outcome = analyse_files([CASES / "first" / "coast_narrow_speed_range_mass1329.csv"])
    load = _load(outcome)
    force, sd = _force(load, 25.0)
    assert force == pytest.approx(435.75, abs=9.0)
    assert abs(force - 435.75) < 2.6 * sd  # two-sided 99 %
    assert not load.separable
    assert load.why_not_separable is not None
    assert "too narrow" in load.why_not_separable
    assert "km/h" in load.why_not_separable
    assert load.speed_range_mps[0] > 22.0
    assert load.speed_range_mps[1] < 28.0


def test_exact_data_give_exact_values_with_an_uncertainty_above_a_floor() -> None:
    """36 to 4 m/s, nine decimals: 152.00, 1.100, 0.4100; sd neither 0 nor inf nor nan nor 1e-6."""
    load = _load(analyse_files([CASES / "first" / "coast_exact_no_noise_mass1329.csv"]))
    # the weak priors on the coefficients pull by a fraction of the sd; four digits are asked for
    assert load.f0_n == pytest.approx(F0, abs=0.2)
    assert load.f1_n_per_mps == pytest.approx(F1, abs=0.02)
    assert load.f2_n_per_mps2 == pytest.approx(F2, abs=0.001)
    assert load.separable
    sd = _sd(load)
    assert np.all(np.isfinite(sd))
    # a receiver good to 2 cm/s over 139 s leaves about 0.3 N, 0.03 N/(m/s), 0.001 N/(m/s)^2
    assert np.all(sd > [0.1, 0.01, 3e-4])


def test_the_mass_is_part_of_the_uncertainty() -> None:
    """1 % of mass is 1 % of every force, exact data or not."""
    file = CASES / "first" / "coast_exact_no_noise_mass1329.csv"
    vehicle = Vehicle(
        mass_kg=MASS_KG, mass_sd_kg=13.29, rotating_mass_kg=0.0, rotating_mass_sd_kg=1e-3
    )
    sharp, plain = _load(analyse_files([file])), _load(analyse_files([file], vehicle=vehicle))
    (force, sd), (_, without) = _force(plain, 30.0), _force(sharp, 30.0)
    assert sd == pytest.approx(np.hypot(without, 0.01 * force), rel=0.01)
    assert plain.f0_n == pytest.approx(sharp.f0_n, rel=1e-6)


def test_epoch_seconds_give_the_answer_of_the_same_run_from_zero() -> None:
    """Times 1710000000.000 ...: 154.6 +/- 1.9, 0.82 +/- 0.23, 0.417 +/- 0.006."""
    file = CASES / "second" / "coast_epoch_seconds_mass1329.csv"
    load = _load(analyse_files([file]))
    assert load.f0_n == pytest.approx(154.6, abs=1.9)
    assert load.f1_n_per_mps == pytest.approx(0.82, abs=0.23)
    assert load.f2_n_per_mps2 == pytest.approx(0.417, abs=0.006)
    assert np.all(
        np.abs([load.f0_n - F0, load.f1_n_per_mps - F1, load.f2_n_per_mps2 - F2]) < 3.0 * _sd(load)
    )
    later = _load(analyse_files([file], later_s=3600.0))
    # 1e-13 of an hour in the times; the fit itself is linear algebra of condition 1e4
    assert later.f0_n == pytest.approx(load.f0_n, rel=1e-5)
    assert later.f2_n_per_mps2 == pytest.approx(load.f2_n_per_mps2, rel=1e-5)


def test_three_points_are_refused() -> None:
    """3 samples cannot give v0, F0, F1 and F2."""
    with pytest.raises(NothingUsable, match="fewer than four usable speed fixes"):
        analyse_files([CASES / "second" / "coast_three_points_only.csv"])


def test_two_directions_tell_the_slope_from_the_resistance() -> None:
    """One road both ways, 0.4 %, made with F0 152, F1 1.1, F2 0.41: a plain joint fit finds 154.3, 0.80 and
    0.419 at F(25) 435.75 N, and this one has to be no further from the truth, with grade 0.400 %."""
    files = [CASES / "physics" / f"coast_{way}hill_0p4pct_mass1329.csv" for way in ("up", "down")]
    site = Site(slope=0.0, slope_sd=0.005, wind_mps=0.0, wind_sd_mps=1e-3)
    outcome = analyse_files(files, site=site, directions=["up", "down"])
    load = _load(outcome)
    assert load.f0_n == pytest.approx(F0, abs=2.3)
    assert load.f1_n_per_mps == pytest.approx(F1, abs=0.30)
    assert load.f2_n_per_mps2 == pytest.approx(F2, abs=0.0095)
    assert np.all(
        np.abs([load.f0_n - F0, load.f1_n_per_mps - F1, load.f2_n_per_mps2 - F2]) < 3.0 * _sd(load)
    )
    assert _force(load, 25.0)[0] == pytest.approx(435.75, abs=1.0)
    assert outcome.site.separable
    # the mean force differs by 2 m g s between the ways: 1 N of fit noise is 0.004 % of slope
    assert 100.0 * outcome.site.slope == pytest.approx(0.400, abs=0.01)
    assert abs(outcome.site.slope - 0.004) < 3.0 * outcome.site.slope_sd


@pytest.mark.parametrize("way", ["up", "down"])
def test_one_direction_alone_warns_that_grade_and_wind_are_inside(way: str) -> None:
    """Alone, with the default knowledge of the road, the interval must hold the truth: one-way fits
    that ignore the slope give F0 207 and 102 N for a true 152 N."""
    file = CASES / "physics" / f"coast_{way}hill_0p4pct_mass1329.csv"
    outcome = analyse_files(
        [file], site=Site(slope=0.0, slope_sd=0.005, wind_mps=0.0, wind_sd_mps=1e-3)
    )
    load = _load(outcome)
    (said,) = [f.text for f in outcome.findings if f.kind == "one_direction"]
    assert said.startswith("The only used run went one way")
    assert not outcome.site.separable
    force, sd = _force(load, 10.0)
    truth = F0 + F1 * 10.0 + F2 * 100.0
    assert abs(force - truth) < 2.0 * sd
    # 0.5 % of slope, one sigma, is m g 0.005 = 65 N at every speed
    assert sd == pytest.approx(65.2, rel=0.25)


def test_a_road_that_falls_is_never_sold_as_a_negative_rolling_resistance() -> None:
    """1.6 % downhill, never stops: alone it gives -70 +/- 8 N (true sum -56.5 N). Its force is positive where
    it was driven, so an answer is given, but as doubtful, with the slope as cause and the other
    direction as remedy."""
    file = CASES / "physics" / "coast_downhill_1p6pct_never_stops_mass1329.csv"
    trust = analyse_files([file], site=KNOWN_SITE).verdict.trust
    assert trust.level == "doubtful"
    assert "road falls" in trust.why[0]
    assert "other way" in trust.why[0]


def test_kmh_under_an_mps_name_is_warned_about_and_right_with_the_unit_stated() -> None:
    """119 "m/s" losing 1.7 a second looks like km/h; with the unit stated a run of 33 to 6 m/s."""
    file = CASES / "physics" / "speed_column_named_mps_but_holds_kmh.csv"
    recording = read(file)
    assert any("km/h" in f.text for f in recording.findings if f.severity != "note")
    stated = read(file, columns={"speed_mps": ColumnChoice(unit="km/h")})
    speed = stated.channel("speed_mps")
    assert speed is not None
    assert speed.values[0] == pytest.approx(33.0, abs=0.1)
    assert speed.values[-1] == pytest.approx(6.0, abs=0.3)


def test_units_and_layout_of_the_table_do_not_change_the_answer(tmp_path: Path) -> None:
    """One coast-down in m/s and s, in km/h and ms with semicolons and decimal commas, in mph."""
    rows = np.loadtxt(
        CASES / "first" / "coast_exact_no_noise_mass1329.csv", delimiter=",", skiprows=1
    )
    metric, local, imperial = (tmp_path / f"{name}.csv" for name in ("si", "local", "imperial"))
    metric.write_text(
        "time_s,speed_mps\n" + "".join(f"{t:.3f},{v:.9f}\n" for t, v in rows), encoding="utf-8"
    )
    local.write_text(
        "elapsed (ms);Speed (km/h)\n"
        + "".join(f"{1000 * t:.0f};{3.6 * v:.8f}\n".replace(".", ",") for t, v in rows),
        encoding="utf-8",
    )
    # 1 mph = 0.44704 m/s by definition of the international mile
    imperial.write_text(
        "elapsed (s),Speed (mph)\n" + "".join(f"{t:.3f},{v / 0.44704:.9f}\n" for t, v in rows),
        encoding="utf-8",
    )
    loads = [_load(analyse_files([file])) for file in (metric, local, imperial)]
    for other in loads[1:]:
        # eight decimals in each file
        assert other.f0_n == pytest.approx(loads[0].f0_n, rel=1e-5)
        assert other.f2_n_per_mps2 == pytest.approx(loads[0].f2_n_per_mps2, rel=1e-5)
        np.testing.assert_allclose(_sd(other), _sd(loads[0]), rtol=1e-3)


def _known_load() -> RoadLoad:
    return RoadLoad(
        f0_n=F0,
        f1_n_per_mps=F1,
        f2_n_per_mps2=F2,
        covariance=np.diag([1.0, 1e-2, 1e-5]),
        speed_range_mps=(4.0, 36.0),
        separable=True,
        why_not_separable=None,
        budget_n={},
        budget_speed_mps=27.8,
    )


def test_a_gear_change_is_cut_out_of_a_constant_power_pull() -> None:
    """75 kW at the wheels from 8 m/s, 6500 N at most, no drive from 5.0 to 5.6 s: the change is not
    averaged in. Each piece's median is 75 kW (+/- 1 kW)."""
    file = CASES / "physics" / "pull_75kw_with_gear_change_at_5s_mass1329.csv"
    outcome = analyse_files([file], road_load=_known_load())
    pulls = [run.phase("pull") for run in outcome.runs]
    assert len(pulls) == 1
    assert pulls[0] is not None
    pieces = pulls[0].gear_pieces_s
    assert len(pieces) == 2
    assert pieces[0][1] <= 5.05
    assert pieces[1][0] >= 5.55
    assert outcome.power is not None
    gears = outcome.power.gears
    assert len(gears) == 2
    for gear in gears:
        assert float(np.median(gear.power_w)) == pytest.approx(75e3, abs=1e3)
        # limited to 6500 N below 11.5 m/s; above, constant power, so every speed is inside 3 sd
        level = np.minimum(6500.0 * gear.speed_mps, 75e3)
        assert np.all(np.abs(gear.power_w - level) < 3.0 * gear.sd_w)


def test_a_pull_alone_needs_a_road_load() -> None:
    file = CASES / "physics" / "pull_75kw_with_gear_change_at_5s_mass1329.csv"
    with pytest.raises(NothingUsable, match="no usable coast-down"):
        analyse_files([file])


@pytest.mark.parametrize(
    "name", ["first/csv_zero_speed_means_no_data.csv", "second/gpx_standing_still.gpx"]
)
def test_logs_without_motion_are_refused_with_reasons(name: str) -> None:
    """No pull and no coast-down; speed 0 while the position moves is never a standing start."""
    with pytest.raises(NothingUsable) as refused:
        analyse_files([CASES / name])
    assert len(refused.value.reasons) >= 1
    assert all(reason for reason in refused.value.reasons)
