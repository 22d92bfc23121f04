"""The licences of everything that the folder holds, as one text."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis.phone.trim import LICENCES

__all__ = ["Notice", "licence_text", "notice_of"]

_FIELD = re.compile(
    r"^(License-Expression|License|Classifier: License ::.*?::) ?:? ?(.*)$", re.MULTILINE
)
_LONGEST = 80
#: What states no licence in its own files: from the projects' own pages.
_KNOWN = {
    "openblas": "BSD-3-Clause",
    "six": "MIT",
}
_HEAD = """\
This folder holds pullcoast and, unchanged but for files left out, the programs named below.
Each stays under its own licence. Nothing of them is sent anywhere: they run in the browser.

pullcoast: MIT (text at the end)
Pyodide {version} (pyodide.mjs, pyodide.asm.js, wasm.bin): MPL-2.0; source at https://pyodide.org
CPython 3.12 (wasm.bin, stdlib.zip): PSF-2.0; source at https://www.python.org
Emscripten's libraries (wasm.bin): MIT
DejaVu fonts (in matplotlib): Bitstream Vera licence, in matplotlib's texts
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """A package's name, version, licence in a word, and its texts."""

    name: str
    version: str
    licence: str
    texts: tuple[str, ...]


def notice_of(name: str, version: str, files: Mapping[str, bytes]) -> Notice:
    """Return what a package's own files state of its licence.

    Parameters
    ----------
    name, version : str
        As the release or the environment has it.
    files : mapping
        The package's files by name, METADATA and licence texts among them.
    """
    stated = ""
    for place, data in files.items():
        if place.endswith(".dist-info/METADATA"):
            head = data.decode("utf-8", "replace").partition("\n\n")[0]
            found = [(m[1], m[2].strip()) for m in _FIELD.finditer(head)]
            short = [value for _, value in found if value and len(value) <= _LONGEST]
            stated = short[0] if short else ""
    texts = tuple(
        f"[{place}]\n{data.decode('utf-8', 'replace').strip()}"
        for place, data in sorted(files.items())
        if LICENCES.search(place)
    )
    licence = stated or _KNOWN.get(name, "see the text")
    return Notice(name=name, version=version, licence=licence, texts=texts)


def licence_text(version: str, notices: Sequence[Notice]) -> str:
    """Return the list of licences, then their texts.

    Parameters
    ----------
    version : str
        Of Pyodide.
    notices : sequence of Notice
        Of every package in the folder.
    """
    lines = [_HEAD.format(version=version).rstrip()]
    lines += [f"{one.name} {one.version}: {one.licence}" for one in notices]
    for one in notices:
        for text in one.texts:
            lines += ["", "-" * 72, f"{one.name} {one.version} {text}"]
    own = Path(__file__).resolve().parents[2] / "LICENSE"
    if own.is_file():
        lines += ["", "-" * 72, f"pullcoast\n{own.read_text(encoding='utf-8').strip()}"]
    return "\n".join(lines) + "\n"
