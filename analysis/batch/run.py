"""A folder of sessions in, a folder of results for each and a table of all out."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import replace
from pathlib import Path, PurePath
from typing import cast

from analysis.batch.job import Job, Outcome
from analysis.batch.table import Row, batch_csv, batch_dicts, batch_html
from analysis.batch.workers import run_in_processes, run_on_cluster
from analysis.report.json_text import json_text
from analysis.terminal.output import STAGING, OutputError, check_writable, lock, write_together
from analysis.terminal.progress import Progress
from analysis.text.numbers import Units
from logger.errors import SessionError, real_path
from logger.findings import counted
from logger.session.files import SESSION_FILE
from logger.session.keys import PowerUnit, SpeedUnit
from logger.session.session import Display

__all__ = ["batch_json", "find_sessions", "run_batch"]

_LOCK = ".pullcoast-batch.lock"


def run_batch(
    root: Path,
    out: Path,
    *,
    workers: int | None,
    dask: str | None,
    power: str | None,
    speed: str | None,
    allow_outside: bool,
    dates: bool = True,
    quiet: bool,
) -> tuple[list[Row], list[Outcome]]:
    """Work out every session below a folder and write the table of all.

    Parameters
    ----------
    root, out : Path
        Where the sessions lie, and where their results go.
    workers : int or None
        Processes at a time; None for one per processor.
    dask : str or None
        Address of a cluster's scheduler, which then does the work.
    power, speed : str or None
        Units for people.
    allow_outside : bool
        Whether sessions may name logs outside their folders.
    dates : bool
        Whether pages have the dates of outings and of today.
    quiet : bool
        Show no progress.

    Returns
    -------
    rows, outcomes
        Of each session, as they ended.

    Raises
    ------
    SessionError
        No sessions there.
    OutputError
        The results cannot be written there, or another batch is writing there.
    ClusterError
        The cluster cannot be used.
    """
    jobs = [
        replace(_job(session, root, out, power, speed, allow_outside), dates=dates)
        for session in find_sessions(root, out)
    ]
    check_writable(out)
    outcomes: list[Outcome] = []
    with _alone(out):
        _clear(out, jobs)
        try:
            with (
                Progress(len(jobs), quiet=quiet) as progress,
                contextlib.closing(
                    _run(jobs, workers, dask, lambda job: progress.show(job.name))
                ) as running,
            ):
                for outcome in running:
                    outcomes.append(outcome)
                    progress.step()
        except KeyboardInterrupt:
            _clear(out, jobs)
            msg = (
                f"left by Ctrl-C after {len(outcomes)} of {counted(len(jobs), 'session')}. What was "
                "done is kept: the same command goes on from there"
            )
            raise KeyboardInterrupt(msg) from None
        rows = [_row(outcome) for outcome in outcomes]
        units = Units.of(
            Display(
                power=cast("PowerUnit", power or "kW"), speed=cast("SpeedUnit", speed or "km/h")
            )
        )
        title = f"All sessions of {real_path(root).name}"
        write_together(
            out, {"batch.csv": batch_csv(rows), "batch.html": batch_html(rows, title, units)}
        )
    return rows, outcomes


def batch_json(rows: Sequence[Row], done: int, failed: int, kept: int) -> str:
    """Return the table for programs, in SI units, with how many were done, failed, and kept."""
    counts: dict[str, object] = {"done": done, "failed": failed, "kept": kept}
    return json_text({**counts, "sessions": batch_dicts(rows)})


def find_sessions(root: Path, out: Path) -> list[Path]:
    """Find every folder with a session.toml.

    Parameters
    ----------
    root : Path
        Where to look, itself included; links to folders are not followed.
    out : Path
        Where results go: not looked into.

    Returns
    -------
    list of Path
        In the order of their names.

    Raises
    ------
    SessionError
        No such folder, or no session in it.
    """
    if not root.is_dir():
        found = "no such folder" if not root.exists() else "a file"
        raise SessionError(str(root), "", found, "a folder with sessions in it")
    if real_path(out) == real_path(root):
        option = "--out"
        raise SessionError(option, "", f"{str(out)!r} is where the sessions lie", "another folder")
    results = real_path(out)
    sessions = []
    for place, folders, files in os.walk(root):
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".") and real_path(Path(place) / name) != results
        )
        if SESSION_FILE in files:
            sessions.append(Path(place))
    if not sessions:
        raise SessionError(
            str(root),
            "",
            f"no {SESSION_FILE} in it or in any folder of it",
            "a folder for each session",
            "`pullcoast new` writes one",
        )
    return sessions


def _job(
    session: Path,
    root: Path,
    out: Path,
    power: str | None,
    speed: str | None,
    allow_outside: bool,
) -> Job:
    place = session.relative_to(root)
    name = place.as_posix() if place.parts else real_path(session).name
    return Job(
        name=name,
        session=os.path.abspath(session),
        folder=os.path.abspath(out / PurePath(name)),
        power=power,
        speed=speed,
        allow_outside=allow_outside,
    )


def _run(
    jobs: Sequence[Job], workers: int | None, dask: str | None, began: Callable[[Job], None]
) -> Generator[Outcome, None, None]:
    if dask is not None:
        return run_on_cluster(jobs, dask, began=began)
    return run_in_processes(jobs, min(workers or _processors(), len(jobs)), began=began)


def _processors() -> int:
    """Return how many processors this process may use."""
    with contextlib.suppress(AttributeError, OSError):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextlib.contextmanager
def _alone(out: Path) -> Iterator[None]:
    """Let one batch at a time write into a folder; a killed one is no obstacle."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        handle = (out / _LOCK).open("w")
    except OSError as error:
        msg = f"{out}: cannot write there: {error.strerror or error}. Choose another --out"
        raise OutputError(msg) from error
    with handle:
        if not lock(handle.fileno(), wait=False):
            msg = f"{out}: another batch is writing there; wait for it, or choose another --out"
            raise OutputError(msg)
        yield


def _clear(out: Path, jobs: Sequence[Job]) -> None:
    """Remove what killed writers have left; nobody else writes here."""
    for folder in {out, *(Path(job.folder) for job in jobs)}:
        for staging in folder.glob(STAGING + "*"):
            shutil.rmtree(staging, ignore_errors=True)


def _row(outcome: Outcome) -> Row:
    report = "" if outcome.message else f"{outcome.name}/report.html"
    return Row(name=outcome.name, report=report, message=outcome.message, figures=outcome.figures)
