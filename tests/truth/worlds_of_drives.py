"""Worlds that differ in what drives the vehicle; roads, air and phones are good, and vary too."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from draws import Rng, clean_receiver, clean_sensor, ordinary_air, ordinary_road, plan
from setups import Plan, Setup, Vehicle, World
from surroundings import Air
from traction import geared, ratio_steps
from vehicles import (
    GRAVITY_MPS2,
    any_car,
    automatic,
    car,
    cvt,
    double_clutch,
    electric_car,
    lagging,
    manual,
    motorcycle,
    van,
)

__all__ = ["WORLDS"]

PRACTICE = "common practice, no source"


def _good(rng: Rng, vehicle: Callable[[Rng, Air], Vehicle], driven: Plan | None = None) -> Setup:
    """Draw a session of a vehicle on an ordinary road with a good phone."""
    air = ordinary_air(rng)
    return Setup(
        vehicle=vehicle(rng, air),
        road=ordinary_road(rng),
        air=air,
        receiver=clean_receiver(rng),
        sensor=clean_sensor(rng),
        plan=driven or plan(rng),
    )


def _manual_quick(rng: Rng) -> Setup:
    return _good(rng, lambda r, air: car(r, air, "naturally aspirated", lambda m: manual(r, m)))


def _manual_slow(rng: Rng) -> Setup:
    return _good(
        rng,
        lambda r, air: car(
            r, air, "naturally aspirated", lambda m: manual(r, m, change_s=(0.5, 1.0))
        ),
    )


def _motorcycle(rng: Rng) -> Setup:
    setup = _good(rng, motorcycle, plan(rng, release_kmh=(165.0, 200.0)))
    assert setup.sensor is not None
    leaning = replace(
        setup.sensor,
        squat_deg_per_mps2=float(rng.uniform(0.2, 0.7)),
        engine_mps2=float(rng.uniform(0.3, 1.2)),
    )
    return replace(setup, sensor=leaning)


def _automatic(rng: Rng) -> Setup:
    return _good(rng, lambda r, air: car(r, air, "unknown", lambda m: automatic(r, m)))


def _double_clutch(rng: Rng) -> Setup:
    return _good(rng, lambda r, air: car(r, air, "turbocharged", lambda m: double_clutch(r, m)))


def _cvt(rng: Rng) -> Setup:
    return _good(rng, lambda r, air: car(r, air, "naturally aspirated", lambda m: cvt(r, m)))


def _electric(rng: Rng) -> Setup:
    free = plan(rng, overrun_s=(0.1, 0.4), overrun_mps2=0.0)
    return _good(rng, lambda r, air: car(r, air, "electric", lambda m: electric_car(r, m)), free)


def _lag(rng: Rng) -> Setup:
    return _good(rng, lambda r, air: car(r, air, "diesel", lambda m: lagging(r, m)))


def _van(rng: Rng) -> Setup:
    driven = plan(rng, release_kmh=(100.0, 112.0), longest_pull_s=80.0)
    return _good(rng, van, driven)


def _sports(rng: Rng) -> Setup:
    def fast(r: Rng, air: Air) -> Vehicle:
        drawn = car(
            r,
            air,
            "turbocharged",
            lambda m: manual(r, m, watts_per_kg=(170.0, 300.0), change_s=(0.15, 0.5)),
        )
        grip = float(r.uniform(0.42, 0.65)) * drawn.mass_kg * GRAVITY_MPS2
        return replace(drawn, drive=replace(drawn.drive, grip_n=grip))

    return _good(rng, fast, plan(rng, release_kmh=(150.0, 190.0)))


def _peak_inside(rng: Rng) -> Setup:
    def narrow(r: Rng, air: Air) -> Vehicle:
        return car(
            r,
            air,
            "naturally aspirated",
            lambda m: manual(r, m, best=(0.68, 0.84), width=(0.32, 0.5), change_s=(0.2, 0.8)),
        )

    return _good(rng, narrow)


def _peak_at_limiter(rng: Rng) -> Setup:
    def rising(r: Rng, air: Air) -> Vehicle:
        drawn = car(
            r,
            air,
            "naturally aspirated",
            lambda m: manual(r, m, best=(1.1, 1.4), width=(0.5, 0.8), change_s=(0.2, 0.8)),
        )
        # the limiter ends every gear at the same speed
        return replace(drawn, drive=replace(drawn.drive, change_sd=0.003))

    return _good(rng, rising)


def _peak_in_last(rng: Rng) -> Setup:
    def held_back(r: Rng, air: Air) -> Vehicle:
        drawn = car(r, air, "turbocharged", lambda m: lagging(r, m))
        tops = ratio_steps(float(r.uniform(11.0, 13.0)), 4, float(r.uniform(1.6, 1.8)), 0.93)
        gears = geared(
            tops,
            drawn.mass_kg * float(r.uniform(50.0, 110.0)),
            best=float(r.uniform(0.75, 0.95)),
            width=float(r.uniform(0.6, 0.9)),
            wave=0.0,
            phase=0.0,
            engine_mass_last_kg=0.03 * drawn.mass_kg,
            lock=0.38,
            shares=(float(r.uniform(0.55, 0.7)), float(r.uniform(0.7, 0.85)), 0.9, 1.0),
        )
        return replace(drawn, drive=replace(drawn.drive, gears=gears))

    return _good(rng, held_back, plan(rng, release_kmh=(140.0, 175.0)))


def _lift(rng: Rng) -> Setup:
    setup = _good(rng, any_car)
    lifting = replace(setup.vehicle.drive, lift_chance=float(rng.uniform(0.5, 1.5)))
    return replace(setup, vehicle=replace(setup.vehicle, drive=lifting))


def _one_gear(rng: Rng) -> Setup:
    gear = int(rng.integers(3, 5))
    driven = plan(
        rng,
        release_kmh=(105.0, 135.0),
        roll_mps=float(rng.uniform(10.0, 14.0)),
        first_gear=gear,
    )

    def tall(r: Rng, air: Air) -> Vehicle:
        drawn = car(r, air, "naturally aspirated", lambda m: manual(r, m))
        gears = drawn.drive.gears
        # the driver stays in this gear to the limit, and lets go there
        kept = replace(gears[gear - 1], to_mps=float("inf"))
        return replace(
            drawn, drive=replace(drawn.drive, gears=(*gears[: gear - 1], kept), launch_s=(0.2, 0.5))
        )

    setup = _good(rng, tall, driven)
    limit_mps = 95.0 / setup.vehicle.drive.gears[-1].engine_hz_per_mps
    return replace(
        setup, plan=replace(driven, release_mps=min(driven.release_mps, 0.99 * limit_mps))
    )


WORLDS = (
    World(
        name="manual-quick",
        about="petrol cars, gears changed with the clutch open for 0.25-0.5 s",
        source=PRACTICE,
        grade="clean",
        draw=_manual_quick,
    ),
    World(
        name="manual-slow",
        about="petrol cars, gears changed with the clutch open for 0.5-1 s",
        source=PRACTICE,
        grade="clean",
        draw=_manual_slow,
    ),
    World(
        name="motorcycle",
        about="motorcycles of 120-260 W/kg, quick-shifted in 0.1-0.25 s, that lean back and shake",
        source=PRACTICE,
        grade="clean",
        draw=_motorcycle,
    ),
    World(
        name="automatic",
        about="torque-converter automatics that keep 50-80 % of torque through changes of 0.2-0.6 s",
        source=PRACTICE,
        grade="clean",
        draw=_automatic,
    ),
    World(
        name="double-clutch",
        about="boosted cars whose double clutch hands over without a gap, grip-limited at the start",
        source=PRACTICE,
        grade="clean",
        draw=_double_clutch,
    ),
    World(
        name="cvt",
        about="continuously variable gearboxes: nearly constant power after the launch",
        source=PRACTICE,
        grade="clean",
        draw=_cvt,
    ),
    World(
        name="electric",
        about="one gear: constant force, a corner at base speed, constant power, then falling power",
        source=PRACTICE,
        grade="clean",
        draw=_electric,
    ),
    World(
        name="late-boost",
        about="diesels whose torque comes 0.4-0.9 s late after the launch and after each change",
        source=PRACTICE,
        grade="clean",
        draw=_lag,
    ),
    World(
        name="van",
        about="vans of 3-5.5 t with 20-30 W/kg and late boost",
        source=PRACTICE,
        grade="clean",
        draw=_van,
    ),
    World(
        name="sports-car",
        about="170-300 W/kg at the limit of grip in the low gears, up to 150-190 km/h",
        source=PRACTICE,
        grade="clean",
        draw=_sports,
    ),
    World(
        name="peak-inside-gear",
        about="a narrow power peak well below the speed at which gears are changed",
        source=PRACTICE,
        grade="clean",
        draw=_peak_inside,
    ),
    World(
        name="peak-at-limiter",
        about="power that rises up to the limiter, where every gear ends",
        source=PRACTICE,
        grade="clean",
        draw=_peak_at_limiter,
    ),
    World(
        name="peak-in-last-gear",
        about="boosted cars whose torque is held back in the low gears",
        source=PRACTICE,
        grade="clean",
        draw=_peak_in_last,
    ),
    World(
        name="lift",
        about="any car, but in many pulls the throttle is lifted for about a second",
        source=PRACTICE,
        grade="clean",
        draw=_lift,
    ),
    World(
        name="one-gear",
        about="petrol cars rolling on in third or fourth gear and staying in it",
        source=PRACTICE,
        grade="clean",
        draw=_one_gear,
    ),
)
