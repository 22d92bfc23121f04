"""How long `pullcoast --help` and `pullcoast report` take, against importing what they stand on.

Run by hand, from an environment that pullcoast is installed in:

    python tests/benchmarks/start_up.py            # prints
    python tests/benchmarks/start_up.py --keep     # also keeps the figures

Every figure is a ratio to one baseline of the same run, because seconds say more about the machine
than about the program. The rounds go through all commands in turn, so that a busy moment hits each.
"""

from __future__ import annotations

import argparse
import csv
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
from figures import Figure, keep_figures

from analysis.simulate.phone import draw_phone
from analysis.simulate.session import simulate_session

BASELINE = "import numpy, scipy.optimize, pandas, matplotlib.figure"
SEED = 1
PAIRS = 4
#: Makes about 100,000 acceleration rows in eight runs of this seed.
ACCEL_HZ = 68.0


@dataclass(frozen=True, slots=True)
class Command:
    """One thing that is timed.

    Parameters
    ----------
    name : str
        As printed.
    argv : sequence of str
        What is run.
    goal : float or None
        Largest ratio to the baseline that the project allows itself; None for the baseline.
    """

    name: str
    argv: Sequence[str]
    goal: float | None = None


@dataclass(frozen=True, slots=True)
class Spent:
    """What one process took: elapsed time and processor time [s]."""

    wall_s: float
    cpu_s: float


def make_session(folder: Path) -> int:
    """Write a session of eight runs, one own table each; return its acceleration rows."""
    phone = draw_phone(np.random.default_rng(SEED), "clean", 1.0)
    simulate_session(folder, seed=SEED, pairs=PAIRS, sim_phone=replace(phone, accel_hz=ACCEL_HZ))
    rows = 0
    for path in sorted(folder.glob("*.csv")):
        with path.open(newline="") as file:
            rows += sum(1 for row in csv.DictReader(file) if row["accel_x_mps2"])
    return rows


def run(argv: Sequence[str]) -> Spent:
    """Run one command and return what it took; a command that fails ends the benchmark."""
    before, start = os.times(), time.perf_counter()
    done = subprocess.run(argv, capture_output=True, text=True, check=False)
    wall, after = time.perf_counter() - start, os.times()
    if done.returncode != 0:
        sys.exit(f"{' '.join(argv)} ended with {done.returncode}:\n{done.stderr}")
    cpu = after.children_user + after.children_system
    return Spent(wall, cpu - before.children_user - before.children_system)


def measure(commands: Sequence[Command], repeats: int) -> dict[str, list[Spent]]:
    """Run every command once to warm the caches, then `repeats` times in turn."""
    for command in commands:
        run(command.argv)
    spent: dict[str, list[Spent]] = {command.name: [] for command in commands}
    for _ in range(repeats):
        for command in commands:
            spent[command.name].append(run(command.argv))
    return spent


def figures(commands: Sequence[Command], spent: dict[str, list[Spent]]) -> list[Figure]:
    """Return the ratios of elapsed time to the first command that have a goal."""
    wall = {name: statistics.median(one.wall_s for one in of) for name, of in spent.items()}
    base = wall[commands[0].name]
    return [
        Figure(f"{one.name}, time over imports", wall[one.name] / base, None, one.goal, "x")
        for one in commands
        if one.goal is not None
    ]


def table(commands: Sequence[Command], spent: dict[str, list[Spent]]) -> str:
    """Return medians and ratios to the first command as lines of text."""
    judged = {figure.what.partition(",")[0]: figure for figure in figures(commands, spent)}
    lines = [f"{'':34}{'wall s':>8}{'cpu s':>8}{'wall x':>9}{'cpu x':>8}{'goal x':>8}"]
    base: Spent | None = None
    for command in commands:
        wall = statistics.median(one.wall_s for one in spent[command.name])
        cpu = statistics.median(one.cpu_s for one in spent[command.name])
        base = base or Spent(wall, cpu)
        line = f"{command.name:34}{wall:8.3f}{cpu:8.3f}{wall / base.wall_s:9.2f}"
        line += f"{cpu / base.cpu_s:8.2f}"
        if command.goal is not None:
            line += f"{command.goal:8.1f}  {judged[command.name].verdict}"
        lines.append(line)
    return "\n".join(lines)


def surroundings(rows: int, repeats: int) -> str:
    """Return what the figures depend on besides the program, without naming the machine."""
    packages = ", ".join(
        f"{name} {version(name)}" for name in ("numpy", "scipy", "pandas", "matplotlib")
    )
    threads = os.environ.get("OPENBLAS_NUM_THREADS", "not set")
    return (
        f"pullcoast {version('pullcoast')}, Python {platform.python_version()}, {packages}\n"
        f"{os.cpu_count()} processors, OPENBLAS_NUM_THREADS {threads}\n"
        f"session: {2 * PAIRS} runs, {rows} acceleration rows, 1 Hz fixes, seed {SEED}\n"
        f"median of {repeats} runs after one to warm up; x = times the first line"
    )


def main(argv: Sequence[str] | None = None) -> None:
    """Measure and print; with --keep also keep the figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--repeats", type=int, default=5, help="timed rounds (default: 5)")
    parser.add_argument("--keep", action="store_true", help="write the figures into results/")
    arguments = parser.parse_args(argv)
    if arguments.repeats < 1:
        parser.error("--repeats is at least 1")
    program = Path(sys.executable).with_name("pullcoast")
    if not program.exists():
        parser.error(f"no {program}: install pullcoast into this environment first")
    with tempfile.TemporaryDirectory() as place:
        session, out = Path(place) / "session", Path(place) / "results"
        rows = make_session(session)
        commands = (
            Command("imports alone", (sys.executable, "-c", BASELINE)),
            Command("pullcoast --help", (str(program), "--help"), 0.1),
            Command(
                "pullcoast report", (str(program), "report", str(session), "--out", str(out)), 3.0
            ),
        )
        spent = measure(commands, arguments.repeats)
    text = surroundings(rows, arguments.repeats) + "\n\n" + table(commands, spent) + "\n"
    print(text, end="")
    if arguments.keep:
        kept = keep_figures(
            "start_up", figures(commands, spent), f"median of {arguments.repeats} runs"
        )
        print(f"kept in {kept}")


if __name__ == "__main__":
    main()
