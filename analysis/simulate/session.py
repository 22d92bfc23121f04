"""Sessions of known truth: whole physics, a phone's faults, files as a user would bring them.

`simulate_session` is the whole story: draw a vehicle, a road and a phone; drive; record; write
logs, session.toml and truth.json. It shares nothing with the estimator.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path as FilePath
from typing import Literal

import numpy as np

from analysis.simulate.drive import RunTimes, Trip, TrueCar
from analysis.simulate.files import (
    MotionClock,
    day_start,
    gpx_1_1,
    motion_table,
    put,
    recording_of,
    session_toml,
)
from analysis.simulate.path import Path
from analysis.simulate.phone import (
    GpsLog,
    MotionLog,
    PhoneKind,
    SimPhone,
    draw_phone,
    record_gps,
    record_motion,
)
from analysis.simulate.road import SimSite, draw_site, gravity_mps2
from analysis.simulate.truth import LogTruth, PhaseTruth, RunTruth, Truth, run_truth, wheel_powers
from analysis.simulate.vehicle import SimVehicle, draw_vehicle
from logger.recording import Clock
from logger.writing import write_gpx, write_table

__all__ = ["Layout", "simulate_session"]

Layout = Literal["own", "gpx+motion", "one_long", "mixed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """One recording to be made: its runs' directions, its form, packed or not."""

    directions: tuple[int, ...]
    form: Literal["own", "gpx+motion"]
    packed: bool = False


def simulate_session(
    out_dir: FilePath,
    *,
    seed: int,
    pairs: int = 4,
    phone: PhoneKind = "clean",
    gps_hz: float = 1.0,
    one_way: bool = False,
    layout: Layout = "own",
    vehicle: SimVehicle | None = None,
    site: SimSite | None = None,
    sim_phone: SimPhone | None = None,
    coast_only: bool = False,
    exact_mass: bool = False,
    mass_seed: int | None = None,
    start: datetime | None = None,
) -> Truth:
    """Simulate one session into a folder.

    Parameters
    ----------
    out_dir : path
        Folder for logs, session.toml and truth.json; made if missing.
    seed : int
        Same seed, same session.
    pairs : int
        Two-way pairs; 2 runs each. One-way: as many runs, all along "up".
    phone : {"clean", "rough", "gps-only"}
        How good the phone is, and whether it records acceleration.
    gps_hz : float
        Fixes per second [Hz].
    one_way : bool
        All runs in one direction; the way back is not recorded, or is ordinary driving.
    layout : {"own", "gpx+motion", "one_long", "mixed"}
        One own table per run; a GPX track and a motion table per run; one own table of
        everything, turning round between runs; or some of each.
    vehicle, site, sim_phone : optional
        Given instead of drawn.
    coast_only : bool
        Reach the speed gently: no full throttle anywhere.
    exact_mass : bool
        The true masses are the stated ones.
    mass_seed : int, optional
        Draws the true masses, where several sessions are of one vehicle.
    start : datetime, optional
        When the first recording begins [UTC]; own tables then count seconds since 1970.

    Returns
    -------
    Truth
        Also written to truth.json (without the paths).

    Raises
    ------
    ValueError
        For fewer than one pair, or a fix rate outside 0.1-50 Hz.
    """
    if pairs < 1:
        msg = f"pairs is {pairs}; expected at least 1"
        raise ValueError(msg)
    if not 0.1 <= gps_hz <= 50.0:
        msg = f"gps_hz is {gps_hz}; expected 0.1 to 50"
        raise ValueError(msg)
    vehicle = vehicle or draw_vehicle(np.random.default_rng([seed, 1]))
    site = site or draw_site(np.random.default_rng([seed, 2]))
    phone_rng = np.random.default_rng([seed, 3])
    handset = sim_phone or draw_phone(phone_rng, phone, gps_hz)
    elapsed_clock = bool(phone_rng.uniform() < 0.5)
    masses = np.random.default_rng([seed if mass_seed is None else mass_seed, 4])
    scatter = masses.standard_normal(2) * (0.0 if exact_mass else 1.0)
    car = TrueCar(
        vehicle=vehicle,
        mass_kg=vehicle.mass_kg + vehicle.mass_sd_kg * float(scatter[0]),
        rotating_mass_kg=max(
            vehicle.rotating_mass_kg + vehicle.rotating_mass_sd_kg * float(scatter[1]), 0.0
        ),
        gravity_mps2=gravity_mps2(site.latitude_deg),
    )
    out_dir.mkdir(parents=True, exist_ok=True)
    logs: list[LogTruth] = []
    runs: list[RunTruth] = []
    times: list[RunTimes] = []
    paths: list[Path] = []
    far_end_m: float | None = None
    epoch = start or day_start(seed)
    for number, plan in enumerate(_plans(layout, pairs, one_way)):
        chance = np.random.default_rng([seed, 5, number])
        trip, far_end_m = _drive(car, site, plan, chance, far_end_m, coast_only)
        path = trip.path()
        sensing = np.random.default_rng([seed, 6, number])
        gps = record_gps(path, site, handset, sensing)
        motion = None
        if handset.accel_hz > 0:
            motion = record_motion(path, car.gravity_mps2, handset, sensing)
        # a clock that counts from the phone's start: some hours ago
        clock = MotionClock(
            elapsed=elapsed_clock, zero_s=-round(float(sensing.uniform(4e3, 9e4)), 3)
        )
        names, offset_s = _write(
            out_dir, len(runs) + 1, plan, gps, motion, clock, epoch, dated=start is not None
        )
        for run in trip.runs:
            runs.append(run_truth(car, path, run, log=number, number=len(runs), offset_s=offset_s))
        shifted = plan.form == "gpx+motion" and motion is not None and clock.elapsed
        logs.append(
            LogTruth(
                files=names,
                phases=_phases(trip.runs, trip.now_s, offset_s),
                gps_lag_s=gps.lag_s,
                gps_smoothing_s=handset.gps_smoothing_s,
                gps_white_mps=handset.gps_white_mps,
                gps_slow_mps=handset.gps_slow_mps,
                gps_slow_tau_s=handset.gps_slow_tau_s,
                accel_hz=handset.accel_hz,
                accel_scale=handset.gain * (1.0 + handset.squat),
                accel_sign=handset.sign,
                accel_bias_mps2=handset.bias_mps2,
                mount=handset.mount,
                path_offset_s=offset_s,
                motion_offset_s=clock.zero_s - offset_s if shifted else 0.0,
            )
        )
        times += trip.runs
        paths.append(path)
        epoch += timedelta(seconds=round(trip.now_s + float(sensing.uniform(60.0, 200.0)), 1))
    truth = _truth(seed, phone, car, site, times, runs, logs, paths)
    files = tuple(log.files for log in logs)
    put(out_dir / "session.toml", session_toml(vehicle, site, files))
    put(out_dir / "truth.json", truth.to_json())
    return truth


def _plans(layout: Layout, pairs: int, one_way: bool) -> tuple[_Plan, ...]:
    """Return the recordings of a session and the runs in each."""
    directions = (1, 1 if one_way else -1) * pairs
    if layout == "one_long":
        return (_Plan(directions=directions, form="own"),)
    if layout in ("own", "gpx+motion"):
        form: Literal["own", "gpx+motion"] = "own" if layout == "own" else "gpx+motion"
        return tuple(_Plan(directions=(direction,), form=form) for direction in directions)
    # mixed: a pair of own tables, a pair of GPX with motion tables, the rest in one long table
    plans = [_Plan(directions=(direction,), form="own") for direction in directions[:2]]
    plans += [
        _Plan(directions=(direction,), form="gpx+motion", packed=True)
        for direction in directions[2:4]
    ]
    if directions[4:]:
        plans.append(_Plan(directions=directions[4:], form="own", packed=True))
    return tuple(plans)


def _drive(
    car: TrueCar,
    site: SimSite,
    plan: _Plan,
    rng: np.random.Generator,
    far_end_m: float | None,
    coast_only: bool,
) -> tuple[Trip, float]:
    """Drive one recording's runs; return the trip and where the runs against "up" begin."""
    first = plan.directions[0]
    home = 0.0 if first > 0 or far_end_m is None else far_end_m
    trip = Trip(car, site, rng, home + 8.0 * float(rng.standard_normal()), first)
    trip.rest(float(rng.uniform(2.0, 5.0)))
    for count, direction in enumerate(plan.directions):
        if count > 0:
            goal = (0.0 if direction > 0 else far_end_m or 0.0) + 8.0 * float(rng.standard_normal())
            _reposition(trip, goal, direction)
            trip.rest(float(rng.uniform(2.0, 5.0)))
        rolls_on = len(plan.directions) == 1 and rng.uniform() < 0.1
        trip.run(
            full_throttle=not coast_only,
            coast_end_mps=float(rng.uniform(15.0, 30.0)) / 3.6,
            wind_mps=site.wind_mps + site.wind_run_sd_mps * float(rng.standard_normal()),
            end_mps=3.5 if rolls_on else 0.0,
        )
        if rolls_on:
            trip.turn()
        else:
            trip.rest(float(rng.uniform(2.0, 5.0)))
        if far_end_m is None:
            far_end_m = trip.place_m + float(rng.uniform(5.0, 20.0))
    return trip, far_end_m if far_end_m is not None else trip.place_m


def _reposition(trip: Trip, goal_m: float, direction: int) -> None:
    """Drive at an ordinary pace to where the next run begins, and face its way."""
    if trip.direction == direction:
        trip.drive(3.0, 1.0)
        trip.turn()
    trip.go_to(goal_m, 12.0)
    trip.drive(3.0, 1.0)
    trip.turn()
    trip.drive(0.0, 1.2)
    if direction * (goal_m - trip.place_m) > 15.0:
        trip.go_to(goal_m, 12.0)


def _write(
    out_dir: FilePath,
    first_run: int,
    plan: _Plan,
    gps: GpsLog,
    motion: MotionLog | None,
    clock: MotionClock,
    epoch: datetime,
    *,
    dated: bool,
) -> tuple[tuple[str, ...], float]:
    """Write one recording; return its files' names and the path's time of its zero."""
    last = first_run + len(plan.directions) - 1
    stem = f"run{first_run:02d}" if last == first_run else f"runs{first_run:02d}to{last:02d}"
    ending = ".csv.gz" if plan.packed else ".csv"
    if plan.form == "own":
        first_s = float(gps.time_s[0])
        if motion is not None:
            first_s = min(first_s, float(motion.time_s[0]))
        elapsed = Clock(kind="elapsed", epoch_s=None, described="simulated")
        zero_s = first_s - epoch.timestamp() if dated else first_s
        write_table(out_dir / (stem + ending), recording_of(gps, motion, elapsed, zero_s))
        return (stem + ending,), first_s
    names = [stem + "_gps.gpx"]
    if first_run % 2 == 0:  # both versions of the format, turn about
        put(out_dir / names[0], gpx_1_1(gps, epoch))
    else:
        since_1970 = Clock(kind="epoch", epoch_s=epoch.timestamp(), described="simulated")
        write_gpx(out_dir / names[0], recording_of(gps, None, since_1970, 0.0))
    if motion is not None:
        names.append(stem + "_motion" + ending)
        put(out_dir / names[1], motion_table(motion, clock, epoch))
    return tuple(names), float(gps.time_s[0])


def _phases(runs: list[RunTimes], end_s: float, offset_s: float) -> tuple[PhaseTruth, ...]:
    """Return what the vehicle was doing, without gaps, on the recording's clock."""
    phases: list[PhaseTruth] = []
    done_s = offset_s
    for run in runs:
        # before a run's launch the vehicle stands; between runs it turns and drives, then stands
        phases.append(
            PhaseTruth(kind="other" if phases else "stand", start_s=done_s, end_s=run.launch_s)
        )
        if run.full_throttle:
            gear = run.gears[0].gear
            since_s = run.launch_s
            for piece, after in zip(run.gears, (*run.gears[1:], None), strict=True):
                until_s = piece.end_s if after is not None else run.release_s
                phases.append(PhaseTruth(kind="pull", start_s=since_s, end_s=until_s, gear=gear))
                if after is not None:
                    phases.append(
                        PhaseTruth(kind="pull", start_s=until_s, end_s=after.start_s, gear=None)
                    )
                    since_s, gear = after.start_s, after.gear
            phases.append(PhaseTruth(kind="other", start_s=run.release_s, end_s=run.neutral_s))
        else:
            phases.append(PhaseTruth(kind="other", start_s=run.launch_s, end_s=run.neutral_s))
        phases.append(PhaseTruth(kind="coast", start_s=run.neutral_s, end_s=run.brake_s))
        phases.append(PhaseTruth(kind="brake", start_s=run.brake_s, end_s=run.stop_s))
        done_s = run.stop_s
    phases.append(PhaseTruth(kind="stand", start_s=done_s, end_s=end_s))
    return tuple(
        PhaseTruth(
            kind=phase.kind,
            start_s=phase.start_s - offset_s,
            end_s=phase.end_s - offset_s,
            gear=phase.gear,
        )
        for phase in phases
        if phase.end_s > phase.start_s
    )


def _truth(
    seed: int,
    phone: PhoneKind,
    car: TrueCar,
    site: SimSite,
    times: list[RunTimes],
    runs: list[RunTruth],
    logs: list[LogTruth],
    paths: list[Path],
) -> Truth:
    """Put together what is true of the session."""
    vehicle = car.vehicle
    curves = wheel_powers(car, tuple(times))
    peak_w = peak_mps = None
    for curve in curves:
        best = int(np.argmax(curve.power_w))
        if peak_w is None or curve.power_w[best] > peak_w:
            peak_w, peak_mps = curve.power_w[best], curve.speed_mps[best]
    low = min(float(np.min(path.place_m)) for path in paths)
    high = max(float(np.max(path.place_m)) for path in paths)
    places = np.arange(np.floor(low / 10.0), np.ceil(high / 10.0) + 1.0) * 10.0
    profile = site.slope_at(places)
    return Truth(
        seed=seed,
        phone=phone,
        mass_kg=car.mass_kg,
        rotating_mass_kg=car.rotating_mass_kg,
        stated_mass_kg=vehicle.mass_kg,
        stated_rotating_mass_kg=vehicle.rotating_mass_kg,
        f0_n=vehicle.f0_n,
        f1_n_per_mps=vehicle.f1_n_per_mps,
        f2_n_per_mps2=vehicle.f2_n_per_mps2,
        gravity_mps2=car.gravity_mps2,
        wind_mps=float(np.mean([run.wind_mps for run in times])),
        slope=float(np.mean(profile)),
        slope_place_m=tuple(places.tolist()),
        slope_profile=tuple(profile.tolist()),
        peak_wheel_power_w=peak_w,
        peak_speed_mps=peak_mps,
        wheel_power=curves,
        runs=tuple(runs),
        logs=tuple(logs),
        paths=tuple(paths),
    )
