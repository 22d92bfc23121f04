"""Odd input of four kinds, each judged: damaged files, objects that are no files, odd spans of time,
and outputs that are closed or full. Each case returns what went wrong, or nothing.

Wrong is any exception but a refusal, an exit status other than 0, 1, 2 (141 where the reader of the
output left), a traceback, more than `SLOW_S`, or more memory than rows and channels explain.
"""

from __future__ import annotations

import gzip
import json
import math
import os
import random
import re
import socket
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

from analysis.cli.main import main
from analysis.report.read_results import read_results_road_load, side_of_results
from analysis.signals.smoothing import fuse
from logger.errors import PullcoastError
from logger.reading import read
from logger.session.overrides import open_session
from logger.tables.scope import read_scope

__all__ = ["damaged", "objects", "outputs", "spans"]

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_logs" / "van_bare"
SLOW_S = 20.0
#: Memory that a reading may take: for each number in the file, and beside that [bytes].
_BYTES, _FREE = 50, 200_000_000
#: What takes the place of a value: numbers at the edge, other types, marks of the formats.
_ODD = ["1e400", "-1", "0", "nan", "inf", "1e-320", '""', "true", "null", "[]", "{}", "x" * 5000,
        "9" * 401, "\x1b[2J", "\u202e", "'", '"', "=1+1", "2024-13-45", "1,5", "[[[[", "\x00"]  # fmt: skip

Case = tuple[str, Callable[[], str | None]]


def _judged(work: Callable[[], object]) -> str | None:
    """Return what went wrong with a piece of work that may refuse."""
    start = time.process_time()
    try:
        work()
    except PullcoastError as error:
        if len(str(error)) > 5000:
            return f"a message of {len(str(error))} characters"
    except Exception as error:  # noqa: BLE001 - this is what is looked for
        return f"{type(error).__name__}: {str(error)[:200]}"
    spent = time.process_time() - start
    return f"{spent:.0f} s" if spent > SLOW_S else None


def _command(words: list[str]) -> str | None:
    """Return what went wrong with a command, run in this process."""
    out, err = StringIO(), StringIO()
    start = time.process_time()
    with redirect_stdout(out), redirect_stderr(err):
        status = main(words)
    if status not in (0, 1, 2) or "Traceback" in err.getvalue():
        return f"status {status}: {err.getvalue()[-200:]}"
    spent = time.process_time() - start
    return f"{spent:.0f} s" if spent > SLOW_S else None


def _drive(rows: int = 60) -> str:
    lines = [f"{k},{52 + 1e-4 * k:.6f},9.4,{11 + 0.3 * (k % 7):.2f}" for k in range(rows)]
    return "time_s,latitude_deg,longitude_deg,speed_mps\n" + "\n".join(lines) + "\n"


def _scope() -> str:
    lines = [f"{0.001 * k:.3f};{5.0 if 100 < k % 300 < 140 else 0.02:.2f}" for k in range(900)]
    return "Sample interval;0.001\nTime (s);CH1 (V)\n" + "\n".join(lines) + "\n"


def _damaged_text(text: str, rng: random.Random) -> bytes:
    """Return text with one to four values, lines or bytes changed."""
    for _ in range(rng.choice((1, 1, 2, 4))):
        kind = rng.randrange(5)
        values = list(re.finditer(r'"[^"\n]*"|-?\d[\d.e+-]*|true|false|null', text))
        if kind <= 2 and values:
            one = rng.choice(values)
            text = text[: one.start()] + rng.choice(_ODD) + text[one.end() :]
        elif kind == 3:
            lines = text.split("\n")
            at = rng.randrange(len(lines))
            lines[at : at + 1] = rng.choice(
                ([], [lines[at]] * 2, [lines[at][: len(lines[at]) // 2]])
            )
            text = "\n".join(lines)
        else:
            at = rng.randrange(len(text) + 1)
            text = text[:at] + rng.choice(_ODD) + text[at + rng.choice((0, 1, 30)) :]
    data = bytearray(text.encode("utf-8", "surrogatepass"))
    if rng.random() < 0.2 and data:
        data[rng.randrange(len(data))] = rng.randrange(256)
    return bytes(data)


def damaged(count: int, place: Path, results: str, seed: int = 1) -> Iterator[Case]:
    """Return damaged logs, session.tomls, results.jsons and oscilloscope tables in turn.

    `results` is the text of a sound results.json.
    """
    rng = random.Random(seed)
    toml = (SAMPLE / "session.toml").read_text(encoding="utf-8")
    short = json.loads(results)
    for lists in (short["road_load"], short["wheel_power"]):
        lists["curve"] = lists["curve"][:5]  # the rest is the same again
    sound = json.dumps({k: v for k, v in short.items() if k not in ("findings", "history")})
    for number in range(count):
        kind = ("log", "session.toml", "results.json", "scope")[number % 4]
        text = {"log": _drive(), "session.toml": toml, "results.json": sound, "scope": _scope()}[
            kind
        ]
        data = _damaged_text(text, rng)

        def tried(kind: str = kind, data: bytes = data) -> str | None:
            file = place / ("session.toml" if kind == "session.toml" else "input.csv")
            file.write_bytes(data)
            if kind == "log":
                return _judged(lambda: read(file))
            if kind == "session.toml":
                return _judged(lambda: open_session(place))
            if kind == "scope":
                return _judged(lambda: read_scope(file))
            return _judged(lambda: side_of_results("a", file)) or _judged(
                lambda: read_results_road_load(file)
            )

        yield f"{kind} {number}", tried


def _bound(path: Path) -> None:
    server = socket.socket(socket.AF_UNIX)
    before = Path.cwd()
    os.chdir(path.parent)  # names of sockets are short
    try:
        server.bind(path.name)
    finally:
        os.chdir(before)
        server.close()


def _sparse(path: Path, size: int) -> None:
    with path.open("wb") as file:
        file.write(b"1," * 5000)
        file.truncate(size)


_OBJECTS: dict[str, Callable[[Path], object]] = {
    "pipe": os.mkfifo,
    "zeros": lambda path: path.symlink_to("/dev/zero"),
    "random": lambda path: path.symlink_to("/dev/urandom"),
    "full": lambda path: path.symlink_to("/dev/full"),
    "null": lambda path: path.symlink_to("/dev/null"),
    "memory": lambda path: path.symlink_to("/proc/self/mem"),
    "socket": _bound,
    "folder": Path.mkdir,
    "link to itself": lambda path: path.symlink_to(path.name),
    "broken link": lambda path: path.symlink_to("nowhere"),
    "10 GB": lambda path: _sparse(path, 10_000_000_000),
    "one line of 900 MB": lambda path: _sparse(path, 900_000_000),
    "empty": lambda path: path.write_bytes(b""),
    "packed zeros": lambda path: path.write_bytes(gzip.compress(bytes(50_000_000))),
    "packed twice": lambda path: path.write_bytes(gzip.compress(gzip.compress(b"time_s\n"))),
    "a picture": lambda path: path.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256))),
    "a web page": lambda path: path.write_bytes(b"<!DOCTYPE html><html><body>error</body></html>"),
}
_PLACES = ("session.toml", "log", "look", "road load", "side", "scope", "batch")


def objects(place: Path, every: int = 1) -> Iterator[Case]:
    """Return objects that are no logs in every place that takes a file: 119 cases in all."""
    number = 0
    for name, make in _OBJECTS.items():
        for where in _PLACES:
            number += 1
            if number % every:
                continue

            def tried(
                make: Callable[[Path], object] = make, where: str = where, number: int = number
            ) -> str | None:
                here = place / str(number)
                session, odd, out = here / "session", here / "odd.csv", str(here / "out")
                session.mkdir(parents=True)
                if where in ("session.toml", "batch"):
                    make(session / "session.toml")
                elif where == "log":
                    (session / "session.toml").write_text(
                        '[vehicle]\nmass_kg = 1400\n[[log]]\nfile = "run.csv"\n'
                    )
                    make(session / "run.csv")
                else:
                    make(odd)
                return _command(
                    {
                        "session.toml": ["report", str(session), "--out", out],
                        "log": ["report", str(session), "--out", out],
                        "look": ["look", str(odd)],
                        "road load": ["report", str(session), "--mass", "1400kg", "--road-load", str(odd)],
                        "side": ["compare", str(odd), str(odd), "--out", out],
                        "scope": ["crosscheck", "--scope", str(odd), "--gates", "80,50,20", "--mass", "1400kg"],
                        "batch": ["batch", str(session), "--out", out],
                    }[where]
                )  # fmt: skip

            yield f"{name} as {where}", tried


#: Seconds of a row's stamp, from its number: holes, stray stamps, outings, odd rates.
_SPANS: dict[str, Callable[[int, int], float]] = {
    "even": lambda k, n: float(k),
    "ten a second": lambda k, n: 0.1 * k,
    "a fix a minute": lambda k, n: 60.0 * k,
    "a fix an hour": lambda k, n: 3600.0 * k,
    "a fix a day": lambda k, n: 86_400.0 * k,
    "a hole of a week": lambda k, n: k + (604_800.0 if k > n // 2 else 0.0),
    "a hole of months": lambda k, n: k + (1e7 if k > n // 2 else 0.0),
    "stray last row": lambda k, n: k + (1e7 if k == n - 1 else 0.0),
    "stray first row": lambda k, n: k + (1e7 if k else 0.0),
    "three outings": lambda k, n: k + 3e6 * (3 * k // n),
    "holes of 11 s": lambda k, n: k + 11.0 * (k // 20),
    "holes of 70 s": lambda k, n: k + 70.0 * (k // 20),
    "doubling steps": lambda k, n: float(k) + 2.0 ** min(k / 20.0, 30.0),
    "decades": lambda k, n: k + (9e8 if k > n // 2 else 0.0),
}


def spans(place: Path, every: int = 1) -> Iterator[Case]:
    """Return logs over odd spans of time, of 43 and 4000 rows: 70 cases in all."""
    number = 0
    for name, stamp in _SPANS.items():
        for rows, kind, epoch in (
            (43, "table", 0.0), (4000, "table", 0.0), (43, "table", 1.7e9),
            (4000, "table", 1.7e9), (400, "gpx", 1.0e9),
        ):  # fmt: skip
            number += 1
            if number % every:
                continue

            def tried(
                stamp: Any = stamp, rows: int = rows, kind: str = kind, epoch: float = epoch
            ) -> str | None:
                stamps = [epoch + stamp(k, rows) for k in range(rows)]
                speeds = [15.0 + 10.0 * math.sin(0.05 * k) for k in range(rows)]
                file = place / f"log.{'gpx' if kind == 'gpx' else 'csv'}"
                if kind == "gpx":
                    points = "\n".join(
                        f'<trkpt lat="{52 + 1e-4 * k:.6f}" lon="9.4"><time>'
                        f"{time.strftime('%Y-%m-%dT%H:%M:%SZ', time.gmtime(t))}</time>"
                        f"<speed>{v:.2f}</speed></trkpt>"
                        for k, (t, v) in enumerate(zip(stamps, speeds, strict=True))
                    )
                    file.write_text(f"<gpx><trk><trkseg>\n{points}\n</trkseg></trk></gpx>\n")
                else:
                    lines = [f"{t:.3f},{v:.2f}" for t, v in zip(stamps, speeds, strict=True)]
                    file.write_text("timestamp_s,speed_mps\n" + "\n".join(lines) + "\n")
                tracemalloc.start()
                try:
                    wrong = _judged(lambda: fuse(read(file)))
                    peak = tracemalloc.get_traced_memory()[1]
                finally:
                    tracemalloc.stop()
                if peak > _BYTES * rows * 4 + _FREE:
                    return f"{peak / 1e6:.0f} MB for {rows} rows"
                return wrong

            yield f"{name}, {rows} rows as {kind} from {epoch:g}", tried


def outputs(place: Path, every: int = 1) -> Iterator[Case]:
    """Return every command with its output closed, full or left by its reader: 52 cases in all."""
    copy = place / "session"
    commands = {
        "--help": "--help",
        "--version": "--version",
        "report": f"report {SAMPLE} --out {place}/out",
        "report --json": f"report {SAMPLE} --out {place}/out --json",
        "batch": f"batch {SAMPLE} --out {place}/batch",
        "speed": f"speed {SAMPLE}/run01.csv --out {place}/speed",
        "look": f"look {SAMPLE}/run01.csv",
        "air": "air --temperature 20C --pressure 1000hPa",
        "sample": f"sample {copy} --pairs 1",
        "new": f"new {place}/none",
        "strip": f"strip {SAMPLE}/run01.csv {place}/bare-$RANDOM.csv",
        "plan": "plan --mass 1400kg --power 80kW",
        "crosscheck": "crosscheck --mass 1400kg --pull 0-90=9.8",
    }
    ways = {
        "closed": (">&-", {0, 1, 2}),
        "full": ("> /dev/full", {0, 1, 2}),
        "left": ("| true; exit ${PIPESTATUS[0]}", {0, 1, 2, 141}),
        "both closed": (">&- 2>&-", {0, 1, 2}),
    }
    number = 0
    for name, words in commands.items():
        for way, (redirection, statuses) in ways.items():
            number += 1
            if number % every:
                continue

            def tried(
                words: str = words, redirection: str = redirection, statuses: set[int] = statuses
            ) -> str | None:
                done = subprocess.run(
                    ["bash", "-c", f"{sys.executable} -m analysis {words} </dev/null {redirection}"],
                    cwd=ROOT, capture_output=True, text=True, check=False, timeout=120,
                    env={**os.environ, "PYTHONPATH": str(ROOT)},
                )  # fmt: skip
                if done.returncode not in statuses:
                    return f"status {done.returncode}: {done.stderr[-200:]}"
                loud = "Traceback" in done.stderr or "Exception ignored" in done.stderr
                return done.stderr[-300:] if loud else None

            yield f"{name}, {way}", tried
