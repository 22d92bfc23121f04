"""A capture server for tests, in a thread or as the command, and a client that speaks to it."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import queue
import re
import secrets
import signal
import socket
import ssl
import struct
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from logger.capture.address import Place, find_place, listen
from logger.capture.application import SILENT_S, build_application
from logger.capture.certificate import provide_identity
from logger.capture.pages import PAGE, load_pages
from logger.capture.server import serve
from logger.capture.uploads import Limits, Store

__all__ = [
    "HANGS_S",
    "ROOT",
    "ROWS",
    "Answer",
    "Client",
    "CommandServer",
    "ThreadServer",
    "command_server",
    "files_below",
    "random_id",
    "settled",
    "thread_server",
]

ROOT = Path(__file__).resolve().parents[2]
#: Nothing a test waits for takes so long [s]; it only ends a test that hangs.
HANGS_S = 60.0
#: A table of 3000 rows, as a phone sends one.
ROWS = b"time_s,speed_mps\n" + b"".join(b"%d.0,%d.5\n" % (k, k % 40) for k in range(3000))
_TRUSTING = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
_TRUSTING.check_hostname = False
_TRUSTING.verify_mode = ssl.CERT_NONE


def random_id() -> str:
    return secrets.token_hex(16)


@dataclass(frozen=True)
class Answer:
    """Status, headers and body of an answer."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def reply(self) -> dict[str, object]:
        """The body as JSON."""
        reply: dict[str, object] = json.loads(self.body)
        return reply


@dataclass
class Client:
    """A phone: knows address and token, trusts whatever certificate it is shown."""

    host: str
    port: int
    token: str

    def connect(self) -> ssl.SSLSocket:
        """Open a connection for bytes of one's own."""
        plain = socket.create_connection((self.host, self.port), timeout=HANGS_S)
        return _TRUSTING.wrap_socket(plain)

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> Answer:
        """Send one request on a connection of its own."""
        connection = http.client.HTTPConnection(self.host, self.port, timeout=HANGS_S)
        connection.sock = self.connect()
        try:
            connection.request(method, path, body, dict(headers or {}))
            response = connection.getresponse()
            names = {name.lower(): value for name, value in response.getheaders()}
            return Answer(response.status, names, response.read())
        finally:
            connection.close()

    @property
    def bearer(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.token}"}

    def put(self, key: str, data: bytes, offset: int, length: int, name: str = "") -> Answer:
        headers = {"Upload-Offset": str(offset), "Upload-Length": str(length), **self.bearer}
        if name:
            headers["Upload-Name"] = name
        return self.ask("PUT", f"/recordings/{key}", data, headers)

    def state(self, key: str) -> dict[str, object]:
        answer = self.ask("GET", f"/recordings/{key}", headers=self.bearer)
        assert answer.status == 200
        return answer.reply

    def put_head(self, key: str, offset: int, length: int, body_length: int) -> bytes:
        """Return the head of a PUT, for a body that is sent by hand."""
        lines = [
            f"PUT /recordings/{key} HTTP/1.1",
            f"Host: {self.host}:{self.port}",
            f"Authorization: Bearer {self.token}",
            f"Upload-Offset: {offset}",
            f"Upload-Length: {length}",
            f"Content-Length: {body_length}",
        ]
        return "\r\n".join([*lines, "", ""]).encode()

    def cut_put(self, key: str, data: bytes, offset: int, cut: int, *, reset: bool) -> None:
        """Send a part whose connection breaks after `cut` bytes of its body.

        With `reset` the system drops what is on its way; else the server sees an early end.
        """
        connection = self.connect()
        head = self.put_head(key, offset, offset + len(data), len(data))
        connection.sendall(head + data[:cut])
        if reset:
            linger = struct.pack("ii", 1, 0)
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
        else:
            connection.shutdown(socket.SHUT_WR)
            with contextlib.suppress(ssl.SSLError, ConnectionError):
                while connection.recv(65536):
                    pass
        connection.close()

    def send_rest(self, key: str, data: bytes) -> None:
        """Send what the server does not have, as a phone would: going on from where the server is."""
        have = self.state(key)["have"]
        for _ in range(10):
            assert isinstance(have, int)
            answer = self.put(key, data[have:], have, len(data))
            if answer.reply.get("done"):
                return
            assert answer.status in (200, 409, 503)
            have = answer.reply["have"]
        msg = f"the server takes no more: {answer}"
        raise AssertionError(msg)


@dataclass
class ThreadServer:
    """A server in a thread of this process."""

    client: Client
    place: Place
    store: Store
    arrived: queue.Queue[str] = field(default_factory=queue.Queue)
    strangers: list[str] = field(default_factory=list)
    faults: list[Exception] = field(default_factory=list)

    def when_arrived(self) -> Path:
        """Wait for the next recording that is whole, and return its file."""
        return self.store.file(self.arrived.get(timeout=HANGS_S))


@contextlib.contextmanager
def thread_server(
    folder: Path,
    *,
    limits: Limits | None = None,
    pages: Path = PAGE,
    silent_s: float = SILENT_S,
) -> Iterator[ThreadServer]:
    """Serve `folder` on a free port of this machine; no request may have failed at the end."""
    place = find_place("127.0.0.1")
    identity = provide_identity(folder.parent / f"{folder.name}-keys", place)
    store = Store(folder, limits or Limits(free_bytes=0))
    sockets = listen(place, 0)
    port = sockets[0].getsockname()[1]
    token = secrets.token_urlsafe(32)
    server = ThreadServer(Client("127.0.0.1", port, token), place, store)
    application = build_application(
        store,
        load_pages(pages),
        token,
        place.host_headers(port),
        arrived=server.arrived.put,
        stranger=server.strangers.append,
        fault=server.faults.append,
        silent_s=silent_s,
    )
    stop = threading.Event()
    thread = threading.Thread(
        target=serve, args=(application, sockets, identity), kwargs={"stop": stop}
    )
    thread.start()
    try:
        yield server
    finally:
        stop.set()
        thread.join(HANGS_S)
        store.close()
        assert not thread.is_alive()
    assert server.faults == []


@dataclass
class CommandServer:
    """`pullcoast capture` in a process of its own."""

    process: subprocess.Popen[str]
    client: Client
    said: list[str]
    errors: list[str]
    lines: queue.Queue[str | None]

    def wait_for(self, pattern: str) -> str:
        """Return the next line of output that holds `pattern`."""
        while (line := self.lines.get(timeout=HANGS_S)) is not None:
            if re.search(pattern, line):
                return line
        msg = f"ended without saying {pattern!r}: {self.said} {self.errors}"
        raise AssertionError(msg)

    def end(self, number: int = signal.SIGINT) -> int:
        """Send a signal and return the exit status."""
        self.process.send_signal(number)
        return self.process.wait(HANGS_S)


def _follow(stream: IO[str], kept: list[str], lines: queue.Queue[str | None] | None) -> None:
    for line in stream:
        kept.append(line)
        if lines is not None:
            lines.put(line)
    if lines is not None:
        lines.put(None)
    stream.close()


@contextlib.contextmanager
def command_server(folder: Path, *options: str, port: int = 0) -> Iterator[CommandServer]:
    """Run the command until the end of the block, on a free port where none is given."""
    command = [sys.executable, "-m", "analysis", "capture", "--dir", str(folder)]
    command += ["--host", "127.0.0.1", "--port", str(port)]
    command += ["--keys", str(folder.parent / "keys"), *options]
    process = subprocess.Popen(
        command,
        cwd=ROOT,
        env={**os.environ, "PYTHONUNBUFFERED": "1", "PYTHONUTF8": "1"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    said: list[str] = []
    errors: list[str] = []
    lines: queue.Queue[str | None] = queue.Queue()
    assert process.stdout is not None
    assert process.stderr is not None
    followers = [
        threading.Thread(target=_follow, args=(process.stdout, said, lines)),
        threading.Thread(target=_follow, args=(process.stderr, errors, None)),
    ]
    for follower in followers:
        follower.start()
    server = CommandServer(process, Client("", 0, ""), said, errors, lines)
    try:
        url = re.search(r"https://([\d.]+):(\d+)/#(\S+)", server.wait_for("https://"))
        assert url is not None
        server.client = Client(url[1], int(url[2]), url[3])
        server.wait_for("Ctrl-C ends")
        yield server
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(HANGS_S)
        for follower in followers:
            follower.join(HANGS_S)
    assert "Traceback" not in "".join(errors), "".join(errors)


def files_below(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


def settled(phone: Client, key: str, expected: int) -> dict[str, object]:
    """Ask until what was sent before a cut is there; give up after some seconds."""
    state = phone.state(key)
    for _ in range(100):
        if state["have"] == expected:
            break
        threading.Event().wait(0.05)
        state = phone.state(key)
    return state
