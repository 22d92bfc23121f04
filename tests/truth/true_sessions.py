"""A session of known truth: drawn, driven, recorded, written as a user's folder.

`simulate` is the whole story; `true_values` says what is true of it.
"""

from __future__ import annotations

from pathlib import Path as FilePath

import numpy as np
from handsets import Fixes, Samples, Sensor, fixes_of, samples_of
from motion import Body, Path, RunTimes, Warmth
from numpy.typing import NDArray
from setups import Plan, Setup, World
from surroundings import RoadTable, WindNodes
from trips import Trip
from true_values import Truth, true_values

from logger.recording import Channel, Clock, Recording
from logger.writing import write_table, write_text_atomic

__all__ = ["simulate"]

Floats = NDArray[np.float64]
_LONGEST_RECORDING_S = 900.0  # of wind, for each run in it


def simulate(world: World, seed: int, folder: FilePath) -> Truth:
    """Draw one session of a world, drive it, and write its logs and session.toml.

    Parameters
    ----------
    world : World
        Which family.
    seed : int
        Same seed, same session.
    folder : path
        Made where missing.

    Returns
    -------
    Truth
    """
    label = [ord(letter) for letter in world.name]
    setup = world.draw(np.random.default_rng([seed, 1, *label]))
    chance = np.random.default_rng([seed, 2, *label])
    vehicle, plan, air = setup.vehicle, setup.plan, setup.air
    body = Body(
        mass_kg=vehicle.mass_kg + vehicle.mass_sd_kg * float(chance.standard_normal()),
        rotating_mass_kg=max(
            vehicle.rotating_mass_kg
            + vehicle.rotating_mass_sd_kg * float(chance.standard_normal()),
            0.0,
        ),
        f0_n=vehicle.f0_n,
        f1_n_per_mps=vehicle.f1_n_per_mps,
        f2_n_per_mps2=vehicle.f2_n_per_mps2,
        yaw_drag=vehicle.yaw_drag,
    )
    road = RoadTable(setup.road, chance)
    bearing = float(chance.uniform(0.0, 2.0 * np.pi))
    mount, fixed = _mounted(setup.sensor, chance)
    folder.mkdir(parents=True, exist_ok=True)
    runs: list[RunTimes] = []
    log_of: list[int] = []
    paths: list[Path] = []
    fixes: list[Fixes] = []
    names: list[str] = []
    session_s, far_m = 0.0, 0.0
    for number, first in enumerate(range(0, len(plan.directions), plan.runs_per_log)):
        directions = plan.directions[first : first + plan.runs_per_log]
        rng = np.random.default_rng([seed, 3, number, *label])
        wind = WindNodes(air, session_s, _LONGEST_RECORDING_S * len(directions), rng)
        home = 0.0 if directions[0] > 0 else far_m
        home += 8.0 * float(rng.standard_normal())
        warmth = Warmth(cold=vehicle.cold, tau_s=vehicle.warm_s, start_s=session_s)
        trip = Trip(body, vehicle.drive, road, wind, warmth, rng, home, directions[0])
        driven = _drive(trip, plan, directions, vehicle.drag_run_sd)
        if number == 0:
            far_m = trip.place_m
        path = trip.path()
        fix = fixes_of(path, setup.receiver, road, bearing, rng)
        samples = None
        if setup.sensor is not None:
            samples = samples_of(
                path, setup.sensor, mount, fixed, session_s, body.gravity_mps2, rng
            )
        start_s = float(np.floor(fix.time_s[0]))
        names.append(f"log{number + 1:02d}.csv")
        columns = _fix_columns(fix, start_s)
        if samples is not None:
            columns += _axis_columns(samples, start_s)
        table = Recording(
            channels=tuple(columns),
            clocks=(Clock(kind="elapsed", epoch_s=None, described="simulated"),),
        )
        write_table(folder / names[-1], table)
        runs += driven
        log_of += [number] * len(driven)
        paths.append(path)
        fixes.append(fix)
        session_s += float(path.time_s[-1]) + float(rng.uniform(40.0, 200.0))
    # without positions somebody must say which way
    ways = None if setup.receiver.positions else plan.directions[:: plan.runs_per_log]
    write_text_atomic(folder / "session.toml", _toml(world, setup, names, ways))
    return true_values(setup, body, runs, log_of, paths, fixes)


def _drive(
    trip: Trip, plan: Plan, directions: tuple[int, ...], drag_run_sd: float
) -> list[RunTimes]:
    """Drive one recording's runs."""
    rng, driven = trip.rng, []
    trip.stand(float(rng.uniform(2.5, 6.0)))
    for count, direction in enumerate(directions):
        if count > 0:
            trip.stand(float(rng.uniform(2.0, 4.0)))
            trip.ease(3.0, 1.0)
            trip.turn()
            if trip.direction != direction:
                trip.keep(6.0)
                trip.turn()
            trip.ease(0.0, 1.0)
            trip.stand(float(rng.uniform(2.5, 6.0)))
        run_drag = 1.0 + drag_run_sd * float(rng.standard_normal())
        trip.warmth = Warmth(
            cold=trip.warmth.cold,
            tau_s=trip.warmth.tau_s,
            start_s=trip.warmth.start_s,
            run=run_drag,
        )
        torque = 1.0 + trip.drive.pull_sd * float(rng.standard_normal())
        if plan.roll_mps > 0.0:
            trip.ease(plan.roll_mps, 1.2)
            trip.keep(float(rng.uniform(2.0, 4.0)))
        launch_s = trip.now_s
        release = plan.release_mps * (1.0 + 0.012 * float(rng.standard_normal()))
        pieces = trip.pull(release, plan.first_gear, torque, plan.longest_pull_s)
        release_s = trip.now_s
        overrun_s = float(rng.uniform(*plan.overrun_s))
        trip.let_go(pieces[-1].gear, torque, overrun_s, plan.overrun_mps2)
        if trip.speed_mps > plan.coast_from_mps:
            trip.brake(plan.coast_from_mps * float(rng.uniform(0.99, 1.03)), 1.5)
            trip.keep(float(rng.uniform(0.5, 1.5)))
        coast_s = trip.now_s
        trip.coast(float(rng.uniform(*plan.coast_to_mps)), plan.longest_coast_s)
        brake_s = trip.now_s
        trip.brake(0.0, float(rng.uniform(1.5, 3.0)))
        driven.append(
            RunTimes(
                direction=direction,
                torque=torque,
                warm_run=run_drag,
                launch_s=launch_s,
                release_s=release_s,
                coast_s=coast_s,
                brake_s=brake_s,
                stop_s=trip.now_s,
                pieces=pieces,
            )
        )
    trip.stand(float(rng.uniform(2.5, 6.0)))
    return driven


def _mounted(sensor: Sensor | None, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Draw how the phone sits in its mount, and the faults of its accelerometer."""
    turn, _ = np.linalg.qr(rng.standard_normal((3, 3)))
    if np.linalg.det(turn) < 0.0:
        turn[:, 0] = -turn[:, 0]
    fixed = np.zeros((3, 3))
    draws = rng.standard_normal((3, 3))
    sign = float(rng.choice([-1.0, 1.0]))
    if sensor is not None:
        fixed[0] = sensor.offset_mps2 * draws[0]
        fixed[1] = sensor.drift_mps2 * draws[1]
        fixed[2, 0] = sensor.gain_sd * draws[2, 0]
    return sign * turn, fixed


def _fix_columns(fix: Fixes, start_s: float) -> list[Channel]:
    """Return the fixes as channels, to the digits that a phone would give."""
    digits = {
        "speed_mps": 4,
        "latitude_deg": 7,
        "longitude_deg": 7,
        "elevation_m": 1,
        "heading_deg": 1,
    }
    columns = []
    for name, places in digits.items():
        values = np.round(getattr(fix, name), places)
        known = np.isfinite(values)
        if known.any():
            columns.append(
                Channel(
                    name=name, t_s=np.round(fix.time_s[known] - start_s, 4), values=values[known]
                )
            )
    return columns


def _axis_columns(samples: Samples, start_s: float) -> list[Channel]:
    """Return the three axes as channels."""
    times = np.round(samples.time_s - start_s, 4)
    return [
        Channel(
            name=f"accel_{name}_mps2", t_s=times, values=np.round(samples.accel_mps2[:, axis], 4)
        )
        for axis, name in enumerate("xyz")
    ]


def _toml(world: World, setup: Setup, names: list[str], ways: tuple[int, ...] | None) -> str:
    """Return session.toml: what is stated, never what is true."""
    vehicle, air, road = setup.vehicle, setup.air, setup.road
    lines = [
        "# Simulated: no vehicle, road or phone behind it.",
        "[vehicle]",
        f'name = "{world.name}"',
        f'kind = "{vehicle.kind}"',
        f'drive = "{vehicle.drive_kind}"',
        f"mass_kg = {vehicle.mass_kg:.1f}",
        f"mass_uncertainty_kg = {vehicle.mass_sd_kg:.2f}",
        f"rotating_mass_kg = {vehicle.rotating_mass_kg:.2f}",
        f"rotating_mass_uncertainty_kg = {vehicle.rotating_mass_sd_kg:.2f}",
        "",
        "[air]",
        f"temperature_C = {air.temperature_c:.1f}",
        f"pressure_hPa = {air.pressure_hpa:.1f}",
        f"relative_humidity_percent = {air.humidity_percent:.0f}",
    ]
    if road.stated_grade is not None and road.stated_grade_sd is not None:
        lines += [
            "",
            "[site]",
            f"slope_percent = {100.0 * road.stated_grade:.3f}",
            f"slope_uncertainty_percent = {100.0 * road.stated_grade_sd:.3f}",
        ]
    for number, name in enumerate(names):
        lines += ["", "[[log]]", f'file = "{name}"']
        if ways is not None:
            lines.append(f'direction = "{"up" if ways[number] > 0 else "down"}"')
    return "\n".join(lines) + "\n"
