"""Serve the application over https, with limits for slow clients and a clean end on Ctrl-C."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
import socket
import threading
from asyncio import transports
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any

from starlette.types import ASGIApp
from uvicorn import Config, Server
from uvicorn.protocols.http.h11_impl import H11Protocol

from logger.capture.application import REST
from logger.capture.certificate import Identity

try:
    import resource
except ImportError:  # not on every system
    resource = None  # type: ignore[assignment]

__all__ = ["serve"]

#: Connections at a time, and half as many where the system allows few open files.
_MOST_CONNECTIONS = 400
#: Files that the rest of the program may need.
_OTHER_FILES = 64
#: For a TLS handshake, and for a whole request head, also between two requests [s].
_HANDSHAKE_S = 15.0
_HEAD_S = 15.0
#: For an answer to be taken, uploads apart, which have a limit of their own [s].
_ANSWER_S = 120.0
_WATCH_EVERY_S = 3.0
#: Head of a request [bytes]; a phone's has some hundred.
_MOST_HEAD_BYTES = 16_384
_GRACE_S = 3
#: Of TLS 1.2: authenticated encryption with forward secrecy alone; TLS 1.3 has nothing else.
_CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20"


class _Connection(H11Protocol):
    """One client; one that stays silent for too long is disconnected."""

    def connection_made(self, transport: transports.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._waiting_since = self._heard_at = self.loop.time()
        self._watch: asyncio.TimerHandle | None = None
        if len(self.connections) >= (self.limit_concurrency or _MOST_CONNECTIONS):
            self._make_room()
        if len(self.connections) > 2 * (self.limit_concurrency or _MOST_CONNECTIONS):
            transport.abort()
            return
        self._watch = self.loop.call_later(_WATCH_EVERY_S, self._look)

    @property
    def _idle(self) -> bool:
        return self.cycle is None or self.cycle.response_complete

    def _make_room(self) -> None:
        """Disconnect the client that has been silent for longest, so that this one need not wait."""
        silent = [
            other
            for other in self.connections
            if isinstance(other, _Connection) and other is not self
            if other._idle
        ]
        if silent:
            longest = min(silent, key=lambda other: other._waiting_since)
            self.connections.discard(longest)  # at once: this one's request may be here already
            longest.transport.abort()

    def data_received(self, data: bytes) -> None:
        self._heard_at = self.loop.time()
        super().data_received(data)

    def on_response_complete(self) -> None:
        self._waiting_since = self.loop.time()
        super().on_response_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._watch is not None:
            self._watch.cancel()
        if self.timeout_keep_alive_task is not None:  # it would hold buffers until it runs out
            self.timeout_keep_alive_task.cancel()
        if self.cycle is not None and not self.cycle.response_complete:
            # what the application has not fetched yet would be dropped
            self.cycle.scope["state"][REST] = bytes(self.cycle.body)
        super().connection_lost(exc)

    def shutdown(self) -> None:
        """End at once where nothing is under way; a part in transit has a moment to end."""
        if self._idle:
            self.transport.abort()
        else:
            super().shutdown()

    def _look(self) -> None:
        now = self.loop.time()
        if self._idle:
            late = now - self._waiting_since > _HEAD_S
        else:
            late = now - self._heard_at > _ANSWER_S
        if late:
            self.transport.abort()
            return
        self._watch = self.loop.call_later(_WATCH_EVERY_S, self._look)


class _Loop(asyncio.SelectorEventLoop):
    """An event loop that disconnects clients which never complete the TLS handshake."""

    async def create_server(self, *args: Any, **settings: Any) -> asyncio.Server:
        if settings.get("ssl") is not None:
            settings.setdefault("ssl_handshake_timeout", _HANDSHAKE_S)
            settings.setdefault("ssl_shutdown_timeout", _GRACE_S)
        return await super().create_server(*args, **settings)


class _Server(Server):
    """Ends on SIGINT and SIGTERM without passing them on: that is how this program is ended."""

    def __init__(self, config: Config, ready: Callable[[], None] | None) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self._ready is not None:
            self._ready()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        ends = [signal.SIGINT, signal.SIGTERM]
        before = {number: signal.signal(number, self._end) for number in ends}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _end(self, number: int, frame: FrameType | None) -> None:
        self.force_exit = self.should_exit
        self.should_exit = True


def serve(
    application: ASGIApp,
    sockets: list[socket.socket],
    identity: Identity,
    *,
    ready: Callable[[], None] | None = None,
    stop: threading.Event | None = None,
) -> None:
    """Serve until Ctrl-C, SIGTERM or `stop`.

    Parameters
    ----------
    application : ASGI application
        As from `build_application`.
    sockets : list of socket
        As from `listen`; closed at the end.
    identity : Identity
        The certificate.
    ready : callable, optional
        Called once connections are taken, and signals end the server cleanly.
    stop : Event, optional
        Ends the server when it is set; for a server in a thread.
    """
    config = Config(
        application,
        http=_Connection,
        ws="none",
        lifespan="off",
        ssl_certfile=str(identity.file),
        ssl_ciphers=_CIPHERS,
        log_config=None,
        log_level="critical",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=_most_connections(),
        timeout_keep_alive=int(_HEAD_S),
        timeout_graceful_shutdown=_GRACE_S,
        h11_max_incomplete_event_size=_MOST_HEAD_BYTES,
    )
    server = _Server(config, ready)

    async def run() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda *_: None)
        watcher = asyncio.create_task(_until(stop, server)) if stop is not None else None
        await server.serve(sockets)
        for connection in list(server.server_state.connections):
            connection.transport.abort()
        await asyncio.sleep(0)
        if watcher is not None:
            watcher.cancel()

    # strangers' broken connections are no news
    logging.getLogger("asyncio").setLevel(logging.CRITICAL)
    with asyncio.Runner(loop_factory=_Loop) as runner:
        runner.run(run())


async def _until(stop: threading.Event, server: Server) -> None:
    while not stop.is_set():
        await asyncio.sleep(0.05)
    server.should_exit = True


def _most_connections() -> int:
    """Return how many clients may be connected, each with a part open."""
    if resource is None:  # there open files are no matter
        return _MOST_CONNECTIONS
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    # three a client: its connection, its part, and one to spare for those being refused
    wanted = 3 * _MOST_CONNECTIONS + _OTHER_FILES
    if soft != resource.RLIM_INFINITY and soft < wanted:
        raised = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (raised, hard))
        soft = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
        return max(16, min(_MOST_CONNECTIONS, (soft - _OTHER_FILES) // 3))
    return _MOST_CONNECTIONS
