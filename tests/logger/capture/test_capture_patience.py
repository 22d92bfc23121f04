"""Silent, rude and many phones at once: the capture server lets go of some and serves the others."""

from __future__ import annotations

import contextlib
import random
import re
import socket
import ssl
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from make_capture import (
    HANGS_S,
    ROWS,
    Client,
    random_id,
    settled,
    thread_server,
)

from logger.capture import server as server_module


def test_two_hundred_phones_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every one of them connected before the first sends; each recording arrives as sent."""
    phones = 200
    # a busy machine may take long for so many handshakes: that is not what is looked at here
    monkeypatch.setattr(server_module, "_HANDSHAKE_S", HANGS_S)
    monkeypatch.setattr(server_module, "_HEAD_S", HANGS_S)
    barrier = threading.Barrier(phones)
    with thread_server(tmp_path / "outing") as server:

        def send(number: int) -> bytes:
            client, key = server.client, f"{number:032x}"
            data = random.Random(number).randbytes(2000 + number)
            half = len(data) // 2
            with client.connect() as connection:
                barrier.wait(HANGS_S)
                connection.sendall(client.put_head(key, 0, len(data), half) + data[:half])
                assert b" 200 OK" in connection.recv(65536)
                connection.sendall(client.put_head(key, half, len(data), len(data) - half))
                connection.sendall(data[half:])
                assert b'"done":true' in answer_of(connection.recv)
            return data

        with ThreadPoolExecutor(phones) as pool:
            sent = list(pool.map(send, range(phones)))
        arrived = sorted(path.read_bytes() for path in (tmp_path / "outing").glob("*.csv"))
        assert arrived == sorted(sent)


def answer_of(receive: object) -> bytes:
    """Read one answer with its body, whichever way it is split."""
    assert callable(receive)
    data = b""
    while b"\r\n\r\n" not in data:
        data += receive(65536)
    head, _, body = data.partition(b"\r\n\r\n")
    length = re.search(rb"content-length: (\d+)", head, re.IGNORECASE)
    assert length is not None
    while len(body) < int(length[1]):
        body += receive(65536)
    return head + b"\r\n\r\n" + body


def test_silent_clients_are_let_go_and_disturb_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One sends nothing, one half a head, one half a body: each is ended, the last one kept."""
    monkeypatch.setattr(server_module, "_HEAD_S", 0.2)
    monkeypatch.setattr(server_module, "_WATCH_EVERY_S", 0.1)
    with thread_server(tmp_path / "outing", silent_s=0.2) as server:
        phone, key = server.client, random_id()
        silent, half, body = phone.connect(), phone.connect(), phone.connect()
        half.sendall(b"GET / HTTP/1.1\r\nHost: ")
        body.sendall(phone.put_head(key, 0, 100, 100) + b"x" * 40)
        assert phone.put(random_id(), ROWS, 0, len(ROWS)).reply["done"] is True
        assert ended(silent) == b""
        assert ended(half) == b""
        answer = ended(body)
        assert b" 503 " in answer
        assert b'"have":40' in answer
        assert phone.put(key, b"x" * 60, 40, 100).reply["done"] is True


def ended(connection: object) -> bytes:
    """Return what comes until the other side ends the connection, or refuses."""

    assert isinstance(connection, ssl.SSLSocket)
    data = b""
    with connection:
        try:
            while got := connection.recv(65536):
                data += got
                if data.startswith(b"HTTP/1.1 4"):
                    break
        except (ConnectionError, ssl.SSLEOFError):
            pass
    return data


def test_a_newer_request_takes_over_from_one_that_fell_silent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A phone that changed its network must not wait for its old connection to be given up."""
    from logger.capture import application

    monkeypatch.setattr(application, "_STALE_S", 0.05)
    with thread_server(tmp_path / "outing") as server:
        phone, key = server.client, random_id()
        old = phone.connect()
        old.sendall(phone.put_head(key, 0, len(ROWS), len(ROWS)) + ROWS[:1000])
        assert settled(phone, key, 1000)["have"] == 1000
        threading.Event().wait(0.1)
        assert phone.put(key, ROWS[1000:], 1000, len(ROWS)).reply["done"] is True
        old.close()
        assert server.when_arrived().read_bytes() == ROWS


def test_a_part_under_way_is_not_disturbed_by_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from logger.capture import application

    monkeypatch.setattr(application, "_PATIENCE_S", 0.1)
    with thread_server(tmp_path / "outing") as server:
        phone, key = server.client, random_id()
        with phone.connect() as first:
            first.sendall(phone.put_head(key, 0, len(ROWS), len(ROWS)) + ROWS[:1000])
            assert settled(phone, key, 1000)["have"] == 1000
            busy = phone.put(key, ROWS[1000:], 1000, len(ROWS))
            assert busy.status == 503
            assert busy.headers["retry-after"].isdecimal()
            first.sendall(ROWS[1000:])
            assert b'"done":true' in answer_of(first.recv)
        assert server.when_arrived().read_bytes() == ROWS


def test_rubbish_instead_of_requests(phone: Client) -> None:
    rng = random.Random(7)
    for data in (
        b"GET\r\n\r\n",
        rng.randbytes(5000) + b"\r\n\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"a: b\r\n" * 4_000 + b"\r\n",
        b"PUT / HTTP/1.1\r\nHost: x\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nab",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: x\r\nUpgrade: websocket\r\nConnection: upgrade\r\n\r\n",
    ):
        connection = phone.connect()
        connection.sendall(data)
        assert ended(connection).startswith((b"HTTP/1.1 400", b"HTTP/1.1 403"))
    assert phone.ask("GET", "/").status == 200


def test_silent_strangers_keep_no_phone_waiting(tmp_path: Path) -> None:
    """More of them than there is room for, each with its handshake done and nothing to say."""
    with thread_server(tmp_path / "outing") as server, contextlib.ExitStack() as silent:
        phone = server.client
        for _ in range(450):
            silent.enter_context(phone.connect())
        began = time.monotonic()
        key = random_id()
        assert phone.put(key, ROWS[:500], 0, len(ROWS)).status == 200
        assert phone.put(key, ROWS[500:], 500, len(ROWS)).reply["done"] is True
        # the silent are let go after 15 s: nobody waited for that
        assert time.monotonic() - began < 0.5 * server_module._HEAD_S


@pytest.mark.parametrize(
    ("ciphers", "taken"), [("ECDHE+AESGCM", True), ("ECDHE+AES:!AESGCM:!AESCCM", False)]
)
def test_tls_1_2_takes_authenticated_encryption_only(
    phone: Client, ciphers: str, taken: bool
) -> None:
    """RFC 9325, section 4.2: no suites in CBC mode without need."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    context.maximum_version = ssl.TLSVersion.TLSv1_2
    context.set_ciphers(ciphers)
    with socket.create_connection((phone.host, phone.port), timeout=HANGS_S) as plain:
        if taken:
            with context.wrap_socket(plain) as connection:
                cipher = connection.cipher()
                assert cipher is not None
                assert "GCM" in cipher[0]
        else:
            with pytest.raises((ssl.SSLError, ConnectionError)):
                context.wrap_socket(plain)
