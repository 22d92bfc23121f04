"""The worlds of `tests/truth`: their physics closes, files agree with the truth, seeds decide all."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from handsets import Receiver, Sensor, fixes_of, samples_of
from motion import GRID_S, Body, Warmth
from named_worlds import WORLDS
from numpy.testing import assert_allclose
from setups import Setup, World
from surroundings import Air, Road, RoadTable, WindNodes
from traction import Drive, constant_power
from trips import Trip
from true_sessions import simulate
from true_values import Truth

from logger.reading import read_log
from logger.session.session import read_session

TRUTH = Path(__file__).resolve().parents[2] / "truth"
STILL = Air(run_sd_mps=0.0, gust_mps=0.0)


def short(world: World) -> World:
    """Return a world whose sessions have one run, to save time."""

    def draw(rng: np.random.Generator) -> Setup:
        setup = world.draw(rng)
        plan = replace(setup.plan, directions=setup.plan.directions[:1])
        return replace(setup, plan=plan)

    return replace(world, draw=draw)


def trip_on_level_road(body: Body, drive: Drive) -> Trip:
    rng = np.random.default_rng(1)
    road = RoadTable(Road(wave_sd=0.0), rng)
    return Trip(body, drive, road, WindNodes(STILL, 0.0, 900.0, rng), Warmth(), rng, 0.0, 1)


def some_drive(peak_w: float = 60e3) -> Drive:
    return Drive(
        gears=constant_power(peak_w, 4000.0, 0.0, 20.0, 80.0), pull_sd=0.0, launch_s=(0.02, 0.02)
    )


@pytest.mark.parametrize("name", WORLDS)
def test_energy_closes_files_are_read_and_the_peak_is_that_of_the_path(
    name: str, tmp_path: Path
) -> None:
    truth = simulate(short(WORLDS[name]), 1, tmp_path)
    _energy_closes(truth)
    _peak_is_on_the_path(truth)
    session = read_session(tmp_path)
    assert len(session.logs) == len(truth.paths)
    vehicle = truth.setup.vehicle
    assert session.vehicle.mass_kg == pytest.approx(vehicle.mass_kg, abs=0.06)  # one decimal
    off = (truth.body.mass_kg - vehicle.mass_kg) / vehicle.mass_sd_kg
    assert abs(off) < 5.0  # drawn from the stated sd: one in two million is farther
    for entry, fixes in zip(session.logs, truth.fixes, strict=True):
        recording = read_log(entry.files, columns=entry.columns)
        speed = recording.channel("speed_mps")
        assert speed is not None
        # times are written to 0.1 ms, speeds to 0.1 mm/s; of a doublet the reader takes one
        since = speed.t_s - speed.t_s[0]
        nearest = np.abs(since[:, None] - (fixes.time_s - fixes.time_s[0]))
        assert np.max(np.min(nearest, axis=1)) < 2e-4
        written = fixes.speed_mps[np.argmin(nearest, axis=1)]
        assert_allclose(speed.values, written, rtol=0.0, atol=6e-5)
        single = np.count_nonzero(np.diff(fixes.time_s) > 0.01) + 1
        assert speed.values.size >= single
        assert (recording.channel("accel_x_mps2") is None) == (truth.setup.sensor is None)
        assert (recording.channel("latitude_deg") is not None) == truth.setup.receiver.positions


def _energy_closes(truth: Truth) -> None:
    """Kinetic energy changes by what the wheels gave less what resisted, to 0.1 % of it."""
    for run, log in zip(truth.runs, truth.log_of, strict=True):
        path = truth.paths[log]
        part = slice(round(run.launch_s / GRID_S) + 1, round(run.brake_s / GRID_S))
        force, speed = path.force_n[part], path.speed_mps[part]
        resisted = path.resistance_n(truth.body)[part]
        free = np.isfinite(force)
        # prescribed stretches (braking before a coast-down) break the run into pieces
        edges = np.flatnonzero(np.diff(np.concatenate([[0], free.astype(np.int8), [0]])))
        for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            power = (force - resisted)[low:high] * speed[low:high]
            gained = float(np.trapezoid(power, dx=GRID_S))
            ends = speed[low] ** 2, speed[high - 1] ** 2
            kinetic = 0.5 * truth.body.effective_mass_kg * (ends[1] - ends[0])
            turned_over = float(np.trapezoid(np.abs(power), dx=GRID_S))
            assert abs(gained - kinetic) < 1e-3 * turned_over


def _peak_is_on_the_path(truth: Truth) -> None:
    """The peak is the largest force times speed that a pull's path shows, the pulls averaged."""
    largest = []
    for run, log in zip(truth.runs, truth.log_of, strict=True):
        path = truth.paths[log]
        power = path.force_n * path.speed_mps
        slices = [
            slice(round(piece.start_s / GRID_S), round(piece.end_s / GRID_S))
            for piece in run.pieces
        ]
        largest.append(max(float(np.max(power[part])) for part in slices))
    # one pull may rev farther than the other or lift where power peaks: 3 % between them
    assert min(largest) * 0.97 <= truth.peak_w <= max(largest) * 1.03


def test_there_are_many_worlds_of_every_grade() -> None:
    assert len(WORLDS) >= 25
    grades = {world.grade for world in WORLDS.values()}
    assert grades == {"clean", "rough", "one pair", "fixes only", "one way"}
    assert all(world.about and world.source for world in WORLDS.values())


@pytest.mark.parametrize("name", ["automatic", "rough-phone"])
def test_same_seed_same_files_other_seed_other_files(name: str, tmp_path: Path) -> None:
    world = short(WORLDS[name])
    for folder, seed in (("a", 5), ("b", 5), ("c", 6)):
        simulate(world, seed, tmp_path / folder)
    for file in sorted((tmp_path / "a").iterdir()):
        assert file.read_bytes() == (tmp_path / "b" / file.name).read_bytes()
        assert file.read_bytes() != (tmp_path / "c" / file.name).read_bytes()


def test_worlds_know_nothing_of_the_analysis() -> None:
    for file in TRUTH.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not any(name.partition(".")[0] == "analysis" for name in names), file.name


def test_an_ideal_phone_gives_the_true_speed_and_acceleration(tmp_path: Path) -> None:
    ideal = Receiver(
        white_mps=0.0,
        slow_mps=0.0,
        smooth_s=0.0,
        lag_s=(0.0, 0.0),
        lag_wander_s=0.0,
        jitter_s=0.0,
        rate_hz=10.0,
    )
    truth = simulate(short(WORLDS["manual-quick"]), 4, tmp_path)
    path, rng = truth.paths[0], np.random.default_rng(2)
    road = RoadTable(Road(), rng)
    fixes = fixes_of(path, ideal, road, 0.3, rng)
    true = np.interp(fixes.time_s, path.time_s, path.speed_mps)
    moving = true > 0.1  # below, a receiver holds its speed at zero
    assert_allclose(fixes.speed_mps[moving], true[moving], rtol=0.0, atol=1e-9)
    still = Sensor(
        squat_deg_per_mps2=0.0,
        white_mps2=0.0,
        body_mps2=0.0,
        hop_mps2=0.0,
        engine_mps2=0.0,
        still_mps2=0.0,
        step_mps2=1e-6,
    )
    samples = samples_of(path, still, np.eye(3), np.zeros((3, 3)), 0.0, 9.81, rng)
    along = np.interp(samples.time_s, path.time_s, path.accel_mps2)
    # the first run goes "up": a rising road is felt as acceleration
    along += 9.81 * np.interp(samples.time_s, path.time_s, path.slope)
    assert_allclose(samples.accel_mps2[:, 0], along, rtol=0.0, atol=1e-3)  # linear in between
    assert_allclose(samples.accel_mps2[:, 1], 0.0, atol=1e-6)


def test_a_body_leaning_back_feels_gravity_forward() -> None:
    body = Body(
        mass_kg=1000.0, rotating_mass_kg=0.0, f0_n=100.0, f1_n_per_mps=0.0, f2_n_per_mps2=0.4
    )
    trip = trip_on_level_road(body, some_drive())
    trip.ease(30.0, 1.0)
    trip.keep(20.0)
    path = trip.path()
    leaning = Sensor(
        squat_deg_per_mps2=0.0,
        air_deg=0.2,
        white_mps2=0.0,
        body_mps2=0.0,
        hop_mps2=0.0,
        engine_mps2=0.0,
        still_mps2=0.0,
        step_mps2=1e-6,
    )
    rng = np.random.default_rng(3)
    samples = samples_of(path, leaning, np.eye(3), np.zeros((3, 3)), 0.0, 9.81, rng)
    # 0.2 degrees at 30 m/s: g sin(0.2 deg), by hand
    assert_allclose(samples.accel_mps2[-100:, 0], 9.81 * np.sin(np.radians(0.2)), atol=1e-5)


def test_coast_down_follows_the_closed_form() -> None:
    # m dv/dt = -(F0 + F2 v^2): v = a tan(atan(v0 / a) - b t), a = sqrt(F0 / F2), b = sqrt(F0 F2) / m;
    # textbook integral of 1 / (1 + x^2)
    body = Body(
        mass_kg=1285.0, rotating_mass_kg=44.0, f0_n=152.0, f1_n_per_mps=0.0, f2_n_per_mps2=0.41
    )
    trip = trip_on_level_road(body, some_drive())
    trip.ease(36.0, 1.0)
    begin = round(trip.now_s / GRID_S)
    trip.coast(5.0, 300.0)
    path = trip.path()
    part = path.speed_mps[begin:]
    since = GRID_S * np.arange(part.size)
    a, b = np.sqrt(152.0 / 0.41), np.sqrt(152.0 * 0.41) / 1329.0
    # steps of 0.05 s of fourth order: far below a micrometre a second
    assert_allclose(part, a * np.tan(np.arctan(36.0 / a) - b * since), rtol=0.0, atol=1e-6)


def test_constant_power_without_resistance_follows_the_closed_form() -> None:
    # m v^2 / 2 grows by P t; textbook
    body = Body(mass_kg=1000.0, rotating_mass_kg=0.0, f0_n=0.0, f1_n_per_mps=0.0, f2_n_per_mps2=0.0)
    trip = trip_on_level_road(body, some_drive(60e3))
    trip.ease(18.0, 1.0)
    pieces = trip.pull(40.0, 1, 1.0, 60.0)
    path = trip.path()
    part = slice(round(pieces[0].start_s / GRID_S), round(pieces[0].end_s / GRID_S))
    speed = path.speed_mps[part]
    since = GRID_S * np.arange(speed.size)
    # force is a table of 0.1 m/s steps with straight lines: 1e-5 of it at 18 m/s
    assert_allclose(speed**2, speed[0] ** 2 + 2.0 * 60e3 / 1000.0 * since, rtol=1e-4)
    assert_allclose(path.force_n[part] * speed, 60e3, rtol=1e-4)


def test_a_predictor_has_no_lag_on_a_ramp_and_overshoots_after_it() -> None:
    body = Body(mass_kg=1000.0, rotating_mass_kg=0.0, f0_n=0.0, f1_n_per_mps=0.0, f2_n_per_mps2=0.0)
    trip = trip_on_level_road(body, some_drive(1e6))  # 4000 N up to high speeds: a ramp
    trip.stand(5.0)
    trip.pull(40.0, 1, 1.0, 60.0)
    end_s = trip.now_s
    trip.keep(15.0)
    path = trip.path()
    receiver = Receiver(
        rate_hz=10.0,
        white_mps=0.0,
        slow_mps=0.0,
        smooth_s=0.0,
        predict_hz=0.3,
        lag_s=(0.0, 0.0),
        lag_wander_s=0.0,
        jitter_s=0.0,
    )
    rng = np.random.default_rng(4)
    fixes = fixes_of(path, receiver, RoadTable(Road(), rng), 0.0, rng)
    error = fixes.speed_mps - np.interp(fixes.time_s, path.time_s, path.speed_mps)
    late = (fixes.time_s > end_s - 2.0) & (fixes.time_s < end_s - 0.1)
    assert np.max(np.abs(error[late])) < 0.05  # the ramp began 8 s before: e^-10 of a step is left
    assert np.max(error[fixes.time_s > end_s]) > 0.3


@pytest.mark.parametrize(
    ("name", "low", "high"),
    # share of torque kept, times power in the next gear over power at the end of this one: both
    # gears' forces are alike where power is, as gears are changed on the shoulders of its peak
    [("manual-slow", -0.05, 0.02), ("automatic", 0.3, 0.9), ("double-clutch", 0.6, 1.2)],
)
def test_force_half_way_through_a_gear_change(
    name: str, low: float, high: float, tmp_path: Path
) -> None:
    truth = simulate(short(WORLDS[name]), 2, tmp_path)
    run, path = truth.runs[0], truth.paths[truth.log_of[0]]
    assert len(run.pieces) > 1
    for before, after in zip(run.pieces, run.pieces[1:], strict=False):
        middle = round(0.5 * (before.end_s + after.start_s) / GRID_S)
        share = path.force_n[middle] / path.force_n[round(before.end_s / GRID_S) - 1]
        assert low <= share <= high
