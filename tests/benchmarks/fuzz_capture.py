"""Mutated requests to a capture server while honest phones send: nothing gets in or out, none suffers.

Run by hand, from an environment that pullcoast is installed in:

    python tests/benchmarks/fuzz_capture.py --seconds 60            # prints
    python tests/benchmarks/fuzz_capture.py --seconds 600 --keep    # also writes results/

`pullcoast capture` runs in a process of its own over a folder of its own. Some threads send requests
with one to six damages each, by token and without, over TLS and beside it; a seed gives the same
requests, though threads take turns as the machine likes. Others are honest: each sends recordings in
parts, breaks some connections at random bytes, and goes on.

Wrong is: an answer with another status than those of the protocol, an honest recording that does not
arrive byte for byte, a file outside the folder's own places or of an unexpected name, anything on
stderr but notes about wrong tokens, a server that has ended, or one that holds more open files at
the end than at the start.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import os
import platform
import random
import re
import signal
import socket
import ssl
import sys
import tempfile
import threading
import time
from collections import Counter
from importlib.metadata import version
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from make_capture import Client, CommandServer, command_server

from logger.writing import write_text_atomic

RESULTS = Path(__file__).with_name("results")
#: Those of the protocol (see `logger/capture/uploads.py`), of cached pages, and of requests that
#: are no HTTP; 0 is a connection that ended without an answer.
EXPECTED = {0, 200, 304, 400, 401, 403, 404, 405, 409, 413, 503, 507}
#: Of strangers and honest phones; more wait for each other on two cores.
STRANGERS, HONEST = 6, 2
WAIT_S = 3.0
NAME = re.compile(r"recording-\d{8}-\d{6}-[0-9a-f]{8}(-[^/\\.]+)?\.csv|session\.toml")
INCOMING = re.compile(r"[0-9a-f]{32}\.(part|json)|lock|\.[^/]+\.part")

PIECES: tuple[bytes, ...] = (
    *(b"\r\n", b"\n", b"\r", b"\x00", b" ", b"\t", b":", b";", b",", b"/", b"\\", b"%", b"?", b"#"),
    *(b"..", b"../", b"..%2f", b"%2e%2e/", b"%00", b"%0d%0a", b"//", b"\xff", b"\xc3\x28", b"\xe2\x80\xae"),
    *(b"-1", b"0", b"1", b"9" * 30, b"1e3", b"0x10", b"+5", b" 5", b"\xd9\xa3", b"nan"),
    *(b"GET", b"PUT", b"POST", b"OPTIONS", b"HEAD", b"CONNECT", b"HTTP/1.0", b"HTTP/2.0", b"HTTP/1.1"),
    *(b"Transfer-Encoding: chunked\r\n", b"Content-Length: 5\r\n", b"Expect: 100-continue\r\n"),
    *(b"Connection: close\r\n", b"Connection: upgrade\r\nUpgrade: websocket\r\n", b"Host: x\r\n"),
    *(b"Content-Encoding: gzip\r\n", b"Range: bytes=0-5\r\n", b"If-None-Match: *\r\n", b"Cookie: a=b\r\n"),
    *(b"Upload-Name: ..%2F..%2Fx\r\n", b"Upload-Name: %FF\r\n", b"Upload-Offset: 0\r\n", b"X: " + b"y" * 9000),
    *(b"ffffffff\r\n", b"0\r\n\r\n", b"5\r\nhello\r\n", b"/etc/passwd", b"/.incoming/lock", b"A" * 300),
)  # fmt: skip


class Watch:
    """What happened, counted by all threads."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.answers: Counter[int] = Counter()
        self.wrong: list[str] = []
        self.arrived = 0
        self.cuts = 0
        self.bytes_sent = 0

    def blame(self, text: str) -> None:
        with self.lock:
            self.wrong.append(text)
            print(text, flush=True)


def sound(rng: random.Random, client: Client, ids: list[str]) -> bytes:
    """Return a request as a phone or a curious person would send it."""
    key = rng.choice(ids)
    token = client.token if rng.random() < 0.7 else "x" * rng.choice((0, 1, 43, 500))
    host = f"{client.host}:{client.port}" if rng.random() < 0.9 else "evil.example"
    target = rng.choice((f"/recordings/{key}",) * 4 + ("/", "/sw.js", "/main.js", "/nothing"))
    method = rng.choice((b"PUT", b"PUT", b"PUT", b"GET", b"GET", b"HEAD", b"DELETE"))
    length = rng.choice((1, 10, 2000, 70_000, 1_000_000, 10**9))
    offset = rng.choice((0, 0, 0, 5, length, length + 1))
    body = rng.randbytes(rng.choice((0, 1, 10, 2000, 5000, 70_000)))
    lines = [
        method + b" " + target.encode() + b" HTTP/1.1",
        f"Host: {host}".encode(),
        f"Authorization: Bearer {token}".encode(),
        f"Upload-Offset: {offset}".encode(),
        f"Upload-Length: {length}".encode(),
        f"Content-Length: {len(body)}".encode(),
    ]
    return b"\r\n".join(lines) + b"\r\n\r\n" + body


def damage(rng: random.Random, data: bytearray) -> None:
    """Change `data` in place in one of some ways, mostly in its head."""
    head = data.find(b"\r\n\r\n") + 4
    at = rng.randrange(max(head, 1)) if rng.random() < 0.8 else rng.randrange(len(data) + 1)
    at = min(at, len(data))
    kind = rng.randrange(7)
    if kind <= 1:
        data[at:at] = rng.choice(PIECES)
    elif kind == 2:
        del data[at : at + rng.choice((1, 4, 30, 3000))]
    elif kind == 3 and data:
        data[at - 1] = rng.randrange(256)
    elif kind == 4:  # a line lost, doubled or moved
        lines = bytes(data[:head]).split(b"\r\n")
        line = lines.pop(rng.randrange(len(lines)))
        for _ in range(rng.randrange(3)):
            lines.insert(rng.randrange(len(lines) + 1), line)
        data[:head] = b"\r\n".join(lines)
    elif kind == 5:
        del data[at:]
    else:
        data[at : at + 1] = rng.choice(PIECES) * rng.choice((1, 2, 50))


def exchange(client: Client, data: bytes, rng: random.Random) -> int:
    """Send bytes in pieces, perhaps not over TLS, and return the status of the first answer."""
    plain = rng.random() < 0.05
    try:
        connection = (
            socket.create_connection((client.host, client.port), timeout=WAIT_S)
            if plain
            else client.connect()
        )
    except (OSError, ssl.SSLError):
        return 0
    with connection:
        connection.settimeout(WAIT_S if rng.random() < 0.02 else 0.15)
        try:
            cut = rng.randrange(len(data) + 1) if rng.random() < 0.3 else len(data)
            connection.sendall(data[:cut])
            if rng.random() < 0.2:
                connection.close()
                return 0
            connection.sendall(data[cut:])
            answer = connection.recv(65536)
        except (OSError, ssl.SSLError):  # silence, or an end without an answer
            return 0
    match = re.match(rb"HTTP/1\.1 (\d{3})", answer)
    return int(match[1]) if match else 0


def stranger(client: Client, seed: int, end: float, watch: Watch) -> None:
    """Send damaged requests until the time is over."""
    rng = random.Random(seed)
    ids = [f"{rng.getrandbits(128):032x}" for _ in range(40)]
    while time.monotonic() < end and len(watch.wrong) < 20:
        data = bytearray(sound(rng, client, ids))
        for _ in range(rng.choice((0, 1, 1, 1, 2, 3, 6))):
            damage(rng, data)
        status = exchange(client, bytes(data), rng)
        with watch.lock:
            watch.answers[status] += 1
            watch.bytes_sent += len(data)
        if status not in EXPECTED:
            watch.blame(f"status {status} for {bytes(data)[:300]!r}")


def honest(client: Client, folder: Path, seed: int, end: float, watch: Watch) -> None:
    """Send recordings in parts, with cuts, and look whether they arrive."""
    rng = random.Random(seed)
    while time.monotonic() < end and len(watch.wrong) < 20:
        data = b"time_s,speed_mps\n" + rng.randbytes(rng.choice((10, 3000, 200_000, 600_000)))
        key = hashlib.sha256(data).hexdigest()[:32]
        try:
            for _ in range(rng.randrange(4)):
                have = client.state(key)["have"]
                assert isinstance(have, int)
                rest = data[have:]
                cut = rng.randrange(len(rest))
                client.cut_put(key, rest, have, cut, reset=rng.random() < 0.5)
                watch.cuts += 1
            client.send_rest(key, data)
        except (OSError, ssl.SSLError, AssertionError) as error:
            watch.blame(f"an honest phone could not send: {error!r}")
            continue
        files = list(folder.glob(f"recording-*-{key[:8]}*.csv"))
        if len(files) != 1 or files[0].read_bytes() != data:
            watch.blame(f"a recording did not arrive as sent: {files}")
            continue
        watch.arrived += 1
        time.sleep(0.2)  # the server looks into it, and lists it, before it is taken away
        with contextlib.suppress(OSError):
            files[0].unlink()  # or the quota would be reached soon


def strays(top: Path) -> list[str]:
    """Return every file that should not be there."""
    found = []
    for path in top.rglob("*"):
        name = path.relative_to(top).as_posix()
        known = (
            name in ("outing", "outing/.incoming", "keys", "keys/server.pem", "keys/token")
            or (name.startswith("outing/.incoming/") and INCOMING.fullmatch(path.name))
            or (path.parent == top / "outing" and NAME.fullmatch(path.name))
        )
        if not known:
            found.append(name)
    return found


def facts(server: CommandServer) -> tuple[int, int]:
    """Return open files and peak of resident memory [kB] of the server; zeros where unknown."""
    pid = server.process.pid
    try:
        status = Path(f"/proc/{pid}/status").read_text()
        peak = re.search(r"VmHWM:\s+(\d+)", status)
        return len(os.listdir(f"/proc/{pid}/fd")), int(peak[1]) if peak else 0
    except OSError:
        return 0, 0


def run(seconds: float, seed: int, top: Path) -> tuple[Watch, tuple[int, int], tuple[int, int]]:
    """Let all loose on one server; return what happened, and its facts before and after."""
    watch = Watch()
    folder = top / "outing"
    with command_server(folder, "--max-size", "1", "--quota", "60") as server:
        client = server.client
        client.ask("GET", "/")
        before = facts(server)
        end = time.monotonic() + seconds
        threads = [
            threading.Thread(target=stranger, args=(client, 1000 * seed + k, end, watch))
            for k in range(STRANGERS)
        ]
        threads += [
            threading.Thread(target=honest, args=(client, folder, -1000 * seed - k, end, watch))
            for k in range(1, 1 + HONEST)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        if server.process.poll() is not None:
            watch.blame(f"the server has ended: {server.errors[-5:]}")
        else:
            time.sleep(20.0)  # until it has let go of whoever said nothing
            after = facts(server)
            if client.ask("GET", "/").status != 200:
                watch.blame("the page does not come any more")
            if after[0] > before[0] + 5:  # of the worker that looks into arrivals
                watch.blame(f"open files: {before[0]} at the start, {after[0]} at the end")
            if server.end(signal.SIGINT) != 0:
                watch.blame(f"exit status {server.process.returncode}")
    for line in server.errors:
        if "came with a wrong token" not in line:
            watch.blame(f"on stderr: {line.rstrip()}")
    for name in strays(top):
        watch.blame(f"a file that should not be there: {name}")
    return watch, before, after


def main() -> int:
    """Run the script and return its exit status."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seconds", type=float, default=60.0, help="how long (default: 60)")
    parser.add_argument("--seed", type=int, default=1, help="which requests (default: 1)")
    parser.add_argument("--keep", action="store_true", help="write results/fuzz_capture.txt")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        watch, before, after = run(arguments.seconds, arguments.seed, Path(place))
    statuses = ", ".join(
        f"{n} of {status or 'no answer'}" for status, n in sorted(watch.answers.items())
    )
    packages = ", ".join(f"{name} {version(name)}" for name in ("uvicorn", "starlette", "h11"))
    lines = [
        f"fuzz_capture: seed {arguments.seed}, {arguments.seconds:g} s",
        f"python {platform.python_version()}, {packages}",
        f"{sum(watch.answers.values())} damaged requests, {watch.bytes_sent / 1e6:.0f} MB: {statuses}",
        f"{watch.arrived} honest recordings arrived byte for byte over {watch.cuts} cut connections",
        f"the server: {before[0]} open files before, {after[0]} after, {after[1] / 1000:.0f} MB at most",
        f"{len(watch.wrong)} wrong" + "".join(f"\n  {text}" for text in watch.wrong),
    ]
    text = "\n".join(lines) + "\n"
    print(text, end="")
    if arguments.keep:
        RESULTS.mkdir(exist_ok=True)
        write_text_atomic(RESULTS / "fuzz_capture.txt", text)
    return 1 if watch.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
