"""The regulation's statistics of pairs, against its text and tables of Student's t."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis.physics.coasting import coast_time_s, speed_after_s
from analysis.results.regulation import (
    band_force_n,
    band_statistics,
    pair_time_s,
    precision,
    student_t95,
)
from analysis.results.road_load import RoadLoad
from analysis.runs.run import Phase, Run
from analysis.signals.smoothing import SpeedCurve

UP_S, DOWN_S = (9.80, 9.95, 9.75), (10.60, 10.40, 10.55)


# Student's t, two-sided 95 %, by number of pairs: any table of it
@pytest.mark.parametrize(
    ("pairs", "t95"),
    [(3, 4.303), (4, 3.182), (5, 2.776), (6, 2.571), (8, 2.365), (10, 2.262), (15, 2.145)],
)
def test_student(pairs: int, t95: float) -> None:
    assert student_t95(pairs) == pytest.approx(t95, abs=5.1e-4)


def test_the_regulations_own_table_is_student_rounded() -> None:
    # UN GTR No. 15, Annex 4, table of h as printed in the 2013 proposal
    printed = {3: 4.3, 4: 3.2, 5: 2.8, 6: 2.6, 7: 2.5, 8: 2.4, 9: 2.3}
    for pairs, h in printed.items():
        assert student_t95(pairs) == pytest.approx(h, abs=0.06)  # printed to one digit


def test_pairs_and_precision() -> None:
    # UN GTR No. 15, Annex 4, 4.3.1.4.1 and 4.3.1.4.2, worked out apart from this project
    pairs = [pair_time_s(up, down) for up, down in zip(UP_S, DOWN_S, strict=True)]
    assert pairs == pytest.approx([10.18431, 10.17002, 10.13424], abs=1e-5)
    assert float(np.mean(pairs)) == pytest.approx(10.16286, abs=1e-5)
    assert 100.0 * precision(pairs) == pytest.approx(0.630, abs=2e-3)  # with h = 4.3 for 4.303
    assert pair_time_s(float(np.mean(UP_S)), float(np.mean(DOWN_S))) == pytest.approx(
        10.16353, abs=1e-5
    )


def test_one_pair_has_no_precision() -> None:
    with pytest.raises(ValueError, match="two or more"):
        precision([10.0])


def test_force_of_a_band() -> None:
    # 4.3.1.4.4: (1530 + 42.75) kg, 10 km/h in 5.0 s
    assert band_force_n(1530.0 + 42.75, 5.0 / 3.6, 5.0) == pytest.approx(873.75, abs=0.005)


MASS_KG, F0, F1, F2 = 1550.0, 160.0, 1.0, 0.40


def coast(
    log: int, direction: int, slope_n: float, *, low_mps: float = 5.0, used: bool = True
) -> tuple[SpeedCurve, Run]:
    f0 = F0 + direction * slope_n
    end_s = coast_time_s(MASS_KG, f0, F1, F2, 35.0, low_mps)
    time = np.arange(0.0, end_s, 0.1)
    speed = np.array([speed_after_s(MASS_KG, f0, F1, F2, 35.0, float(t)) for t in time])
    zeros = np.zeros(time.size)
    curve = SpeedCurve(
        log=log,
        time_s=time,
        speed_mps=speed,
        speed_sd_mps=zeros + 0.05,
        accel_mps2=zeros,
        accel_sd_mps2=zeros + 0.1,
        place_m=np.cumsum(speed) * 0.1,
    )
    phase = Phase(
        kind="coast",
        start_s=0.0,
        end_s=float(time[-1]),
        from_mps=35.0,
        to_mps=float(speed[-1]),
        used=used,
    )
    return curve, Run(log=log, number=log, direction=direction, phases=(phase,))


LOAD = RoadLoad(
    f0_n=F0,
    f1_n_per_mps=F1,
    f2_n_per_mps2=F2,
    covariance=np.diag([4.0, 0.01, 1e-5]),
    speed_range_mps=(5.0, 35.0),
    separable=True,
    why_not_separable=None,
    budget_n={},
    budget_speed_mps=100.0 / 3.6,
)


def test_bands_of_opposite_coast_downs_give_the_level_road_force() -> None:
    """Slopes of 0.3 % either way; the harmonic mean takes them out (40 CFR and UN GTR alike)."""
    made = [coast(i, 1 if i % 2 == 0 else -1, 45.0) for i in range(6)]
    bands = band_statistics([c for c, _ in made], [r for _, r in made], LOAD, MASS_KG)
    assert [round(band.speed_mps * 3.6) for band in bands] == [120, 100, 80, 60, 40]
    for band in bands:
        v = band.speed_mps
        assert len(band.pair_times_s) == 3
        # linear interpolation of steps of 0.1 s, and 0.1 % of a band's own curvature
        assert band.force_n == pytest.approx(F0 + F1 * v + F2 * v * v, rel=2e-3)
        assert band.road_load_n == pytest.approx(F0 + F1 * v + F2 * v * v)
        sd = math.sqrt(4.0 + 0.01 * v**2 + 1e-5 * v**4)
        assert band.road_load_sd_n == pytest.approx(sd)
        assert band.meets is True  # pairs that are all alike
        assert band.precision == pytest.approx(0.0, abs=1e-9)


def test_scatter_of_pairs_fails_the_criterion() -> None:
    # pairs whose rolling resistance is 0, 15 and 30 % higher do not know their mean within 3 %
    made: list[tuple[SpeedCurve, Run]] = []
    for number in range(3):
        for way in (1, -1):
            # a slope of the same sign both ways is no slope but a resistance
            made.append(coast(len(made), way, way * 0.15 * F0 * number))
    bands = band_statistics([c for c, _ in made], [r for _, r in made], LOAD, MASS_KG)
    assert all(band.meets is False for band in bands)


def test_few_pairs_are_not_judged_and_unused_ones_do_not_count() -> None:
    made = [coast(0, 1, 0.0), coast(1, -1, 0.0), coast(2, 1, 0.0), coast(3, -1, 0.0, used=False)]
    (band, *_) = band_statistics([c for c, _ in made], [r for _, r in made], LOAD, MASS_KG)
    assert len(band.pair_times_s) == 1
    assert (band.precision, band.meets) == (None, None)
    one_way = made[::2]
    assert band_statistics([c for c, _ in one_way], [r for _, r in one_way], LOAD, MASS_KG) == ()


def test_a_coast_down_that_ends_early_has_no_slow_bands() -> None:
    made = [coast(0, 1, 0.0, low_mps=20.0), coast(1, -1, 0.0)]
    bands = band_statistics([c for c, _ in made], [r for _, r in made], LOAD, MASS_KG)
    assert [round(band.speed_mps * 3.6) for band in bands] == [120, 100, 80]


def test_student_t_is_scipys_for_few_and_many_pairs() -> None:
    # another implementation of the same quantile; the bisection ends at the last digits of an angle
    for pairs in (*range(2, 40), 101, 102):
        assert student_t95(pairs) == pytest.approx(float(stats.t.ppf(0.975, pairs - 1)), rel=1e-12)
