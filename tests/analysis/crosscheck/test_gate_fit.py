"""Road load and mean power from gates alone return what closed forms made the gates of."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest

from analysis.crosscheck.gate_fit import (
    constant_power_w,
    gate_covariance_s2,
    mean_wheel_power_w,
    road_load_from_gates,
)
from analysis.crosscheck.timed_runs import GateInterval, TimedRun
from analysis.physics.coasting import coast_time_s

KMH = 1 / 3.6
#: Mass [kg] and coefficients in SI; the mass falls out of the check.
LOADS = (
    # EPA test-car list 2022, Mazda MX-5
    (1160.0, 141.43, 2.3806, 0.39061),
    # 40 CFR 86.529-98, class of 200 kg: A 8.69 N, C 0.0252 N/(km/h)^2, no linear part
    (200.0, 8.69, 0.0, 0.0252 * 3.6**2),
    # invented, in the units of UN GTR No. 15: 120 N, 0.6 N/(km/h), 0.030 N/(km/h)^2
    (1530.0, 120.0, 0.6 * 3.6, 0.030 * 3.6**2),
)


def timed(
    mass_kg: float, load: Sequence[float], gates_kmh: list[float], time_sd_s: float, sd_mps: float
) -> list[TimedRun]:
    speeds = [v * KMH for v in gates_kmh]
    f0, f1, f2 = load
    return [
        TimedRun(
            kind="coast",
            gates=GateInterval(
                from_mps=a, to_mps=b, duration_s=coast_time_s(mass_kg, f0, f1, f2, a, b)
            ),
            time_sd_s=time_sd_s,
            speed_sd_mps=sd_mps,
        )
        for a, b in itertools.pairwise(speeds)
    ]


@pytest.mark.parametrize("published", LOADS)
def test_gates_made_of_published_road_loads_return_them(published: tuple[float, ...]) -> None:
    mass_kg, *load = published
    runs = timed(mass_kg, load, [110, 90, 70, 50, 30, 15], 1e-5, 0.0)
    found = road_load_from_gates(runs, mass_kg)
    # times good to 1e-5 s of 5 s or more leave the prior no say: a thousandth of the force
    v = np.linspace(15, 110, 20) * KMH
    truth = load[0] + load[1] * v + load[2] * v**2
    np.testing.assert_allclose(found.force_n(v), truth, rtol=1e-3)


def test_a_regulation_s_own_time_gives_its_force() -> None:
    # 40 CFR 86.529-98: 200 kg with A 8.69 N and C 0.0252 N/(km/h)^2 coasts from 70 to 60 km/h in
    # 4.85 s (printed to 0.005 s)
    run = TimedRun(
        kind="coast",
        gates=GateInterval(from_mps=70 * KMH, to_mps=60 * KMH, duration_s=4.85),
        time_sd_s=0.005,
        speed_sd_mps=0.0,
    )
    found = road_load_from_gates([run], 200.0)
    force = float(found.force_n(np.array(65 * KMH)))
    assert force == pytest.approx(8.69 + 0.0252 * 65**2, rel=0.003)


def test_the_sd_of_the_force_holds_under_drawn_errors() -> None:
    mass_kg, *load = LOADS[2]
    gates, rng = [100.0, 70.0, 40.0, 20.0], np.random.default_rng(4)
    at = np.array(70 * KMH)
    truth = load[0] + load[1] * at + load[2] * at**2
    z = []
    for _ in range(120):
        shown = [v + 0.5 * rng.standard_normal() for v in gates]
        runs = timed(mass_kg, load, shown, 0.2, 0.5 * KMH)
        runs = [
            TimedRun(
                kind="coast",
                gates=GateInterval(
                    from_mps=a * KMH,
                    to_mps=b * KMH,
                    duration_s=run.gates.duration_s + 0.2 * rng.standard_normal(),
                ),
                time_sd_s=0.2,
                speed_sd_mps=0.5 * KMH,
            )
            for run, a, b in zip(runs, gates[:-1], gates[1:], strict=True)
        ]
        found = road_load_from_gates(runs, mass_kg)
        basis = np.array([1.0, float(at), float(at**2)])
        sd = float(np.sqrt(basis @ found.covariance @ basis))
        z.append((float(found.force_n(at)) - truth) / sd)
    # rms of 120 normal values: 1 with an sd of 0.065; a prior may narrow it
    assert 0.75 < float(np.sqrt(np.mean(np.square(z)))) < 1.2


def test_constant_power_returns_the_pull_of_a_closed_form() -> None:
    # standards: 100 kW against 160 N + 0.40 v^2 takes 4.25655 s from 60 to 100 km/h with 1575 kg
    load = np.array([160.0, 0.0, 0.40])
    power = constant_power_w(1575.0, load, 60 * KMH, 100 * KMH, 4.25655)
    assert power == pytest.approx(100e3, rel=1e-5)  # the time is printed to 1e-5 s


def test_mean_power_of_gates_covers_constant_power_and_constant_acceleration() -> None:
    load = road_load_from_gates(
        timed(1575.0, (160.0, 0.0, 0.40), [100, 70, 40, 20], 1e-3, 0.0), 1575.0
    )
    run = TimedRun(
        kind="pull",
        gates=GateInterval(from_mps=60 * KMH, to_mps=100 * KMH, duration_s=4.25655),
        time_sd_s=1e-3,
        speed_sd_mps=0.0,
    )
    mean, sd = mean_wheel_power_w(1575.0, load, run, 0.0)
    assert abs(mean - 100e3) < 1.5 * sd
    assert sd < 1000.0


def test_a_shared_gate_ties_neighbouring_intervals() -> None:
    runs = timed(1500.0, (150.0, 1.0, 0.4), [90, 60, 30], 0.1, 0.3)
    slopes = np.array([[2.0, -3.0], [3.0, -5.0]])
    matrix = gate_covariance_s2(runs, slopes)
    # by hand: 0.1^2 + (0.6^2 + 0.9^2), and what the shared reading puts between the two
    np.testing.assert_allclose(matrix, [[0.01 + 0.36 + 0.81, -0.81], [-0.81, 0.01 + 0.81 + 2.25]])


def test_a_standing_start_needs_no_reading() -> None:
    run = TimedRun(
        kind="pull",
        gates=GateInterval(from_mps=0.0, to_mps=25.0, duration_s=9.0),
        time_sd_s=0.2,
        speed_sd_mps=0.3,
    )
    assert gate_covariance_s2([run], np.array([[-9.0, 0.5]]))[0, 0] == pytest.approx(0.04 + 0.15**2)


def test_no_coast_down_is_refused() -> None:
    with pytest.raises(ValueError, match="coast-down"):
        road_load_from_gates([], 1500.0)
