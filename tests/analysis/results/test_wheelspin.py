"""Protects: where driven tyres may slip, wheel power is told to be a lower bound."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_sessions import recordings_of, simulated

from analysis.pipeline import Analysis, analyse
from analysis.simulate.session import simulate_session
from analysis.simulate.vehicle import draw_vehicle
from logger.recording import Channel
from logger.session.session import read_session


def _spin(outcome: Analysis) -> list[str]:
    return [finding.text for finding in outcome.findings if finding.kind == "wheelspin_possible"]


def _strong(folder: Path, limit_share: float) -> tuple[Analysis, float]:
    """Analyse a car with half as much torque again, and return where its true push falls to 0.40."""
    car = draw_vehicle(np.random.default_rng(3))
    weight_n = (car.mass_kg + car.rotating_mass_kg) * 9.80665
    strong = replace(
        car,
        engine_torque_nm=tuple(1.5 * torque for torque in car.engine_torque_nm),
        traction_limit_n=limit_share * weight_n,
        kind="car",
    )
    truth = simulate_session(folder, seed=3, pairs=2, vehicle=strong, exact_mass=True)
    hard = [
        speed
        for gear in truth.wheel_power
        for speed, power in zip(gear.speed_mps, gear.power_w, strict=True)
        if power >= 0.40 * weight_n * speed
    ]
    session = read_session(folder)
    recordings = recordings_of(session)
    return analyse(session, recordings), max(hard, default=0.0)


def test_a_push_near_what_one_axle_holds_is_a_lower_bound(tmp_path: Path) -> None:
    outcome, true_mps = _strong(tmp_path, 0.46)
    assert true_mps > 3.0
    assert outcome.power is not None
    found = outcome.power.lower_bound_below_mps
    # the push falls slowly with speed, and a standard deviation must lie above the limit
    assert found == pytest.approx(true_mps, abs=2.0)
    assert len(_spin(outcome)) == 1
    assert "lower bound" in _spin(outcome)[0]


def test_an_ordinary_push_is_no_wheelspin(tmp_path: Path) -> None:
    outcome, _ = _strong(tmp_path, 0.33)
    assert outcome.power is not None
    assert outcome.power.lower_bound_below_mps is None
    assert not _spin(outcome)


@pytest.mark.parametrize(("ahead", "said"), [(1.0, False), (1.15, True)])
def test_an_engine_that_runs_ahead_of_the_road_is_noticed(ahead: float, said: bool) -> None:
    """The engine's speed is the road's times a ratio, but for slip in the first third of a pull, and it
    idles in the coast-down: one that went with the speed there would show a gear engaged."""
    made = simulated(2, pairs=1)
    plain = analyse(made.session, made.recordings)
    recordings = []
    for log, recording in enumerate(made.recordings):
        curve = plain.curves[log]
        turns = np.nan_to_num(curve.speed_mps) * 120.0
        pull = next(p for r in plain.runs if r.log == log for p in r.phases if p.kind == "pull")
        start_s, end_s = pull.gear_pieces_s[0]
        early = curve.time_s < start_s + 0.35 * (end_s - start_s)
        turns = np.where(curve.time_s > pull.end_s, 800.0, np.where(early, ahead, 1.0) * turns)
        channel = Channel(
            name="engine_speed_rpm",
            t_s=curve.time_s,
            values=turns,
            clock=0,
        )
        recordings.append(replace(recording, channels=(*recording.channels, channel)))
    outcome = analyse(made.session, tuple(recordings))
    assert any("engine turns" in text for text in _spin(outcome)) is said
