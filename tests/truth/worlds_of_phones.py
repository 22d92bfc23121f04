"""Worlds that differ in body, receiver and accelerometer, with vehicles of any kind."""

from __future__ import annotations

from dataclasses import replace

from draws import (
    Rng,
    clean_receiver,
    clean_sensor,
    log_uniform,
    ordinary_air,
    ordinary_road,
    plan,
    rough_receiver,
    rough_sensor,
)
from handsets import Receiver, Sensor
from setups import Plan, Setup, World
from vehicles import any_car, automatic, car, lagging

__all__ = ["WORLDS"]

PRACTICE = "common practice, no source"
MEASURED = "ranges measured from public recordings of phones in vehicles"


def _with(rng: Rng, receiver: Receiver, sensor: Sensor | None, driven: Plan | None = None) -> Setup:
    """Draw a session of any car on an ordinary road with this phone."""
    air = ordinary_air(rng)
    return Setup(
        vehicle=any_car(rng, air),
        road=ordinary_road(rng),
        air=air,
        receiver=receiver,
        sensor=sensor,
        plan=driven or plan(rng),
    )


def _pitching(rng: Rng) -> Setup:
    sensor = replace(
        clean_sensor(rng),
        squat_deg_per_mps2=float(rng.uniform(0.3, 0.8)),
        air_deg=float(rng.choice([-1.0, 1.0])) * float(rng.uniform(0.1, 0.3)),
        spring_damping=float(rng.uniform(0.15, 0.35)),
    )
    return _with(rng, clean_receiver(rng), sensor)


def _smoothing(rng: Rng) -> Setup:
    receiver = replace(clean_receiver(rng), smooth_s=float(rng.uniform(0.5, 0.8)), lag_s=(0.1, 1.5))
    return _with(rng, receiver, clean_sensor(rng))


def _predicting(rng: Rng) -> Setup:
    receiver = replace(
        clean_receiver(rng),
        smooth_s=0.0,
        predict_hz=float(rng.uniform(0.12, 0.4)),
        predict_damping=float(rng.uniform(0.5, 1.0)),
        lag_s=(0.1, 1.0),
    )
    return _with(rng, receiver, clean_sensor(rng))


def _whole_seconds(rng: Rng) -> Setup:
    receiver = replace(
        clean_receiver(rng),
        whole_seconds=True,
        step_mps=float(rng.choice([1.0, 0.1])) / 3.6,
        lag_s=(0.1, 1.0),
    )
    return _with(rng, receiver, clean_sensor(rng))


def _fast_receiver(rng: Rng) -> Setup:
    receiver = replace(
        clean_receiver(rng),
        rate_hz=float(rng.choice([5.0, 10.0])),
        white_mps=float(rng.uniform(0.05, 0.09)),
        smooth_s=float(rng.uniform(0.1, 0.3)),
        lag_s=(0.1, 0.4),
    )
    sensor = replace(clean_sensor(rng), rate_hz=float(rng.uniform(100.0, 200.0)))
    return _with(rng, receiver, sensor)


def _slow_receiver(rng: Rng) -> Setup:
    receiver = replace(rough_receiver(rng), rate_hz=0.5, repeat_share=0.0, lag_s=(0.5, 1.5))
    return _with(rng, receiver, rough_sensor(rng))


def _faulty(rng: Rng) -> Setup:
    receiver = replace(
        rough_receiver(rng),
        repeat_share=float(rng.uniform(0.1, 0.22)),
        double_share=0.02,
        hole_share=0.005,
        dead_mps=1.0 / 3.6,
    )
    return _with(rng, receiver, rough_sensor(rng))


def _rough(rng: Rng) -> Setup:
    return _with(rng, rough_receiver(rng), rough_sensor(rng))


def _rough_automatic(rng: Rng) -> Setup:
    setup = _with(rng, rough_receiver(rng), rough_sensor(rng))
    return replace(setup, vehicle=car(rng, setup.air, "unknown", lambda mass: automatic(rng, mass)))


def _rough_lag(rng: Rng) -> Setup:
    setup = _with(rng, rough_receiver(rng), rough_sensor(rng))
    return replace(
        setup, vehicle=car(rng, setup.air, "turbocharged", lambda mass: lagging(rng, mass))
    )


def _shaky(rng: Rng) -> Setup:
    sensor = replace(
        clean_sensor(rng),
        rate_hz=log_uniform(rng, 25.0, 60.0),
        white_mps2=float(rng.uniform(0.6, 1.2)),
        body_mps2=float(rng.uniform(0.2, 0.5)),
        hop_mps2=float(rng.uniform(0.4, 1.0)),
        engine_mps2=float(rng.uniform(0.4, 1.5)),
    )
    return _with(rng, clean_receiver(rng), sensor)


def _drifting(rng: Rng) -> Setup:
    sensor = replace(
        clean_sensor(rng),
        offset_mps2=0.25,
        drift_mps2=float(rng.uniform(0.04, 0.1)),
        gain_sd=0.015,
        low_pass_hz=float(rng.uniform(3.0, 10.0)),
    )
    return _with(rng, clean_receiver(rng), sensor)


def _one_recording(rng: Rng) -> Setup:
    driven = plan(rng, pairs=3, runs_per_log=6)
    return _with(rng, clean_receiver(rng), clean_sensor(rng), driven)


def _no_positions(rng: Rng) -> Setup:
    receiver = replace(clean_receiver(rng), positions=False)
    return _with(rng, receiver, clean_sensor(rng))


def _fixes_only(rng: Rng) -> Setup:
    return _with(rng, clean_receiver(rng), None)


def _fast_fixes_only(rng: Rng) -> Setup:
    receiver = replace(
        clean_receiver(rng),
        rate_hz=float(rng.choice([5.0, 10.0])),
        smooth_s=float(rng.uniform(0.1, 0.3)),
    )
    return _with(rng, receiver, None)


def _rough_pair(rng: Rng) -> Setup:
    return _with(rng, rough_receiver(rng), rough_sensor(rng), plan(rng, pairs=1))


WORLDS = (
    World(
        name="pitching-body",
        about="bodies that squat by 0.3-0.8 degrees per m/s2 and pitch by 0.1-0.3 degrees at 108 km/h",
        source=PRACTICE,
        grade="clean",
        draw=_pitching,
    ),
    World(
        name="smoothing-receiver",
        about="a receiver that smooths over 0.5-0.8 s and is late by up to 1.5 s more",
        source=MEASURED,
        grade="clean",
        draw=_smoothing,
    ),
    World(
        name="predicting-receiver",
        about="a receiver that tracks acceleration: no lag on a ramp, overshoot after a step",
        source=PRACTICE,
        grade="clean",
        draw=_predicting,
    ),
    World(
        name="whole-seconds",
        about="stamps in whole seconds, speeds in steps of 1 or 0.1 km/h",
        source=MEASURED,
        grade="rough",
        draw=_whole_seconds,
    ),
    World(
        name="fast-receiver",
        about="5 or 10 fixes a second, accelerometer at 100-200 Hz",
        source=MEASURED,
        grade="clean",
        draw=_fast_receiver,
    ),
    World(
        name="slow-receiver",
        about="a fix every two seconds, late by 0.6-2.3 s, accelerometer at any rate",
        source=MEASURED,
        grade="rough",
        draw=_slow_receiver,
    ),
    World(
        name="faulty-receiver",
        about="10-22 % repeated speeds, doublets, holes, a dead band, a rough accelerometer",
        source=MEASURED,
        grade="rough",
        draw=_faulty,
    ),
    World(
        name="rough-phone",
        about="every fault of receiver and accelerometer, each more or less",
        source=MEASURED,
        grade="rough",
        draw=_rough,
    ),
    World(
        name="rough-automatic",
        about="torque-converter automatics with a rough phone",
        source=MEASURED,
        grade="rough",
        draw=_rough_automatic,
    ),
    World(
        name="rough-late-boost",
        about="turbocharged cars with late boost and a rough phone",
        source=MEASURED,
        grade="rough",
        draw=_rough_lag,
    ),
    World(
        name="shaky-mount",
        about="vibration of engine, body and wheels of up to 1.5 m/s2, folded down by a slow sensor",
        source=MEASURED,
        grade="rough",
        draw=_shaky,
    ),
    World(
        name="drifting-sensor",
        about="an accelerometer whose offset drifts with warmth, of wrong scale, low-passed",
        source=PRACTICE,
        grade="rough",
        draw=_drifting,
    ),
    World(
        name="one-recording",
        about="three pairs in one recording, turning round in between",
        source=PRACTICE,
        grade="clean",
        draw=_one_recording,
    ),
    World(
        name="no-positions",
        about="speed and acceleration alone, the direction stated for each log",
        source=PRACTICE,
        grade="clean",
        draw=_no_positions,
    ),
    World(
        name="fixes-only",
        about="any car, one fix a second, no accelerometer",
        source=PRACTICE,
        grade="fixes only",
        draw=_fixes_only,
    ),
    World(
        name="fast-fixes-only",
        about="any car, 5 or 10 fixes a second, no accelerometer",
        source=PRACTICE,
        grade="fixes only",
        draw=_fast_fixes_only,
    ),
    World(
        name="rough-pair",
        about="one run each way with a rough phone",
        source=MEASURED,
        grade="one pair",
        draw=_rough_pair,
    ),
)
