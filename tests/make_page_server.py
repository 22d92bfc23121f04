"""A small server for tests of the capture page: its files, and uploads that can be cut at will."""

from __future__ import annotations

import contextlib
import json
import re
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

__all__ = ["PAGE", "TOKEN", "PageServer", "serve_page"]

PAGE = Path(__file__).resolve().parent.parent / "logger" / "capture" / "page"
TOKEN = "test-token-0123456789abcdef0123456789abcdef"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self' data: blob:; worker-src 'self'; manifest-src 'self'"
)
_KINDS = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript",
    ".css": "text/css",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
}


@dataclass
class PageServer:
    """What the server holds, and how it misbehaves.

    Parameters
    ----------
    port : int
        Where it listens on localhost.
    cuts : list of int
        The next PUT bodies are cut after so many bytes, one entry per PUT.
    answers : list of (status, text)
        The next PUTs are answered so, before anything is taken.
    """

    port: int = 0
    cuts: list[int] = field(default_factory=list)
    answers: list[tuple[int, str]] = field(default_factory=list)
    parts: dict[str, bytearray] = field(default_factory=dict)
    lengths: dict[str, int] = field(default_factory=dict)
    names: dict[str, str] = field(default_factory=dict)
    sizes: list[int] = field(default_factory=list)

    @property
    def address(self) -> str:
        """Return the page's address without a token."""
        return f"http://localhost:{self.port}/"

    def whole(self) -> list[bytes]:
        """Return all uploads that are complete."""
        return [bytes(d) for k, d in self.parts.items() if len(d) == self.lengths.get(k)]


@contextlib.contextmanager
def serve_page(port: int = 0) -> Iterator[PageServer]:
    """Serve the page on localhost, which browsers trust without a certificate."""
    state = PageServer()

    class Handler(_Handler):
        server_state = state

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    server.daemon_threads = True
    state.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield state
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


class _Handler(BaseHTTPRequestHandler):
    server_state: PageServer
    protocol_version = "HTTP/1.1"

    def log_message(self, format: str, *args: object) -> None:
        pass

    def do_GET(self) -> None:
        name = self.path.split("?")[0].lstrip("/")
        if name.startswith("recordings/"):
            self._upload_state(name.removeprefix("recordings/"))
            return
        path = PAGE / (name or "index.html")
        if path.parent != PAGE or not path.is_file():
            self._say(404, {"error": "there is no such file"})
            return
        self._send(200, path.read_bytes(), _KINDS[path.suffix])

    def do_PUT(self) -> None:
        state = self.server_state
        key = self.path.removeprefix("/recordings/")
        length = int(self.headers.get("Content-Length", "0"))
        if state.answers:
            status, text = state.answers.pop(0)
            self.rfile.read(length)
            self._say(status, {"error": text})
            return
        if not self._known(key):
            self.rfile.read(length)
            return
        have = state.parts.setdefault(key, bytearray())
        if int(self.headers["Upload-Offset"]) != len(have):
            self.rfile.read(length)
            self._say(409, self._state(key))
            return
        state.lengths[key] = int(self.headers["Upload-Length"])
        state.names[key] = self.headers.get("Upload-Name", "")
        state.sizes.append(length)
        if state.cuts:
            have += self.rfile.read(min(state.cuts.pop(0), length))
            self.close_connection = True
            with contextlib.suppress(OSError):
                self.connection.shutdown(socket.SHUT_RDWR)
            return
        have += self.rfile.read(length)
        self._say(200, self._state(key))

    def _upload_state(self, key: str) -> None:
        if self._known(key):
            self._say(200, self._state(key))

    def _known(self, key: str) -> bool:
        if self.headers.get("Authorization") != f"Bearer {TOKEN}":
            self._say(401, {"error": "the token is not the one of this server"})
            return False
        if not re.fullmatch("[0-9a-f]{32}", key):
            self._say(400, {"error": "that is no name of a recording"})
            return False
        return True

    def _state(self, key: str) -> dict[str, object]:
        have = len(self.server_state.parts.get(key, b""))
        return {"have": have, "done": have > 0 and have == self.server_state.lengths.get(key)}

    def _say(self, status: int, answer: dict[str, object]) -> None:
        self._send(status, json.dumps(answer).encode(), "application/json")

    def _send(self, status: int, data: bytes, kind: str) -> None:
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(data)))
        self.send_header("Content-Security-Policy", POLICY)
        self.send_header("Cache-Control", "no-store")
        self.end_headers()
        self.wfile.write(data)
