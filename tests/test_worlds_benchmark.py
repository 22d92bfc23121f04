"""The benchmark `worlds`: its oracle, its tables by hand, and going on after an interruption."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from named_worlds import WORLDS
from setups import Setup, World
from true_sessions import simulate

BENCHMARKS = Path(__file__).resolve().parent / "benchmarks"
sys.path.insert(0, str(BENCHMARKS))

import worlds
from worlds_oracle import oracle
from worlds_scores import Row
from worlds_table import figures, tables

ROWS = [
    Row(
        world="automatic",
        seed=seed,
        program="now",
        load_error=(error, -error, None),
        load_sd=(0.01, 0.01, None),
        load_oracle=(0.001, 0.001, 0.001),
        peak_error=error,
        peak_sd=0.01,
        peak_inside=abs(error) < 0.0196,
        peak_oracle=0.002,
        gears=3,
        true_gears=3,
    )
    for seed, error in enumerate((0.03, 0.01, -0.01, 0.01), 1)
]


def exact(world: World) -> World:
    """Return a world with known masses and a receiver almost without noise."""

    def draw(rng: np.random.Generator) -> Setup:
        setup = world.draw(rng)
        vehicle = replace(setup.vehicle, mass_sd_kg=0.0, rotating_mass_sd_kg=0.0)
        receiver = replace(setup.receiver, white_mps=1e-4, slow_mps=0.0, step_mps=0.0)
        return replace(setup, vehicle=vehicle, receiver=receiver)

    return replace(world, draw=draw)


@pytest.mark.parametrize("name", ["manual-quick", "side-wind", "short-coasts", "warming-tyres"])
def test_the_oracle_finds_the_truth_where_there_is_no_noise(name: str, tmp_path: Path) -> None:
    truth = simulate(exact(WORLDS[name]), 1, tmp_path)
    speeds = np.array([50.0, 72.0]) / 3.6
    found = oracle(truth, speeds, np.random.default_rng(1))
    # 0.1 mm/s over runs of some 20 m/s, and integrals on a grid of 0.01 s
    assert found.load_error == pytest.approx((0.0, 0.0), abs=2e-3)
    assert found.peak_error == pytest.approx(0.0, abs=2e-3)


def test_tables_hold_what_a_hand_finds() -> None:
    lines = tables({"automatic": ROWS})
    peak, load = (line.split() for line in lines if line.startswith("automatic "))
    # rms sqrt((9 + 1 + 1 + 1) / 4) %, bias (3 + 1 - 1 + 1) / 4 %, in sd of 1 % alike; 3 of 4 inside;
    # 1 sd is beyond the 0.9945 that hold 68 %
    assert peak == [
        "automatic",
        "4",
        "0",
        "0",
        "1.73",
        "1.00",
        "1.00",
        "1.73",
        "75.0",
        "0.0",
        "0.20",
    ]
    assert load[:8] == ["automatic", "4", "1.73", "1.73", "-", "1.00", "-1.00", "-"]
    assert load[8:12] == ["0.00", "1.73", "75.0", "0.0"]


def test_figures_name_the_worst_world() -> None:
    good = [replace(row, world="cvt", peak_error=0.0, peak_inside=True) for row in ROWS]
    found = {one.what: one for one in figures({"automatic": ROWS, "cvt": good})}
    share = found["lowest of a world: peak, 95 % intervals hold (automatic)"]
    assert share.found == 75.0
    assert share.verdict == "MISSED"
    assert found["all worlds: peak, 95 % intervals hold"].found == pytest.approx(87.5)
    assert found["sessions that fail"].found == 0.0


def test_only_whole_rows_of_the_same_program_are_taken_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "rows.jsonl"
    old = replace(ROWS[1], program="before")
    lines = [json.dumps(row.as_dict()) for row in (ROWS[0], old)]
    file.write_text("\n".join(lines) + "\n" + lines[0][:40] + "\n", encoding="utf-8")
    asked = []

    def judged(job: tuple[str, int, str]) -> Row:
        asked.append(job)
        return replace(ROWS[job[1] - 1], seed=job[1])

    monkeypatch.setattr(worlds, "judged", judged)
    monkeypatch.setattr(worlds, "program", lambda: "now")
    command = ["--world", "automatic", "--sessions", "3", "--rows", str(file)]
    assert worlds.main(command) == 0
    assert asked == [("automatic", 2, "now"), ("automatic", 3, "now")]
    first = capsys.readouterr().out
    assert worlds.main(command) == 0
    assert len(asked) == 2
    assert capsys.readouterr().out == first
