"""The page's files: an allow-list made once, at the start, of what lies in the package."""

from __future__ import annotations

import errno
import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from logger.errors import PullcoastError

__all__ = ["PAGE", "PageError", "PageFile", "load_pages"]

#: Where the page lies in the package.
PAGE = Path(__file__).with_name("page")
#: What is served, by its ending; the types are those registered with IANA.
_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
    ".webmanifest": "application/manifest+json",
    ".png": "image/png",
    ".mjs": "text/javascript; charset=utf-8",
    ".json": "application/json",
    ".txt": "text/plain; charset=utf-8",
    ".zip": "application/zip",
    ".bin": "application/octet-stream",
}
_NAME = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9_.-]*(/[A-Za-z0-9_-][A-Za-z0-9_.-]*)*", re.ASCII)
_INDEX = "index.html"


class PageError(PullcoastError, OSError):
    """The page is not there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageFile:
    """One file as it is served; its own `headers` win over those of every answer."""

    data: bytes
    media_type: str
    etag: str
    headers: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, data: bytes, media_type: str) -> PageFile:
        """Return a file with its entity tag: a digest of its bytes."""
        etag = f'"{hashlib.sha256(data).hexdigest()[:32]}"'
        return cls(data=data, media_type=media_type, etag=etag)


def load_pages(folder: Path = PAGE) -> dict[str, PageFile]:
    """Read every file that may be served.

    Parameters
    ----------
    folder : Path
        The page's folder; links, hidden files and unknown endings are left out.

    Returns
    -------
    dict of str to PageFile
        By path of the address, for example ``/sw.js``; ``/`` is the page itself.

    Raises
    ------
    PageError
        There is no page.
    """
    pages = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        media_type = _TYPES.get(path.suffix)
        if media_type is None or not _NAME.fullmatch(name):
            continue
        if path.is_file() and not path.is_symlink():
            pages[f"/{name}"] = PageFile.of(path.read_bytes(), media_type)
    if f"/{_INDEX}" not in pages:
        msg = f"{folder}: the page is missing there; pullcoast's own files are incomplete, install it again"
        raise PageError(errno.ENOENT, msg)
    pages["/"] = pages[f"/{_INDEX}"]
    return pages
