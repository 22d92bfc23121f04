"""Predictions of whole simulated sessions against what their vehicles would do."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from make_sessions import analysed, simulated

from analysis.physics.coasting import coast_distance_m, coast_time_s
from analysis.physics.vehicle import rolling_radius_m
from analysis.pipeline import Analysis, analyse
from analysis.results.corrections import STANDARD_FACTORS
from analysis.results.predictions import (
    Change,
    Drive,
    GearPull,
    Path,
    Prediction,
    drive_through,
)
from analysis.simulate.truth import Truth
from logger.recording import Channel

SEEDS = (1, 2, 3, 4)
KMH = 1.0 / 3.6


def items(outcome: Analysis) -> dict[str, Prediction]:
    assert outcome.extras.expected is not None
    return {item.name: item for item in outcome.extras.expected.items}


def as_tested(seed: int) -> tuple[Analysis, Truth]:
    """Analyse a session without its weather: what is expected then holds in the air of the day."""
    made = simulated(seed, pairs=2)
    session = replace(made.session, air=None)
    return analyse(session, made.recordings), made.truth


def true_path(truth: Truth) -> Path:
    """Drive the true vehicle with its mean launch and gear changes, by plain integration."""
    mass_kg = truth.mass_kg + truth.rotating_mass_kg
    gears = tuple(
        GearPull(
            speed_mps=np.array(g.speed_mps),
            accel_mps2=np.array(g.power_w) / np.array(g.speed_mps) / mass_kg,
        )
        for g in truth.wheel_power
    )
    runs = [run for run in truth.runs if len(run.gears) == len(gears)]
    changes = []
    for i in range(len(gears) - 1):
        seen = [
            (
                run.gears[i].to_mps,
                run.gears[i + 1].from_mps,
                run.gears[i + 1].start_s - run.gears[i].end_s,
            )
            for run in runs
        ]
        from_mps, to_mps, duration_s = (float(value) for value in np.mean(seen, axis=0))
        changes.append(Change(from_mps=from_mps, to_mps=to_mps, duration_s=duration_s))
    launches = [(run.gears[0].start_s - run.launch_s, run.gears[0].from_mps) for run in runs]
    launch_s, to_mps = (float(value) for value in np.mean(launches, axis=0))
    resist = (truth.f0_n / mass_kg, truth.f1_n_per_mps / mass_kg, truth.f2_n_per_mps2 / mass_kg)
    launch = Change(from_mps=0.0, to_mps=to_mps, duration_s=launch_s)
    return drive_through(
        Drive(gears=gears, resist=resist, mass_kg=mass_kg, changes=tuple(changes), launch=launch)
    )


def misses(seed: int) -> dict[str, float]:
    """Return how many sd each prediction of a session misses the truth by."""
    outcome, truth = as_tested(seed)
    assert outcome.extras.expected is not None
    assert outcome.extras.expected.air == "as tested"
    path = true_path(truth)
    mass_kg = truth.mass_kg + truth.rotating_mass_kg
    forces = (truth.f0_n, truth.f1_n_per_mps, truth.f2_n_per_mps2)
    known: dict[str, float | None] = {}
    for end in (60, 100):
        found = path.at_speed(end * KMH)
        known[f"0 to {end} km/h"] = None if found is None else found[0]
    found = path.at_place(400.0)
    known["standing 400 m"] = None if found is None else found[0]
    for start, end in ((100, 80), (80, 60), (60, 40), (40, 20)):
        time_s = coast_time_s(mass_kg, *forces, start * KMH, end * KMH)
        known[f"{start} to {end} km/h in neutral"] = time_s
    place_m = coast_distance_m(mass_kg, *forces, 50.0 * KMH, 0.0)
    known["stopping distance in neutral from 50 km/h"] = place_m
    for speed in (50, 80, 100):
        v = speed * KMH
        known[f"cruising at {speed} km/h"] = (forces[0] + forces[1] * v + forces[2] * v * v) * v
    told = items(outcome)
    missed = {}
    for name, value in known.items():
        item = told.get(name)
        if value is not None and item is not None and item.value is not None:
            assert item.sd is not None
            missed[name] = (item.value - value) / item.sd
    return missed


def test_predictions_hold_what_the_simulated_vehicles_do() -> None:
    """Four sessions, ten figures each that lean on each other: none far out, the mean square near 1."""
    every = [misses(seed) for seed in SEEDS]
    assert sum(map(len, every)) >= 30
    values = np.array([value for one in every for value in one.values()])
    # some eight figures' worth of independent ones: 4 sd is met by chance once in 2,000 such tests,
    # a mean square of 2.5 with 8 degrees of freedom once in 100
    assert np.abs(values).max() < 4.0
    assert float(np.mean(values**2)) < 2.5
    # and they are no wider than they need be: a mean square of 0.1 with 8 once in 1,000
    assert float(np.mean(values**2)) > 0.1


def test_reference_air_is_taken_where_the_day_is_known() -> None:
    outcome, _ = analysed(1)
    assert outcome.extras.expected is not None
    assert outcome.extras.expected.air == "reference"
    day, _ = as_tested(1)
    state, load = outcome.air, outcome.road_load
    assert state.temperature_c is not None
    assert load is not None
    # F0 and F1 by 0.86 % per kelvin, F2 by the density (UN GTR No. 15, Annex 4, 4.5)
    v = 80.0 * KMH
    rolling = 1.0 + 8.6e-3 * (state.temperature_c - 20.0)
    dense = 1.1888 / state.density_kg_m3
    force = (load.f0_n + load.f1_n_per_mps * v) * rolling + load.f2_n_per_mps2 * dense * v * v
    cruising = items(outcome)["cruising at 80 km/h"].value
    assert cruising == pytest.approx(force * v, rel=1e-4)  # 1.1888 has five digits
    before = items(day)["cruising at 80 km/h"].value
    assert before == pytest.approx(float(load.force_n(np.array(v))) * v, rel=1e-6)


def test_a_session_that_asks_gets_its_corrections_and_crank_figure() -> None:
    made = simulated(1, pairs=2)
    assert made.session.air is not None
    vehicle = replace(
        made.session.vehicle, drive="naturally aspirated", driveline_loss_percent=(10.0, 20.0)
    )
    session = replace(
        made.session,
        vehicle=vehicle,
        correction_standard="DIN 70020",
        air=replace(made.session.air, temperature_c=22.0, pressure_hpa=995.0),
    )
    outcome = analyse(session, made.recordings)
    assert outcome.power is not None
    assert outcome.extras.crank is not None
    assert outcome.extras.crank.peak_w == pytest.approx(outcome.power.peak_w / 0.85)
    assert (
        tuple(each.standard for each in outcome.extras.corrections) == STANDARD_FACTORS["DIN 70020"]
    )
    # DIN 70020: (1013 / 995) sqrt(295 / 293)
    factor = 1013.0 / 995.0 * math.sqrt(295.0 / 293.0)
    assert outcome.extras.corrections[0].peak_w == pytest.approx(factor * outcome.power.peak_w)
    plain, _ = analysed(1)
    assert plain.power is not None
    assert plain.power.peak_w == outcome.power.peak_w  # as measured stays what it was
    assert (plain.extras.crank, plain.extras.corrections) == (None, ())


def test_a_logged_engine_speed_gives_the_ratio_of_each_gear() -> None:
    made = simulated(1, pairs=2)
    plain, _ = analysed(1)
    tyre, ratios = "205/55 R16", (13.2, 7.6, 5.1)
    radius_m = rolling_radius_m(tyre)
    recordings = list(made.recordings)
    for run in plain.runs:
        pull, curve = run.phase("pull"), plain.curves[run.log]
        if pull is None or not pull.used:
            continue
        rpm = np.full(curve.time_s.size, 800.0)
        for ratio, (start, end) in zip(ratios, pull.gear_pieces_s, strict=True):
            inside = (curve.time_s >= start - 0.2) & (curve.time_s <= end + 0.2)
            # 3 % more turns than the speed asks for: a slipping clutch
            turns = 1.03 * ratio * 60.0 * curve.speed_mps / (2.0 * math.pi * radius_m)
            rpm[inside] = turns[inside]
        good = np.isfinite(rpm)
        log = recordings[run.log]
        channel = Channel(name="engine_speed_rpm", t_s=curve.time_s[good], values=rpm[good])
        recordings[run.log] = replace(log, channels=(*log.channels, channel))
    vehicle = replace(made.session.vehicle, tyre=tyre, overall_ratios=ratios)
    outcome = analyse(replace(made.session, vehicle=vehicle), tuple(recordings))
    assert outcome.extras.engine is not None
    assert [side.gear for side in outcome.extras.engine.gears] == [1, 2, 3]
    for side, ratio in zip(outcome.extras.engine.gears, ratios, strict=True):
        assert side.measured_ratio is not None
        # the speed of the first curve against that of the fit: a per cent in the shortest gear
        assert side.measured_ratio == pytest.approx(1.03 * ratio, rel=0.01)
        assert side.slip_percent == pytest.approx(3.0, abs=1.1)
