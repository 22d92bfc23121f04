"""What a command is doing, on a terminal alone and only where it takes more than a moment."""

from __future__ import annotations

import sys
import threading
from types import TracebackType
from typing import TYPE_CHECKING, Self

from logger.visible import visible

if TYPE_CHECKING:
    from rich.progress import Progress as RichProgress
    from rich.progress import TaskID

__all__ = ["PATIENCE_S", "Progress"]

#: Nothing is shown before this: what is done by then needs no excuse [s].
PATIENCE_S = 1.5


class Progress:
    """A line on stderr that shows what is being done; nothing where stderr is no terminal.

    It comes after `PATIENCE_S` and is gone at the end, so that output stays as if it had never been.

    Parameters
    ----------
    total : int or None
        How many steps there are; None where nobody knows.
    quiet : bool
        Show nothing at all.

    Examples
    --------
    >>> with Progress(2) as progress:
    ...     for name in ("a.csv", "b.csv"):
    ...         progress.show(f"reading {name}")
    ...         progress.step()
    """

    def __init__(self, total: int | None = None, *, quiet: bool = False) -> None:
        self._total = total
        self._done = 0
        self._share = (0, total)
        self._text = ""
        self._lock = threading.Lock()
        self._display: RichProgress | None = None
        self._task: TaskID | None = None
        self._ended = False
        shown = not quiet and sys.stderr is not None and sys.stderr.isatty()
        self._timer = threading.Timer(PATIENCE_S, self._begin) if shown else None
        if self._timer is not None:
            self._timer.daemon = True

    def show(self, text: str) -> None:
        """Show what is being done now."""
        with self._lock:
            self._text = text = visible(text)
            self._share = (self._done, self._total)
            if self._display is None or self._task is None:
                return
            if self._total is None:
                self._display.reset(self._task, description=text, total=None, completed=self._done)
            else:  # the time that counted steps take goes on
                self._display.update(self._task, description=text)

    def share(self, done: int, total: int) -> None:
        """Show how much of what is being done now is done, as reading counts it in bytes.

        It counts only where the steps are not counted.
        """
        if self._total is not None:
            return
        with self._lock:
            self._share = (done, total)
            if self._display is not None and self._task is not None:
                self._display.update(self._task, completed=done, total=total)

    def step(self, count: int = 1) -> None:
        """Count steps as done."""
        with self._lock:
            self._done += count
            self._share = (self._done, self._total)
            if self._display is not None and self._task is not None:
                self._display.update(self._task, completed=self._done)

    def _begin(self) -> None:
        from rich import console
        from rich import progress as rich_progress

        columns: list[rich_progress.ProgressColumn] = []
        columns.append(rich_progress.BarColumn(24))  # it swings where nobody knows how much is left
        if self._total is not None:
            columns.append(rich_progress.MofNCompleteColumn())
        columns.append(rich_progress.TimeElapsedColumn())
        if self._total is not None and self._total > 9:
            columns += [rich_progress.TextColumn("left"), rich_progress.TimeRemainingColumn()]
        columns.append(rich_progress.TextColumn("{task.description}", markup=False))
        bare = getattr(sys.stderr, "plain_stream", sys.stderr)  # the bar itself moves the cursor
        display = rich_progress.Progress(
            *columns, console=console.Console(file=bare), transient=True, refresh_per_second=4
        )
        with self._lock:
            if self._ended:
                return
            done, total = self._share
            self._task = display.add_task(self._text, total=total, completed=done)
            self._display = display
            display.start()

    def __enter__(self) -> Self:
        if self._timer is not None:
            self._timer.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._timer is not None:
            self._timer.cancel()
        with self._lock:
            self._ended = True
            display, self._display = self._display, None
        if display is not None:
            display.stop()
