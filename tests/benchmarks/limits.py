"""Sessions at the edges of what may be asked: each gives a result near the truth, or a refusal.

Run by hand: ``python tests/benchmarks/limits.py [--case NAME] [--keep]``. A row says what was looked
at, the time and memory that reading and analysing took in a process of their own, how many standard
deviations road load and peak power lie from the truth, or the refusal's first reason. Vehicles and
places are invented.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_HERE = Path(__file__).resolve()
sys.path.insert(0, str(_HERE.parents[2]))

import numpy as np

from analysis.pipeline import Analysis, analyse
from analysis.results.checks.validity import NothingUsable
from analysis.simulate.phone import draw_phone
from analysis.simulate.road import SimSite, draw_site
from analysis.simulate.session import simulate_session
from analysis.simulate.truth import Truth
from analysis.simulate.vehicle import SimVehicle, draw_vehicle, electric_torque
from logger.errors import PullcoastError
from logger.reading import read_log
from logger.session.session import read_session

_GRAVITY = 9.80665
_RPM = 2.0 * math.pi / 60.0
_DAY_S = 86_400


def vehicle(
    kind: str, mass_kg: float, power_w: float, top_mps: float, f2: float, *, push_share: float = 0.4
) -> SimVehicle:
    """Return a vehicle of one gear that pushes evenly and then with constant power."""
    end, radius = 12_000.0, 0.3
    ratio = end * _RPM * radius / (1.15 * top_mps)
    base = power_w / (push_share * mass_kg * _GRAVITY) * ratio / radius / _RPM
    speeds, torques = electric_torque(power_w / 0.95, min(base, 0.8 * end), end, 0.1)
    return replace(
        draw_vehicle(np.random.default_rng(1)),
        name=f"invented {kind}",
        kind=kind,
        drive="electric",
        mass_kg=mass_kg,
        mass_sd_kg=round(0.004 * mass_kg, 2),
        rotating_mass_kg=round(0.025 * mass_kg, 2),
        rotating_mass_sd_kg=round(0.005 * mass_kg, 2),
        f0_n=(0.006 if kind in ("truck", "bicycle") else 0.010) * mass_kg * _GRAVITY,
        f1_n_per_mps=0.0,
        f2_n_per_mps2=f2,
        engine_speed_radps=speeds,
        engine_torque_nm=torques,
        overall_ratios=(ratio,),
        wheel_radius_m=radius,
        engine_inertia_kg_m2=0.0,
        efficiency=0.95,
        launch_radps=0.0,
        shift_radps=end * _RPM,
        shift_gap_s=0.0,
        ramp_s=0.3,
        traction_limit_n=push_share * mass_kg * _GRAVITY,
        release_mps=top_mps,
    )


def _place(latitude_deg: float, longitude_deg: float, elevation_m: float = 20.0) -> SimSite:
    site = draw_site(np.random.default_rng(4))
    return replace(
        site, latitude_deg=latitude_deg, longitude_deg=longitude_deg, elevation_m=elevation_m
    )


def _drive(
    folder: Path, *, pairs: int = 2, car: SimVehicle | None = None, site: SimSite | None = None,
    **more: object,
) -> Truth:  # fmt: skip
    return simulate_session(folder, seed=7, pairs=pairs, vehicle=car, site=site, **more)  # type: ignore[arg-type]


def _a_day_at_100_hz(folder: Path) -> Truth:
    """Drive two pairs in one recording, then stand until 24 h are full, as own table."""
    phone = replace(draw_phone(np.random.default_rng(9), "clean", 1.0), accel_hz=100.0)
    truth = _drive(folder, pairs=2, layout="one_long", sim_phone=phone)
    table = next(folder.glob("*.csv"))
    with table.open(encoding="utf-8") as lines:
        every = lines.read().splitlines()
    header = next(line for line in every if not line.startswith("#"))
    columns = header.split(",")
    rest = [row.split(",") for row in every[-400:]]
    last_s = float(rest[-1][0])
    fix = next(row for row in reversed(rest) if row[columns.index("speed_mps")])
    motion = next(row for row in reversed(rest) if row[columns.index("accel_x_mps2")])
    rng = np.random.default_rng(10)
    at = [columns.index(f"accel_{axis}_mps2") for axis in "xyz"]
    with table.open("a", encoding="utf-8") as lines:
        for hour in range(24):
            start = last_s + 0.01 + hour * 3600.0
            count = int(min(3600.0, _DAY_S - start) * 100)
            noise = 0.03 * rng.standard_normal((max(count, 0), 3))
            for i in range(count):
                row = list(motion)
                row[0] = f"{start + 0.01 * i:.3f}"
                for axis, column in enumerate(at):
                    row[column] = f"{float(motion[column]) + noise[i, axis]:.3f}"
                lines.write(",".join(row) + "\n")
                if i % 100 == 50:
                    here = list(fix)
                    here[0] = f"{start + 0.01 * i + 0.001:.3f}"
                    here[columns.index("speed_mps")] = "0.00"
                    lines.write(",".join(here) + "\n")
    return truth


_CASES: dict[str, Callable[[Path], Truth]] = {
    "a bicycle up to 9 m/s": lambda f: _drive(
        f, car=vehicle("bicycle", 92, 700, 9.0, 0.22), pairs=4
    ),
    "a bicycle up to 2 m/s": lambda f: _drive(f, car=vehicle("bicycle", 92, 300, 2.0, 0.22)),
    "a motorcycle of 260 kg": lambda f: _drive(
        f, car=vehicle("motorcycle", 260, 50e3, 40.0, 0.38, push_share=0.6)
    ),
    "a record car up to 90 m/s": lambda f: _drive(
        f, car=vehicle("car", 1900, 900e3, 90.0, 0.38, push_share=0.75)
    ),
    "60 kg": lambda f: _drive(f, car=vehicle("bicycle", 60, 900, 9.0, 0.2), pairs=4),
    "a truck of 44,000 kg": lambda f: _drive(f, car=vehicle("truck", 44_000, 380e3, 22.0, 3.6)),
    "southern and western": lambda f: _drive(f, site=_place(-34.2, -48.1)),
    "across the date line": lambda f: _drive(
        f, site=replace(_place(5.0, 179.9990), bearing_deg=90.0)
    ),
    "across the equator and Greenwich": lambda f: _drive(
        f, site=replace(_place(-0.002, -0.002), bearing_deg=45.0)
    ),
    "80 degrees north": lambda f: _drive(f, site=_place(80.0, 12.0)),
    "89.9 degrees north": lambda f: _drive(f, site=_place(89.9, 12.0)),
    "89.9 degrees south": lambda f: _drive(f, site=_place(-89.9, -120.0)),
    "a road through altitude 0": lambda f: _drive(f, site=_place(55.0, 4.0, -3.0)),
    "a road 400 m below the sea": lambda f: _drive(f, site=_place(31.4, 35.45, -400.0)),
    "500 runs": lambda f: _drive(f, pairs=250),
    "24 h at 100 Hz": _a_day_at_100_hz,
}


def _scores(outcome: Analysis, truth: Truth) -> str:
    """Return how many sd the results lie from the truth."""
    parts = []
    if outcome.road_load is not None:
        low, high = outcome.road_load.speed_range_mps
        speeds = np.linspace(low + 0.15 * (high - low), high - 0.15 * (high - low), 3)
        true = truth.f0_n + truth.f1_n_per_mps * speeds + truth.f2_n_per_mps2 * speeds**2
        force, sd = outcome.road_load.force_n(speeds), outcome.road_load.force_sd_n(speeds)
        z = (force - true) / sd
        parts.append(
            f"road load {100 * np.abs(force / true - 1).max():.1f} %, z {z[np.abs(z).argmax()]:+.1f}"
        )
    if outcome.power is not None and truth.peak_wheel_power_w:
        away = outcome.power.peak_w - truth.peak_wheel_power_w
        parts.append(
            f"peak {100 * away / truth.peak_wheel_power_w:+.1f} %, z "
            f"{away / outcome.power.peak_sd_w:+.1f}"
        )
    used = len(outcome.used_runs)
    return f"{used} of {len(outcome.runs)} runs used; " + "; ".join(parts or ["nothing"])


def _made(name: str, folder: Path) -> Truth:
    return _CASES[name](folder)


def _judged(folder: Path, truth: Truth) -> tuple[str, float, float]:
    """Return what was found, the time it took [s], and the process's greatest memory [MB]."""
    start = time.perf_counter()
    try:
        session = read_session(folder)
        logs = tuple(read_log(list(log.files), columns=log.columns) for log in session.logs)
        found = _scores(analyse(session, logs), truth)
    except NothingUsable as refusal:
        found = f"refused: {refusal.reasons[0]}"
    except PullcoastError as refusal:
        found = f"refused: {refusal}"
    seconds = time.perf_counter() - start
    return found, seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def row(name: str) -> str:
    """Make, read and judge one case, each in a new process, so that memory is this case's own."""
    context = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "session"
        with ProcessPoolExecutor(1, mp_context=context) as pool:
            truth = pool.submit(_made, name, folder).result()
        size = sum(file.stat().st_size for file in folder.iterdir()) / 1e6
        with ProcessPoolExecutor(1, mp_context=context) as pool:
            found, seconds, peak = pool.submit(_judged, folder, truth).result()
    return f"{name:34s} {size:6.1f} MB of logs, {seconds:6.1f} s, {peak:5.0f} MB of memory: {found}"


def main() -> None:
    """Print one row per case."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--case", choices=tuple(_CASES), action="append")
    parser.add_argument(
        "--keep", action="store_true", help="keep the output, in place of earlier output"
    )
    chosen = parser.parse_args()
    lines = {}
    for name in chosen.case or _CASES:
        lines[name] = row(name)
        print(lines[name], flush=True)
    if chosen.keep:
        path = _HERE.parent / "results" / "limits.txt"
        earlier = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
        kept = {line[:34].strip(): line for line in earlier} | lines  # the last of each
        text = "".join(f"{kept[name]}\n" for name in _CASES if name in kept)
        path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
