"""The command `pullcoast page`: a static folder that does all of it in a phone's browser."""

from __future__ import annotations

import json
import shlex
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_OK
from analysis.terminal.options import CAUTIONS, Quiet, argument, flag, option
from analysis.terminal.progress import Progress

__all__ = ["app", "page"]

_DESCRIPTION = f"""\
Write a static folder that records and works out in a phone's browser, without a computer.

DIR must be new, empty, or an earlier page. It holds the capture page, the analysis, and a WebAssembly
Python with its packages, each checked against the SHA-256 of its release. Put it on any https host:
nothing that is recorded leaves the phone. The folder's licences are listed in phone/licences.txt.

{CAUTIONS}"""

_EXAMPLES = """\
examples:
  pullcoast page site
  pullcoast page site --runtime pyodide-0.27.7
  pullcoast capture --dir monday --page site     serve it in the local network"""

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def page(
    folder: Annotated[str, argument("DIR", "new, empty, or an earlier page")],
    quiet: Quiet = False,
    as_json: Annotated[bool, flag("--json", "for programs: what was written")] = False,
    runtime: Annotated[
        str | None,
        option(
            "--runtime",
            "FOLDER",
            "holds the files of Pyodide 0.27.7 and its wheels (default: fetch its published release)",
        ),
    ] = None,
) -> int:
    """Run ``pullcoast page`` and return the exit status."""
    from analysis.phone.folder import write_page
    from analysis.phone.runtime import read_runtime

    place = Path(folder)
    with Progress(quiet=quiet) as progress:
        found = read_runtime(
            Path(runtime) if runtime else None, lambda name: progress.show(f"checking {name}")
        )
        progress.show("packing")
        written = write_page(place, found)
    if as_json:
        print(json.dumps({"folder": str(place), **asdict(written)}, indent=1))
    elif not quiet:
        print(
            f"The page lies in {place}: {written.files} files, {written.bytes / 1e6:.1f} MB, of "
            f"which a phone fetches {written.runtime_bytes / 1e6:.1f} MB once to work sessions out.\n"
            f"Put the folder on an https host, or: pullcoast capture --page {shlex.quote(str(place))}"
        )
    return EXIT_OK
