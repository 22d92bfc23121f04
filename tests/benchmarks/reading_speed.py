"""How fast and in how much memory logs are read, against common readers of the same files.

Run by hand, from an environment that pullcoast is installed in with its test extra:

    python tests/benchmarks/reading_speed.py            # prints
    python tests/benchmarks/reading_speed.py --keep     # also keeps the figures
    python tests/benchmarks/reading_speed.py --rows 300000

Every reading is a process of its own that imports its reader first and then reads one file. What
counts is its processor time, the least of some rounds that take turns, and its peak of memory above
what it had before it opened the file. Ratios are to `pandas.read_csv` or `gpxpy.parse` of the same
file, or to the same reader on half of the file.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from pathlib import Path

import numpy as np
from figures import Figure, keep_figures

#: Largest ratio of the time of a file to that of half of it.
DOUBLE_GOAL = 2.2
ROWS = 3_000_000
POINTS = 100_000
START = datetime(2024, 3, 9, 10, 0, 0, tzinfo=UTC)

CHILD = """
import json, resource, sys, time
kind, path = sys.argv[1:]
if kind == "pandas":
    import pandas
    work = lambda: pandas.read_csv(path)
elif kind == "gpxpy":
    import gpxpy
    text = open(path, encoding="utf-8").read()
    work = lambda: gpxpy.parse(text)
else:
    import pandas
    from logger.reading import read
    work = lambda: read(path)
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
start = time.process_time()
kept = work()
spent = time.process_time() - start
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps([spent, peak / 1024, (peak - before) / 1024]))
"""


@dataclass(frozen=True, slots=True)
class Case:
    """One kind of file.

    Parameters
    ----------
    name : str
        As printed.
    suffix : str
        Of the file.
    lines : callable
        Number of rows -> the file's text in pieces.
    rows : int
        How many.
    rival : str or None
        Whose time and memory ours are divided by.
    goals : (time, memory)
        Largest ratios that the project allows itself; None where it states none.
    """

    name: str
    suffix: str
    lines: Callable[[int], Iterator[str]]
    rows: int
    rival: str | None
    goals: tuple[float | None, float | None] = (None, None)


#: Rows after which the numbers beside the time come again.
PERIOD = 10_000


def tails() -> list[str]:
    """Return the seven columns beside the time of one period: speed, acceleration, turning rate."""
    rng = np.random.default_rng(1)
    speed = (15.0 + 10.0 * np.sin(2.0 * np.pi * np.arange(PERIOD) / PERIOD)).tolist()
    noise = rng.standard_normal((PERIOD, 6)).tolist()
    return [
        f",{v:.3f},{a:.4f},{b:.4f},{c + 9.81:.4f},{d:.5f},{e:.5f},{f:.5f}\n"
        for v, (a, b, c, d, e, f) in zip(speed, noise, strict=True)
    ]


def eight(name: str, stamp: Callable[[int], str]) -> Callable[[int], Iterator[str]]:
    """Return what yields a table of eight full columns, speed in every row, a hundred rows a second."""

    def lines(rows: int) -> Iterator[str]:
        yield f"{name},speed_mps,accel_x_mps2,accel_y_mps2,accel_z_mps2,"
        yield "rotation_x_radps,rotation_y_radps,rotation_z_radps\n"
        every = tails()
        for i in range(rows):
            yield stamp(i) + every[i % PERIOD]

    return lines


def date_time(i: int) -> str:
    """Return the time of a row as ISO 8601."""
    seconds, hundredths = divmod(i, 100)
    clock = f"{10 + seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return f"2024-03-09T{clock}.{hundredths:02d}0Z"


def sparse(rows: int) -> Iterator[str]:
    """Yield a table of acceleration in every row, and of a fix in every hundredth."""
    yield "timestamp_ms,latitude,longitude,speed (m/s),acc x [m/s2],acc y [m/s2],acc z [m/s2],heading\n"
    noise = [",".join(line.split(",")[2:5]) for line in tails()]
    for i in range(rows):
        stamp = f"{1_710_000_000_000 + 10 * i},"
        if i % 100:
            yield f"{stamp},,,{noise[i % PERIOD]},\n"
        else:
            yield f"{stamp}{50 + i * 1.35e-6:.7f},8.1234567,{15 + i % 9 / 10:.2f},{noise[i % PERIOD]},0.0\n"


def narrow(rows: int) -> Iterator[str]:
    """Yield a table of a time and a speed."""
    yield "t (s),speed (m/s)\n"
    for i in range(rows):
        yield f"{i * 0.1:.1f},{20 + (i * 7919) % 50 / 10:.1f}\n"


def track(rows: int) -> Iterator[str]:
    """Yield GPX 1.1 with speeds in extensions."""
    yield '<?xml version="1.0"?>\n<gpx version="1.1" creator="made up" '
    yield 'xmlns="http://www.topografix.com/GPX/1/1" xmlns:a="urn:a"><trk><trkseg>\n'
    for i in range(rows):
        stamp = START + timedelta(milliseconds=200 * i)
        yield f'<trkpt lat="{50 + i * 3.6e-5:.6f}" lon="8.123456"><ele>100.0</ele>'
        yield f"<time>{stamp:%Y-%m-%dT%H:%M:%S}.{stamp.microsecond // 1000:03d}Z</time>"
        yield f"<extensions><a:speed>{20 + i % 9 / 10:.1f}</a:speed></extensions></trkpt>\n"
    yield "</trkseg></trk></gpx>\n"


def sentences(rows: int) -> Iterator[str]:
    """Yield RMC sentences five times a second."""
    for i in range(rows):
        seconds = i // 5
        clock = f"{seconds // 3600 % 24:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}.{i % 5 * 2}0"
        day = f"{10 + seconds // 86_400:02d}0324"
        body = f"GPRMC,{clock},A,4807.{i % 9000:04d},N,01131.0000,E,{38 + i % 9 / 10:.1f},84.4,{day},,,A"
        total = 0
        for byte in body.encode():
            total ^= byte
        yield f"${body}*{total:02X}\r\n"


def cases(rows: int, points: int) -> list[Case]:
    """Return what is measured."""
    return [
        Case(
            f"{rows} x 8, speed in every row",
            ".csv",
            eight("time_s", lambda i: f"{i * 0.01:.2f}"),
            rows,
            "pandas",
            (2.0, 1.5),
        ),
        Case(f"{rows} x 8, a fix in every 100th", ".csv", sparse, rows, "pandas", (2.0, 1.5)),
        Case(
            f"{rows} x 8, seconds since 1970",
            ".csv",
            eight("timestamp_s", lambda i: f"{1_710_000_000 + i * 0.01:.2f}"),
            rows,
            "pandas",
            (2.0, 1.5),
        ),
        Case(f"{rows} x 8, ISO 8601 times", ".csv", eight("time", date_time), rows, "pandas"),
        Case(f"{rows} x 2", ".csv", narrow, rows, "pandas"),
        Case(f"GPX of {points} points", ".gpx", track, points, "gpxpy", (0.6, None)),
        Case(f"NMEA of {points} sentences", ".nmea", sentences, points, None),
    ]


def measure(kind: str, path: Path) -> tuple[float, float, float]:
    """Return processor time [s], peak and its rise [MB] of one reading in a process of its own."""
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-c", CHILD, kind, str(path)],
        capture_output=True,
        text=True,
        check=True,
        env=environment,
        cwd=Path(__file__).parents[2],
    )
    spent, peak, rise = json.loads(done.stdout)
    return float(spent), float(peak), float(rise)


def best(kinds: dict[str, tuple[str, Path]], rounds: int) -> dict[str, tuple[float, float, float]]:
    """Return the least of each figure over rounds in which the readings take turns."""
    found: dict[str, list[tuple[float, float, float]]] = {name: [] for name in kinds}
    for _ in range(rounds):
        for name, (kind, path) in kinds.items():
            found[name].append(measure(kind, path))
    return {
        name: (min(v[0] for v in all_of), min(v[1] for v in all_of), min(v[2] for v in all_of))
        for name, all_of in found.items()
    }


def run(case: Case, folder: Path, rounds: int) -> tuple[str, list[Figure]]:
    """Measure one case; return its line of the table, and its figures that have a goal."""
    path, half = (folder / f"{name}{case.suffix}" for name in ("whole", "half"))
    for target, rows in ((path, case.rows), (half, case.rows // 2)):
        with target.open("w", newline="", buffering=1 << 20) as out:
            out.writelines(case.lines(rows))
    kinds = {"ours": ("ours", path), "half": ("ours", half)}
    if case.rival is not None:
        kinds["rival"] = (case.rival, path)
    found = best(kinds, rounds)
    size_mb = path.stat().st_size / 1e6
    path.unlink()
    half.unlink()
    ours = found["ours"]
    double = ours[0] / found["half"][0]
    figures = [Figure(f"{case.name}, time over half", double, None, DOUBLE_GOAL, "x")]
    line = f"{case.name:34} {size_mb:7.1f} {ours[0]:7.2f} {ours[2] / size_mb:7.1f}"
    if "rival" in found:
        rival = found["rival"]
        line += f" {case.rival:>7} {rival[0]:7.2f}"
        ratios = {"time": ours[0] / rival[0], "peak memory": ours[1] / rival[1]}
        for (what, ratio), goal in zip(ratios.items(), case.goals, strict=True):
            if goal is not None:
                name = f"{case.name}, {what} over {case.rival}"
                figures.append(Figure(name, ratio, None, goal, "x"))
            line += f" {ratio:6.2f}" + (f" ({goal:.1f})" if goal is not None else "      ")
    else:
        line += " " * 40
    return f"{line}  {double:5.2f} ({DOUBLE_GOAL})", figures


def main() -> None:
    """Measure every case and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else None)
    parser.add_argument("--rows", type=int, default=ROWS, help="rows of the tables")
    parser.add_argument("--points", type=int, default=POINTS, help="points of the track")
    parser.add_argument("--rounds", type=int, default=3, help="rounds, of which the best counts")
    parser.add_argument("--only", default="", help="only files whose description has this in it")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, in place of earlier ones"
    )
    options = parser.parse_args()
    heading = [
        (
            f"reading_speed, {datetime.now(UTC):%Y-%m-%d}: pullcoast {version('pullcoast')}, pandas "
            f"{version('pandas')}, gpxpy {version('gpxpy')}, Python {platform.python_version()}, "
            f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}"
        ),
        (
            "processor time [s]; memory: rise while reading over the file's size; ratios to the other "
            "reader of time and of peak memory"
        ),
        "(goals in brackets); last: time over that of half the file",
        (
            f"{'file':34} {'MB':>7} {'ours':>7} {'memory':>7} {'other':>7} {'time':>7} {'time':>6}"
            f"       {'peak':>6}       {'double':>7}"
        ),
    ]
    lines, figures = [*heading], list[Figure]()
    print("\n".join(heading), flush=True)
    with tempfile.TemporaryDirectory() as name:
        for case in cases(options.rows, options.points):
            if options.only not in case.name:
                continue
            line, found = run(case, Path(name), options.rounds)
            lines.append(line)
            figures += found
            print(line, flush=True)
    if options.keep:
        keep_figures("reading_speed", figures, f"least of {options.rounds} rounds")


if __name__ == "__main__":
    main()
