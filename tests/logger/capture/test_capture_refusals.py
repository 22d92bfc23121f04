"""What the capture server refuses, and that nothing else than recordings and the page gets in or out.

Status codes mean what RFC 9110 says, 507 what RFC 4918, section 11.5, says.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from make_capture import (
    ROWS,
    Client,
    ThreadServer,
    files_below,
    random_id,
    thread_server,
)

from logger.capture.uploads import INCOMING, Limits


@pytest.mark.parametrize(
    "authorization",
    [
        None,
        "",
        "Bearer",
        "Bearer ",
        "Bearer wrong",
        "Basic {token}",
        "{token}",
        "Bearer {token}x",
        "Bearer {short}",
        "Bearer \xe9{token}",
    ],
)
def test_without_the_token_nothing_is_answered_or_taken(
    server: ThreadServer, phone: Client, authorization: str | None
) -> None:
    key = random_id()
    phone.put(key, ROWS[:100], 0, len(ROWS))
    before = files_below(server.store.folder)
    headers = {"Upload-Offset": "100", "Upload-Length": str(len(ROWS))}
    if authorization is not None:
        headers["Authorization"] = authorization.format(token=phone.token, short=phone.token[:-1])
    for method, body in (("GET", None), ("PUT", ROWS[100:])):
        answer = phone.ask(method, f"/recordings/{key}", body, headers)
        assert answer.status == 401
        assert set(answer.reply) == {"error"}
        assert answer.headers["www-authenticate"] == "Bearer"
    assert files_below(server.store.folder) == before
    assert phone.state(key)["have"] == 100
    assert server.strangers[-1] == "127.0.0.1"


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "127.0.0.2:{port}", ""],
)
def test_another_name_is_refused(phone: Client, host: str) -> None:
    """A page of somebody else that makes its own name lead here must not get through (rebinding)."""
    for path in ("/", f"/recordings/{random_id()}"):
        answer = phone.ask(
            "GET", path, headers={"Host": host.format(port=phone.port), **phone.bearer}
        )
        assert answer.status in (400, 403)  # 400: the name is missing or none
        assert b"<html" not in answer.body
        assert b"have" not in answer.body


def test_the_own_names_are_known_in_any_case(phone: Client) -> None:
    from logger.capture.address import find_place

    names = find_place("127.0.0.1").names
    for name in ("127.0.0.1", *(name.upper() for name in names)):
        assert phone.ask("GET", "/", headers={"Host": f"{name}:{phone.port}"}).status == 200


@pytest.mark.parametrize(
    ("headers", "body"),
    [
        ({}, b"abc"),
        ({"Upload-Offset": "0"}, b"abc"),
        ({"Upload-Length": "3"}, b"abc"),
        ({"Upload-Offset": "-1", "Upload-Length": "3"}, b"abc"),
        ({"Upload-Offset": "0", "Upload-Length": "0"}, b""),
        ({"Upload-Offset": "4", "Upload-Length": "3"}, b""),
        ({"Upload-Offset": "0x0", "Upload-Length": "3"}, b"abc"),
        ({"Upload-Offset": "0", "Upload-Length": "3.0"}, b"abc"),
        ({"Upload-Offset": "0", "Upload-Length": "9" * 40}, b"abc"),
        ({"Upload-Offset": "\xb2", "Upload-Length": "3"}, b"abc"),
        ({"Upload-Offset": "0", "Upload-Length": "3", "Upload-Name": "%FF%FE"}, b"abc"),
        ({"Upload-Offset": "0", "Upload-Length": "3", "Upload-Name": "a" * 5000}, b"abc"),
        ({"Upload-Offset": "0", "Upload-Length": "3", "Content-Encoding": "gzip"}, b"abc"),
    ],
)
def test_bad_headers_are_refused_in_plain_words(
    server: ThreadServer, phone: Client, headers: dict[str, str], body: bytes
) -> None:
    key = random_id()
    before = files_below(server.store.folder)
    answer = phone.ask("PUT", f"/recordings/{key}", body, {**headers, **phone.bearer})
    assert answer.status == 400
    assert len(str(answer.reply["error"])) > 20
    assert files_below(server.store.folder) == before


@pytest.mark.parametrize(
    "path",
    [
        "/recordings/",
        "/recordings/short",
        "/recordings/" + "A" * 32,
        "/recordings/" + "a" * 33,
        "/recordings/..%2f..%2fsession.toml",
        "/recordings/../" + "a" * 32,
        "/recordings/" + "a" * 32 + "/",
        "/recordings/" + "a" * 32 + "%00",
        "/recordings/" + "a" * 31 + "%0a",
        "/recordings/" + "٠" * 32,
        "//etc/passwd",
        "/../../etc/passwd",
        "/..%2f..%2f..%2fetc/passwd",
        "/%2e%2e/certificate.py",
        "/.incoming/lock",
        "/page/index.html",
        "/index.html/",
        "/static/..%5c..%5cx",
        "/__init__.py",
        "/server.pem",
        "/token",
        "https://127.0.0.1/index.html",
    ],
)
def test_paths_lead_nowhere_but_to_the_page(server: ThreadServer, phone: Client, path: str) -> None:
    before = files_below(server.store.folder.parent)
    sent = path.encode().decode("latin-1")
    with phone.connect() as connection:  # a client library would tidy the path
        request = f"GET {sent} HTTP/1.1\r\nHost: {phone.host}:{phone.port}\r\n"
        request += f"Authorization: Bearer {phone.token}\r\nConnection: close\r\n\r\n"
        connection.sendall(request.encode("latin-1"))
        answer = b"".join(iter(lambda: connection.recv(65536), b""))
    assert answer.split(b" ", 2)[1] in (b"404", b"400")
    put = {"Upload-Offset": "0", "Upload-Length": "3", **phone.bearer}
    if path.isascii():
        assert phone.ask("PUT", path, b"abc", put).status in (400, 403, 404, 405)
    assert files_below(server.store.folder.parent) == before


@pytest.mark.parametrize("method", ["POST", "DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"])
@pytest.mark.parametrize("path", ["/", "/recordings/" + "a" * 32])
def test_other_methods_are_refused(phone: Client, method: str, path: str) -> None:
    answer = phone.ask(method, path, b"", phone.bearer)
    assert answer.status == 405
    assert "GET" in answer.headers["allow"]


def test_more_bytes_than_said_are_refused_and_not_kept(phone: Client) -> None:
    key = random_id()
    phone.put(key, b"a" * 10, 0, 100)
    assert phone.put(key, b"b" * 91, 10, 100).status == 413
    assert phone.state(key) == {"have": 10, "done": False}
    headers = {"Upload-Offset": "10", "Upload-Length": "100", **phone.bearer}
    with phone.connect() as connection:  # a body whose length is not said beforehand
        head = f"PUT /recordings/{key} HTTP/1.1\r\nHost: {phone.host}:{phone.port}\r\n"
        head += "".join(f"{name}: {value}\r\n" for name, value in headers.items())
        chunks = b"".join(b"32\r\n" + b"c" * 50 + b"\r\n" for _ in range(3)) + b"0\r\n\r\n"
        connection.sendall(head.encode() + b"Transfer-Encoding: chunked\r\n\r\n" + chunks)
        assert b" 413 " in connection.recv(65536)
    assert phone.state(key) == {"have": 10, "done": False}
    assert phone.put(key, b"d" * 90, 10, 100).reply["done"] is True


def test_limits_of_size_quota_and_number(tmp_path: Path) -> None:
    limits = Limits(recording_bytes=1000, quota_bytes=2500, free_bytes=0, unfinished=2)
    with thread_server(tmp_path / "outing", limits=limits) as server:
        phone = server.client
        large = phone.put(random_id(), b"x", 0, 1001)
        assert large.status == 413
        assert "--max-size" in str(large.reply["error"])
        first, second = random_id(), random_id()
        assert phone.put(first, b"x", 0, 1000).status == 200
        assert phone.put(second, b"x", 0, 1000).status == 200
        assert phone.put(random_id(), b"x", 0, 10).status == 503  # two are under way
        for key in (first, second):
            assert phone.put(key, b"x" * 999, 1, 1000).reply["done"] is True
        full = phone.put(random_id(), b"x", 0, 501)
        assert full.status == 507
        assert "--quota" in str(full.reply["error"])
        assert phone.put(random_id(), b"x" * 500, 0, 500).reply["done"] is True
        # what is there already is known also with a full folder
        assert phone.put(first, b"", 1000, 1000).reply == {"have": 1000, "done": True}


def test_a_disk_with_too_little_space_refuses_before_anything_is_sent(tmp_path: Path) -> None:
    """More space is to stay free than any disk has."""
    limits = Limits(free_bytes=1 << 60)
    with thread_server(tmp_path / "outing", limits=limits) as server:
        answer = server.client.put(random_id(), ROWS, 0, len(ROWS))
        assert answer.status == 507
        assert "stays on the phone" in str(answer.reply["error"])
        assert files_below(tmp_path / "outing") == {f"{INCOMING}/lock"}


def test_every_answer_carries_the_security_headers(phone: Client) -> None:
    """A page that loads from itself only, and sensors for itself only."""
    answers = [
        phone.ask("GET", "/"),
        phone.ask("GET", "/nothing"),
        phone.ask("POST", "/"),
        phone.ask("GET", f"/recordings/{random_id()}"),
        phone.ask("GET", f"/recordings/{random_id()}", headers=phone.bearer),
        phone.ask("GET", "/", headers={"Host": "evil.example"}),
    ]
    assert [answer.status for answer in answers] == [200, 404, 405, 401, 200, 403]
    for answer in answers:
        policy = dict(
            part.strip().split(" ", 1)
            for part in answer.headers["content-security-policy"].split(";")
        )
        assert policy["default-src"] == policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert policy["script-src"] == policy["connect-src"] == policy["worker-src"] == "'self'"
        assert "unsafe" not in answer.headers["content-security-policy"]
        allowed = answer.headers["permissions-policy"]
        for sensor in ("geolocation", "accelerometer", "gyroscope", "screen-wake-lock"):
            assert f"{sensor}=(self)" in allowed
        assert "camera=()" in allowed
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        # it would forbid going past the warning about a certificate that signs itself
        assert "strict-transport-security" not in answer.headers
        assert "access-control-allow-origin" not in answer.headers
        assert "server" not in answer.headers
    for answer in answers[1:]:
        assert answer.headers["cache-control"] == "no-store"
