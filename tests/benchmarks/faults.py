"""Hard faults: killed at random moments, a full disk, two reports at once, input that changes.

Run by hand: ``python tests/benchmarks/faults.py [--kills 50] [--case NAME] [--keep]``. After each
fault the earlier results or the new ones are whole, and what is said is a message. The full disk
is a small memory file system, which only root can make; without it that row says so.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_HERE = Path(__file__).resolve()
_ROOT = _HERE.parents[2]
sys.path[:0] = [str(_HERE.parent), str(_ROOT)]

from figures import Figure, keep_figures, keep_text

_COMMAND = [sys.executable, "-m", "analysis"]
_RESULTS = ("report.html", "results.json", "curves.csv", "speed_time.csv")


class Outcome(NamedTuple):
    """What became of one kind of fault.

    Parameters
    ----------
    text : str
        As printed.
    what : str
        What must not happen.
    bad : int or None
        How often it did; None where it could not be tried.
    """

    text: str
    what: str
    bad: int | None


def _pullcoast(*words: str | Path, **more: Any) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(_ROOT)}
    done: subprocess.CompletedProcess[str] = subprocess.run(
        [*_COMMAND, *map(str, words)],
        capture_output=True,
        text=True,
        env=environment,
        timeout=600,
        check=False,
        **more,
    )
    return done


def _start(*words: str | Path) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "PYTHONPATH": str(_ROOT)}
    return subprocess.Popen(
        [*_COMMAND, *map(str, words)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment,
        start_new_session=True,
    )


def _kill(process: subprocess.Popen[bytes]) -> None:
    """Kill a command and all of its workers as a power cut would."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def _set(folder: Path) -> tuple[bytes, ...]:
    return tuple((folder / name).read_bytes() for name in _RESULTS)


def _session(place: Path, seed: int = 3) -> Path:
    folder = place / f"session{seed}"
    done = _pullcoast("sample", folder, "--pairs", "1", "--seed", str(seed))
    assert done.returncode == 0, done.stderr
    return folder


def report_killed(place: Path, kills: int) -> Outcome:
    """Kill a report at random moments: the folder holds the old set or the new one, nothing between."""
    session = _session(place)
    out = place / "out"
    rng = random.Random(1)

    def made(mass: str) -> tuple[bytes, ...]:
        done = _pullcoast("report", session, "--out", out, "--mass", mass)
        assert done.returncode == 0, done.stderr
        return _set(out)

    start = time.perf_counter()
    sets = {mass: made(mass) for mass in ("1300kg", "1400kg")}
    whole_s = 0.5 * (time.perf_counter() - start)
    old = "1400kg"
    counts = {"old": 0, "new": 0, "broken": 0}
    for _ in range(kills):
        new = "1300kg" if old == "1400kg" else "1400kg"
        process = _start("report", session, "--out", out, "--mass", new)
        # as many kills near the end, where files are written, as before it
        moment = rng.uniform(0.0, 1.1) if rng.random() < 0.5 else rng.uniform(0.85, 1.1)
        time.sleep(moment * whole_s)
        _kill(process)
        found = _set(out)
        if found == sets[old]:
            counts["old"] += 1
        elif found == sets[new]:
            counts["new"] += 1
            old = new
        else:
            counts["broken"] += 1
    again = _pullcoast("report", session, "--out", out, "--mass", "1300kg")
    good = again.returncode == 0 and _set(out) == sets["1300kg"]
    text = f"{kills} kills: {counts}; a second try afterwards is {'whole' if good else 'BROKEN'}"
    return Outcome(text, "results lost or half written", counts["broken"] + (not good))


def batch_killed(place: Path, kills: int) -> Outcome:
    """Kill a batch at random moments and start it again until it ends: the same files as undisturbed."""
    folder = place / "sessions"
    folder.mkdir()
    for seed in range(4):
        shutil.move(_session(place, seed), folder / f"day{seed}")
    calm = place / "calm"
    start = time.perf_counter()
    done = _pullcoast("batch", folder, "--out", calm, "--workers", "2")
    assert done.returncode == 0, done.stderr
    whole_s = time.perf_counter() - start
    rng = random.Random(2)
    same, left, rounds = 0, kills, 0
    while left > 0:
        rounds += 1
        out = place / "disturbed"
        shutil.rmtree(out, ignore_errors=True)
        for _ in range(min(5, left)):
            process = _start("batch", folder, "--out", out, "--workers", "2")
            time.sleep(rng.uniform(0.05, 0.9) * whole_s)
            _kill(process)
            left -= 1
        done = _pullcoast("batch", folder, "--out", out, "--workers", "2")
        alike = [
            (out / path.relative_to(calm)).is_file()
            and (out / path.relative_to(calm)).read_bytes() == path.read_bytes()
            for path in calm.rglob("results.json")
        ]
        same += done.returncode == 0 and len(alike) == 4 and all(alike)
    text = f"{kills} kills in {rounds} batches: {same} of {rounds} end with the undisturbed results"
    return Outcome(text, "batches with other results than undisturbed", rounds - same)


def capture_killed(place: Path, kills: int) -> Outcome:
    """Kill the capture server while a recording comes in: resumed, the bytes are the sent ones."""
    import hashlib
    import re
    import ssl
    import urllib.request

    body = b"time_s,speed_mps\n" + b"".join(b"%d.0,%d.25\n" % (i, i % 30) for i in range(60_000))
    folder = place / "received"
    rng = random.Random(3)
    identical, restarts = 0, 0
    trust = ssl.create_default_context()
    trust.check_hostname = False
    trust.verify_mode = ssl.CERT_NONE

    def call(url: str, token: str, data: bytes | None, offset: int) -> dict[str, object]:
        headers = {"Authorization": f"Bearer {token}"}
        if data is not None:
            headers |= {"Upload-Offset": str(offset), "Upload-Length": str(len(body))}
        request = urllib.request.Request(
            url, data=data, headers=headers, method="GET" if data is None else "PUT"
        )
        with urllib.request.urlopen(request, timeout=10, context=trust) as reply:
            answer: dict[str, object] = json.load(reply)
        return answer

    port = 18_000 + os.getpid() % 2000
    for number in range(kills):
        name = f"{number:032x}"
        have, done, killed = 0, False, False
        while not done:
            log = place / "capture.log"
            with log.open("wb") as stream:
                server = subprocess.Popen(
                    [*_COMMAND, "capture", "--dir", str(folder), "--host", "127.0.0.1",
                     "--port", str(port)],
                    stdout=stream, stderr=subprocess.STDOUT, start_new_session=True,
                    env={**os.environ, "PYTHONPATH": str(_ROOT), "PYTHONUNBUFFERED": "1"},
                )  # fmt: skip
            found = None
            for _ in range(400):
                found = re.search(r"(https://[^#\s]+)/#(\S+)", log.read_text(errors="replace"))
                if found:
                    break
                time.sleep(0.05)
            assert found, log.read_text(errors="replace")
            url, token = f"{found[1]}/recordings/{name}", found[2]
            timer = threading.Timer(rng.uniform(0.0, 0.15), _kill, [server])
            if not killed:
                timer.start()
            try:
                have = int(str(call(url, token, None, 0)["have"]))
                while not done:
                    answer = call(url, token, body[have : have + 40_000], have)
                    have, done = int(str(answer["have"])), bool(answer["done"])
            except OSError:
                pass
            killed = True
            restarts += not done
            timer.cancel()
            _kill(server)
        wanted = hashlib.sha256(body).digest()
        files = [
            p for p in folder.rglob("*.csv") if hashlib.sha256(p.read_bytes()).digest() == wanted
        ]
        identical += len(files) >= number + 1
    text = (
        f"{kills} kills ({restarts} in mid-recording): {identical} of {kills} recordings identical"
    )
    return Outcome(text, "recordings lost or otherwise than sent", kills - identical)


def disk_full(place: Path, kills: int) -> Outcome:
    """Write results to a file system with 60 kB left, over earlier ones."""
    del kills
    session = _session(place)
    disk = place / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(disk)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode != 0:
        text = "not tried: a small file system cannot be mounted here"
        return Outcome(text, "results lost or half written", None)
    try:
        first = _pullcoast("report", session, "--out", disk / "out")
        assert first.returncode == 0, first.stderr
        old = _set(disk / "out")
        free = os.statvfs(disk)
        (disk / "filler").write_bytes(bytes(max(free.f_bavail * free.f_frsize - 60_000, 0)))
        second = _pullcoast("report", session, "--out", disk / "out", "--mass", "1300kg")
        left = [p.name for p in (disk / "out").iterdir() if p.name not in _RESULTS]
        whole = _set(disk / "out") == old
    finally:
        subprocess.run(["umount", str(disk)], check=False)
    said = second.stderr.strip().splitlines()[-1:]
    text = (
        f"exit {second.returncode}, earlier results {'whole' if whole else 'BROKEN'}, "
        f"left over {left}; said: {said}"
    )
    return Outcome(text, "results lost or half written", int(not whole))


def two_at_once(place: Path, kills: int) -> Outcome:
    """Let two reports write into one folder at once: the set is that of one of them."""
    session = _session(place)
    sets = []
    for mass in ("1300kg", "1400kg"):
        done = _pullcoast("report", session, "--out", place / mass, "--mass", mass)
        assert done.returncode == 0, done.stderr
        sets.append(_set(place / mass))
    rounds = max(kills // 5, 1)
    whole = 0
    for _ in range(rounds):
        both = [
            _start("report", session, "--out", place / "one", "--mass", mass)
            for mass in ("1300kg", "1400kg")
        ]
        statuses = [process.wait() for process in both]
        whole += _set(place / "one") in sets and all(status == 0 for status in statuses)
    text = f"{whole} of {rounds} pairs of reports left one whole set"
    return Outcome(text, "results mixed or a report that fails", rounds - whole)


def input_changed(place: Path, kills: int) -> Outcome:
    """Rewrite and cut a log while it is read: a result or a message, never a traceback."""
    session = _session(place)
    log = next(iter(sorted(session.glob("run*.csv"))))
    original = log.read_bytes()
    rng = random.Random(4)
    statuses: dict[int, int] = {}
    tracebacks = 0
    for _ in range(kills):
        process = subprocess.Popen(
            [*_COMMAND, "report", str(session), "--out", str(place / "out")],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(_ROOT)},
        )
        time.sleep(rng.uniform(0.2, 1.2))
        with log.open("r+b") as stream:
            stream.truncate(rng.randrange(len(original)))
        _, errors = process.communicate()
        tracebacks += b"Traceback" in errors
        statuses[process.returncode] = statuses.get(process.returncode, 0) + 1
        log.write_bytes(original)
    text = f"{kills} changes: exit statuses {statuses}, {tracebacks} tracebacks"
    return Outcome(text, "tracebacks", tracebacks)


_CASES: dict[str, Callable[[Path, int], Outcome]] = {
    "report killed": report_killed,
    "batch killed": batch_killed,
    "capture killed": capture_killed,
    "disk full": disk_full,
    "two reports at once": two_at_once,
    "input changed": input_changed,
}


def main() -> None:
    """Print one row per fault."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--case", choices=tuple(_CASES), action="append")
    parser.add_argument("--keep", action="store_true", help="keep the output, dated")
    chosen = parser.parse_args()
    lines = []
    for name in chosen.case or _CASES:
        with tempfile.TemporaryDirectory() as place:
            found = _CASES[name](Path(place), chosen.kills)
            lines.append(f"{name:20s} {found.text}")
        print(lines[-1], flush=True)
        if chosen.keep and found.bad is not None:
            bad = Figure(found.what, float(found.bad), None, 0.0)
            keep_figures(f"faults-{name.replace(' ', '_')}", [bad], f"--kills {chosen.kills}")
    if chosen.keep:
        keep_text("faults", "\n".join(lines))


if __name__ == "__main__":
    main()
