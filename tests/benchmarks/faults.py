"""Hard faults: killed at random moments, a full disk, two reports at once, input or clock that changes.

Run by hand: ``python tests/benchmarks/faults.py [--kills 50] [--case NAME] [--keep]``. After each
fault the earlier results or the new ones are whole, and what is said is a message. The full disk
is a small memory file system, which only root can make; without it that row says so.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
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
sys.path[:0] = [str(_HERE.parent), str(_HERE.parents[2])]

from faults_commands import (
    COMMAND,
    RESULTS,
    ROOT,
    kill_group,
    made_session,
    pullcoast,
    result_set,
    start_command,
)
from figures import Figure, keep_figures, keep_text, results_folder

from analysis.terminal.output import STAGING


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


def report_killed(place: Path, kills: int) -> Outcome:
    """Kill a report at random moments: the folder holds the old set or the new one, nothing between.

    Half of the kills wait until the folder appears in which files are written first, and strike
    within the next 30 ms; the others strike at any moment.
    """
    session = made_session(place)
    out = place / "out"
    rng = random.Random(1)

    def made(mass: str) -> tuple[bytes, ...]:
        done = pullcoast("report", session, "--out", out, "--mass", mass)
        assert done.returncode == 0, done.stderr
        return result_set(out)

    start = time.perf_counter()
    sets = {mass: made(mass) for mass in ("1300kg", "1400kg")}
    whole_s = 0.5 * (time.perf_counter() - start)
    old = "1400kg"
    counts = {"old": 0, "new": 0, "broken": 0}
    running = writing = 0
    for number in range(kills):
        new = "1300kg" if old == "1400kg" else "1400kg"
        process = start_command("report", session, "--out", out, "--mass", new)
        if number % 2:
            while process.poll() is None and not list(out.glob(f"{STAGING}*")):
                time.sleep(0.0002)
            time.sleep(rng.uniform(0.0, 0.03))
        else:
            time.sleep(rng.uniform(0.0, 1.1) * whole_s)
        running += process.poll() is None
        kill_group(process)
        for left in out.glob(f"{STAGING}*"):
            writing += 1
            shutil.rmtree(left)
        found = result_set(out)
        if found == sets[old]:
            counts["old"] += 1
        elif found == sets[new]:
            counts["new"] += 1
            old = new
        else:
            counts["broken"] += 1
    again = pullcoast("report", session, "--out", out, "--mass", "1300kg")
    good = again.returncode == 0 and result_set(out) == sets["1300kg"]
    text = (
        f"{kills} kills, {running} of a running report, {writing} while it wrote: {counts}; "
        f"a second try afterwards is {'whole' if good else 'BROKEN'}"
    )
    return Outcome(text, "results lost or half written", counts["broken"] + (not good))


def batch_killed(place: Path, kills: int) -> Outcome:
    """Kill a batch at random moments and start it again until it ends: the same files as undisturbed."""
    folder = place / "sessions"
    folder.mkdir()
    for seed in range(4):
        shutil.move(made_session(place, seed), folder / f"day{seed}")
    calm = place / "calm"
    start = time.perf_counter()
    done = pullcoast("batch", folder, "--out", calm, "--workers", "2")
    assert done.returncode == 0, done.stderr
    whole_s = time.perf_counter() - start
    rng = random.Random(2)
    same, left, rounds = 0, kills, 0
    while left > 0:
        rounds += 1
        out = place / "disturbed"
        shutil.rmtree(out, ignore_errors=True)
        for _ in range(min(5, left)):
            process = start_command("batch", folder, "--out", out, "--workers", "2")
            time.sleep(rng.uniform(0.05, 0.9) * whole_s)
            kill_group(process)
            left -= 1
        done = pullcoast("batch", folder, "--out", out, "--workers", "2")
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
                    [*COMMAND, "capture", "--dir", str(folder), "--host", "127.0.0.1",
                     "--port", str(port)],
                    stdout=stream, stderr=subprocess.STDOUT, start_new_session=True,
                    env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"},
                )  # fmt: skip
            found = None
            for _ in range(400):
                found = re.search(r"(https://[^#\s]+)/#(\S+)", log.read_text(errors="replace"))
                if found:
                    break
                time.sleep(0.05)
            assert found, log.read_text(errors="replace")
            url, token = f"{found[1]}/recordings/{name}", found[2]
            timer = threading.Timer(rng.uniform(0.0, 0.15), kill_group, [server])
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
            kill_group(server)
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
    session = made_session(place)
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
        first = pullcoast("report", session, "--out", disk / "out")
        assert first.returncode == 0, first.stderr
        old = result_set(disk / "out")
        free = os.statvfs(disk)
        (disk / "filler").write_bytes(bytes(max(free.f_bavail * free.f_frsize - 60_000, 0)))
        second = pullcoast("report", session, "--out", disk / "out", "--mass", "1300kg")
        left = [p.name for p in (disk / "out").iterdir() if p.name not in RESULTS]
        whole = result_set(disk / "out") == old
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
    session = made_session(place)
    sets = []
    for mass in ("1300kg", "1400kg"):
        done = pullcoast("report", session, "--out", place / mass, "--mass", mass)
        assert done.returncode == 0, done.stderr
        sets.append(result_set(place / mass))
    rounds = max(kills // 5, 1)
    whole = 0
    for _ in range(rounds):
        both = [
            start_command("report", session, "--out", place / "one", "--mass", mass)
            for mass in ("1300kg", "1400kg")
        ]
        statuses = [process.wait() for process in both]
        whole += result_set(place / "one") in sets and all(status == 0 for status in statuses)
    text = f"{whole} of {rounds} pairs of reports left one whole set"
    return Outcome(text, "results mixed or a report that fails", rounds - whole)


def input_changed(place: Path, kills: int) -> Outcome:
    """Cut a log while it is read: the undisturbed result, another or a message, never a traceback."""
    session = made_session(place)
    log = next(iter(sorted(session.glob("run*.csv"))))
    original = log.read_bytes()
    start = time.perf_counter()
    assert pullcoast("report", session, "--out", place / "calm").returncode == 0
    whole_s = time.perf_counter() - start
    calm = (place / "calm" / "results.json").read_bytes()
    rng = random.Random(4)
    counts = {"undisturbed": 0, "of what was left": 0, "a message": 0, "OTHER": 0}
    for _ in range(kills):
        process = subprocess.Popen(
            [*COMMAND, "report", str(session), "--out", str(place / "out")],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        time.sleep(rng.uniform(0.0, 0.4) * whole_s)
        with log.open("r+b") as stream:
            stream.truncate(rng.randrange(len(original)))
        _, errors = process.communicate()
        if b"Traceback" in errors or process.returncode not in (0, 1, 2):
            counts["OTHER"] += 1
        elif process.returncode:
            counts["a message"] += 1
        else:
            same = (place / "out" / "results.json").read_bytes() == calm
            counts["undisturbed" if same else "of what was left"] += 1
        log.write_bytes(original)
    return Outcome(f"{kills} changes: {counts}", "neither a result nor a message", counts["OTHER"])


def clock_stepped(place: Path, kills: int) -> Outcome:
    """Step a recording's clock, or only its fixes', halfway: never a traceback, nor results apart.

    The truth is that of the session; results are told in their own standard deviations.
    """
    del kills
    session = made_session(place)
    truth = json.loads((session / "truth.json").read_text(encoding="utf-8"))
    log = session / "run02.csv"
    header, *rows = log.read_text(encoding="utf-8").splitlines()
    fix = header.split(",").index("speed_mps")
    half_s = 0.5 * float(rows[-1].split(",")[0])
    parts = []
    for whole in (True, False):
        for step_s in (0.0, 0.7, -0.7, 2.5, -2.5, 60.0, -60.0, 3600.0):
            if step_s == 0.0 and not whole:
                continue
            moved = []
            for row in rows:
                time_s, _, rest = row.partition(",")
                late = float(time_s) >= half_s and (whole or row.split(",")[fix])
                moved.append(f"{float(time_s) + (step_s if late else 0.0):.4f},{rest}")
            if not whole and step_s > 0.0:  # as a program that sorts its rows writes them
                moved.sort(key=lambda row: float(row.partition(",")[0]))
            log.write_text("\n".join((header, *moved)) + "\n", encoding="utf-8")
            done = pullcoast("report", session, "--out", place / "out")
            said = f"{'all' if whole else 'fixes'} {step_s:+g} s: "
            if done.returncode in (1, 2) and "Traceback" not in done.stderr:
                said += "refused"
            elif done.returncode != 0:
                said += "TRACEBACK"
            else:
                said += _away(place / "out", truth)
            parts.append(said)
    tracebacks = sum(one.endswith("TRACEBACK") for one in parts)
    return Outcome("; ".join(parts), "tracebacks", tracebacks)


def _away(folder: Path, truth: dict[str, Any]) -> str:
    """Return how many standard deviations the road load at 20 m/s and the peak lie from the truth."""
    results = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    point = next(p for p in results["road_load"]["curve"] if p["speed_mps"] == 20.0)
    load = truth["F0_N"] + 20.0 * truth["F1_N_per_mps"] + 400.0 * truth["F2_N_per_mps2"]
    power = results["wheel_power"]
    peak = (power["peak_W"] - truth["peak_wheel_power_W"]) / power["peak_sd_W"]
    return f"z {(point['force_N'] - load) / point['sd_N']:+.1f}, {peak:+.1f}"


_CASES: dict[str, Callable[[Path, int], Outcome]] = {
    "report killed": report_killed,
    "batch killed": batch_killed,
    "capture killed": capture_killed,
    "disk full": disk_full,
    "two reports at once": two_at_once,
    "input changed": input_changed,
    "clock stepped": clock_stepped,
}


def main() -> None:
    """Print one row per fault."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--case", choices=tuple(_CASES), action="append")
    parser.add_argument(
        "--keep", action="store_true", help="keep the output, in place of earlier output"
    )
    chosen = parser.parse_args()
    lines = {}
    for name in chosen.case or _CASES:
        with tempfile.TemporaryDirectory() as place:
            found = _CASES[name](Path(place), chosen.kills)
            lines[name] = f"{name:20s} {found.text}"
        print(lines[name], flush=True)
        if chosen.keep and found.bad is not None:
            bad = Figure(found.what, float(found.bad), None, 0.0)
            keep_figures(f"faults-{name.replace(' ', '_')}", [bad], f"--kills {chosen.kills}")
    if chosen.keep:
        path = results_folder() / "faults.txt"
        earlier = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
        kept = {line[:20].strip(): line for line in earlier} | lines  # the last of each
        text = "".join(f"{kept[name]}\n" for name in _CASES if name in kept)
        keep_text("faults", text)


if __name__ == "__main__":
    main()
