"""What the capture server answers: recordings arrive whole, and the page is served.

The protocol is the one that `logger/capture/uploads.py` describes; status codes mean what RFC 9110
says.
"""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest
from make_capture import (
    ROWS,
    Client,
    ThreadServer,
    files_below,
    random_id,
    settled,
    thread_server,
)


def test_a_recording_sent_in_two_parts_arrives_whole(server: ThreadServer, phone: Client) -> None:
    key, half = random_id(), len(ROWS) // 2
    assert phone.state(key) == {"have": 0, "done": False}
    answer = phone.put(key, ROWS[:half], 0, len(ROWS), "towards%20town.csv")
    assert (answer.status, answer.reply) == (200, {"have": half, "done": False})
    assert phone.state(key) == {"have": half, "done": False}
    answer = phone.put(key, ROWS[half:], half, len(ROWS))
    assert (answer.status, answer.reply) == (200, {"have": len(ROWS), "done": True})
    file = server.when_arrived()
    assert file.read_bytes() == ROWS
    assert file.parent == server.store.folder
    assert re.fullmatch(rf"recording-\d{{8}}-\d{{6}}-{key[:8]}-towards-town\.csv", file.name)
    assert not (server.store.incoming / f"{key}.part").exists()


def test_a_second_sending_of_the_same_makes_no_second_file(
    server: ThreadServer, phone: Client
) -> None:
    key = random_id()
    assert phone.put(key, ROWS, 0, len(ROWS)).reply == {"have": len(ROWS), "done": True}
    before = files_below(server.store.folder)
    for offset in (0, len(ROWS)):
        again = phone.put(key, ROWS[offset:], offset, len(ROWS))
        assert (again.status, again.reply) == (200, {"have": len(ROWS), "done": True})
    assert files_below(server.store.folder) == before
    other = phone.put(key, ROWS[:-10], 0, len(ROWS) - 10)
    assert other.status == 409
    assert other.reply["have"] == len(ROWS)
    assert str(len(ROWS)) in str(other.reply["error"])


@pytest.mark.parametrize("reset", [False, True], ids=["ended", "reset"])
def test_a_recording_cut_anywhere_goes_on_where_it_broke(
    server: ThreadServer, phone: Client, reset: bool
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
            # the next part is served after the broken one, and learns how much of that is there
            reply = phone.put(key, b"", have, len(data)).reply
            kept = reply["have"]
            assert isinstance(kept, int)
            assert have <= kept <= have + cut
            have = kept
        else:
            assert settled(phone, key, have + cut) == {"have": have + cut, "done": False}
            have += cut
    phone.send_rest(key, data)
    assert server.store.file(key).read_bytes() == data


def test_an_offset_elsewhere_is_answered_with_where_to_go_on(phone: Client) -> None:
    key = random_id()
    phone.put(key, ROWS[:1000], 0, len(ROWS))
    for offset in (0, 999, 1001, len(ROWS)):
        answer = phone.put(key, b"x" * min(10, len(ROWS) - offset), offset, len(ROWS))
        assert answer.status == 409
        assert (answer.reply["have"], answer.reply["done"]) == (1000, False)
    assert phone.state(key) == {"have": 1000, "done": False}


def test_a_refusal_reaches_a_phone_in_the_middle_of_a_large_part(phone: Client) -> None:
    """The answer must not be lost in a reset connection because the body was not read."""
    key, data = random_id(), bytes(3_000_000)
    phone.put(key, data[:1000], 0, len(data))
    answer = phone.put(key, data, 0, len(data))
    assert (answer.status, answer.reply["have"]) == (409, 1000)
    stranger = Client(phone.host, phone.port, "wrong" * 10)
    assert stranger.put(key, data, 0, len(data)).status == 401


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
    kept_back = ("notes.md", ".hidden.js", "old.js~", "server.py", "odd name.js")
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
