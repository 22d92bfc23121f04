"""Parts of sessions drawn from wide families: roads, air, phones, plans.

Where a range has no source beside it, it is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from handsets import Receiver, Sensor
from setups import Plan
from surroundings import Air, Road

__all__ = [
    "Rng",
    "clean_receiver",
    "clean_sensor",
    "density",
    "log_uniform",
    "ordinary_air",
    "ordinary_road",
    "plan",
    "rough_receiver",
    "rough_sensor",
]

Rng = np.random.Generator


def log_uniform(rng: Rng, low: float, high: float) -> float:
    """Draw evenly over the logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def ordinary_road(rng: Rng, wave_sd: tuple[float, float] = (0.001, 0.004)) -> Road:
    """Draw a road that looks level: grade of 0.25 % sd, waves of all lengths, any exponent."""
    return Road(
        grade=0.0025 * float(rng.standard_normal()),
        wave_sd=log_uniform(rng, *wave_sd),
        exponent=float(rng.uniform(-0.2, 0.9)),
    )


def ordinary_air(rng: Rng, gust: tuple[float, float] = (0.2, 0.9)) -> Air:
    """Draw a day on which somebody would measure: wind of 1.5 m/s sd along and across."""
    return Air(
        wind_mps=1.5 * float(rng.standard_normal()),
        cross_mps=1.5 * float(rng.standard_normal()),
        turn_rad_per_h=0.4 * float(rng.standard_normal()),
        swell=0.2 * float(rng.uniform(-1.0, 1.0)),
        run_sd_mps=float(rng.uniform(0.05, 0.4)),
        gust_mps=float(rng.uniform(*gust)),
        gust_s=log_uniform(rng, 2.0, 15.0),
        temperature_c=float(rng.uniform(2.0, 30.0)),
        pressure_hpa=float(rng.uniform(960.0, 1030.0)),
        humidity_percent=float(rng.uniform(35.0, 90.0)),
    )


def density(air: Air) -> float:
    """Return the density of dry air [kg/m3]; moisture takes less than 1 %, which is F2's."""
    return air.pressure_hpa * 100.0 / (287.05 * (air.temperature_c + 273.15))


def clean_receiver(rng: Rng) -> Receiver:
    """Draw a good receiver of one fix a second."""
    return Receiver(
        white_mps=float(rng.uniform(0.04, 0.07)),
        slow_mps=float(rng.uniform(0.02, 0.04)),
        slow_s=float(rng.uniform(4.0, 15.0)),
        smooth_s=float(rng.uniform(0.1, 0.5)),
        lag_s=(0.1, 0.7),
        lag_wander_s=float(rng.uniform(0.0, 0.04)),
    )


def clean_sensor(rng: Rng) -> Sensor:
    """Draw a good accelerometer in a firm mount."""
    return Sensor(
        rate_hz=float(rng.uniform(50.0, 100.0)),
        squat_deg_per_mps2=float(rng.uniform(0.1, 0.4)),
        air_deg=float(rng.uniform(-0.06, 0.06)),
        spring_hz=float(rng.uniform(1.2, 2.0)),
        spring_damping=float(rng.uniform(0.2, 0.5)),
        white_mps2=float(rng.uniform(0.2, 0.5)),
        body_mps2=float(rng.uniform(0.05, 0.2)),
        hop_mps2=float(rng.uniform(0.05, 0.3)),
        engine_mps2=float(rng.uniform(0.02, 0.3)),
        still_mps2=float(rng.uniform(0.02, 0.08)),
    )


def rough_receiver(rng: Rng) -> Receiver:
    """Draw a receiver with all its faults at once, each more or less."""
    return Receiver(
        white_mps=float(rng.uniform(0.05, 0.12)),
        slow_mps=float(rng.uniform(0.03, 0.08)),
        slow_s=float(rng.uniform(4.0, 15.0)),
        smooth_s=float(rng.uniform(0.1, 0.8)),
        lag_s=(0.1, 1.5),
        lag_wander_s=float(rng.uniform(0.05, 0.2)),
        step_mps=float(rng.choice([0.0, 0.1 / 3.6])),
        jitter_s=0.02,
        repeat_share=float(rng.uniform(0.0, 0.2)),
        double_share=float(rng.uniform(0.0, 0.02)),
        hole_share=float(rng.uniform(0.0, 0.005)),
        dead_mps=float(rng.choice([0.0, 1.0 / 3.6])),
    )


def rough_sensor(rng: Rng) -> Sensor:
    """Draw an accelerometer at any rate, in a mount that shakes, that warms in the sun."""
    rate = log_uniform(rng, 25.0, 200.0)
    return replace(
        clean_sensor(rng),
        rate_hz=rate,
        air_deg=float(rng.uniform(-0.12, 0.12)),
        offset_mps2=0.2,
        drift_mps2=0.03,
        gain_sd=0.008,
        white_mps2=float(rng.uniform(0.4, 0.9)),
        body_mps2=float(rng.uniform(0.1, 0.4)),
        hop_mps2=float(rng.uniform(0.1, 0.6)),
        engine_mps2=float(rng.uniform(0.05, 0.6)),
        low_pass_hz=float(rng.choice([0.0, 0.25 * rate])),
        step_mps2=float(rng.choice([0.002, 0.01, 0.05])),
        jitter=float(rng.uniform(0.0, 0.02)),
    )


def plan(
    rng: Rng,
    *,
    pairs: int = 4,
    one_way: bool = False,
    release_kmh: tuple[float, float] = (112.0, 140.0),
    **others: object,
) -> Plan:
    """Draw a plan: runs there and back, throttle let go somewhere between two speeds [km/h]."""
    base = Plan(
        directions=(1, 1 if one_way else -1) * pairs,
        release_mps=float(rng.uniform(*release_kmh)) / 3.6,
        overrun_mps2=float(rng.uniform(0.1, 0.5)),
    )
    return replace(base, **others)  # type: ignore[arg-type]
