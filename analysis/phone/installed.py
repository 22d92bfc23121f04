"""Pure-Python packages as they are installed here, file by file of their RECORD, and our own source."""

from __future__ import annotations

import base64
import hashlib
from importlib import metadata
from pathlib import Path

from logger.errors import PullcoastError

__all__ = ["NEEDED", "InstalledFileError", "installed_files", "own_files"]

#: Imported by the report. MarkupSafe has a fallback in Python for its compiled part.
NEEDED = ("jinja2", "markupsafe")
_ROOT = Path(__file__).resolve().parents[2]
#: Of our own packages: what only a computer uses.
_COMPUTER_ONLY = (
    "logger/capture",
    "analysis/batch",
    "analysis/cli",
    "analysis/planning",
    "analysis/simulate",
    "analysis/phone/page",
)
_OWN_ENDINGS = {".py", ".html", ".js", ".txt", ".css"}


class InstalledFileError(PullcoastError, OSError):
    """An installed package is incomplete or altered."""


def installed_files(name: str) -> tuple[str, dict[str, bytes]]:
    """Return version and files of an installed pure-Python package.

    Parameters
    ----------
    name : str
        Of the distribution.

    Returns
    -------
    version : str
        As installed.
    files : dict of str to bytes
        By their place in site-packages; without compiled parts and bytecode.

    Raises
    ------
    InstalledFileError
        It is not installed, lists no files, or a file differs from its RECORD; names it.
    """
    try:
        found = metadata.distribution(name)
    except metadata.PackageNotFoundError as error:
        msg = f"{name}: not installed here; install pullcoast with its dependencies"
        raise InstalledFileError(msg) from error
    files = {}
    for path in found.files or ():
        if path.suffix in {".so", ".pyd", ".pyc", ".c", ".pyi"} or path.parts[0] == "..":
            continue
        where = found.locate_file(path)
        try:
            data = Path(str(where)).read_bytes()
        except OSError as error:
            msg = f"{where}: missing, though {name}'s RECORD lists it; install {name} again"
            raise InstalledFileError(msg) from error
        if path.hash is not None and path.hash.value != _record_digest(data, path.hash.mode):
            msg = f"{where}: altered, it differs from {name}'s RECORD; install {name} again"
            raise InstalledFileError(msg)
        files[path.as_posix()] = data
    if not any(place.endswith("/__init__.py") for place in files):
        msg = f"{name}: installed without a RECORD of its files; install it again with pip"
        raise InstalledFileError(msg)
    return found.version, files


def _record_digest(data: bytes, kind: str) -> str:
    """Return a digest as a RECORD writes it: base64 for addresses, without padding."""
    digest = hashlib.new(kind, data).digest()
    return base64.urlsafe_b64encode(digest).rstrip(b"=").decode()


def own_files() -> dict[str, bytes]:
    """Return our own source by its place in site-packages, without what only a computer uses."""
    files = {}
    for package in ("analysis", "logger"):
        for path in sorted((_ROOT / package).rglob("*")):
            place = path.relative_to(_ROOT).as_posix()
            if path.suffix in _OWN_ENDINGS and not place.startswith(_COMPUTER_ONLY):
                files[place] = path.read_bytes()
    return files
