"""The report of what has arrived so far, made in a process of its own with limits on time and memory.

The parent is `live.py`. Here one session is worked out as `pullcoast report` would do it; every line on
the standard output is JSON: steps while it works, and in the end what a person should see.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from pathlib import Path

from analysis.batch.live import RESULTS, LiveState
from analysis.batch.results import analyse_checked
from analysis.report.html import render
from analysis.terminal.errors import EXIT_NOTHING, describe
from analysis.terminal.output import write_together
from analysis.text.headline import LONGEST_LINE, headline
from logger.session.files import SESSION_FILE, load_toml
from logger.session.overrides import open_session

try:
    import resource
except ImportError:  # not on every system
    resource = None  # type: ignore[assignment]

__all__ = ["make_report", "run_child"]

_MOST_LINES = 6
_MOST_FILE_BYTES = 100_000_000


def make_report(folder: Path) -> LiveState:
    """Write the report of a session folder and return what to show of it.

    Parameters
    ----------
    folder : Path
        With a session.toml.

    Returns
    -------
    LiveState
        "not yet" where mass, runs or one direction are missing; "failed" with the reason where the
        input cannot be used.
    """
    if not (folder / SESSION_FILE).exists():
        return LiveState(state="idle", title="No recording has arrived yet.")
    try:
        if not _has_mass(folder):
            how = "Write the mass as driven on the page before the next run, or into session.toml."
            return LiveState(state="not yet", title="Not yet: the mass.", lines=(how,))
        _step("reading the recordings, and fitting all runs at once")
        outcome, crosscheck = analyse_checked(open_session(folder), quiet=True)
        _step("drawing and writing")
        write_together(folder / RESULTS, render(outcome, crosscheck=crosscheck))
    except Exception as error:  # noqa: BLE001 - this process has no other task than to say so
        texts, status = describe(error)
        lines = tuple(text[:LONGEST_LINE] for text in texts[:_MOST_LINES])
        if status == EXIT_NOTHING:
            return LiveState(state="not yet", title="Not yet: no run can be used.", lines=lines)
        return LiveState(state="failed", title="The report failed.", lines=lines)
    shown = headline(outcome)
    return LiveState(
        state="done" if shown.both_ways else "not yet",
        title=shown.title,
        lines=shown.lines,
        report=True,
    )


def _has_mass(folder: Path) -> bool:
    vehicle = load_toml(folder / SESSION_FILE).get("vehicle")
    return isinstance(vehicle, dict) and any(key in vehicle for key in ("mass_kg", "mass_lb"))


def run_child(folder: str, memory_bytes: int, cpu_s: int) -> None:
    """Limit this process, make the report, print what to show, and end with the parent."""
    threading.Thread(target=_leave_with_parent, daemon=True).start()
    _limit(memory_bytes, cpu_s)
    print(json.dumps(make_report(Path(folder)).as_json()), flush=True)


def _step(text: str) -> None:
    print(json.dumps({"step": text}), flush=True)


def _limit(memory_bytes: int, cpu_s: int) -> None:
    if resource is None:  # there the parent's patience is the limit
        return
    limits = (
        (resource.RLIMIT_AS, memory_bytes),
        (resource.RLIMIT_CPU, cpu_s),
        (resource.RLIMIT_FSIZE, _MOST_FILE_BYTES),
        (resource.RLIMIT_CORE, 0),
    )
    for kind, most in limits:
        with contextlib.suppress(ValueError, OSError):  # a lower one holds already
            resource.setrlimit(kind, (most, most))


def _leave_with_parent() -> None:
    """End as soon as the parent's end of the standard input is closed, whatever closed it."""
    while os.read(0, 4096):  # not through sys.stdin: its lock would be held at this process's end
        pass
    os._exit(1)
