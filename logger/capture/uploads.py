"""Recordings on their way from the phone: parts kept as they come, whole files moved into place.

The protocol between page and server, all under ``/recordings/{id}``, where `id` is 32 lower-case
hexadecimal digits that the page draws for a recording, and every request carries
``Authorization: Bearer TOKEN`` with the token from the fragment of the page's address:

``PUT``
    Body: a part of the recording's bytes (own table, UTF-8, RFC 4180). Headers ``Upload-Offset``
    (where this part begins) and ``Upload-Length`` (size of the whole), both decimal;
    ``Upload-Name`` (optional, percent-encoded UTF-8, of which 80 characters are kept) names the
    recording for people. The reply is 200 with ``{"have": N, "done": false}``, N bytes being safe on the disk.
    With the last byte the file is checked for being on the disk and moved into the folder, and
    `done` is true. A part that begins elsewhere than at `have` is refused by 409 with the same
    object: go on from there. For a recording that is done already the reply has `done` true, whatever the offset; a
    length that differs from the first one is refused by 409 with an error.
``GET``
    200 with ``{"have": N, "done": bool}``; 0 and false for an id that is not known.

Every refusal is JSON with the key ``error`` in plain words, and `have` and `done` where they are
known: 400 headers, 401 token, 403 Host, 404 address or id, 405 method, 409 offset or length,
413 too large, 503 busy or silent for too long: try again, 507 no space. What arrived before a connection broke is kept.

Comment lines before the table's header, ``# mass_kg = 1480`` and ``# note = "two people"``, give the
mass as driven and a note for session.toml.

On the disk a recording under way is ``.incoming/ID.part`` beside ``ID.json``, which outlive the
server. The JSON stays when the part has been moved, to know the recording again.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import threading
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from logger.capture.naming import recording_name
from logger.capture.parts import Part, Refusal, State, lock_file, move_into_place, no_space
from logger.errors import PullcoastError
from logger.writing import write_text_atomic

__all__ = ["ID", "INCOMING", "Limits", "Store", "StoreError"]

#: Where parts lie inside the folder; hidden, so that nobody takes them for logs.
INCOMING = ".incoming"
ID = re.compile(r"[0-9a-f]{32}", re.ASCII)
_MAX_SIDECAR_BYTES = 10_000


class StoreError(PullcoastError, OSError):
    """A folder that recordings cannot be kept in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a folder takes in.

    Parameters
    ----------
    recording_bytes : int
        Largest recording. A page writes some 5 to 10 kB a second: hours.
    quota_bytes : int
        All recordings together, with those under way at their full length.
    free_bytes : int
        Space that stays free on the disk.
    unfinished : int
        Recordings under way at a time.
    recordings : int
        Recordings that are done.
    """

    recording_bytes: int = 200_000_000
    quota_bytes: int = 5_000_000_000
    free_bytes: int = 200_000_000
    unfinished: int = 500
    recordings: int = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What ID.json holds; `file` from just before the part is moved, `listed` once in session.toml."""

    length: int
    name: str = ""
    file: str = ""
    listed: bool = False


class Store:
    """The recordings of one folder; all methods may be called from any thread.

    Two requests about the same id must not overlap: whoever calls sees to that.

    Parameters
    ----------
    folder : Path
        Made when missing.
    limits : Limits
        What it takes in.

    Raises
    ------
    StoreError
        The folder cannot be written to, or another server uses it.
    """

    def __init__(self, folder: Path, limits: Limits) -> None:
        self.folder = folder
        self.limits = limits
        self.incoming = folder / INCOMING
        self._lock = threading.Lock()
        try:
            self.incoming.mkdir(parents=True, exist_ok=True)
            self._guard = lock_file(self.incoming / "lock")
        except BlockingIOError as error:
            msg = (
                f"{folder}: another `pullcoast capture` is taking recordings into this folder. End "
                "it, or choose another --dir"
            )
            raise StoreError(error.errno, msg) from error
        except OSError as error:
            raise _cannot_keep(folder, error) from error
        self._known: dict[str, _Known] = {}
        try:
            self._recover()
        except OSError as error:
            self.close()
            raise _cannot_keep(folder, error) from error

    def close(self) -> None:
        """Release the folder for another server."""
        if self._guard is not None:
            os.close(self._guard)
            self._guard = None

    def _recover(self) -> None:
        """Read what an earlier server left, and end what it was in the middle of."""
        probe = self.incoming / "probe"
        probe.write_bytes(b"")
        probe.unlink()
        for path in sorted(self.incoming.glob("*.json")):
            found = _read_known(path) if ID.fullmatch(path.stem) else None
            if found is not None:
                self._known[path.stem] = found
        for key, item in self._known.items():
            part = self._part(key)
            if item.file and part.exists() and (self.folder / item.file).exists():
                with contextlib.suppress(OSError):
                    if os.path.samefile(part, self.folder / item.file):
                        part.unlink()
        for path in self.incoming.glob(".*.part"):  # sidecars half written when it was killed
            path.unlink(missing_ok=True)
        for key in list(self._known):
            if self.is_whole(key):
                with contextlib.suppress(Refusal):
                    self.finish(key)

    def _part(self, key: str) -> Path:
        return self.incoming / f"{key}.part"

    def _sidecar(self, key: str) -> Path:
        return self.incoming / f"{key}.json"

    def _remember(self, key: str, item: _Known) -> None:
        write_text_atomic(self._sidecar(key), json.dumps(asdict(item)) + "\n")
        self._known[key] = item

    def state(self, key: str) -> State:
        """Return how much of a recording is here; one whose file was taken away is not known."""
        item = self._known.get(key)
        if item is None:
            return State(have=0, done=False)
        part = self._part(key)
        try:
            have = part.stat().st_size
        except OSError:
            done = bool(item.file) and (self.folder / item.file).is_file()
            return State(have=item.length if done else 0, done=done)
        # more than the whole can only be damage: begin again
        return State(have=have if have <= item.length else 0, done=False)

    def is_whole(self, key: str) -> bool:
        """Return whether every byte is here, but the file not in its place yet."""
        item = self._known.get(key)
        return item is not None and self.state(key) == State(have=item.length, done=False)

    def unfinished(self) -> list[tuple[str, int, int]]:
        """Return name or id, bytes here and bytes in all of every recording under way."""
        found = []
        for key, item in self._known.items():
            state = self.state(key)
            if not state.done and state.have:
                found.append((item.name or key, state.have, item.length))
        return found

    def unlisted(self) -> list[str]:
        """Return the ids of recordings that are done, but not listed in session.toml yet."""
        return [k for k, item in self._known.items() if not item.listed and self.state(k).done]

    def file(self, key: str) -> Path:
        """Return where a recording that is done lies."""
        return self.folder / self._known[key].file

    def name(self, key: str) -> str:
        """Return what people call a recording; "" when it has no name."""
        return self._known[key].name

    def mark_listed(self, key: str) -> None:
        """Remember that a recording stands in session.toml."""
        self._remember(key, replace(self._known[key], listed=True))

    def begin(self, key: str, offset: int, length: int, name: str) -> Part | None:
        """Open a part to append to.

        Parameters
        ----------
        key : str
            The recording's id.
        offset, length : int
            Where the part begins and how long the whole is [bytes].
        name : str
            For people.

        Returns
        -------
        Part or None
            None when the recording is done already.

        Raises
        ------
        Refusal
            Another offset or length than known, or no room.
        """
        with self._lock:
            state, item = self.state(key), self._known.get(key)
            if item is not None and item.length != length and (state.done or state.have):
                msg = (
                    f"this id belongs to a recording of {item.length} bytes, and Upload-Length says "
                    f"{length}: send it under an id of its own"
                )
                raise Refusal(409, msg, state)
            if state.done:
                return None
            if length > self.limits.recording_bytes:
                most = self.limits.recording_bytes
                msg = (
                    f"a recording of {_mb(length)} is larger than the {_mb(most)} that are taken. "
                    "Share it as a file, or start the command with a larger --max-size"
                )
                raise Refusal(413, msg, state)
            if offset != state.have:
                raise Refusal(409, f"the next part begins at byte {state.have}", state)
            self._check_room(key, length, state)
            try:
                if item is None or item.length != length or item.file:
                    self._remember(key, _Known(length=length, name=name))
                return Part(self._part(key), state.have, length)
            except OSError as error:
                raise no_space(error, state) from error

    def _check_room(self, key: str, length: int, state: State) -> None:
        """Refuse what the quota or the disk has no room for, those under way taken at full length."""
        whole = under_way = waiting = done = 0
        for other, item in self._known.items():
            if other == key:
                continue
            theirs = self.state(other)
            if theirs.done:
                done += 1
                whole += item.length
            elif theirs.have or self._part(other).exists():
                under_way += 1
                whole += item.length
                waiting += item.length - theirs.have
        if under_way >= self.limits.unfinished:
            raise Refusal(503, f"{under_way} recordings are under way already; try later", state)
        if done >= self.limits.recordings:
            msg = (
                f"the folder holds {done} recordings already. Start the command with another --dir"
            )
            raise Refusal(507, msg, state)
        if whole + length > self.limits.quota_bytes:
            msg = (
                f"the folder holds {_mb(whole)} of the {_mb(self.limits.quota_bytes)} it may take. "
                "Start the command with a larger --quota or another --dir"
            )
            raise Refusal(507, msg, state)
        try:
            free = shutil.disk_usage(self.folder).free
        except OSError as error:
            raise no_space(error, state) from error
        if free - waiting - (length - state.have) < self.limits.free_bytes:
            msg = (
                f"the computer's disk has only {_mb(free)} left. Make room there; the recording "
                "stays on the phone"
            )
            raise Refusal(507, msg, state)

    def finish(self, key: str) -> Path:
        """Move a part that is whole into the folder under a name of its own, and return the file.

        Raises
        ------
        Refusal
            507 when it cannot be moved; the part stays.
        """
        part = self._part(key)
        with self._lock:
            item = self._known[key]
            try:
                for attempt in range(100):
                    name = recording_name(part, key, item.name, time.time(), attempt)
                    if (self.folder / name).exists():
                        continue
                    # first the name, then the move: whoever is killed in between finds its way
                    self._remember(key, replace(item, file=name))
                    try:
                        move_into_place(part, self.folder / name)
                    except FileExistsError:
                        continue
                    return self.folder / name
                msg = "no free name for the recording in the folder"
                raise Refusal(507, msg, State(have=item.length, done=False))
            except OSError as error:
                raise no_space(error, State(have=item.length, done=False)) from error


def _cannot_keep(folder: Path, error: OSError) -> StoreError:
    msg = f"{folder}: recordings cannot be kept there: {error.strerror or error}. Choose another --dir"
    return StoreError(error.errno, msg)


def _read_known(path: Path) -> _Known | None:
    """Return what a sidecar holds, None where it is damaged: the phone then sends all anew."""
    try:
        with path.open("rb") as handle:
            stated = json.loads(handle.read(_MAX_SIDECAR_BYTES))
        found = _Known(
            length=stated["length"],
            name=stated["name"],
            file=stated["file"],
            listed=stated["listed"],
        )
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    kinds = (int, str, str, bool)
    values = (found.length, found.name, found.file, found.listed)
    sound = all(type(value) is kind for value, kind in zip(values, kinds, strict=True))
    return (
        found if sound and found.length > 0 and os.path.basename(found.file) == found.file else None
    )


def _mb(size: int) -> str:
    return f"{size / 1e6:.1f} MB"
