"""Worlds that differ in tyres, road, wind and in what the driver does, with vehicles of any kind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from draws import (
    Rng,
    clean_receiver,
    clean_sensor,
    ordinary_air,
    ordinary_road,
    plan,
)
from setups import Plan, Setup, World
from surroundings import Air, Road
from vehicles import GRAVITY_MPS2, any_car

__all__ = ["WORLDS"]

PRACTICE = "common practice, no source"


def _anybody(
    rng: Rng, *, road: Road | None = None, air: Air | None = None, driven: Plan | None = None
) -> Setup:
    """Draw a session of any car with a good phone."""
    air = air or ordinary_air(rng)
    return Setup(
        vehicle=any_car(rng, air),
        road=road or ordinary_road(rng),
        air=air,
        receiver=clean_receiver(rng),
        sensor=clean_sensor(rng),
        plan=driven or plan(rng),
    )


def _wet(rng: Rng) -> Setup:
    setup = _anybody(rng)
    vehicle, mass = setup.vehicle, setup.vehicle.mass_kg
    grip = float(rng.uniform(0.35, 0.5)) * mass * GRAVITY_MPS2
    return replace(
        setup,
        vehicle=replace(
            vehicle,
            f0_n=mass * GRAVITY_MPS2 * float(rng.uniform(0.016, 0.028)),
            f1_n_per_mps=float(rng.uniform(1.0, 4.0)),
            drag_run_sd=float(rng.uniform(0.01, 0.03)),
            drive=replace(vehicle.drive, grip_n=min(grip, vehicle.drive.grip_n)),
        ),
    )


def _warming(rng: Rng) -> Setup:
    setup = _anybody(rng)
    return replace(
        setup,
        vehicle=replace(
            setup.vehicle,
            cold=float(rng.uniform(0.06, 0.15)),
            warm_s=float(rng.uniform(300.0, 1200.0)),
            drag_run_sd=float(rng.uniform(0.0, 0.01)),
        ),
    )


def _rolling_road(rng: Rng) -> Setup:
    road = Road(
        grade=0.003 * float(rng.standard_normal()),
        wave_sd=float(rng.uniform(0.004, 0.008)),
        exponent=float(rng.uniform(0.0, 1.2)),
    )
    return _anybody(rng, road=road)


def _bumpy_road(rng: Rng) -> Setup:
    road = Road(
        grade=0.0015 * float(rng.standard_normal()),
        wave_sd=float(rng.uniform(0.004, 0.008)),
        wave_range_m=(70.0, float(rng.uniform(200.0, 500.0))),
        exponent=float(rng.uniform(-0.5, 0.5)),
    )
    return _anybody(rng, road=road)


def _long_waves(rng: Rng) -> Setup:
    road = Road(
        grade=0.002 * float(rng.standard_normal()),
        wave_sd=float(rng.uniform(0.002, 0.006)),
        wave_range_m=(float(rng.uniform(1000.0, 1800.0)), 6000.0),
        exponent=float(rng.uniform(0.0, 1.0)),
    )
    return _anybody(rng, road=road)


def _grade(rng: Rng) -> Setup:
    grade = float(rng.choice([-1.0, 1.0])) * float(rng.uniform(0.006, 0.011))
    stated_sd = 0.003
    road = replace(
        ordinary_road(rng),
        grade=grade,
        stated_grade=grade + stated_sd * float(rng.standard_normal()),
        stated_grade_sd=stated_sd,
    )
    # downhill a car rolls on for ever: the driver ends at a speed that both ways reach
    return _anybody(rng, road=road, driven=plan(rng, coast_to_mps=(8.0, 11.0)))


def _crest(rng: Rng) -> Setup:
    road = replace(
        ordinary_road(rng),
        crest_m=float(rng.choice([-1.0, 1.0])) * float(rng.uniform(1.5, 4.5)),
        crest_place_m=float(rng.uniform(300.0, 1400.0)),
        crest_width_m=float(rng.uniform(150.0, 400.0)),
    )
    return _anybody(rng, road=road)


def _gusts(rng: Rng) -> Setup:
    air = replace(
        ordinary_air(rng, gust=(1.0, 2.5)),
        wind_mps=2.5 * float(rng.standard_normal()),
        run_sd_mps=float(rng.uniform(0.2, 0.8)),
    )
    return _anybody(rng, air=air)


def _turning_wind(rng: Rng) -> Setup:
    angle = float(rng.uniform(0.0, 2.0 * np.pi))
    size = float(rng.uniform(2.0, 4.0))
    air = replace(
        ordinary_air(rng),
        wind_mps=size * float(np.cos(angle)),
        cross_mps=size * float(np.sin(angle)),
        turn_rad_per_h=float(rng.choice([-1.0, 1.0])) * float(rng.uniform(1.0, 3.0)),
        swell=float(rng.uniform(-0.6, 0.6)),
    )
    return _anybody(rng, air=air)


def _side_wind(rng: Rng) -> Setup:
    air = replace(
        ordinary_air(rng),
        wind_mps=float(rng.standard_normal()),
        cross_mps=float(rng.choice([-1.0, 1.0])) * float(rng.uniform(1.0, 2.7)),
    )
    setup = _anybody(rng, air=air)
    # drag some 10 to 25 % larger at a flow angle of 10 degrees; from memory of wind-tunnel curves
    return replace(setup, vehicle=replace(setup.vehicle, yaw_drag=float(rng.uniform(3.0, 8.0))))


def _short_coasts(rng: Rng) -> Setup:
    top = float(rng.uniform(78.0, 92.0))
    # some let the throttle go there, others brake down to it before they roll free
    brakes = rng.uniform() < 0.5
    driven = plan(
        rng,
        release_kmh=(112.0, 140.0) if brakes else (top, top),
        coast_from_mps=(1.0 if brakes else 1.1) * top / 3.6,
        coast_to_mps=(float(rng.uniform(4.0, 6.0)), float(rng.uniform(8.0, 10.0))),
        pairs=int(rng.integers(2, 6)),
    )
    return _anybody(rng, driven=driven)


def _to_walking_pace(rng: Rng) -> Setup:
    driven = plan(
        rng, pairs=int(rng.integers(3, 7)), coast_to_mps=(1.2, 3.0), longest_coast_s=300.0
    )
    return _anybody(rng, driven=driven)


def _doubtful_mass(rng: Rng) -> Setup:
    setup = _anybody(rng)
    mass = setup.vehicle.mass_kg
    return replace(
        setup,
        vehicle=replace(
            setup.vehicle,
            mass_sd_kg=mass * float(rng.uniform(0.015, 0.03)),
            rotating_mass_sd_kg=0.01 * mass,
        ),
    )


def _one_pair(rng: Rng) -> Setup:
    return _anybody(rng, driven=plan(rng, pairs=1))


def _one_way(rng: Rng) -> Setup:
    return _anybody(rng, driven=plan(rng, pairs=int(rng.integers(3, 6)), one_way=True))


WORLDS = (
    World(
        name="wet-tyres",
        about="soft or wet tyres: rolling resistance doubled and scattering, little grip",
        source=PRACTICE,
        grade="clean",
        draw=_wet,
    ),
    World(
        name="warming-tyres",
        about="rolling resistance that falls by 6-15 % while tyres and driveline warm",
        source="falls by several % over 15-20 minutes: common practice, no source",
        grade="clean",
        draw=_warming,
    ),
    World(
        name="rolling-road",
        about="slope waves of 70-6000 m of 0.4-0.8 % sd",
        source=PRACTICE,
        grade="clean",
        draw=_rolling_road,
    ),
    World(
        name="bumpy-road",
        about="short slope waves only, 70 m to 200-500 m, of 0.4-0.8 % sd",
        source=PRACTICE,
        grade="clean",
        draw=_bumpy_road,
    ),
    World(
        name="long-waves",
        about="slope waves of 1-6 km alone, of 0.2-0.6 % sd",
        source=PRACTICE,
        grade="clean",
        draw=_long_waves,
    ),
    World(
        name="steady-grade",
        about="a grade of 0.6-1.1 %, stated with an error of 0.3 %",
        source=PRACTICE,
        grade="clean",
        draw=_grade,
    ),
    World(
        name="crest",
        about="a crest or a dip of 1.5-4.5 m somewhere in the runs",
        source=PRACTICE,
        grade="clean",
        draw=_crest,
    ),
    World(
        name="gusts",
        about="gusts of 1-2.5 m/s over 2-15 s, wind of 2.5 m/s sd",
        source=PRACTICE,
        grade="clean",
        draw=_gusts,
    ),
    World(
        name="turning-wind",
        about="wind of 2-4 m/s that turns by 1-3 radians an hour, and swells or dies",
        source=PRACTICE,
        grade="clean",
        draw=_turning_wind,
    ),
    World(
        name="side-wind",
        about="cross-wind of 1-2.7 m/s, and drag that grows with the angle of the flow",
        source="2.7 m/s: the 6 mph that 40 CFR 1066.310 advises; drag: from memory of wind tunnels",
        grade="clean",
        draw=_side_wind,
    ),
    World(
        name="short-coasts",
        about="coast-downs from about 85 km/h, 2 to 5 pairs",
        source=PRACTICE,
        grade="clean",
        draw=_short_coasts,
    ),
    World(
        name="long-coasts",
        about="coast-downs from 112-140 km/h down to walking pace, 3 to 6 pairs",
        source=PRACTICE,
        grade="clean",
        draw=_to_walking_pace,
    ),
    World(
        name="doubtful-mass",
        about="a mass known to 1.5-3 %",
        source="mass from papers alone is 50-100 kg: common practice, no source",
        grade="clean",
        draw=_doubtful_mass,
    ),
    World(
        name="one-pair",
        about="any car, one run each way",
        source=PRACTICE,
        grade="one pair",
        draw=_one_pair,
    ),
    World(
        name="one-way",
        about="any car, 3 to 5 pairs of runs all in one direction",
        source=PRACTICE,
        grade="one way",
        draw=_one_way,
    ),
)
