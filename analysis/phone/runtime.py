"""The WebAssembly Python of a browser: its files, each checked before anything is made of it.

Pyodide's lock file states the SHA-256 of every package. The lock's entries that are used here, and the
interpreter's own files, are held against the digests below, which were taken from the release.
"""

from __future__ import annotations

import hashlib
import http.client
import json
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from logger.errors import PullcoastError
from logger.source import read_regular

__all__ = [
    "CORE",
    "LOCK",
    "PACKAGES",
    "VERSION",
    "Package",
    "Runtime",
    "RuntimeFileError",
    "read_runtime",
]

VERSION = "0.27.7"
LOCK = "pyodide-lock.json"
#: The distribution's published release, file by file.
PUBLISHED = f"https://cdn.jsdelivr.net/pyodide/v{VERSION}/full/"
#: SHA-256 of the interpreter's files, as they lie in the release and in its npm package.
CORE = {
    "pyodide.mjs": "04c052c815abb0bf2981fa38c2dfa58e3120ee5288c956df2b2a15e301782c5f",
    "pyodide.asm.js": "6b4c90de5b7172873f04f21884d0e9d2274e305fe32116558fe3e4fbe3618d51",
    "pyodide.asm.wasm": "a50dd1843f805a0b7c45b61037ee0d7b26dfe85efe0e18ef95a34ad24e401f5f",
    "python_stdlib.zip": "16611534726e5d8ac2bd8f926410b2dcb8d6f49aa24913463533b457a2115c16",
}
#: What the way from a log to its report imports, and what these need there.
PACKAGES = (
    "numpy",
    "scipy",
    "openblas",
    "pandas",
    "python-dateutil",
    "six",
    "pytz",
    "matplotlib",
    "contourpy",
    "cycler",
    "kiwisolver",
    "packaging",
    "pillow",
    "pyparsing",
)
#: SHA-256 of the lock's `info` and of its entries for `PACKAGES`, as canonical JSON.
_LOCKED = "41125ec82a6778f76c25ccbf9186a25e7dacc4aa83e102528e818d3d37afb3d6"
_LARGEST_BYTES = 64_000_000
_PATIENCE_S = 60.0


class RuntimeFileError(PullcoastError, OSError):
    """A file of the WebAssembly Python is missing, altered, or of another release."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    """One package of the release: a wheel, or a zip of a shared library, whole as published."""

    name: str
    version: str
    library: bool
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Runtime:
    """Everything that is needed of the release, checked: files of `CORE` by name, and `PACKAGES`."""

    core: dict[str, bytes]
    packages: tuple[Package, ...]


def read_runtime(folder: Path | None, report: Callable[[str], None] = lambda _: None) -> Runtime:
    """Read the interpreter and its packages, and check each against its SHA-256.

    Parameters
    ----------
    folder : Path or None
        Holds the files under their published names; None fetches them from the published release.
    report : callable
        Called with the name of each file before it is read.

    Returns
    -------
    Runtime
        Nothing in it differs from the release.

    Raises
    ------
    RuntimeFileError
        A file is missing, altered or of another release; the text names it.
    """

    def take(name: str) -> bytes:
        report(name)
        return _published(name) if folder is None else _stored(folder, name)

    where = PUBLISHED if folder is None else f"{folder}/"
    entries = _locked(take(LOCK), where + LOCK)
    core = {name: _checked(take(name), digest, where + name) for name, digest in CORE.items()}
    packages = []
    for name in PACKAGES:
        entry = entries[name]
        file = str(entry["file_name"])
        data = _checked(take(file), str(entry["sha256"]), where + file)
        library = entry["package_type"] == "shared_library"
        version = str(entry["version"])
        packages.append(Package(name=name, version=version, library=library, data=data))
    return Runtime(core=core, packages=tuple(packages))


def _stored(folder: Path, name: str) -> bytes:
    path = folder / name
    try:
        data = read_regular(path, _LARGEST_BYTES)
    except OSError as error:
        msg = (
            f"{path}: missing ({error.strerror or error}); expected a file of Pyodide {VERSION}. Put "
            f"its npm package and the wheels of its release into {folder}"
        )
        raise RuntimeFileError(msg) from error
    if data is None:
        msg = f"{path}: no plain file, or larger than {_LARGEST_BYTES} bytes; expected one of Pyodide {VERSION}"
        raise RuntimeFileError(msg)
    return data


def _published(name: str) -> bytes:
    address = PUBLISHED + name
    try:
        with urllib.request.urlopen(address, timeout=_PATIENCE_S) as answer:
            data: bytes = answer.read(_LARGEST_BYTES + 1)
    except (OSError, http.client.HTTPException) as error:
        msg = (
            f"{address}: cannot be fetched ({error}). Try again with a network, or give a folder "
            "that holds the files with --runtime"
        )
        raise RuntimeFileError(msg) from error
    return data


def _checked(data: bytes, expected: str, where: str) -> bytes:
    """Return the file when it is the release's own, byte by byte."""
    found = hashlib.sha256(data).hexdigest()
    if found != expected:
        msg = (
            f"{where}: altered or of another release: its SHA-256 is {found}; expected {expected} of "
            f"Pyodide {VERSION}. Nothing was made of it: fetch it again"
        )
        raise RuntimeFileError(msg)
    return data


def _locked(data: bytes, where: str) -> dict[str, dict[str, object]]:
    """Return the lock's entries of `PACKAGES`."""
    try:
        lock = json.loads(data)
        entries: dict[str, dict[str, object]] = {n: lock["packages"][n] for n in PACKAGES}
        used = [lock["info"], entries]
    except (ValueError, KeyError, TypeError) as error:
        msg = f"{where}: no lock file of Pyodide {VERSION} ({error!r}). Fetch it again"
        raise RuntimeFileError(msg) from error
    canonical = json.dumps(used, sort_keys=True, separators=(",", ":")).encode()
    _checked(canonical, _LOCKED, f"{where}, what it says of the packages")
    return entries
