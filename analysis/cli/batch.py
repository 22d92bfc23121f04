"""The command `pullcoast batch`: every session of a folder, with a table of all."""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import textwrap
from collections.abc import Generator, Iterator, Sequence
from pathlib import Path, PurePath

from analysis.batch.job import Job, Outcome
from analysis.batch.table import Row, batch_csv, batch_dicts, batch_html
from analysis.batch.workers import run_in_processes, run_on_cluster
from analysis.terminal.errors import EXIT_OK, complain
from analysis.terminal.output import STAGING, OutputError, check_writable, write_together
from analysis.terminal.progress import Progress
from analysis.text.numbers import Units
from logger.errors import SessionError
from logger.findings import counted
from logger.session.files import SESSION_FILE
from logger.session.session import Display

__all__ = ["batch", "find_sessions"]

_COLUMNS = 80
_LOCK = ".pullcoast-batch.lock"
#: The terminal names so many failures; the table names all.
_MOST_FAILURES = 12


def batch(arguments: argparse.Namespace) -> int:
    """Run ``pullcoast batch`` and return the worst exit status of its sessions.

    Raises
    ------
    SessionError
        No sessions there.
    OutputError
        The results cannot be written there, or another batch is writing there.
    ClusterError
        The cluster cannot be used.
    """
    root, out = Path(arguments.folder), Path(arguments.out)
    jobs = _jobs(find_sessions(root, out), root, out, arguments)
    check_writable(out)
    outcomes: list[Outcome] = []
    with _alone(out):
        _clear(out, jobs)
        try:
            with (
                Progress(len(jobs), quiet=arguments.quiet) as progress,
                contextlib.closing(_run(jobs, arguments, progress)) as running,
            ):
                for outcome in running:
                    outcomes.append(outcome)
                    progress.step()
        except KeyboardInterrupt:
            _clear(out, jobs)
            complain(
                f"left by Ctrl-C after {len(outcomes)} of {counted(len(jobs), 'session')}. What was "
                "done is kept: the same command goes on from there"
            )
            raise
        rows = [_row(outcome, out) for outcome in outcomes]
        units = Units.of(
            Display(power=arguments.power or "kW", speed=arguments.speed_unit or "km/h")
        )
        title = f"All sessions of {root.resolve().name}"
        write_together(
            out, {"batch.csv": batch_csv(rows), "batch.html": batch_html(rows, title, units)}
        )
    _tell(arguments, out, rows, outcomes)
    return max((outcome.status for outcome in outcomes), default=EXIT_OK)


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
    if out.resolve() == root.resolve():
        option = "--out"
        raise SessionError(option, "", f"{str(out)!r} is where the sessions lie", "another folder")
    results = out.resolve()
    sessions = []
    for place, folders, files in os.walk(root):
        folders[:] = sorted(
            name
            for name in folders
            if not name.startswith(".") and (Path(place) / name).resolve() != results
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


def _jobs(
    sessions: Sequence[Path], root: Path, out: Path, arguments: argparse.Namespace
) -> list[Job]:
    jobs = []
    for session in sessions:
        place = session.relative_to(root)
        name = place.as_posix() if place.parts else session.resolve().name
        jobs.append(
            Job(
                name,
                os.path.abspath(session),
                os.path.abspath(out / PurePath(name)),
                arguments.power,
                arguments.speed_unit,
                arguments.allow_outside,
            )
        )
    return jobs


def _run(
    jobs: Sequence[Job], arguments: argparse.Namespace, progress: Progress
) -> Generator[Outcome, None, None]:
    def began(job: Job) -> None:
        progress.say(job.name)

    if arguments.dask is not None:
        return run_on_cluster(jobs, arguments.dask, began=began)
    workers = arguments.workers or _processors()
    return run_in_processes(jobs, min(workers, len(jobs)), began=began)


def _processors() -> int:
    """Return how many processors this process may use."""
    with contextlib.suppress(AttributeError, OSError):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextlib.contextmanager
def _alone(out: Path) -> Iterator[None]:
    """See to it that one batch at a time writes into a folder; a killed one is no obstacle."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        lock = (out / _LOCK).open("w")
    except OSError as error:
        msg = f"{out}: cannot write there: {error.strerror or error}. Choose another --out"
        raise OutputError(msg) from error
    with lock:
        try:
            import fcntl
        except ImportError:  # no such locks on this system
            yield
            return
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            msg = f"{out}: another batch is writing there; wait for it, or choose another --out"
            raise OutputError(msg) from error
        except OSError:  # a file system without locks
            pass
        yield


def _clear(out: Path, jobs: Sequence[Job]) -> None:
    """Take away what writers that were killed have left; nobody else writes here."""
    for folder in {out, *(Path(job.folder) for job in jobs)}:
        for staging in folder.glob(STAGING + "*"):
            shutil.rmtree(staging, ignore_errors=True)


def _row(outcome: Outcome, out: Path) -> Row:
    report = "" if outcome.message else f"{outcome.name}/report.html"
    return Row(outcome.name, report, outcome.message, outcome.figures)


def _tell(
    arguments: argparse.Namespace, out: Path, rows: Sequence[Row], outcomes: Sequence[Outcome]
) -> None:
    failures = [row for row in rows if row.failed]
    kept = sum(outcome.kept for outcome in outcomes)
    if arguments.json:
        from analysis.report.results_json import json_text

        print(
            json_text(
                {
                    "done": len(rows) - len(failures),
                    "failed": len(failures),
                    "kept": kept,
                    "sessions": batch_dicts(rows),
                }
            ),
            end="",
        )
        return
    counts = [f"{len(rows) - len(failures)} done"]
    if failures:
        counts.append(f"{len(failures)} failed")
    if kept:
        counts.append(f"{kept} of them kept from before, since nothing has changed")
    lines = textwrap.wrap(f"{counted(len(rows), 'session')}: {', '.join(counts)}", _COLUMNS)
    for row in sorted(failures, key=lambda row: row.name)[:_MOST_FAILURES]:
        lines += textwrap.wrap(
            f"failed: {row.name}: {row.message}", _COLUMNS, subsequent_indent="  "
        )
    if len(failures) > _MOST_FAILURES:
        lines.append(f"and {len(failures) - _MOST_FAILURES} more in the table")
    print("\n".join([*lines, f"Written to {out}:", "  batch.html batch.csv, a folder per session"]))
