"""Kept benchmark: a remembered road makes short sessions better, and a wrong one harms none.

Run by hand: ``python tests/benchmarks/road.py [--sessions N] [--keep]``. A session of two pairs teaches a
road file; on another day, in another wind, one pair and two runs one way of the same vehicle lean on it.
A wrong road is the file of another road under the same place, and the right one 200 m beside.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

_HERE = Path(__file__).resolve()
sys.path[:0] = [str(_HERE.parent), str(_HERE.parents[1] / "support"), str(_HERE.parents[2])]

from figures import Figure, keep_figures
from make_sessions import recordings_of

from analysis.model.road_memory import RoadMemory, learn_road, read_road
from analysis.pipeline import Analysis, analyse
from analysis.simulate.road import SimSite, draw_site
from analysis.simulate.session import simulate_session
from analysis.simulate.truth import Truth
from analysis.simulate.vehicle import draw_vehicle
from logger.session.session import Session, read_session

_SPEEDS_MPS = np.array([50.0, 72.0, 100.0]) / 3.6
_Rows = dict[str, list[list[float]]]


def main() -> None:
    """Lean sessions on right and wrong roads, and print errors and coverage."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=60, metavar="N", help="default: 60")
    parser.add_argument("--first", type=int, default=0, metavar="N", help="default: 0")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, in place of earlier ones"
    )
    chosen = parser.parse_args()
    errors: _Rows = {}
    sds: _Rows = {}
    used: dict[str, list[bool]] = {}
    for number in range(chosen.first, chosen.first + chosen.sessions):
        _one(number, errors, sds, used)
        if (number + 1) % 5 == 0:
            for figure in figures(errors, sds, used):
                print(number + 1, figure.what, figure.found_text, figure.verdict, flush=True)
    if chosen.keep:
        keep_figures("road", figures(errors, sds, used), f"{chosen.sessions} roads")


def _one(number: int, errors: _Rows, sds: _Rows, used: dict[str, list[bool]]) -> None:
    """Teach two roads and let both kinds of short session lean on each."""
    seed = 9000 + 10 * number
    site, other = (draw_site(np.random.default_rng([seed, part])) for part in (1, 2))
    site = replace(site, slope=float(np.random.default_rng([seed, 3]).uniform(-0.006, 0.006)))
    # the other road's slopes, where this road lies
    wrong = replace(
        site, slope=-site.slope, ripple_slopes=other.ripple_slopes,
        ripple_lengths_m=other.ripple_lengths_m, ripple_phases_rad=other.ripple_phases_rad,
    )  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="pullcoast_road_") as folder:
        roads = {name: Path(folder) / f"{name}.json" for name in ("right", "wrong", "beside")}
        for name, taught in (("right", site), ("wrong", wrong)):
            truth, session = _drive(Path(folder) / name, seed, seed + 1, taught, 2, False)
            found = analyse(session, recordings_of(session), road=RoadMemory(path=roads[name]))
            assert found.road is not None
            learn_road(RoadMemory(path=roads[name]), found.road)
        memory = read_road(roads["right"])
        assert memory.place is not None
        # 200 m beside, across its bearing: 111.2 km to a degree of latitude
        bearing = np.radians(memory.place.bearing_deg + 90.0)
        north, east = (float(200.0 * f(bearing)) / 111_195.0 for f in (np.cos, np.sin))
        beside = replace(
            memory.place,
            latitude_deg=memory.place.latitude_deg + north,
            longitude_deg=memory.place.longitude_deg
            + east / float(np.cos(np.radians(memory.place.latitude_deg))),
        )
        memories = {
            "without": None,
            "right": memory,
            "wrong": read_road(roads["wrong"]),
            "beside": replace(memory, place=beside),
        }
        for case, one_way in (("one pair", False), ("two one way", True)):
            truth, session = _drive(Path(folder) / case, seed, seed + 2, site, 1, one_way)
            recordings = recordings_of(session)
            for name, road in memories.items():
                found = analyse(session, recordings, road=road)
                _count(errors, sds, f"{case}, {name}", found, truth)
                if found.road is not None:
                    used.setdefault(f"{case}, {name}", []).append(found.road.used)


def _drive(
    folder: Path, vehicle_seed: int, seed: int, site: SimSite, pairs: int, one_way: bool
) -> tuple[Truth, Session]:
    """Simulate one day on a road: its own wind and noise, one and the same vehicle."""
    rng = np.random.default_rng([seed, 20])
    truth = simulate_session(
        folder, seed=seed, pairs=pairs, one_way=one_way,
        vehicle=draw_vehicle(np.random.default_rng([vehicle_seed, 1])),
        site=replace(site, wind_mps=float(rng.uniform(-3.0, 3.0))),
    )  # fmt: skip
    return truth, read_session(folder)


def _count(errors: _Rows, sds: _Rows, case: str, found: Analysis, truth: Truth) -> None:
    """Add the errors of the road load and their sd, in per cent of the truth."""
    assert found.road_load is not None
    true = truth.force_n(_SPEEDS_MPS)
    share = 100.0 / true
    errors.setdefault(case, []).append(
        ((found.road_load.force_n(_SPEEDS_MPS) - true) * share).tolist()
    )
    sds.setdefault(case, []).append((found.road_load.force_sd_n(_SPEEDS_MPS) * share).tolist())


def figures(errors: _Rows, sds: _Rows, used: dict[str, list[bool]]) -> list[Figure]:
    """Return rms errors, coverage, and how often each road was leant on."""
    found = []
    for case, rows in errors.items():
        refused = case in used and not any(used[case])
        error, sd = np.array(rows), np.array(sds[case])
        plain = np.sqrt(np.mean(np.array(errors[f"{case.split(',')[0]}, without"]) ** 2, axis=0))
        rms = np.sqrt(np.mean(error**2, axis=0))
        # a road that no session leant on changes no figure
        for at, kmh in enumerate(() if refused else (50, 72, 100)):
            highest = None if case.endswith("without") else float(plain[at])
            found.append(Figure(f"{case}: rms error at {kmh} km/h", rms[at], None, highest, "%"))
        inside = 100.0 * float(np.mean(np.abs(error) < 1.959964 * sd))
        if not refused:
            found.append(Figure(f"{case}: 95 % intervals that hold", inside, 90.0, 98.0, "%"))
        if case in used:
            count = sum(used[case])
            found.append(Figure(f"{case}: leant on, of {len(used[case])}", float(count)))
            if not case.endswith("right"):
                # harmless: nowhere farther off than 2.58 sd, where one in a hundred is by chance
                bad = [
                    bool(lean and np.any(np.abs(e) > 2.575829 * s))
                    for lean, e, s in zip(used[case], error, sd, strict=True)
                ]
                found.append(Figure(f"{case}: leant on and misled", float(sum(bad)), None, 0.0))
    return found


if __name__ == "__main__":
    main()
