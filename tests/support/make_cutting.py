"""A proxy between browser and server whose connections break when a test says so."""

from __future__ import annotations

import contextlib
import re
import socket
import struct
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field

__all__ = ["CuttingProxy", "cutting_proxy"]

_HANGS_S = 60.0


@dataclass
class CuttingProxy:
    """What breaks next.

    Parameters
    ----------
    address : str
        For the browser's settings.
    cuts : list of int
        After so many bytes more to the server, whoever sends them, that connection breaks.
    made : int
        How many connections broke.
    """

    address: str = ""
    cuts: list[int] = field(default_factory=list)
    made: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)


@contextlib.contextmanager
def cutting_proxy() -> Iterator[CuttingProxy]:
    """Run a proxy that only tunnels, on a free port of this machine."""
    listener = socket.create_server(("127.0.0.1", 0))
    proxy = CuttingProxy(f"http://127.0.0.1:{listener.getsockname()[1]}")
    threads: list[threading.Thread] = []
    open_sockets: list[socket.socket] = []

    def accept() -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            open_sockets.append(client)
            thread = threading.Thread(target=_tunnel, args=(proxy, client, open_sockets))
            threads.append(thread)
            thread.start()

    acceptor = threading.Thread(target=accept)
    acceptor.start()
    try:
        yield proxy
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        acceptor.join(_HANGS_S)
        for one in open_sockets:
            _break(one)
        for thread in threads:
            thread.join(_HANGS_S)


def _tunnel(proxy: CuttingProxy, client: socket.socket, open_sockets: list[socket.socket]) -> None:
    with client, contextlib.suppress(OSError):
        head = b""
        while b"\r\n\r\n" not in head:
            data = client.recv(4096)
            if not data:
                return
            head += data
        wanted = re.match(rb"CONNECT ([\d.]+):(\d+) ", head)
        if wanted is None:
            client.sendall(b"HTTP/1.1 502 no\r\n\r\n")
            return
        with socket.create_connection((wanted[1].decode(), int(wanted[2]))) as server:
            open_sockets.append(server)
            client.sendall(b"HTTP/1.1 200 go on\r\n\r\n")
            back = threading.Thread(target=_pump, args=(server, client))
            back.start()
            _forward(proxy, client, server)
            _break(client)
            _break(server)
            back.join(_HANGS_S)


def _forward(proxy: CuttingProxy, client: socket.socket, server: socket.socket) -> None:
    while data := client.recv(16384):
        with proxy.lock:
            left = proxy.cuts[0] - len(data) if proxy.cuts else 1
            if left <= 0:
                data = data[: proxy.cuts.pop(0)]
                proxy.made += 1
            elif proxy.cuts:
                proxy.cuts[0] = left
        server.sendall(data)
        if left <= 0:
            return


def _pump(source: socket.socket, target: socket.socket) -> None:
    with contextlib.suppress(OSError):
        while data := source.recv(16384):
            target.sendall(data)
    _break(target)


def _break(one: socket.socket) -> None:
    """End a connection at once, dropping what is on its way."""
    with contextlib.suppress(OSError):
        one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        one.shutdown(socket.SHUT_RDWR)
