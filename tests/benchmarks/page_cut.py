"""Whether recordings arrive whole over connections that break at random bytes.

Run by hand, where the tests of the capture page run:

    python tests/benchmarks/page_cut.py --keep     # also keeps the figures

The page records, and sends to the capture server through a proxy whose connections break after
random numbers of bytes: in parts, in requests, in handshakes. What arrives is compared byte by byte
with what the page saves as a file.
"""

from __future__ import annotations

import argparse
import platform
import sys
import tempfile
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "support"), str(HERE.parents[1])]

from figures import Figure, keep_figures
from make_browser import (
    accept,
    address_of,
    feed,
    launched,
    made_rows,
    phone_page,
    start,
    stop,
    table_of,
)
from make_capture import thread_server
from make_cutting import cutting_proxy

PER_RECORDING = 10


def main() -> int:
    """Send, cut, compare, print; 1 where a byte differs."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--cuts", type=int, default=50, help="how many (default: 50)")
    parser.add_argument("--seed", type=int, default=1, help="of places and rows (default: 1)")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, in place of earlier ones"
    )
    arguments = parser.parse_args()
    rng = np.random.default_rng(arguments.seed)
    lines = ["recording     bytes  cuts  identical"]
    made = same = count = 0
    with tempfile.TemporaryDirectory(prefix="pullcoast_cut_") as folder, cutting_proxy() as proxy:
        settings: dict[str, Any] = {"proxy": {"server": proxy.address, "bypass": "<-loopback>"}}
        with thread_server(Path(folder) / "session") as server:
            for _, browser in launched():
                program = browser.version
                while made < arguments.cuts:
                    count += 1
                    with phone_page(browser, address_of(server), **settings) as page:
                        accept(page)
                        start(page)
                        feed(page, made_rows(240.0, seed=int(rng.integers(1 << 30))))
                        stop(page)
                        expected = table_of(page, Path(folder) / "run.csv").read_bytes()
                        before = proxy.made
                        most = len(expected) // PER_RECORDING
                        proxy.cuts = [int(cut) for cut in rng.integers(1, most, PER_RECORDING)]
                        page.click("#send")
                        told = "#one-state:has-text('has all of it')"
                        page.wait_for_selector(told, timeout=120_000)
                    arrived = server.when_arrived().read_bytes()
                    cuts = proxy.made - before
                    made += cuts
                    same += arrived == expected
                    lines.append(
                        f"{count:9d}  {len(expected):8d}  {cuts:4d}  {arrived == expected}"
                    )
                    print(lines[-1], flush=True)
    now = datetime.now(UTC)
    head = [
        f"{now:%Y-%m-%d %H:%M} UTC",
        f"pullcoast {version('pullcoast')}, Chromium {program}, {platform.system()}",
        f"seed {arguments.seed}",
        "",
    ]
    tail = ["", f"{made} cuts, {same} of {count} recordings identical"]
    text = "\n".join([*head, *lines, *tail]) + "\n"
    print(text)
    if arguments.keep:
        other = Figure("recordings that arrive otherwise than sent", float(count - same), None, 0.0)
        keep_figures("page_cut", [other], f"{count} recordings, {made} cuts")
    return 0 if same == count else 1


if __name__ == "__main__":
    sys.exit(main())
