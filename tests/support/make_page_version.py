"""The version of the capture page's offline copy: made of its files, so that none goes stale.

``python tests/support/make_page_version.py`` writes it into sw.js after a change to the page.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

__all__ = ["PAGE", "page_files", "version_of_files", "version_stated"]

PAGE = Path(__file__).resolve().parents[2] / "logger" / "capture" / "page"
_STATED = re.compile(r'^const VERSION = "([0-9a-f]+)";$', re.MULTILINE)


def page_files() -> list[Path]:
    return sorted(path for path in PAGE.rglob("*") if path.is_file())


def version_of_files() -> str:
    """Return 16 digits that change with any file, sw.js included but for the version itself."""
    digest = hashlib.sha256()
    for path in page_files():
        data = path.read_text(encoding="utf-8")
        if path.name == "sw.js":
            data = _STATED.sub("", data)
        digest.update(f"{path.relative_to(PAGE).as_posix()}\n{len(data)}\n{data}".encode())
    return digest.hexdigest()[:16]


def version_stated() -> str:
    found = _STATED.search((PAGE / "sw.js").read_text(encoding="utf-8"))
    return found[1] if found else ""


if __name__ == "__main__":
    worker = PAGE / "sw.js"
    text = worker.read_text(encoding="utf-8")
    line = f'const VERSION = "{version_of_files()}";'
    worker.write_text(_STATED.sub(line, text), encoding="utf-8")
