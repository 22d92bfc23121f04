"""Vehicles drawn from wide families, true road load and drive alike.

Where a range has no source beside it, it is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from draws import Rng, density
from setups import Vehicle
from surroundings import Air
from traction import Drive, constant_power, electric, geared, ratio_steps

__all__ = [
    "any_car",
    "automatic",
    "car",
    "cvt",
    "double_clutch",
    "electric_car",
    "lagging",
    "manual",
    "motorcycle",
    "van",
]

GRAVITY_MPS2 = 9.81


def car(rng: Rng, air: Air, drive_kind: str, drive: Callable[[float], Drive]) -> Vehicle:
    """Draw a passenger car's masses and road load around a drive made for its mass."""
    mass = float(rng.uniform(950.0, 2200.0))
    # typical rolling coefficients and drag areas of published coast-down coefficients; from memory
    size = 0.35 + 0.00018 * mass
    pushed = drive(mass)
    # two driven wheels carry half to two thirds of a car
    grip = mass * GRAVITY_MPS2 * float(rng.uniform(0.45, 0.7))
    return Vehicle(
        kind="car",
        drive_kind=drive_kind,
        mass_kg=mass,
        mass_sd_kg=0.003 * mass,
        rotating_mass_kg=mass * float(rng.uniform(0.024, 0.04)),
        rotating_mass_sd_kg=0.005 * mass,
        f0_n=mass * GRAVITY_MPS2 * float(rng.uniform(0.008, 0.0135)),
        f1_n_per_mps=float(rng.uniform(0.0, 1.5)),
        f2_n_per_mps2=0.5 * density(air) * size * float(rng.uniform(0.85, 1.3)),
        drive=replace(pushed, grip_n=min(grip, pushed.grip_n)),
        drag_run_sd=float(rng.uniform(0.0, 0.006)),
    )


def manual(
    rng: Rng,
    mass: float,
    *,
    watts_per_kg: tuple[float, float] = (40.0, 110.0),
    best: tuple[float, float] = (0.78, 1.0),
    width: tuple[float, float] = (0.55, 1.0),
    change_s: tuple[float, float] = (0.25, 0.5),
) -> Drive:
    """Draw a manual gearbox behind a petrol engine."""
    tops = ratio_steps(
        float(rng.uniform(12.5, 17.0)),
        int(rng.integers(5, 7)),
        float(rng.uniform(1.5, 1.85)),
        float(rng.uniform(0.88, 0.95)),
    )
    return Drive(
        gears=geared(
            tops,
            mass * float(rng.uniform(*watts_per_kg)),
            best=float(rng.uniform(*best)),
            width=float(rng.uniform(*width)),
            wave=float(rng.uniform(0.0, 0.025)),
            phase=float(rng.uniform(0.0, 6.28)),
            engine_mass_last_kg=mass * float(rng.uniform(0.015, 0.035)),
            lock=float(rng.uniform(0.3, 0.42)),
            limiter_hz=float(rng.uniform(95.0, 125.0)),
        ),
        change_s=change_s,
        change_sd=float(rng.uniform(0.004, 0.025)),
        pull_sd=float(rng.uniform(0.002, 0.01)),
    )


def automatic(rng: Rng, mass: float) -> Drive:
    """Draw a torque-converter automatic: 6 to 8 close gears, torque kept through each change."""
    tops = ratio_steps(
        float(rng.uniform(11.0, 16.0)),
        int(rng.integers(6, 9)),
        float(rng.uniform(1.42, 1.65)),
        float(rng.uniform(0.93, 0.98)),
    )
    keep = float(rng.uniform(0.5, 0.75))
    long = float(rng.uniform(0.2, 0.5))
    return Drive(
        gears=geared(
            tops,
            mass * float(rng.uniform(40.0, 110.0)),
            best=float(rng.uniform(0.75, 1.0)),
            width=float(rng.uniform(0.6, 1.2)),
            wave=float(rng.uniform(0.0, 0.015)),
            phase=float(rng.uniform(0.0, 6.28)),
            engine_mass_last_kg=mass * float(rng.uniform(0.015, 0.03)),
            lock=float(rng.uniform(0.35, 0.5)),
        ),
        change_s=(long, long + 0.1),
        change_share=(keep, keep + 0.05),
        fall_s=(0.05, 0.15),
        rise_s=(0.05, 0.2),
        change_sd=0.005,
        pull_sd=float(rng.uniform(0.002, 0.008)),
    )


def double_clutch(rng: Rng, mass: float) -> Drive:
    """Draw a double clutch that hands over without a gap, behind a boosted engine."""
    tops = ratio_steps(
        float(rng.uniform(11.0, 15.0)),
        int(rng.integers(6, 8)),
        float(rng.uniform(1.5, 1.7)),
        float(rng.uniform(0.92, 0.97)),
    )
    return Drive(
        gears=geared(
            tops,
            mass * float(rng.uniform(60.0, 150.0)),
            best=float(rng.uniform(0.75, 0.95)),
            width=float(rng.uniform(0.9, 1.4)),
            wave=float(rng.uniform(0.0, 0.01)),
            phase=float(rng.uniform(0.0, 6.28)),
            engine_mass_last_kg=mass * float(rng.uniform(0.015, 0.03)),
            lock=float(rng.uniform(0.3, 0.45)),
        ),
        fall_s=(0.03, 0.08),
        change_s=(0.08, 0.25),
        change_share=(0.9, 1.0),
        rise_s=(0.03, 0.08),
        change_sd=0.004,
        grip_n=0.55 * mass * GRAVITY_MPS2,
        pull_sd=float(rng.uniform(0.002, 0.008)),
    )


def cvt(rng: Rng, mass: float) -> Drive:
    """Draw a continuously variable gearbox: after the launch nearly constant power."""
    peak = mass * float(rng.uniform(35.0, 75.0))
    return Drive(
        gears=constant_power(
            peak,
            mass * float(rng.uniform(2.5, 4.0)),
            float(rng.uniform(0.0, 0.04)),
            float(rng.uniform(15.0, 35.0)),
            float(rng.uniform(70.0, 95.0)),
        ),
        launch_s=(0.6, 1.5),
        pull_sd=float(rng.uniform(0.002, 0.008)),
    )


def electric_car(rng: Rng, mass: float) -> Drive:
    """Draw one gear with a corner at base speed: constant force, constant power, then less."""
    base = float(rng.uniform(11.0, 22.0))
    return Drive(
        gears=electric(
            mass * float(rng.uniform(50.0, 170.0)),
            base,
            base * float(rng.uniform(1.2, 2.2)),
            float(rng.uniform(0.3, 1.2)),
            0.0,
        ),
        launch_s=(0.2, 0.8),
        grip_n=0.75 * mass * GRAVITY_MPS2,
        pull_sd=float(rng.uniform(0.001, 0.006)),
    )


def lagging(rng: Rng, mass: float, *, watts_per_kg: tuple[float, float] = (40.0, 90.0)) -> Drive:
    """Draw a diesel or turbocharged engine whose boost comes late, launch and change alike."""
    tops = ratio_steps(
        float(rng.uniform(9.5, 12.5)),
        6,
        float(rng.uniform(1.6, 1.9)),
        float(rng.uniform(0.9, 0.94)),
    )
    return Drive(
        gears=geared(
            tops,
            mass * float(rng.uniform(*watts_per_kg)),
            best=float(rng.uniform(0.72, 0.92)),
            width=float(rng.uniform(0.6, 0.9)),
            wave=float(rng.uniform(0.0, 0.01)),
            phase=float(rng.uniform(0.0, 6.28)),
            engine_mass_last_kg=mass * float(rng.uniform(0.02, 0.045)),
            lock=float(rng.uniform(0.32, 0.42)),
            limiter_hz=float(rng.uniform(70.0, 90.0)),
        ),
        change_s=(0.3, 0.7),
        change_sd=0.02,
        lag_s=float(rng.uniform(0.4, 0.9)),
        lag_share=float(rng.uniform(0.4, 0.7)),
        pull_sd=float(rng.uniform(0.003, 0.01)),
    )


def any_car(rng: Rng, air: Air) -> Vehicle:
    """Draw a car of any kind: manual, automatic, double clutch, CVT, electric, late boost."""
    kinds: tuple[tuple[str, Callable[[Rng, float], Drive]], ...] = (
        ("naturally aspirated", manual),
        ("unknown", automatic),
        ("turbocharged", double_clutch),
        ("naturally aspirated", cvt),
        ("electric", electric_car),
        ("diesel", lagging),
    )
    kind, make = kinds[int(rng.integers(len(kinds)))]
    return car(rng, air, kind, lambda mass: make(rng, mass))


def motorcycle(rng: Rng, air: Air) -> Vehicle:
    """Draw a motorcycle with its rider and a quick-shifter: 120 to 260 W/kg."""
    mass = float(rng.uniform(230.0, 340.0))
    tops = ratio_steps(float(rng.uniform(22.0, 30.0)), 6, float(rng.uniform(1.28, 1.42)), 0.97)
    gears = geared(
        tops,
        mass * float(rng.uniform(120.0, 260.0)),
        best=float(rng.uniform(0.8, 1.0)),
        width=float(rng.uniform(0.5, 0.8)),
        wave=float(rng.uniform(0.0, 0.04)),
        phase=float(rng.uniform(0.0, 6.28)),
        engine_mass_last_kg=mass * float(rng.uniform(0.03, 0.06)),
        lock=float(rng.uniform(0.35, 0.45)),
        limiter_hz=float(rng.uniform(140.0, 220.0)),
    )
    return Vehicle(
        kind="motorcycle",
        drive_kind="naturally aspirated",
        mass_kg=mass,
        mass_sd_kg=0.003 * mass,
        rotating_mass_kg=mass * float(rng.uniform(0.03, 0.06)),
        rotating_mass_sd_kg=0.005 * mass,
        f0_n=mass * GRAVITY_MPS2 * float(rng.uniform(0.012, 0.02)),
        f1_n_per_mps=float(rng.uniform(0.0, 0.8)),
        f2_n_per_mps2=0.5 * density(air) * float(rng.uniform(0.32, 0.5)),
        drive=Drive(
            gears=gears,
            launch_s=(0.8, 1.6),
            fall_s=(0.02, 0.05),
            change_s=(0.06, 0.18),  # with fall and rise 0.1 to 0.25 s
            rise_s=(0.03, 0.06),
            change_share=(0.0, 0.3),
            change_sd=0.015,
            grip_n=float(rng.uniform(0.7, 0.95)) * mass * GRAVITY_MPS2,
            pull_sd=float(rng.uniform(0.003, 0.01)),
        ),
        drag_run_sd=float(rng.uniform(0.0, 0.01)),
    )


def van(rng: Rng, air: Air) -> Vehicle:
    """Draw a loaded van of 3 to 5.5 t with 20 to 30 W/kg."""
    mass = float(rng.uniform(3000.0, 5500.0))
    return Vehicle(
        kind="van",
        drive_kind="diesel",
        mass_kg=mass,
        mass_sd_kg=0.005 * mass,
        rotating_mass_kg=mass * float(rng.uniform(0.02, 0.035)),
        rotating_mass_sd_kg=0.005 * mass,
        f0_n=mass * GRAVITY_MPS2 * float(rng.uniform(0.0075, 0.011)),
        f1_n_per_mps=float(rng.uniform(0.0, 3.0)),
        f2_n_per_mps2=0.5 * density(air) * float(rng.uniform(1.5, 2.8)),
        drive=lagging(rng, mass, watts_per_kg=(20.0, 30.0)),
        drag_run_sd=float(rng.uniform(0.0, 0.006)),
    )
