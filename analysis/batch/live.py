"""Keeps the report of a session up to date while recordings arrive: one process, the newest state wins."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

__all__ = ["RESULTS", "Allowance", "LiveReport", "LiveState"]

#: Where the files go, in the session's folder: where `pullcoast report` puts them.
RESULTS = "results"
#: A row of uploads is one job: a report waits so long for more of them [s].
_PAUSE_S = 0.3
#: Where this very package lies: another one called `analysis` may be nearer to another process.
_ROOT = Path(__file__).resolve().parents[2]
_APART = """\
import sys
sys.path.insert(0, sys.argv[1])
from analysis.batch.live_report import run_child
run_child(sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
"""
_LONGEST_LINE = 20_000
_KEYS = ("state", "title", "lines", "report")


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveState:
    """What the phone is shown of the report.

    Parameters
    ----------
    state : {"idle", "working", "done", "not yet", "failed"}
        What it is at.
    title : str
        The headline.
    lines : tuple of str
        More of it, a sentence each.
    report : bool
        Whether there is a full report to open.
    """

    state: Literal["idle", "working", "done", "not yet", "failed"]
    title: str
    lines: tuple[str, ...] = ()
    report: bool = False

    def as_json(self) -> dict[str, object]:
        """Return it as it goes to the phone."""
        return {**asdict(self), "lines": list(self.lines)}


_COMING = LiveState(state="working", title="Working out the report …")


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """What one report may cost: memory [bytes], time of the processor and of the clock [s]."""

    memory_bytes: int = 3_000_000_000
    cpu_s: int = 300
    patience_s: float = 600.0


class LiveReport:
    """The report of one folder, made anew whenever something has arrived.

    Parameters
    ----------
    folder : Path
        The session's folder.
    said : callable, optional
        Called with each state that stays, in a thread of this object's own.
    allowance : Allowance, optional
        Limits of the process that makes it.
    """

    def __init__(
        self,
        folder: Path,
        said: Callable[[LiveState], None] | None = None,
        allowance: Allowance | None = None,
    ) -> None:
        self.folder = folder
        self._said = said or (lambda _: None)
        self._allowance = allowance or Allowance()
        self._change = threading.Condition()
        self._wanted = False
        self._expected = 0  # arrivals that are being looked into
        self._ending = False
        self._process: subprocess.Popen[str] | None = None
        self._state = LiveState(state="idle", title="No report yet.")
        self._thread = threading.Thread(target=self._keep, name="report", daemon=True)
        self._thread.start()

    @property
    def state(self) -> LiveState:
        """What is to be shown now."""
        return _COMING if self._expected else self._state

    @property
    def page(self) -> Path:
        """The full report, once there is one."""
        return self.folder / RESULTS / "report.html"

    def expect(self) -> None:
        """Note that something arrived: from now on what is known is old. `want` or `forgo` follows."""
        with self._change:
            self._expected += 1

    def forgo(self) -> None:
        """Take an expectation back: what arrived is no recording."""
        with self._change:
            self._expected = max(0, self._expected - 1)

    def want(self) -> None:
        """Have the report made of what is there now; one under way for an older state is given up."""
        with self._change:
            if self._ending:
                return
            self._wanted = True
            self._expected = max(0, self._expected - 1)
            self._state = _COMING
            self._kill()
            self._change.notify()

    def end(self) -> bool:
        """End the process and the thread; return whether a report was under way or waited for."""
        with self._change:
            unfinished = self.state.state == "working"
            self._ending = True
            self._kill()
            self._change.notify()
        self._thread.join()
        return unfinished

    def _kill(self) -> None:
        if self._process is not None:
            self._process.kill()

    def _keep(self) -> None:
        while True:
            with self._change:
                self._change.wait_for(lambda: self._wanted or self._ending)
                while not self._ending:
                    self._wanted = False
                    if not self._change.wait(_PAUSE_S):  # nothing more came meanwhile
                        break
                if self._ending:
                    return
                process = self._begin()
            state = (
                self._follow(process) if process is not None else _failure("it cannot be started")
            )
            with self._change:
                self._process = None
                if self._wanted or self._ending:
                    continue
                self._state = state
            self._said(state)

    def _begin(self) -> subprocess.Popen[str] | None:
        allowed = self._allowance
        try:
            self._process = subprocess.Popen(
                [
                    *(sys.executable, "-P", "-c", _APART, str(_ROOT), str(self.folder)),
                    *(str(allowed.memory_bytes), str(allowed.cpu_s)),
                ],
                stdin=subprocess.PIPE,  # closed when this process ends: then the child ends too
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
                errors="replace",
                env={
                    **os.environ,
                    "PYTHONWARNINGS": "ignore",
                    "PYTHONUTF8": "1",
                    "OPENBLAS_NUM_THREADS": "1",
                },
                start_new_session=True,  # Ctrl-C is meant for the server, which ends this
            )
        except OSError:
            return None
        return self._process

    def _follow(self, process: subprocess.Popen[str]) -> LiveState:
        """Read what the process says until it ends; return what to show."""
        patience = threading.Timer(self._allowance.patience_s, process.kill)
        patience.start()
        last: LiveState | None = None
        assert process.stdout is not None
        assert process.stdin is not None
        try:
            while line := process.stdout.readline(_LONGEST_LINE):
                found = _parsed(line)
                if isinstance(found, LiveState):
                    last = found
                elif found and not self._wanted:
                    self._state = LiveState(state="working", title=f"Working: {found} …")
            process.wait()
        finally:
            patience.cancel()
            process.stdout.close()
            process.stdin.close()
        if last is not None and process.returncode == 0:
            return last
        return _failure("its process was ended, or went beyond its limits of time or memory")


def _parsed(line: str) -> LiveState | str | None:
    """Return a state, the text of a step, or None for anything else."""
    try:
        told = json.loads(line)
        if "step" in told:
            return str(told["step"])
        state = {key: told[key] for key in _KEYS}
        return LiveState(**{**state, "lines": tuple(state["lines"])})
    except (ValueError, KeyError, TypeError):
        return None


def _failure(why: str) -> LiveState:
    text = f"The recordings are whole: {why}. It is tried again with the next recording."
    return LiveState(state="failed", title="The report failed.", lines=(text,))
