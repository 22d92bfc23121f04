"""How much of a recording is lost when a phone ends the browser in the middle of it.

Run by hand, where the tests of the capture page run:

    python tests/benchmarks/page_kill.py --keep     # also keeps the figures

The browser of one profile records motion at 60 Hz and is killed, all its processes at once, after a
random time; opened again, the page gives the recording, which the project's reader reads. Lost is
what lies between the last stored sample and the moment after the last kill signal, which is more than
the page could have lost. Nothing but that end may be missing. This is the end of a process, not of the power: that was not tried.
"""

from __future__ import annotations

import argparse
import platform
import sys
import tempfile
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "support"), str(HERE.parents[1])]

from figures import Figure, keep_figures
from make_browser import address_of, killed, launched
from make_capture import thread_server

GOAL_S = 1.0


def main() -> int:
    """Kill, measure, print; 1 where too much was lost."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--kills", type=int, default=20, help="how often (default: 20)")
    parser.add_argument("--seed", type=int, default=1, help="of the random times (default: 1)")
    parser.add_argument(
        "--keep", action="store_true", help="keep the figures, in place of earlier ones"
    )
    arguments = parser.parse_args()
    after_s = np.random.default_rng(arguments.seed).uniform(0.8, 6.0, arguments.kills).tolist()
    lines = ["kill  after s  rows  longest hole s  lost s"]
    lost = []
    with tempfile.TemporaryDirectory(prefix="pullcoast_kill_") as folder:
        place = Path(folder)
        with thread_server(place / "session") as server:
            for playwright, browser in launched():
                program = browser.version
                found = killed(playwright, address_of(server), place, after_s)
                for number, (lost_s, recording) in enumerate(found, start=1):
                    accel = recording.channel("accel_x_mps2")
                    assert accel is not None
                    hole_s = float(np.diff(accel.t_s).max())
                    lost.append(lost_s)
                    lines.append(
                        f"{number:4d}  {after_s[number - 1]:7.2f}  {accel.t_s.size:4d}"
                        f"  {hole_s:14.3f}  {lost_s:6.3f}"
                    )
                    print(lines[-1], flush=True)
    good = sum(one <= GOAL_S for one in lost)
    now = datetime.now(UTC)
    head = [
        f"{now:%Y-%m-%d %H:%M} UTC",
        f"pullcoast {version('pullcoast')}, Chromium {program}, {platform.system()}",
        f"{len(lost)} kills, seed {arguments.seed}",
        "",
    ]
    tail = ["", f"at most {GOAL_S:g} s lost in {good} of {len(lost)}; most {max(lost):.3f} s"]
    text = "\n".join([*head, *lines, *tail]) + "\n"
    print(text)
    if arguments.keep:
        most = Figure("most lost of a recording", max(lost), None, GOAL_S, "s")
        none = Figure(
            "kills that nothing came back of", float(arguments.kills - len(lost)), None, 0.0
        )
        keep_figures("page_kill", [most, none], f"{arguments.kills} kills")
    return 0 if good == len(lost) == arguments.kills else 1


if __name__ == "__main__":
    sys.exit(main())
