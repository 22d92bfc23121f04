"""The command `pullcoast capture`: a server that a phone's browser records and sends with."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_OK
from analysis.terminal.options import CAUTIONS, Quiet, flag, option, whole

__all__ = ["app", "capture"]

_DESCRIPTION = f"""\
Let a phone record with its own browser, and take the recordings in.

Prints an address and its code (QR) to open on a phone in the same network. The page that opens
records GPS and motion, also away from this computer as long as it stays open, and sends its
recordings when it is back in the network. They arrive in DIR, with a session.toml to fill in. As soon
as one is whole, the report is made in DIR/results and its headline shown on the phone. Ctrl-C ends;
what was under way goes on at the next start.

The phone's browser warns about the certificate, which was made on this computer: go on to the page.
Use the same address and port each time, or the phone does not show what it has not sent yet.

{CAUTIONS}"""

_EXAMPLES = """\
examples:
  pullcoast capture --dir monday
  pullcoast capture --dir monday --host 192.168.1.20 --port 9443
  pullcoast capture --dir monday --ca     a page that can be loaded again without network"""

_LIMITS = "limits"
_KEYS = "certificate and token"

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def capture(
    quiet: Quiet = False,
    folder: Annotated[
        str, option("--dir", "DIR", "where they go (default: recordings)")
    ] = "recordings",
    host: Annotated[
        str | None,
        option(
            "--host",
            "HOST",
            "address or name of this computer as the phone sees it, 0.0.0.0 for all (default: the "
            "address that leads into the network)",
        ),
    ] = None,
    port: Annotated[
        int,
        option("--port", "N", "(default: 8443); 0 is any free one", parser=whole(0, 65_535)),
    ] = 8443,
    qr: Annotated[
        bool | None,
        typer.Option(
            "--qr/--no-qr",
            help="draw the code, or do not (default: on a terminal)",
            show_default=False,
        ),
    ] = None,
    report: Annotated[
        bool,
        typer.Option(
            "--report/--no-report",
            help="make the report as recordings arrive, and show it on the phone, or do not "
            "(default: make it)",
            show_default=False,
        ),
    ] = True,
    page: Annotated[
        str | None,
        option("--page", "FOLDER", "serve this page, as `pullcoast page` writes it, on the phone"),
    ] = None,
    max_size: Annotated[
        int,
        option(
            "--max-size",
            "MB",
            "largest recording (default: 200 MB)",
            group=_LIMITS,
            parser=whole(1, 1000),
        ),
    ] = 200,
    quota: Annotated[
        int,
        option(
            "--quota",
            "MB",
            "all recordings in DIR (default: 5000 MB)",
            group=_LIMITS,
            parser=whole(1, 1_000_000),
        ),
    ] = 5000,
    authority: Annotated[
        bool,
        flag(
            "--ca",
            "make an authority that the phone can be told to trust, for this computer's address "
            "alone; says how to install and remove it",
            group=_KEYS,
        ),
    ] = False,
    keys: Annotated[
        str | None,
        option(
            "--keys",
            "FOLDER",
            "where certificate and token are kept (default: ~/.pullcoast)",
            group=_KEYS,
        ),
    ] = None,
    new_token: Annotated[
        bool,
        flag("--new-token", "make a new token: earlier codes open nothing more", group=_KEYS),
    ] = False,
) -> int:
    """Run ``pullcoast capture`` until Ctrl-C and return the exit status."""
    from analysis.batch.live_routes import ServedReport
    from analysis.phone.folder import served_pages
    from analysis.setup.reception import receive
    from logger.capture.uploads import Limits

    receive(
        Path(folder),
        Limits(recording_bytes=max_size * 1_000_000, quota_bytes=quota * 1_000_000),
        host=host,
        port=port,
        keys=Path(keys) if keys else Path.home() / ".pullcoast",
        authority=authority,
        new_token=new_token,
        qr=qr,
        quiet=quiet,
        follower=ServedReport(Path(folder)) if report else None,
        pages=None if page is None else served_pages(Path(page)),
    )
    return EXIT_OK
