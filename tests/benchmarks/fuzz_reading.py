"""Damaged logs by the ten thousand: each is read or refused, soon, and in little memory.

Run by hand, from an environment that pullcoast is installed in:

    python tests/benchmarks/fuzz_reading.py --seconds 60            # prints
    python tests/benchmarks/fuzz_reading.py --seconds 600 --keep    # also writes results/

Every input is a copy of a case, or of a small drive in one of the formats, with one to eight
damages; a seed gives the same inputs in the same order. Wrong is any exception but a refusal, a
recording that breaks its own promises, more than `SLOW_S` of processor time for one input, or a
peak of Python's memory above ten times the input (beyond a fixed amount that any reading takes).
One input in `SURVEYED` also goes through the command `pullcoast look`, whose exit status must be
0, 1 or 2. One in `TWICE` is also read in small pieces, and once more with every cell read as text,
which must give the same recording or the same refusal. An input that is wrong is written to the
folder given with --out, and the script ends with status 1.
"""

from __future__ import annotations

import argparse
import contextlib
import gzip
import io
import platform
import random
import sys
import tempfile
import time
import tracemalloc
import warnings
from collections import Counter
from collections.abc import Callable
from itertools import zip_longest
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd

from analysis.cli.main import main as pullcoast
from logger.errors import ReadError
from logger.reading import read, read_log
from logger.recording import Recording
from logger.tables import cells, even_rows
from logger.tables.table import ColumnChoice
from logger.writing import write_text_atomic

RESULTS = Path(__file__).with_name("results")
CASES = Path(__file__).parent.parent / "data" / "cases"
SLOW_S = 5.0
#: Peak of Python's memory per byte of input, and what a reading of next to nothing takes.
MEMORY_FACTOR = 10.0
MEMORY_FREE_BYTES = 4_000_000
SURVEYED = 12
TRACED = 10
TWICE = 3

#: What damages insert: marks of the formats, numbers at the edge, other encodings, whole lines.
PIECES: tuple[bytes, ...] = (
    *(b",", b";", b"\t", b'"', b"\n", b"\r", b"\r\n", b"|", b"#", b" ", b"\x00", b"\xff"),
    *(b"nan", b"inf", b"-", b"1e999", b"1e308", b"-1", b"0", b"9" * 40, b"0" * 5000, b"."),
    *(b"1,234", b"1.234,5", b"1'000", b"0x10", b"1_0", b"\xd9\xa3", b"\xe2\x88\x921"),
    *(b"<", b">", b"&", b"&amp;", b"</trkpt>", b"<trkpt ", b"<!--", b"<![CDATA[", b"<!DOCTYPE a>"),
    *(b"<speed>", b"</speed>", b"<time>", b"$", b"*", b"$GPRMC,", b"$GPVTG,", b"A,", b"V,"),
    *(b"\xff\xfe", b"\xfe\xff", b"\xef\xbb\xbf", b"\x1f\x8b", b"\x1f", b"\x1d", b"Z", b"+01:00"),
    *(b"2024-03-09T09:00:00Z", b"31/12/2024", b"24:00:00", b"20240309090000", b":", b"T", b"PM"),
    *(b"time_s,speed_mps\n", b"speed", b"km/h", b"(", b"[" * 300, b"\n" * 500, b",,,\n" * 100),
)


def seeds() -> list[bytes]:
    """Return the sound inputs that are damaged."""
    found = [path.read_bytes()[:6000] for path in sorted(CASES.rglob("*")) if path.is_file()]
    rows = [(k, 52.1 + 0.0001 * k, 11.1 + 0.3 * (k % 7)) for k in range(60)]
    table = "time_s,latitude_deg,longitude_deg,speed_mps\n"
    table += "".join(f"{t},{lat:.6f},9.4,{v:.3f}\n" for t, lat, v in rows)
    found += [table.encode(), table.encode("utf-16"), gzip.compress(table.encode(), mtime=0)]
    found.append(table.replace(",", ";").replace(".", ",").encode())
    found.append(table.replace(",", '","').replace("\n", '"\n"').encode())
    fast = "timestamp,ax,ay,az,mark\n"
    fast += "".join(f"{86_400_000 + 20 * k},0.1,{0.2 + k % 5},9.8,\n" for k in range(300))
    found.append(fast.encode())
    gpx = "<gpx><trk><trkseg>\n" + "".join(
        f'<trkpt lat="{lat:.6f}" lon="9.4"><time>2024-03-09T09:{t // 60:02d}:{t % 60:02d}Z</time>'
        f"<speed>{v:.2f}</speed></trkpt>\n"
        for t, lat, v in rows
    )
    found.append((gpx + "</trkseg></trk></gpx>\n").encode())
    return found


def damage(rng: random.Random, data: bytearray, others: list[bytes]) -> None:
    """Change `data` in place in one of many ways."""
    size = len(data)
    at = rng.randrange(size + 1)
    kind = rng.randrange(10)
    if kind == 0 and size:
        data[at - 1] = rng.randrange(256)
    elif kind <= 2:
        data[at:at] = rng.choice(PIECES)
    elif kind == 3:
        del data[at : at + rng.choice((1, 5, 40, 400))]
    elif kind == 4:
        other = rng.randrange(size + 1)
        data[at:at] = data[other : other + rng.choice((1, 10, 80, 800))]
    elif kind == 5:  # a line lost, doubled or moved
        lines = data.split(b"\n")
        line = lines.pop(rng.randrange(len(lines)))
        for _ in range(rng.randrange(3)):
            lines.insert(rng.randrange(len(lines) + 1), line)
        data[:] = b"\n".join(lines)
    elif kind == 6:  # one mark for another, throughout
        old, new = rng.choice(PIECES[:12]), rng.choice(PIECES[:12])
        data[:] = data.replace(old, new)[:40_000]
    elif kind == 7:
        del data[at:]
    elif kind == 8:  # a part of another log
        other_log = rng.choice(others)
        start = rng.randrange(len(other_log))
        data[at:at] = other_log[start : start + rng.choice((20, 200, 2000))]
    else:
        digits = [k for k, byte in enumerate(data) if 48 <= byte <= 57]
        if digits:
            data[rng.choice(digits)] = rng.choice(b"0123456789-.,e")


def check(recording: Recording) -> None:
    """Check what holds for every recording, whatever was in the file."""
    assert recording.channels, "no channel"
    for channel in recording.channels:
        assert np.isfinite(channel.t_s).all(), f"{channel.name}: a time is not finite"
        assert np.isfinite(channel.values).all(), f"{channel.name}: a value is not finite"
        assert (np.diff(channel.t_s) > 0).all(), f"{channel.name}: times do not rise"
    first = min(c.t_s[0] for c in recording.channels if c.clock == 0)
    assert abs(first) < 1e-9, "the first sample is not at zero"
    assert all(f.text.strip() and f.count >= 1 for f in recording.findings), "an empty finding"


def options(rng: random.Random) -> dict[str, object]:
    """Draw what a user might state; mostly nothing."""
    stated: dict[str, object] = {}
    if rng.random() < 0.1:
        stated["salvage"] = True
    if rng.random() < 0.1:
        stated["rate_hz"] = rng.choice((0.5, 50.0))
    if rng.random() < 0.05:
        stated["strict"] = True
    if rng.random() < 0.1:
        stated["columns"] = {
            "time_s": ColumnChoice(header=str(rng.randint(1, 3)), unit=rng.choice((None, "ms"))),
            "speed_mps": ColumnChoice(
                header=str(rng.randint(1, 4)), unit=rng.choice((None, "km/h"))
            ),
        }
    return stated


def attempt(path: Path, stated: dict[str, object], *, pair: bool, trace: bool) -> str:
    """Read one input; return ``read``, ``refused``, or what is wrong."""
    size = path.stat().st_size
    if trace:
        tracemalloc.start()
    began = time.process_time()
    try:
        paths = [path, path] if pair else [path]
        reader: Callable[..., Recording] = read_log if pair else read
        recording = reader(paths if pair else path, **stated)
        check(recording)
        outcome = "read"
    except ReadError as error:
        outcome = "refused" if len(str(error)) < 5000 else f"a message of {len(str(error))} letters"
    except Exception as error:  # noqa: BLE001 - this is what is looked for
        outcome = f"{type(error).__name__}: {error}"
    spent = time.process_time() - began
    if trace:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        if peak > MEMORY_FREE_BYTES + MEMORY_FACTOR * size * (1 + pair):
            return f"{peak / 1e6:.1f} MB for an input of {size} bytes"
    return f"{spent:.1f} s of processor time" if spent > SLOW_S else outcome


def outcome_of(path: Path, stated: dict[str, object]) -> tuple[object, ...]:
    """Return what a reading comes to: the refusal, or times, values and findings."""
    reader: Callable[..., Recording] = read
    try:
        recording = reader(path, **stated)
    except ReadError as error:
        return ("refused", str(error))
    channels = [(c.name, c.t_s.tolist(), c.values.tolist()) for c in recording.channels]
    counts: Counter[str] = Counter()
    for finding in recording.findings:
        counts[finding.kind] += finding.count
    return ("read", *channels, *sorted(counts.items()))


#: Other ways to read a table: module, name and what stands for it.
WAYS: dict[str, tuple[tuple[object, str, object], ...]] = {
    "in small pieces": (
        (even_rows, "_PIECE", 300),
        (cells, "_SMALLEST", 300),
        (cells, "_LARGEST", 300),
    ),
    "cell by cell": ((cells.Grid, "_plain_numbers", lambda *_: None),),
}


def other_ways(path: Path, stated: dict[str, object]) -> str:
    """Read one input in every way; return ``same``, or how they differ."""
    usual = outcome_of(path, stated)
    for name, changes in WAYS.items():
        with contextlib.ExitStack() as changed:
            for place, attribute, value in changes:
                changed.enter_context(mock.patch.object(place, attribute, value))
            try:
                found = outcome_of(path, stated)
            except Exception as error:  # noqa: BLE001 - this is what is looked for
                return f"{name}: {type(error).__name__}: {error}"
        if found != usual:
            one, other = next((a, b) for a, b in zip_longest(usual, found) if a != b)
            return f"{name} otherwise: {str(one)[:300]} against {str(other)[:300]}"
    return "same"


def look(path: Path) -> str:
    """Put one input through the command line; return ``status N``, or what is wrong."""
    out, err = io.StringIO(), io.StringIO()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = pullcoast(["look", str(path)])
    except BaseException as error:  # noqa: BLE001 - this is what is looked for
        return f"look: {type(error).__name__}: {error}"
    if status not in (0, 1, 2):
        return f"look: status {status}: {err.getvalue()[-300:]}"
    return f"look: exit {status}"


def run(seconds: float, seed: int, out: Path) -> tuple[Counter[str], list[str], float]:
    """Try inputs until the time is over; return the outcomes, what went wrong, and the size read."""
    rng = random.Random(seed)
    sound = seeds()
    outcomes: Counter[str] = Counter()
    wrong: list[str] = []
    size = 0.0
    end = time.monotonic() + seconds
    with tempfile.TemporaryDirectory() as folder:
        number = 0
        while time.monotonic() < end and len(wrong) < 20:
            data = bytearray(rng.choice(sound))
            for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 5, 8))):
                damage(rng, data, sound)
            if rng.random() < 0.02:
                data[:] = data * (1 + 200_000 // max(len(data), 1))
            path = Path(folder) / rng.choice(("log.csv", "log.gpx", "log.nmea", "log.txt"))
            path.write_bytes(bytes(data))
            size += len(data)
            pair, stated = rng.random() < 0.05, options(rng)
            result = attempt(path, stated, pair=pair, trace=number % TRACED == 0)
            results = [result] if number % SURVEYED else [result, look(path)]
            if number % TWICE == 0 and result in ("read", "refused"):
                results.append(other_ways(path, stated))
            for result in results:
                if result in ("read", "refused", "same") or result.startswith("look: exit"):
                    outcomes[result] += 1
                else:
                    wrong.append(f"input {number}, {len(data)} bytes, options {stated}: {result}")
                    out.mkdir(parents=True, exist_ok=True)
                    (out / f"wrong-{seed}-{number}{path.suffix}").write_bytes(bytes(data))
                    print(wrong[-1], flush=True)
            number += 1
    return outcomes, wrong, size


def main() -> int:
    """Run the script and return its exit status."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seconds", type=float, default=60.0, help="how long (default: 60)")
    parser.add_argument("--seed", type=int, default=1, help="which inputs (default: 1)")
    parser.add_argument("--keep", action="store_true", help="write results/fuzz_reading.txt")
    parser.add_argument("--out", type=Path, default=Path("fuzz-wrong"), help="for wrong inputs")
    arguments = parser.parse_args()
    warnings.simplefilter("ignore")  # as the command does
    outcomes, wrong, size = run(arguments.seconds, arguments.seed, arguments.out)
    read_whole, refused = outcomes["read"], outcomes["refused"]
    inputs = read_whole + refused
    lines = [
        f"fuzz_reading: seed {arguments.seed}, {arguments.seconds:g} s",
        f"python {platform.python_version()}, numpy {np.__version__}, pandas {pd.__version__}",
        f"{inputs} inputs, {size / 1e6:.0f} MB: {read_whole} read, {refused} refused",
        "of these through `pullcoast look`: "
        + ", ".join(f"{n} with {k[6:]}" for k, n in sorted(outcomes.items()) if "look" in k),
        f"{outcomes['same']} of them read in small pieces and cell by cell with the same outcome",
        f"{len(wrong)} wrong" + "".join(f"\n  {text}" for text in wrong),
    ]
    text = "\n".join(lines) + "\n"
    print(text, end="")
    if arguments.keep:
        RESULTS.mkdir(exist_ok=True)
        write_text_atomic(RESULTS / "fuzz_reading.txt", text)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
