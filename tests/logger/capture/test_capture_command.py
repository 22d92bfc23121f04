"""The command as people run it: starts, is killed, goes on, ends cleanly, and reports what is wrong."""

from __future__ import annotations

import random
import re
import signal
import socket
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest
from make_capture import HANGS_S, ROOT, Client, command_server, random_id
from make_processes import until

from analysis.cli.main import main
from logger.capture import address
from logger.capture.address import AddressError, find_place
from logger.capture.pages import PAGE, PageError, load_pages
from logger.session.session import read_session


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Return the own tables of a made-up session, as a phone would send them."""
    folder = tmp_path_factory.mktemp("sample") / "air"
    assert main(["sample", str(folder), "--pairs", "1"]) == 0
    return {
        path.name: b"# mass_kg = 1480\n" + path.read_bytes()
        for path in sorted(folder.glob("run*.csv"))
    }


def test_what_a_phone_sends_is_a_session_for_the_report(
    tmp_path: Path, drive: dict[str, bytes], capsys: pytest.CaptureFixture[str]
) -> None:
    """From a recording in the browser's hands to a result, over the network and the disk."""
    folder = tmp_path / "outing"
    with command_server(folder) as server:
        for name, data in drive.items():
            server.client.send_rest(random_id(), data)
            shown = server.wait_for(r"recording-\S+\.csv")
            facts = server.wait_for("top speed")
            assert name
            assert re.search(r"\d+\.\d s, \d+ rows, \d\.\d\d MB, top speed 1\d\d km/h", facts), (
                shown
            )
        assert server.end() == 0
        assert "Traceback" not in "".join(server.errors)
        assert f"Next: fill in {folder}/session.toml" in "".join(server.said)
    session = read_session(folder)
    assert [log.files[0].read_bytes() for log in session.logs] == list(drive.values())
    assert session.vehicle.mass_kg == 1480
    capsys.readouterr()
    assert main(["report", str(folder)]) == 0
    assert "wheel power" in capsys.readouterr().out
    assert (folder / "results" / "report.html").is_file()


def test_killed_in_the_middle_it_goes_on_where_it_was(tmp_path: Path) -> None:
    """Three times in one recording, with the part on its way; same token, bytes identical."""
    folder, key = tmp_path / "outing", random_id()
    data = random.Random(5).randbytes(900_000)
    token, have = "", 0
    for _ in range(3):
        with command_server(folder) as server:
            phone = server.client
            assert token in ("", phone.token)
            token = phone.token
            at = phone.state(key)["have"]
            assert isinstance(at, int)
            assert at >= have  # what had been acknowledged is still there
            have = at + 100_000
            assert phone.put(key, data[at:have], at, len(data)).reply["have"] == have
            with phone.connect() as connection:
                rest = data[have:]
                connection.sendall(phone.put_head(key, have, len(data), len(rest)) + rest[:50_000])
                part = folder / ".incoming" / f"{key}.part"
                before = have
                until(lambda: part.stat().st_size > before)  # noqa: B023 - it ends in this turn
                assert server.end(signal.SIGKILL) == -signal.SIGKILL
    with command_server(folder) as server:
        assert "Not whole yet: 1 recording" in "".join(server.said)
        server.client.send_rest(key, data)
        server.wait_for("cannot be read")  # random bytes are no table, and are kept all the same
        assert server.end(signal.SIGTERM) == 0
    (file,) = folder.glob("*.csv")
    assert file.read_bytes() == data


def test_interrupted_it_ends_cleanly_with_the_part_kept(tmp_path: Path) -> None:
    folder, key = tmp_path / "outing", random_id()
    data = random.Random(6).randbytes(300_000)
    with command_server(folder) as server:
        phone = server.client
        with phone.connect() as connection:
            connection.sendall(phone.put_head(key, 0, len(data), len(data)) + data[:120_000])
            part = folder / ".incoming" / f"{key}.part"
            until(lambda: part.exists() and part.stat().st_size >= 60_000)
            assert server.end() == 0
        said = "".join(server.said)
        assert "1 recording not whole yet" in said
        assert "".join(server.errors) == ""
    names = {path.name for path in (folder / ".incoming").iterdir()}
    assert names == {"lock", f"{key}.json", f"{key}.part"}
    kept = (folder / ".incoming" / f"{key}.part").read_bytes()
    assert data.startswith(kept)
    with command_server(folder) as server:
        assert server.client.state(key)["have"] == len(kept)
        server.client.send_rest(key, data)


def test_a_recording_that_arrived_at_the_very_end_is_listed_at_the_next_start(
    tmp_path: Path, drive: dict[str, bytes]
) -> None:
    folder = tmp_path / "outing"
    data = next(iter(drive.values()))
    with command_server(folder) as server:
        server.client.send_rest(random_id(), data)
        server.end(signal.SIGKILL)
    with command_server(folder) as server:
        until((folder / "session.toml").exists)
        server.end()
    assert len(read_session(folder).logs) == 1
    with command_server(folder) as server:
        server.end()
    assert len(read_session(folder).logs) == 1


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "analysis", "capture", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def test_what_stands_in_the_way_is_said(tmp_path: Path) -> None:
    keys = ("--keys", str(tmp_path / "keys"), "--host", "127.0.0.1")
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        done = run("--dir", str(tmp_path / "a"), "--port", port, *keys)
    assert (done.returncode, done.stdout) == (2, "")
    assert f"127.0.0.1:{port} is in use already" in done.stderr
    assert "--port" in done.stderr
    (tmp_path / "file").write_text("in the way")
    done = run("--dir", str(tmp_path / "file"), *keys)
    assert done.returncode == 2
    assert "recordings cannot be kept there" in done.stderr
    done = run("--dir", str(tmp_path / "b"), "--host", "192.0.2.77", *keys[:2])
    assert done.returncode == 2
    assert "192.0.2.77 is not an address of this computer" in done.stderr
    done = run("--dir", str(tmp_path / "b"), *keys[2:], "--keys", str(tmp_path / "file"))
    assert done.returncode == 2
    assert "--keys" in done.stderr
    done = run("--dir", str(tmp_path / "b"), "--host", "no such name", *keys[:2])
    assert done.returncode == 2
    assert "neither an address nor a host name" in done.stderr
    assert done.stderr.startswith("pullcoast: ")
    assert done.stderr.count("\n") == 1


def test_a_computer_in_no_network_is_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(address, "_NOBODY", ())
    monkeypatch.setattr(address.socket, "gethostname", lambda: "localhost")  # type: ignore[attr-defined]
    with pytest.raises(AddressError, match="same Wi-Fi"):
        find_place()


def test_names_that_lead_to_loopback_are_not_listened_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """Many systems give their own name 127.0.1.1, where no phone gets to."""

    def lookup(name: str, *_: object, **__: object) -> list[tuple[object, ...]]:
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", ("127.0.1.1", 0))]

    monkeypatch.setattr(socket, "getaddrinfo", lookup)
    monkeypatch.setattr(address, "_network_addresses", lambda: ("192.168.1.20",))
    place = find_place("Garage.local")
    assert (place.host, place.listen_at) == ("garage.local", ("192.168.1.20",))
    assert "garage.local" in place.names
    assert place.url(8443, "abc") == "https://garage.local:8443/#abc"
    assert {"garage.local:8443", "192.168.1.20:8443"} <= place.host_headers(8443)
    assert "garage.local" in place.host_headers(443)


def test_addresses_of_every_kind_are_written_right() -> None:
    place = find_place("[::1]")
    assert place.url(8443, "abc") == "https://[::1]:8443/#abc"
    assert "[::1]:8443" in place.host_headers(8443)
    everywhere = find_place("0.0.0.0")
    assert everywhere.listen_at == ("0.0.0.0",)
    assert everywhere.host != "0.0.0.0"
    assert "127.0.0.1:1" in everywhere.host_headers(1)


def test_token_and_certificate_stay_until_a_new_one_is_asked_for(tmp_path: Path) -> None:
    folder = tmp_path / "outing"
    with command_server(folder) as server:
        first, said = server.client.token, "".join(server.said)
        # 128 bits are the least; urlsafe characters carry six each
        assert len(first) * 6 >= 128
        assert re.fullmatch(r"[A-Za-z0-9_-]+", first)
        assert "warns once" in said
        server.end()
    assert (tmp_path / "keys" / "token").stat().st_mode & 0o777 == 0o600
    with command_server(tmp_path / "other") as server:
        assert server.client.token == first
        assert "certificate is that of last time" in "".join(server.said)
        server.end()
    with command_server(folder, "--new-token") as server:
        assert server.client.token != first
        wrong = server.client.ask(
            "GET", f"/recordings/{random_id()}", headers={"Authorization": f"Bearer {first}"}
        )
        assert wrong.status == 401
        server.end()
        assert "wrong token" in "".join(server.errors)
    (tmp_path / "keys" / "token").chmod(0o644)  # others may have read it
    with command_server(folder) as server:
        assert server.client.token != first
        server.end()


def test_the_address_is_always_text_and_the_code_only_where_it_can_be_seen(tmp_path: Path) -> None:
    with command_server(tmp_path / "outing") as server:
        plain = "".join(server.said)
        server.end()
    assert "\u2588" not in plain
    assert "where the law allows it" in plain  # the cautions
    with command_server(tmp_path / "outing", "--qr") as server:
        drawn = "".join(server.said)
        server.end()
    assert server.client.token in drawn
    assert drawn.count("\u2588") > 200


def test_quiet_leaves_the_address_and_warnings(tmp_path: Path) -> None:
    folder = tmp_path / "outing"
    command = [sys.executable, "-m", "analysis", "capture", "--quiet", "--dir", str(folder)]
    command += ["--host", "127.0.0.1", "--port", "0", "--keys", str(tmp_path / "keys")]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    with subprocess.Popen(command, cwd=ROOT, **pipes) as process:  # type: ignore[call-overload]
        first = process.stderr.readline()
        url = re.fullmatch(r"https://([\d.]+):(\d+)/#(\S+)\n", first)
        assert url is not None, first
        data = b"time_s,speed_mps\n0,x\n"
        Client(url[1], int(url[2]), url[3]).send_rest(random_id(), data)
        assert "recording-" in process.stderr.readline()
        process.send_signal(signal.SIGINT)
        said, _ = process.communicate(timeout=HANGS_S)
    assert (process.returncode, said) == (0, "")


def test_the_authority_is_offered_to_the_phone_with_its_removal(tmp_path: Path) -> None:
    from cryptography import x509

    with command_server(tmp_path / "outing", "--ca") as server:
        server.wait_for("ends on")
        said = "".join(server.said)
        answer = server.client.ask("GET", "/pullcoast-authority.crt")
        server.end()
    assert answer.status == 200
    assert answer.headers["content-type"] == "application/x-x509-ca-cert"
    root = x509.load_der_x509_certificate(answer.body)
    assert root.extensions.get_extension_for_class(x509.BasicConstraints).value.ca
    for word in ("iPhone", "Android", "Certificate Trust Settings", "Remove", "thrown away"):
        assert word in said
    with command_server(tmp_path / "outing") as server:
        assert server.client.ask("GET", "/pullcoast-authority.crt").status == 404
        server.end()


def test_other_commands_load_nothing_of_the_server() -> None:
    code = (
        "import sys\nfrom analysis.cli.main import main\n"
        "main(['--help']); main(['capture', '--help']); main(['report', '/nonexistent'])\n"
        "heavy = {'starlette', 'uvicorn', 'cryptography', 'segno', 'anyio', 'h11', 'asyncio', 'ssl'}\n"
        "print('loaded', sorted(heavy & {name.split('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert "usage: pullcoast capture" in done.stdout
    assert done.stdout.splitlines()[-1] == "loaded []"


def test_the_wheel_has_the_page(tmp_path: Path) -> None:
    code = f"import hatchling.build as b; print(b.build_wheel({str(tmp_path)!r}))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    with zipfile.ZipFile(tmp_path / done.stdout.splitlines()[-1]) as wheel:
        packed = set(wheel.namelist())
    served = load_pages()
    assert {"/index.html", "/sw.js"} <= set(served)
    assert {f"logger/capture/page{name}" for name in served if name != "/"} <= packed
    # nothing lies beside the page that a phone would ask for in vain
    stray = {path.name for path in PAGE.rglob("*") if path.is_file()}
    assert stray == {Path(name).name for name in served if name != "/"}


def test_without_its_page_it_does_not_start(tmp_path: Path) -> None:
    with pytest.raises(PageError, match="install it again"):
        load_pages(tmp_path)


def test_output_that_nobody_reads_does_not_end_it(tmp_path: Path, drive: dict[str, bytes]) -> None:
    """The other end of a pipe that was closed: recordings still arrive."""
    folder = tmp_path / "outing"
    command = [sys.executable, "-m", "analysis", "capture", "--dir", str(folder), "--port", "0"]
    command += ["--host", "127.0.0.1", "--keys", str(tmp_path / "keys")]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        for line in process.stdout:
            url = re.search(r"https://([\d.]+):(\d+)/#(\S+)", line)
            if url is not None:
                break
        assert url is not None
        process.stdout.close()
        Client(url[1], int(url[2]), url[3]).send_rest(random_id(), next(iter(drive.values())))
        until((folder / "session.toml").exists)
        process.send_signal(signal.SIGINT)
        # 141 is what other commands end with when their reader has left
        assert process.wait(HANGS_S) in (0, 141)
    assert len(read_session(folder).logs) == 1


def test_ending_with_a_long_queue_is_prompt_and_loses_nothing(
    tmp_path: Path, drive: dict[str, bytes]
) -> None:
    """Each takes the better part of a second to look into: the next start goes on with them."""
    folder, number = tmp_path / "outing", 20
    data = next(iter(drive.values()))
    with command_server(folder, "--no-report") as server:
        for key in range(number):
            server.client.put(f"{key:032x}", data, 0, len(data))
        began = time.monotonic()
        assert server.end() == 0
        # the one that is being looked into, and the server's own grace for open connections
        assert time.monotonic() - began < 15.0
    told = re.search(
        r"(\d+) recordings not listed yet: the next start does it", "".join(server.said)
    )
    assert told is not None
    listed = len(read_session(folder).logs) if (folder / "session.toml").exists() else 0
    assert listed == number - int(told[1])
    with command_server(folder, "--no-report") as server:
        for _ in range(int(told[1])):
            server.wait_for("top speed")
        assert server.end() == 0
    text = (folder / "session.toml").read_text(encoding="utf-8")
    assert text.count("[[log]]") == number
