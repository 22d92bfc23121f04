"""Rehearsals of a comparison: days with one vehicle on one road, changed on every second."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from analysis.cli.main import main
from analysis.simulate.days import simulate_days
from analysis.simulate.truth import Truth
from logger.reading import read
from logger.session.session import read_session


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four days, the change adds 4 % to the torque."""
    place = tmp_path_factory.mktemp("rehearsal") / "days"
    words = ["--days", "4", "--gain", "4%", "--same-vehicle", "--pairs", "1", "--seed", "6"]
    assert main(["sample", str(place), *words]) == 0
    return place


def _truths(place: Path) -> list[dict[str, object]]:
    return [json.loads((day / "truth.json").read_text()) for day in sorted(place.iterdir())]


def test_each_day_has_a_folder_and_there_is_nothing_else(rehearsal: Path) -> None:
    assert sorted(path.name for path in rehearsal.iterdir()) == ["day1", "day2", "day3", "day4"]
    for day in rehearsal.iterdir():
        names = sorted(path.name for path in day.iterdir())
        assert names == ["run01.csv", "run02.csv", "session.toml", "truth.json"]


def test_one_vehicle_changes_its_state_and_back(rehearsal: Path) -> None:
    vehicles = [read_session(day).vehicle for day in sorted(rehearsal.iterdir())]
    assert [vehicle.state for vehicle in vehicles] == ["stock", "changed", "stock", "changed"]
    assert len({(vehicle.name, vehicle.mass_kg) for vehicle in vehicles}) == 1


def test_the_logs_say_their_dates_a_week_apart(rehearsal: Path) -> None:
    begins = []
    for day in sorted(rehearsal.iterdir()):
        recording = read(day / "run01.csv")
        clock = recording.clocks[recording.channels[0].clock]
        assert clock.kind == "epoch"
        assert clock.epoch_s is not None
        begins.append(clock.epoch_s)
    # the first fix comes within seconds of the start
    assert [round((b - a) / 86400.0, 2) for a, b in pairwise(begins)] == [7.0, 7.0, 7.0]


def _made(folder: Path, **how: float) -> list[Truth]:
    return simulate_days([folder / "a", folder / "b"], pairs=1, phone="gps-only", **how)  # type: ignore[arg-type]


def test_the_change_alone_is_in_the_engine(tmp_path: Path) -> None:
    """Power at one speed in one gear: 4 % more torque, less what the engine's own inertia takes of it."""
    before, after = _made(tmp_path, seed=3, vehicle_seed=9, gain=0.04)
    assert (before.mass_kg, before.rotating_mass_kg) == (after.mass_kg, after.rotating_mass_kg)
    assert (before.f0_n, before.f1_n_per_mps) == (after.f0_n, after.f1_n_per_mps)
    places = np.arange(0.0, 800.0, 50.0)
    roads = [np.interp(places, one.slope_place_m, one.slope_profile) for one in (before, after)]
    assert roads[0] == pytest.approx(roads[1], abs=1e-4)
    # each pull has a torque of its own (sd 0.5 %), which the truth states
    ratio = {}
    for one in (before, after):
        curve = one.wheel_power[-1]
        factor = float(np.mean([run.torque_factor for run in one.runs]))
        middle = (curve.speed_mps[0] + curve.speed_mps[-1]) / 2.0
        ratio[one.seed] = float(np.interp(middle, curve.speed_mps, curve.power_w)) / factor
    assert ratio[after.seed] / ratio[before.seed] == pytest.approx(1.04, abs=0.006)
    assert before.wind_mps != after.wind_mps


def test_seeds_part_the_weather_from_the_vehicle(tmp_path: Path) -> None:
    first = _made(tmp_path / "1", seed=3, vehicle_seed=9)
    other_weather = _made(tmp_path / "2", seed=4, vehicle_seed=9)
    other_vehicle = _made(tmp_path / "3", seed=3, vehicle_seed=10)
    assert first[0].mass_kg == other_weather[0].mass_kg != other_vehicle[0].mass_kg
    assert first[0].wind_mps != other_weather[0].wind_mps
    strangers = _made(tmp_path / "4", seed=3)
    assert strangers[0].stated_mass_kg != strangers[1].stated_mass_kg


def test_drag_follows_the_density_of_the_air(tmp_path: Path) -> None:
    """Density goes as pressure over absolute temperature (ideal gas law)."""
    truths = _made(tmp_path, seed=3, vehicle_seed=9)
    found = [truth.f2_n_per_mps2 for truth in truths]
    dry = []
    for name in ("a", "b"):
        air = read_session(tmp_path / name).air
        assert air is not None
        assert air.pressure_hpa is not None
        assert air.temperature_c is not None
        dry.append(air.pressure_hpa / (air.temperature_c + 273.15))
    # moisture takes at most 1 % off, and nearly alike
    assert found[1] / found[0] == pytest.approx(dry[1] / dry[0], rel=0.01)
    assert found[0] != found[1]


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["--gain", "4%"], "--same-vehicle"),
        (["--vehicle-seed", "4", "--days", "2"], "--same-vehicle"),
        (["--same-vehicle"], "--days"),
        (["--days", "0"], "'0' is not a whole number from 1 to 50"),
        (["--days", "2", "--same-vehicle", "--gain", "much"], "'much' is not from -50% to 100%"),
    ],
)
def test_what_does_not_go_together_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], named: str
) -> None:
    assert main(["sample", str(tmp_path / "new"), *words]) == 2
    assert named in capsys.readouterr().err
    assert not (tmp_path / "new").exists()


def test_fewer_days_take_the_place_of_more_and_keep_results(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place, words = tmp_path / "days", ["--phone", "gps-only", "--pairs", "1"]
    assert main(["sample", str(place), "--days", "3", *words]) == 0
    (place / "day2" / "results").mkdir()
    assert main(["sample", str(place), *words]) == 0
    assert sorted(path.name for path in (place / "day2").iterdir()) == ["results"]
    assert not (place / "day3").exists()
    assert (place / "truth.json").exists()
    assert main(["sample", str(place), "--days", "2", *words]) == 0
    (place / "day2" / "photo.jpg").write_bytes(b"")
    capsys.readouterr()
    assert main(["sample", str(place), "--days", "2", *words]) == 2
    assert "day2/photo.jpg" in " ".join(capsys.readouterr().err.split())
    assert (place / "day2" / "truth.json").exists()
