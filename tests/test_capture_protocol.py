"""What the capture server answers: recordings arrive whole, and nothing else gets in or out.

The protocol is the one that `logger/capture/uploads.py` describes; status codes mean what RFC 9110
says, 507 what RFC 4918, section 11.5, says.
"""

from __future__ import annotations

import random
import re
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from make_capture import HANGS_S, Client, ThreadServer, random_id, thread_server

from logger.capture import server as server_module
from logger.capture.uploads import INCOMING, Limits

ROWS = b"time_s,speed_mps\n" + b"".join(b"%d.0,%d.5\n" % (k, k % 40) for k in range(3000))


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ThreadServer]:
    """Serve one folder for all tests of this file that need no server of their own."""
    with thread_server(tmp_path_factory.mktemp("capture") / "outing") as server:
        yield server


@pytest.fixture
def phone(running: ThreadServer) -> Client:
    return running.client


def files_below(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


def test_a_recording_sent_in_two_parts_arrives_whole(running: ThreadServer, phone: Client) -> None:
    key, half = random_id(), len(ROWS) // 2
    assert phone.state(key) == {"have": 0, "done": False}
    answer = phone.put(key, ROWS[:half], 0, len(ROWS), "towards%20town.csv")
    assert (answer.status, answer.told) == (200, {"have": half, "done": False})
    assert phone.state(key) == {"have": half, "done": False}
    answer = phone.put(key, ROWS[half:], half, len(ROWS))
    assert (answer.status, answer.told) == (200, {"have": len(ROWS), "done": True})
    file = running.when_arrived()
    assert file.read_bytes() == ROWS
    assert file.parent == running.store.folder
    assert re.fullmatch(rf"recording-\d{{8}}-\d{{6}}-{key[:8]}-towards-town\.csv", file.name)
    assert not (running.store.incoming / f"{key}.part").exists()


def test_a_second_sending_of_the_same_makes_no_second_file(
    running: ThreadServer, phone: Client
) -> None:
    key = random_id()
    assert phone.put(key, ROWS, 0, len(ROWS)).told == {"have": len(ROWS), "done": True}
    before = files_below(running.store.folder)
    for offset in (0, len(ROWS)):
        again = phone.put(key, ROWS[offset:], offset, len(ROWS))
        assert (again.status, again.told) == (200, {"have": len(ROWS), "done": True})
    assert files_below(running.store.folder) == before
    other = phone.put(key, ROWS[:-10], 0, len(ROWS) - 10)
    assert other.status == 409
    assert other.told["have"] == len(ROWS)
    assert str(len(ROWS)) in str(other.told["error"])


@pytest.mark.parametrize("reset", [False, True], ids=["ended", "reset"])
def test_a_recording_cut_anywhere_goes_on_where_it_broke(
    running: ThreadServer, phone: Client, reset: bool
) -> None:
    """Five connections cut at random bytes of the body, and then the rest: bytes identical.

    Of a connection that ends, every byte is kept; of one that is reset, what the system had passed
    on by then.
    """
    rng = random.Random(20261125)
    key, data = random_id(), rng.randbytes(400_000)
    have = 0
    for _ in range(5):
        rest = data[have:]
        cut = rng.randrange(1, len(rest) // 4)
        phone.cut_put(key, rest, have, cut, reset=reset)
        if reset:
            # the next part is served after the broken one, and is told how much of that is there
            told = phone.put(key, b"", have, len(data)).told
            kept = told["have"]
            assert isinstance(kept, int)
            assert have <= kept <= have + cut
            have = kept
        else:
            assert settled(phone, key, have + cut) == {"have": have + cut, "done": False}
            have += cut
    phone.send_rest(key, data)
    assert running.store.file(key).read_bytes() == data


def settled(phone: Client, key: str, expected: int) -> dict[str, object]:
    """Ask until what was sent before a cut is there; give up after some seconds."""
    told = phone.state(key)
    for _ in range(100):
        if told["have"] == expected:
            break
        threading.Event().wait(0.05)
        told = phone.state(key)
    return told


def test_an_offset_elsewhere_is_told_where_to_go_on(phone: Client) -> None:
    key = random_id()
    phone.put(key, ROWS[:1000], 0, len(ROWS))
    for offset in (0, 999, 1001, len(ROWS)):
        answer = phone.put(key, b"x" * min(10, len(ROWS) - offset), offset, len(ROWS))
        assert answer.status == 409
        assert (answer.told["have"], answer.told["done"]) == (1000, False)
    assert phone.state(key) == {"have": 1000, "done": False}


def test_a_refusal_reaches_a_phone_in_the_middle_of_a_large_part(phone: Client) -> None:
    """The answer must not be lost in a reset connection because the body was not read."""
    key, data = random_id(), bytes(3_000_000)
    phone.put(key, data[:1000], 0, len(data))
    answer = phone.put(key, data, 0, len(data))
    assert (answer.status, answer.told["have"]) == (409, 1000)
    stranger = Client(phone.host, phone.port, "wrong" * 10)
    assert stranger.put(key, data, 0, len(data)).status == 401


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
def test_without_the_token_nothing_is_told_or_taken(
    running: ThreadServer, phone: Client, authorization: str | None
) -> None:
    key = random_id()
    phone.put(key, ROWS[:100], 0, len(ROWS))
    before = files_below(running.store.folder)
    headers = {"Upload-Offset": "100", "Upload-Length": str(len(ROWS))}
    if authorization is not None:
        headers["Authorization"] = authorization.format(token=phone.token, short=phone.token[:-1])
    for method, body in (("GET", None), ("PUT", ROWS[100:])):
        answer = phone.ask(method, f"/recordings/{key}", body, headers)
        assert answer.status == 401
        assert set(answer.told) == {"error"}
        assert answer.headers["www-authenticate"] == "Bearer"
    assert files_below(running.store.folder) == before
    assert phone.state(key)["have"] == 100
    assert running.strangers[-1] == "127.0.0.1"


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
    running: ThreadServer, phone: Client, headers: dict[str, str], body: bytes
) -> None:
    key = random_id()
    before = files_below(running.store.folder)
    answer = phone.ask("PUT", f"/recordings/{key}", body, {**headers, **phone.bearer})
    assert answer.status == 400
    assert len(str(answer.told["error"])) > 20
    assert files_below(running.store.folder) == before


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
def test_paths_lead_nowhere_but_to_the_page(
    running: ThreadServer, phone: Client, path: str
) -> None:
    before = files_below(running.store.folder.parent)
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
    assert files_below(running.store.folder.parent) == before


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
    assert phone.put(key, b"d" * 90, 10, 100).told["done"] is True


def test_limits_of_size_quota_and_number(tmp_path: Path) -> None:
    limits = Limits(recording_bytes=1000, quota_bytes=2500, free_bytes=0, unfinished=2)
    with thread_server(tmp_path / "outing", limits=limits) as server:
        phone = server.client
        large = phone.put(random_id(), b"x", 0, 1001)
        assert large.status == 413
        assert "--max-size" in str(large.told["error"])
        first, second = random_id(), random_id()
        assert phone.put(first, b"x", 0, 1000).status == 200
        assert phone.put(second, b"x", 0, 1000).status == 200
        assert phone.put(random_id(), b"x", 0, 10).status == 503  # two are under way
        for key in (first, second):
            assert phone.put(key, b"x" * 999, 1, 1000).told["done"] is True
        full = phone.put(random_id(), b"x", 0, 501)
        assert full.status == 507
        assert "--quota" in str(full.told["error"])
        assert phone.put(random_id(), b"x" * 500, 0, 500).told["done"] is True
        # what is there already is known also with a full folder
        assert phone.put(first, b"", 1000, 1000).told == {"have": 1000, "done": True}


def test_a_disk_with_too_little_space_refuses_before_anything_is_sent(tmp_path: Path) -> None:
    """More space is to stay free than any disk has."""
    limits = Limits(free_bytes=1 << 60)
    with thread_server(tmp_path / "outing", limits=limits) as server:
        answer = server.client.put(random_id(), ROWS, 0, len(ROWS))
        assert answer.status == 507
        assert "stays on the phone" in str(answer.told["error"])
        assert files_below(tmp_path / "outing") == {f"{INCOMING}/lock"}


def test_the_page_is_served_and_nothing_beside_it(tmp_path: Path) -> None:
    page = tmp_path / "page"
    page.mkdir()
    served = {
        "index.html": "text/html; charset=utf-8",
        "main.js": "text/javascript; charset=utf-8",
        "style.css": "text/css; charset=utf-8",
        "sw.js": "text/javascript; charset=utf-8",
        "icon.svg": "image/svg+xml",
        "app.webmanifest": "application/manifest+json",
        "icon.png": "image/png",
    }
    kept_back = ("notes.txt", ".hidden.js", "old.js~", "server.py", "odd name.js")
    for name in (*served, *kept_back):
        (page / name).write_text(f"content of {name}", encoding="utf-8")
    (tmp_path / "secret.js").write_text("secret", encoding="utf-8")
    (page / "link.js").symlink_to(tmp_path / "secret.js")
    with thread_server(tmp_path / "outing", pages=page) as server:
        phone = server.client
        for name, media_type in served.items():
            answer = phone.ask("GET", f"/{name}")
            assert answer.status == 200
            assert answer.body == f"content of {name}".encode()
            assert answer.headers["content-type"] == media_type
            assert answer.headers["cache-control"] == "no-cache"
            again = phone.ask("GET", f"/{name}", headers={"If-None-Match": answer.headers["etag"]})
            assert (again.status, again.body) == (304, b"")
        assert phone.ask("GET", "/").body == b"content of index.html"
        head = phone.ask("HEAD", "/")
        assert (head.status, head.body) == (200, b"")
        for name in (*kept_back, "link.js", "nothing.js", "..", "%2e%2e/secret.js"):
            assert phone.ask("GET", "/" + name.replace(" ", "%20")).status == 404
        (page / "late.js").write_text("made after the start", encoding="utf-8")
        assert phone.ask("GET", "/late.js").status == 404


def test_the_packaged_page_is_what_is_served(phone: Client) -> None:
    page = phone.ask("GET", "/")
    assert page.status == 200
    assert b"<html" in page.body
    worker = phone.ask("GET", "/sw.js")  # at the root, so that it may keep the whole page
    assert worker.status == 200
    for name in re.findall(rb'(?:src|href)="([^"#:]+)"', page.body):
        assert phone.ask("GET", "/" + name.decode().removeprefix("./")).status == 200


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
    """One says nothing, one half a head, one half a body: each is ended, the last one kept."""
    monkeypatch.setattr(server_module, "_HEAD_S", 0.2)
    monkeypatch.setattr(server_module, "_WATCH_EVERY_S", 0.1)
    with thread_server(tmp_path / "outing", silent_s=0.2) as server:
        phone, key = server.client, random_id()
        silent, half, body = phone.connect(), phone.connect(), phone.connect()
        half.sendall(b"GET / HTTP/1.1\r\nHost: ")
        body.sendall(phone.put_head(key, 0, 100, 100) + b"x" * 40)
        assert phone.put(random_id(), ROWS, 0, len(ROWS)).told["done"] is True
        assert ended(silent) == b""
        assert ended(half) == b""
        answer = ended(body)
        assert b" 503 " in answer
        assert b'"have":40' in answer
        assert phone.put(key, b"x" * 60, 40, 100).told["done"] is True


def ended(connection: object) -> bytes:
    """Return what comes until the other side ends the connection, or refuses."""
    import ssl

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
        assert phone.put(key, ROWS[1000:], 1000, len(ROWS)).told["done"] is True
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
