"""The static folder: the capture page, what works sessions out in it, and the WebAssembly Python.

Archives bear a digest in their names, so that a page of a newer release fetches what changed and
nothing else. `runtime.json` lists them; the page checks each by its SHA-256 before it is kept.
"""

from __future__ import annotations

import base64
import errno
import gzip
import hashlib
import io
import json
import os
import re
import shutil
import tempfile
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from analysis.phone.installed import NEEDED, installed_files, own_files
from analysis.phone.licences import Notice, licence_text, notice_of
from analysis.phone.runtime import VERSION, Runtime
from analysis.phone.trim import trimmed
from analysis.terminal.output import OutputError, check_writable
from logger.capture.pages import PAGE, PageError, PageFile, load_pages

__all__ = ["FRAME", "MANIFEST", "POLICY", "Written", "served_pages", "write_page"]

MANIFEST = "phone/runtime.json"
FRAME = "phone/frame.html"
_LICENCES = "phone/licences.txt"
_FORMAT = "pullcoast-page/1"
_OWN_PAGE = Path(__file__).with_name("page")
#: Of the page and of the worker: compiled code may run, and nothing comes from or goes elsewhere.
POLICY = (
    "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; connect-src 'self'; "
    "img-src 'self' data: blob:; worker-src 'self'; manifest-src 'self'; frame-src 'self'; "
    "base-uri 'none'; form-action 'none'"
)
_STATED_POLICY = re.compile(r'(http-equiv="Content-Security-Policy" content=")[^"]*')
_SCRIPT = '<script type="module" src="main.js"></script>\n'
_ADDED = (
    '<link rel="stylesheet" href="phone/phone.css">\n'
    '<script type="module" src="phone/phone.js"></script>\n'
)
_WORKER_VERSION = re.compile(r'const VERSION = "[0-9a-f]*";')
_WORKER_FILES = re.compile(r"const FILES = \[.*?\];", re.DOTALL)
#: Handled by the service worker's second part, which gives it a policy of its own.
_WORKER = "phone/worker.js"
_SITE = "/lib/python3.12/site-packages"
_LIBRARIES = "/usr/lib"
#: Every file of an archive has this date: the same input gives the same bytes.
_DATE = (1980, 1, 1, 0, 0, 0)
#: Which archive a package goes into; each is fetched by itself, side by side.
_ARCHIVES = {
    "numpy": ("numpy",),
    "scipy": ("scipy",),
    "openblas": ("openblas",),
    "pandas": ("pandas", "python-dateutil", "six", "pytz"),
    "matplotlib": (
        "matplotlib", "contourpy", "cycler", "kiwisolver", "packaging", "pillow", "pyparsing",
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What was written: files, all their bytes, and those that a phone fetches once."""

    files: int
    bytes: int
    runtime_bytes: int


def write_page(folder: Path, runtime: Runtime) -> Written:
    """Write the static folder.

    Parameters
    ----------
    folder : Path
        New, empty, or an earlier page, which is then replaced.
    runtime : Runtime
        As from `read_runtime`.

    Returns
    -------
    Written
        How much it is.

    Raises
    ------
    OutputError
        The folder holds something else, or cannot be written to.
    InstalledFileError
        An installed package is incomplete.
    """
    _check_place(folder)
    files, manifest = _runtime_files(runtime)
    fetched = sum(len(data) for name, data in files.items() if name.startswith("phone/runtime/"))
    manifest["bytes"] = fetched
    listed = {MANIFEST: json.dumps(manifest, indent=1).encode(), _LICENCES: files.pop(_LICENCES)}
    files |= _small_files(listed)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=".pullcoast-page-", dir=folder))
        try:
            for name, data in files.items():
                (staging / name).parent.mkdir(parents=True, exist_ok=True)
                (staging / name).write_bytes(data)
            # what others refer to goes first, the worker that takes a new version up goes last
            for name in sorted(files, key=lambda name: (name == "sw.js", name.count("/") == 0)):
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                os.replace(staging / name, folder / name)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
        _clear_earlier(folder, set(files))
    except OSError as error:
        msg = f"{folder}: cannot write the page: {error.strerror or error}"
        raise OutputError(msg) from error
    return Written(
        files=len(files),
        bytes=sum(len(data) for data in files.values()),
        runtime_bytes=fetched,
    )


def served_pages(folder: Path) -> dict[str, PageFile]:
    """Read a static folder for `pullcoast capture`, each file with the policy that it needs.

    Parameters
    ----------
    folder : Path
        As from `write_page`.

    Raises
    ------
    PageError
        There is no such page.
    """
    pages = load_pages(folder)
    if f"/{MANIFEST}" not in pages:
        msg = f"{folder}: no page that works sessions out; make one with `pullcoast page`"
        raise PageError(errno.ENOENT, msg)
    own = {"content-security-policy": f"{POLICY}; frame-ancestors 'none'"}
    stated = _STATED_POLICY.search(pages[f"/{FRAME}"].data.decode())
    shut_in = "" if stated is None else stated[0].removeprefix(stated[1])
    framed = {
        "content-security-policy": f"{shut_in}; frame-ancestors 'self'",
        "x-frame-options": "SAMEORIGIN",
    }
    return {
        path: replace(page, headers=framed if path == f"/{FRAME}" else own)
        for path, page in pages.items()
    }


def _check_place(folder: Path) -> None:
    """Refuse a folder that holds something else than an earlier page."""
    check_writable(folder)
    if not folder.is_dir():
        return
    found = {path.name for path in folder.iterdir() if not path.name.startswith(".")}
    try:
        earlier = json.loads((folder / MANIFEST).read_bytes())["format"] == _FORMAT
    except (OSError, ValueError, KeyError, TypeError):
        earlier = False
    if found and not earlier:
        msg = (
            f"{folder}: holds {', '.join(sorted(found)[:5])}, and no earlier page; nothing was "
            "changed. Choose a new or empty folder"
        )
        raise OutputError(msg)


def _clear_earlier(folder: Path, names: set[str]) -> None:
    """Remove what an earlier page had and this one does not, of the runtime's files alone."""
    place = folder / "phone" / "runtime"
    for path in sorted(place.rglob("*"), reverse=True):
        if path.is_dir():
            if not any(path.iterdir()):
                path.rmdir()
        elif path.relative_to(folder).as_posix() not in names:
            path.unlink()


def _runtime_files(runtime: Runtime) -> tuple[dict[str, bytes], dict[str, object]]:
    """Return the files that a phone fetches once, and the list of them; licences beside."""
    notices: list[Notice] = []
    packages = {package.name: package for package in runtime.packages}
    archives: dict[str, tuple[str, dict[str, bytes]]] = {}
    for name, members in _ARCHIVES.items():
        inner: dict[str, bytes] = {}
        for member in members:
            package = packages[member]
            kept = trimmed(member, package.data)
            inner |= kept
            notices.append(notice_of(member, package.version, kept))
        into = _LIBRARIES if packages[members[0]].library else _SITE
        archives[name] = (into, inner)
    own = own_files()
    for name in NEEDED:
        version, kept = installed_files(name)
        own |= kept
        notices.append(notice_of(name, version, kept))
    archives["pullcoast"] = (_SITE, own)

    files: dict[str, bytes] = {}
    listed: list[dict[str, object]] = []

    def add(place: str, data: bytes, **more: object) -> None:
        files[place] = data
        digest = hashlib.sha256(data).hexdigest()
        entry = {"file": place.removeprefix("phone/"), "bytes": len(data), "sha256": digest}
        listed.append(entry | more)

    core = runtime.core
    index = f"phone/runtime/python-{_short(core['pyodide.asm.js'] + core['pyodide.asm.wasm'])}"
    for name in ("pyodide.mjs", "pyodide.asm.js"):
        add(f"{index}/{name}", core[name], kind="module")
    # packed: hosts differ in what they compress, and some take .gz for a way of sending
    packed = gzip.compress(core["pyodide.asm.wasm"], 9, mtime=0)
    add(f"{index}/wasm.bin", packed, kind="wasm")
    add(f"{index}/stdlib.zip", core["python_stdlib.zip"], kind="stdlib")
    for name, (into, inner) in archives.items():
        data = _archive(inner)
        libraries = sorted(inner) if into == _LIBRARIES else []
        place = f"phone/runtime/{name}-{_short(data)}.zip"
        add(place, data, kind="archive", into=into, libraries=libraries)
    files[_LICENCES] = licence_text(VERSION, notices).encode()
    manifest: dict[str, object] = {
        "format": _FORMAT,
        "index": index.removeprefix("phone/") + "/",
        "files": listed,
    }
    return files, manifest


def _script_digest(page: str) -> str:
    """Return the digest by which a policy lets a page's one script run, and no other."""
    script = page.partition("<script>")[2].partition("</script>")[0]
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _short(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()[:12]


def _archive(inner: Mapping[str, bytes]) -> bytes:
    """Return a zip that is the same for the same files."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as file:
        for name in sorted(inner):
            entry = zipfile.ZipInfo(name, _DATE)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            file.writestr(entry, inner[name])
    return out.getvalue()


def _small_files(listed: Mapping[str, bytes]) -> dict[str, bytes]:
    """Return the capture page with what is added to it, its service worker knowing all files."""
    files = {
        path.relative_to(PAGE).as_posix(): path.read_bytes()
        for path in sorted(PAGE.rglob("*"))
        if path.is_file()
    }
    for path in sorted(_OWN_PAGE.iterdir()):
        if path.is_file():
            files[f"phone/{path.name}"] = path.read_bytes()
    frame = files[FRAME].decode()
    files[FRAME] = frame.replace("SCRIPT", f"sha256-{_script_digest(frame)}").encode()
    files |= listed
    index = files["index.html"].decode()
    index = _STATED_POLICY.sub(rf"\g<1>{POLICY}", index).replace(_SCRIPT, _SCRIPT + _ADDED)
    files["index.html"] = index.encode()
    first, second = files.pop("sw.js").decode(), files.pop("phone/sw.js").decode()
    digest = hashlib.sha256((first + second).encode())
    for name, data in sorted(files.items()):
        digest.update(f"{name}\n{len(data)}\n".encode() + data)
    kept = sorted({"./", *files} - {"index.html", _WORKER})
    first = _WORKER_VERSION.sub(f'const VERSION = "{digest.hexdigest()[:16]}";', first)
    first = _WORKER_FILES.sub(f"const FILES = {json.dumps(kept)};", first)
    files["sw.js"] = (first + second.replace('"@POLICY@"', json.dumps(POLICY))).encode()
    return files
