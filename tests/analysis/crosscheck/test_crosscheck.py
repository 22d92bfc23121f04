"""Timed runs beside a session of known truth: agreement, a wrong speedometer, a gate on the brake."""

from __future__ import annotations

import csv
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from make_gates import KMH, gate_speeds_kmh, time_gates
from make_sessions import analysed
from scipy.stats import chi2

from analysis.crosscheck.checked import CrossCheck
from analysis.crosscheck.crosscheck import cross_check, cross_check_alone
from analysis.crosscheck.session import session_gates
from analysis.crosscheck.timed_runs import GateInterval, TimedRun, parse_timed_runs
from analysis.pipeline import Analysis
from analysis.report.csv_files import speed_time_csv
from analysis.simulate.truth import Truth

SEEDS = (1, 2, 3, 4)


def check(runs: list[TimedRun], outcome: Analysis, *, find_run: bool = False) -> CrossCheck:
    return cross_check(runs, session_gates(outcome), find_run=find_run, power=outcome.power)


@cache
def session(seed: int) -> tuple[Analysis, Truth]:
    return analysed(seed)


def test_z_scores_of_stopwatch_gates_have_unit_spread() -> None:
    z: list[float] = []
    for seed in SEEDS:
        outcome, truth = session(seed)
        for draw in range(6):
            rng = np.random.default_rng([seed, draw])
            runs = time_gates(truth, rng, direction=1 - 2 * (draw % 2))
            z += [gate.z or 0.0 for gate in check(runs, outcome).gates]
    # the errors of timing are drawn anew 6 times, those of the 4 sessions are not: as if 48 of the 72
    # values were independent, 99.8 % of such sums of squares lie in this band. The benchmark with 200
    # sessions is tests/benchmarks/gates.py.
    low, high = (float(chi2.ppf(p, 48)) / 48 for p in (0.001, 0.999))
    assert low < float(np.mean(np.square(z))) < high


def many_gates(truth: Truth) -> tuple[tuple[int, int], ...]:
    high, middle, _ = gate_speeds_kmh(truth)
    return ((0, middle), (0, high), (30, high), (30, middle))


def both_ways(truth: Truth, rng: np.random.Generator, scale: float = 1.0) -> list[TimedRun]:
    return [
        run
        for direction in (1, -1)
        for run in time_gates(
            truth, rng, time_sd_s=0.05, speed_sd_kmh=0.3, scale=scale,
            pulls_kmh=many_gates(truth), direction=direction,
        )
    ]  # fmt: skip


@pytest.mark.parametrize("seed", [2, 4])
def test_a_speedometer_wrong_by_4_percent_is_found_and_named(seed: int) -> None:
    scale = 1.04
    outcome, truth = session(seed)
    runs = both_ways(truth, np.random.default_rng([seed, 9]), scale)
    found = check(runs, outcome)
    assert found.speed_scale is not None
    assert found.speed_scale_sd is not None
    assert abs(found.speed_scale - scale) < 3.0 * found.speed_scale_sd
    assert found.speed_scale_sd < 0.02  # 4 % is then two sigma
    assert found.best_cause == "speedometer"
    said = next(text for text in found.explanation if text.startswith("The speedometer"))
    assert "reads" in said
    assert said.endswith("% high.")
    # a wrong speedometer is wrong for all gates: none is singled out
    assert not any(gate.odd for gate in found.gates)


@pytest.mark.parametrize("seed", [1, 3])
def test_a_right_speedometer_is_not_blamed(seed: int) -> None:
    outcome, truth = session(seed)
    runs = both_ways(truth, np.random.default_rng([seed, 10]))
    found = check(runs, outcome)
    assert any("No speedometer error is shown" in text for text in found.explanation)
    assert {gate.verdict for gate in found.gates} <= {
        "agrees", "differs: longer than predicted", "differs: shorter than predicted",
    }  # fmt: skip


@pytest.mark.parametrize("seed", SEEDS)
def test_a_gate_passed_on_the_brake_is_flagged_and_spoils_nothing_else(seed: int) -> None:
    outcome, truth = session(seed)
    rng = np.random.default_rng([seed, 11])
    runs = time_gates(truth, rng, pulls_kmh=many_gates(truth), direction=1)
    spoilt = replace(
        runs[-1],
        gates=GateInterval(
            from_mps=runs[-1].gates.from_mps,
            to_mps=runs[-1].gates.to_mps,
            duration_s=0.5 * runs[-1].gates.duration_s,
        ),
    )
    found = check([*runs[:-1], spoilt], outcome)
    assert "on the brake or in gear" in found.gates[-1].verdict
    assert not any("brake" in gate.verdict for gate in found.gates[:-1])
    assert found.speed_scale is not None
    assert found.speed_scale_sd is not None
    assert abs(found.speed_scale - 1.0) < 3.0 * found.speed_scale_sd


def test_without_a_direction_the_prediction_covers_both() -> None:
    outcome, truth = session(1)
    for gate in check(time_gates(truth, np.random.default_rng(3)), outcome).gates:
        up, down, sd = gate.predicted_up_s, gate.predicted_down_s, gate.predicted_sd_s
        assert up is not None
        assert down is not None
        assert sd is not None
        assert gate.predicted_s == pytest.approx(0.5 * (up + down))
        assert sd >= 0.5 * abs(up - down)


def test_without_directions_no_speedometer_is_judged() -> None:
    outcome, truth = session(2)
    runs = [
        replace(run, direction=None) for run in both_ways(truth, np.random.default_rng(1), 1.04)
    ]
    found = check(runs, outcome)
    assert (found.speed_scale, found.speed_scale_sd, found.speedometer_off) == (None, None, False)
    assert any("not judged without directions" in text for text in found.explanation)
    assert "speedometer" not in {cause.cause for cause in found.causes}


@pytest.mark.parametrize("direction", [1, -1])
def test_a_run_timed_one_way_is_said_to_have_gone_that_way(direction: int) -> None:
    # a slope of 1 % changes a coast-down by a third: far more than the errors of timing
    outcome, truth = session(3)
    runs = time_gates(truth, np.random.default_rng(8), time_sd_s=0.05, speed_sd_kmh=0.1,
                      direction=direction)  # fmt: skip
    undirected = [replace(run, direction=None) for run in runs]
    found = check(undirected, outcome)
    other = {1: "driven down", -1: "driven up"}[direction]
    fits = {cause.cause: cause.misfit for cause in found.causes}
    assert fits[{1: "driven up", -1: "driven down"}[direction]] < fits[other]
    assert found.best_cause != other


def test_gates_off_speed_time_csv_agree_by_construction() -> None:
    outcome, _ = session(1)
    rows = list(csv.DictReader(speed_time_csv(outcome.curves, outcome.runs).splitlines()))
    for number in ("1", "2"):
        pull, coast = (
            np.array(
                [
                    (float(row["time_s"]), float(row["speed_mps"]))
                    for row in rows
                    if row["run"] == number and row["phase"] == phase
                ]
            ).T
            for phase in ("pull", "coast")
        )
        top, low = 0.97 * coast[1].max(), coast[1].min() + 1.0
        middle = 0.5 * (top + low)
        launch = float(pull[0][0])
        at = {v: float(np.interp(-v, -coast[1], coast[0])) for v in (top, middle, low)}
        texts = [f"{top:.6f}-{middle:.6f}={at[middle] - at[top]:.4f}",
                 f"{middle:.6f}-{low:.6f}={at[low] - at[middle]:.4f}"]  # fmt: skip
        reach = 0.9 * pull[1].max()
        end = float(pull[0][int(np.argmax(pull[1] >= reach))])
        runs = parse_timed_runs([f"0-{reach:.6f}={end - launch:.4f}"], texts, "m/s", 0.2, 0.3)
        for run in (int(number), None):
            found = cross_check(runs, session_gates(outcome), run=run, power=outcome.power)
            assert found.best_cause == "as predicted"
            assert not found.speedometer_off
            for gate in found.gates:
                assert gate.z is not None
                # rows every 0.1 s, gates errors of 0.2 s and 0.3 m/s: half a sigma at the most
                assert abs(gate.z) < 0.5
                assert gate.own_run is not None
                assert gate.verdict == f"agrees with run {gate.own_run} of the session"
                assert run is None or gate.own_run == run


def test_mean_power_is_the_truth_and_the_customary_sum_is_not() -> None:
    for seed in SEEDS:
        outcome, truth = session(seed)
        high, *_ = gate_speeds_kmh(truth)
        runs = time_gates(truth, np.random.default_rng(seed), time_sd_s=0.01, speed_sd_kmh=0.02)
        found = check(runs, outcome)
        assert found.mean_power_w is not None
        assert found.mean_power_sd_w is not None
        # wheel energy from the true forces along the true speeds, level road, still air
        pull = runs[0].gates
        energies, losses = [], []
        for run in truth.runs:
            path, offset = truth.paths[run.log], truth.logs[run.log].path_offset_s
            inside = (path.time_s >= run.launch_s + offset) & (
                path.time_s <= run.release_s + offset
            )
            v = path.speed_mps[inside]
            v = v[: int(np.argmax(v >= high * KMH)) + 1]
            lost = float(np.trapezoid(truth.force_n(v) * v, dx=0.01))
            losses.append(lost / pull.duration_s)
            energies.append(0.5 * truth.effective_mass_kg * v[-1] ** 2 + lost)
        true_w = float(np.mean(energies)) / pull.duration_s
        assert abs(found.mean_power_w - true_w) < 3.0 * found.mean_power_sd_w
        assert found.mean_power_sd_w < 0.05 * true_w
        assert found.segments is not None
        assert found.weighted_segments_w is not None
        assert found.segments.kinetic_mean_w < found.mean_power_w < found.segments.total_w
        assert any("neither the mean nor the peak" in text for text in found.explanation)
        # weighted by time, the segments come near what the road load takes in the pull; summed not
        true_loss_w = float(np.mean(losses))
        assert abs(found.weighted_segments_w - true_loss_w) < 0.5 * abs(
            sum(found.segments.segments_w) - true_loss_w
        )


def test_two_intervals_are_too_few_to_blame_a_speedometer() -> None:
    outcome, truth = session(1)
    runs = time_gates(truth, np.random.default_rng(5))[:2]
    found = check(runs, outcome)
    assert (found.speed_scale, found.speed_scale_sd, found.reaction_s) == (None, None, None)
    assert any("at least 3 timed intervals" in text for text in found.explanation)


def test_speeds_that_are_never_reached_are_said_to_be_so() -> None:
    outcome, _ = session(1)
    runs = [
        TimedRun(
            kind="pull",
            gates=GateInterval(from_mps=0.0, to_mps=150.0, duration_s=60.0),
            time_sd_s=0.2,
            speed_sd_mps=0.3,
        )
    ]
    (gate,) = check(runs, outcome).gates
    assert (gate.predicted_s, gate.z) == (None, None)
    assert "never reaches" in gate.verdict


def test_a_late_thumb_is_a_reaction_time() -> None:
    outcome, truth = session(4)
    runs = time_gates(
        truth, np.random.default_rng(6), time_sd_s=0.03, speed_sd_kmh=0.1,
        pulls_kmh=many_gates(truth),
    )  # fmt: skip
    late = [
        replace(
            run,
            gates=GateInterval(
                from_mps=run.gates.from_mps,
                to_mps=run.gates.to_mps,
                duration_s=run.gates.duration_s + 0.5,
            ),
        )
        for run in runs
    ]
    before, after = check(runs, outcome), check(late, outcome)
    assert before.reaction_s is not None
    assert after.reaction_s is not None
    assert after.reaction_sd_s is not None
    # a prior of 0.2 s holds it back; what it finds beyond the rest is most of the half second
    assert 0.2 < after.reaction_s - before.reaction_s < 0.55
    assert any("too long: reaction" in text for text in after.explanation)


def test_gates_alone_give_road_load_and_mean_power_with_wide_intervals() -> None:
    outcome, truth = session(2)
    runs = time_gates(truth, np.random.default_rng(7))
    alone = cross_check_alone(runs, outcome.session.vehicle)
    with_phone = check(runs, outcome)
    assert alone.mean_power_w is not None
    assert alone.mean_power_sd_w is not None
    assert with_phone.mean_power_w is not None
    assert abs(alone.mean_power_w - with_phone.mean_power_w) < 3.0 * alone.mean_power_sd_w
    for v, force, sd in alone.road_load_n:
        assert abs(force - float(truth.force_n(np.array(v)))) < 3.5 * sd
    assert alone.peak_power_w is None
    assert any("cannot be told from gates" in text for text in alone.explanation)
    assert {gate.verdict for gate in alone.gates} == {"no session to compare with"}


def test_gates_alone_without_a_coast_down_say_what_is_missing() -> None:
    outcome, _ = session(2)
    runs = [
        TimedRun(
            kind="pull",
            gates=GateInterval(from_mps=0.0, to_mps=20.0, duration_s=8.0),
            time_sd_s=0.2,
            speed_sd_mps=0.3,
        )
    ]
    found = cross_check_alone(runs, outcome.session.vehicle)
    assert found.mean_power_w is None
    assert any("coast-down the road load stays unknown" in text for text in found.explanation)
