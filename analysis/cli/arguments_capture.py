"""Arguments of `pullcoast capture`."""

from __future__ import annotations

import argparse

from analysis.terminal.options import CAUTIONS, Parser, new_command, whole

__all__ = ["add_capture"]

_CAPTURE = f"""\
Let a phone record with its own browser, and take the recordings in.

Prints an address and its code (QR) to open on a phone in the same network. The page that opens
records GPS and motion, also away from this computer as long as it stays open, and sends its
recordings when it is back in the network. They arrive in DIR, with a session.toml to fill in. As
soon as one is whole, the report is made in DIR/results and its headline shown on the phone. Ctrl-C
ends; what was under way goes on at the next start.

The phone's browser warns about the certificate, which was made on this computer: go on to the page.
Use the same address and port each time, or the phone does not show what it has not sent yet.

{CAUTIONS}"""

_CAPTURE_EXAMPLES = """\
examples:
  pullcoast capture --dir monday
  pullcoast capture --dir monday --host 192.168.1.20 --port 9443
  pullcoast capture --dir monday --ca     a page that can be loaded again without network"""


def add_capture(commands: argparse._SubParsersAction[Parser]) -> None:
    """Add `pullcoast capture`."""
    title = "record with the phone's browser, and take the recordings in"
    parser = new_command(commands, "capture", title, _CAPTURE, _CAPTURE_EXAMPLES)
    parser.add_argument(
        "--dir", default="recordings", metavar="DIR", help="where they go (default: recordings)"
    )
    parser.add_argument(
        "--host",
        metavar="HOST",
        help="address or name of this computer as the phone sees it, 0.0.0.0 for all (default: the "
        "address that leads into the network)",
    )
    parser.add_argument(
        "--port", type=whole(0, 65_535), default=8443, metavar="N",
        help="(default: 8443); 0 is any free one",
    )  # fmt: skip
    parser.add_argument(
        "--qr",
        action=argparse.BooleanOptionalAction,
        help="draw the code, or do not (default: on a terminal)",
    )
    parser.add_argument(
        "--report",
        action=argparse.BooleanOptionalAction,
        default=True,
        help="make the report as soon as a recording has arrived, and show it on the phone "
        "(default: yes)",
    )
    group = parser.add_argument_group("limits")
    group.add_argument(
        "--max-size", type=whole(1, 1000), default=200, metavar="MB",
        help="largest recording (default: 200 MB)",
    )  # fmt: skip
    group.add_argument(
        "--quota", type=whole(1, 1_000_000), default=5000, metavar="MB",
        help="all recordings in DIR (default: 5000 MB)",
    )  # fmt: skip
    group = parser.add_argument_group("certificate and token")
    group.add_argument(
        "--ca",
        action="store_true",
        help="make an authority that the phone can be told to trust, for this computer's address "
        "alone; says how to install and remove it",
    )
    group.add_argument(
        "--keys",
        metavar="FOLDER",
        help="where certificate and token are kept (default: ~/.pullcoast)",
    )
    group.add_argument(
        "--new-token", action="store_true", help="make a new token: earlier codes open nothing more"
    )
