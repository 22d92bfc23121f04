"""Recordings that phones send: the server runs, and each that arrives is looked at and listed."""

from __future__ import annotations

import io
import os
import re
import secrets
import shlex
import sys
import threading
import time
import traceback
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import Protocol

import segno

from analysis.setup.arrivals import list_recording
from analysis.terminal.lines import fill
from analysis.terminal.options import CAUTIONS
from logger.capture.address import Place, find_place, listen
from logger.capture.application import Extra, build_application
from logger.capture.arrivals import Arrival, examine_apart
from logger.capture.certificate import Identity, provide_identity
from logger.capture.naming import title_of
from logger.capture.pages import PageFile, load_pages
from logger.capture.server import serve
from logger.capture.uploads import Limits, Store
from logger.errors import PullcoastError
from logger.findings import counted
from logger.source import read_regular
from logger.writing import write_text_atomic

__all__ = ["Follower", "receive"]

_TOKEN_BYTES, _LARGEST_TOKEN_BYTES = 32, 1000
_TOKEN = re.compile(r"[A-Za-z0-9_-]{22,128}", re.ASCII)
_AUTHORITY = "/pullcoast-authority.crt"
#: The same stranger is reported once in so long [s].
_STRANGER_EVERY_S = 60.0

_INSTALL = """\
To let the phone keep the page for use without network, install the authority once:
  open {url} on the phone, past the warning.
  iPhone, iPad: allow the download; Settings > Profile downloaded > Install; then Settings > General
    > About > Certificate Trust Settings: switch it on.
  Android: Settings, search for "CA certificate", install the downloaded file. Use Chrome or another
    browser that follows the system's certificates.
Remove it when you are done:
  iPhone, iPad: Settings > General > VPN & Device Management > the profile > Remove.
  Android: Settings, search for "User credentials" or "Trusted credentials" > User > Remove.
It speaks for {hosts} alone, its key was thrown away, and it ends on {end}."""


class Follower(Protocol):
    """What goes on with recordings once they are listed, and what a phone may ask of it."""

    @property
    def extras(self) -> Sequence[Extra]:
        """Return the addresses that it answers."""

    def expect(self) -> None:
        """Note that something arrived; `want` or `forgo` follows."""

    def want(self) -> None:
        """Take up what is there now."""

    def forgo(self) -> None:
        """Take an expectation back: nothing usable came."""

    def end(self) -> bool:
        """End at once; return whether something was left undone."""


class _Reception:
    """Look into what has arrived, one after another, list it, and report it."""

    def __init__(self, store: Store, *, quiet: bool, follower: Follower | None) -> None:
        self.store = store
        self.follower = follower
        self.quiet = quiet
        self.worker = ThreadPoolExecutor(1, "arrivals")
        self.lock = threading.Lock()
        self.count = 0
        self.strangers: dict[str, float] = {}

    def report(self, text: str, *, wrong: bool = False) -> None:
        """Print; whoever has closed the window's output does not end the server."""
        with self.lock:
            try:
                print(text, file=sys.stderr if wrong else sys.stdout, flush=True)
            except (OSError, ValueError):
                return

    def arrived(self, key: str) -> None:
        """Take note of a recording that is in its place."""
        if self.follower is not None:
            self.follower.expect()
        try:
            self.worker.submit(self._look, key)
        except RuntimeError:  # the server is ending: the next start lists it
            return

    def _look(self, key: str) -> None:
        usable = self._take(key)
        if self.follower is not None:
            (self.follower.want if usable else self.follower.forgo)()

    def _take(self, key: str) -> bool:
        """List a recording and report it; return whether it can be used."""
        try:
            arrival = examine_apart(self.store.file(key))
            notes = list_recording(self.store.folder, arrival, self.store.name(key))
            self.store.mark_listed(key)
        except FileNotFoundError:  # somebody was quicker, and took the file away
            return False
        except Exception as error:  # noqa: BLE001 - a thread has nobody above it
            self.fault(error)
            return False
        self.count += 1
        notable = bool(arrival.problem or arrival.warnings or notes)
        text = _arrival_text(arrival, title_of(self.store.name(key)), notes)
        self.report(text, wrong=self.quiet and notable)
        return not arrival.problem

    def stranger(self, address: str) -> None:
        """Report somebody with a wrong token, now and then."""
        now = time.monotonic()
        if now - self.strangers.get(address, -_STRANGER_EVERY_S) >= _STRANGER_EVERY_S:
            if len(self.strangers) > 1000:
                self.strangers.clear()
            self.strangers[address] = now
            text = f"{address} came with a wrong token. If it is your phone: scan the code again"
            self.report(f"{_clock()}  {text}", wrong=True)

    def fault(self, error: Exception) -> None:
        """Report what should not happen, in one line."""
        if os.environ.get("PULLCOAST_TRACEBACK"):
            traceback.print_exception(error)
        what = str(error) if isinstance(error, PullcoastError | OSError) else repr(error)
        self.report(f"{_clock()}  a request failed: {what}", wrong=True)


def receive(
    folder: Path,
    limits: Limits,
    *,
    host: str | None,
    port: int,
    keys: Path,
    authority: bool,
    new_token: bool,
    qr: bool | None,
    quiet: bool,
    follower: Follower | None = None,
    pages: Mapping[str, PageFile] | None = None,
) -> None:
    """Run the server until Ctrl-C.

    Parameters
    ----------
    folder : Path
        Where recordings go.
    limits : Limits
        Largest recording, and all of them together [bytes].
    host, port : str or None, int
        As the phone sees this computer; None for the address that leads into the network, 0 for any
        free port.
    keys : Path
        Where certificate and token are kept.
    authority : bool
        Make an authority that the phone can trust.
    new_token : bool
        Make a new token.
    qr : bool or None
        Draw the address as a code; None for on a terminal alone.
    quiet : bool
        Print the address and what is wrong, on stderr.
    follower : Follower, optional
        Takes up what has been listed; it is ended with the server.
    pages : mapping, optional
        Served in place of the capture page alone, by path of the address.

    Raises
    ------
    PullcoastError
        No network, port in use, a folder that cannot be written to.
    """
    pages = dict(load_pages() if pages is None else pages)
    place = find_place(host)
    identity = provide_identity(keys, place, authority=authority)
    token = _token(keys / "token", new=new_token)
    if identity.authority is not None:
        pages[_AUTHORITY] = PageFile.of(identity.authority, "application/x-x509-ca-cert")
    store = Store(folder, limits)
    try:
        sockets = listen(place, port)
        port = sockets[0].getsockname()[1]
        reception = _Reception(store, quiet=quiet, follower=follower)
        application = build_application(
            store,
            pages,
            token,
            place.host_headers(port),
            arrived=reception.arrived,
            stranger=reception.stranger,
            fault=reception.fault,
            extras=() if follower is None else follower.extras,
        )

        def ready() -> None:
            if quiet:  # without its address the server would be of no use
                reception.report(place.url(port, token), wrong=True)
            reception.report(_greeting(place.url(port, token), identity, store, qr=qr))
            if identity.authority is not None:
                reception.report(_how_to_trust(place, port, identity))
            for key in store.unlisted():
                reception.arrived(key)

        serve(application, sockets, identity, ready=ready)
        reception.worker.shutdown(cancel_futures=True)  # the next start takes up the rest
        undone = follower is not None and follower.end()
        reception.report(_farewell(store, reception.count, undone=undone))
    finally:
        store.close()


def _token(file: Path, *, new: bool) -> str:
    """Return the token, kept so that a phone that has the page open can send after a restart."""
    try:
        if not new and (os.name != "posix" or not file.stat().st_mode & 0o077):
            kept = (read_regular(file, _LARGEST_TOKEN_BYTES) or b"").decode("ascii").strip()
            if _TOKEN.fullmatch(kept):
                return kept
    except (OSError, ValueError):
        pass
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    file.touch(0o600)
    file.chmod(0o600)
    write_text_atomic(file, token + "\n")
    return token


def _greeting(url: str, identity: Identity, store: Store, *, qr: bool | None) -> str:
    drawn = sys.stdout.isatty() if qr is None else qr
    parts = [CAUTIONS, "", "Open this on the phone, in the same network as this computer:", ""]
    parts += [f"  {url}", ""]
    if drawn:
        parts += [_code(url)]
    if identity.made_now:
        parts.append("A new certificate was made: the browser warns once; go on to the page.")
    else:
        parts.append("The certificate is that of last time.")
    parts.append(f"Its SHA-256 is {identity.fingerprint[:47]}")
    parts.append(f"               {identity.fingerprint[48:]}")
    waiting = store.unfinished()
    if waiting:
        here = sum(have for _, have, _ in waiting) / 1e6
        whole = sum(length for _, _, length in waiting) / 1e6
        many = counted(len(waiting), "recording")
        parts.append(
            f"Not whole yet: {many}, {here:.1f} of {whole:.1f} MB. Send again on the phone."
        )
    parts.append(f"Recordings go to {store.folder}. Ctrl-C ends.")
    return "\n".join(parts)


def _how_to_trust(place: Place, port: int, identity: Identity) -> str:
    url = place.url(port, "").rstrip("/#") + _AUTHORITY
    hosts = ", ".join(dict.fromkeys((*place.addresses, *place.names)))
    return _INSTALL.format(url=url, hosts=hosts, end=f"{identity.not_after:%Y-%m-%d}")


def _code(url: str) -> str:
    """Return the address as a code of block characters, or of blanks and colours in plain ASCII."""
    out = io.StringIO()
    encoding = (getattr(sys.stdout, "encoding", None) or "ascii").lower().replace("-", "")
    segno.make(url, micro=False, error="m").terminal(out, compact=encoding.startswith("utf"))
    return out.getvalue()


def _clock() -> str:
    return f"{datetime.now():%H:%M:%S}"


def _arrival_text(arrival: Arrival, name: str, notes: list[str]) -> str:
    title = f"{_clock()}  {arrival.file.name}" + (f' "{name}"' if name else "")
    size = f"{arrival.size_bytes / 1e6:.2f} MB"
    if arrival.problem:
        lines = [f"{size}, kept, but it cannot be read: {arrival.problem}"]
    else:
        top = arrival.top_speed_mps
        speed = "no speed" if top is None else f"top speed {3.6 * top:.0f} km/h"
        lines = [f"{arrival.duration_s:.1f} s, {arrival.rows} rows, {size}, {speed}"]
    lines += [f"warning: {text}" for text in (*arrival.warnings, *notes)]
    wrapped = [fill(line, initial_indent="  ", subsequent_indent="    ") for line in lines]
    return "\n".join([title, *wrapped])


def _farewell(store: Store, count: int, *, undone: bool) -> str:
    lines = [f"\nEnded. {counted(count, 'recording')} arrived."]
    waiting = store.unfinished()
    if waiting:
        lines.append(
            f"{counted(len(waiting), 'recording')} not whole yet: go on at the next start."
        )
    queued = len(store.unlisted())
    if queued:
        lines.append(f"{counted(queued, 'recording')} not listed yet: the next start does it.")
    folder = shlex.quote(str(store.folder))
    if undone:
        lines.append(f"The report was not ready: pullcoast report {folder}")
    if count:
        lines.append(f"Next: fill in {folder}/session.toml, then pullcoast report {folder}")
    return "\n".join(lines)
