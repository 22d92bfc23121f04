"""Jobs of a batch, several at a time: in processes of this machine, or on a dask cluster.

A process of our own per worker, not a ready-made pool: one that dies takes only its own session with
it, and one whose parent is killed does not stay behind.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Generator, Sequence
from multiprocessing.connection import Connection, wait
from typing import Any

from analysis.batch.job import Job, Outcome, failed, run_job
from logger.errors import PullcoastError

__all__ = ["ClusterError", "run_in_processes", "run_on_cluster"]

#: A session whose process dies is tried so often: once may be somebody else's doing.
_TRIES = 2
#: Sessions given to a cluster at once for each of its threads, so that none waits for work.
_AHEAD = 3

Work = Callable[[Job], Outcome]


class ClusterError(PullcoastError):
    """A dask cluster that cannot be used."""


def _serve(connection: Connection, work: Work) -> None:
    """Work on what comes through `connection` until its other end is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides what Ctrl-C means
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
    threading.Thread(target=_leave_with_parent, daemon=True).start()
    with contextlib.suppress(EOFError, OSError):
        while True:
            connection.send(work(connection.recv()))


def _leave_with_parent() -> None:
    """End this process as soon as the one that started it is gone, in the middle of work or not."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)


class _Worker:
    """One process and what it is doing."""

    def __init__(self, work: Work) -> None:
        context = multiprocessing.get_context("spawn")
        self.connection, theirs = context.Pipe()
        self.process = context.Process(target=_serve, args=(theirs, work), daemon=True)
        self.process.start()
        theirs.close()
        self.job: Job | None = None

    def give(self, job: Job) -> None:
        self.job = job
        with contextlib.suppress(OSError):  # it has died: `take` finds out
            self.connection.send(job)

    def take(self) -> Outcome | None:
        """Return the outcome of its job; None where it died of it."""
        self.job = None
        try:
            outcome: Outcome = self.connection.recv()
        except (EOFError, OSError):
            return None
        return outcome

    def end(self) -> None:
        self.connection.close()
        self.process.kill()
        self.process.join()


def run_in_processes(
    jobs: Sequence[Job],
    workers: int,
    *,
    began: Callable[[Job], None] = lambda _: None,
    work: Work = run_job,
) -> Generator[Outcome, None, None]:
    """Run jobs in so many processes of this machine.

    Parameters
    ----------
    jobs : sequence of Job
        In the order they are begun.
    workers : int
        Processes at a time.
    began : callable
        Told each job as it begins.
    work : callable
        What is done with a job, in the other process.

    Yields
    ------
    Outcome
        Of each job as it ends. A job whose process dies twice has failed; whoever leaves the loop
        early, also by Ctrl-C, ends all processes.
    """
    waiting = list(reversed(jobs))
    tries: dict[str, int] = {}
    team: list[_Worker] = []
    try:
        while waiting or any(worker.job is not None for worker in team):
            for worker in team:
                if waiting and worker.job is None:
                    began(waiting[-1])
                    worker.give(waiting.pop())
            while waiting and len(team) < workers:
                team.append(_Worker(work))
                began(waiting[-1])
                team[-1].give(waiting.pop())
            busy = {worker.connection: worker for worker in team if worker.job is not None}
            for ready in wait(list(busy)):
                worker = busy[ready]  # type: ignore[index]
                job = worker.job
                outcome = worker.take()
                if outcome is not None:
                    yield outcome
                    continue
                team.remove(worker)
                worker.process.join()
                code = worker.process.exitcode
                worker.end()
                assert job is not None
                tries[job.name] = tries.get(job.name, 0) + 1
                if tries[job.name] < _TRIES:
                    waiting.append(job)
                else:
                    yield failed(job, _death(code))
    finally:
        for worker in team:
            worker.end()


def _death(code: int | None) -> str:
    """Say how a process came to its end."""
    if code is not None and code < 0:
        name = signal.Signals(-code).name if -code in set(signal.Signals) else str(-code)
        return (
            f"its process was ended by {name}, {_TRIES} times: most likely there is too little memory "
            "for its logs; try --workers 1"
        )
    return f"its process ended with status {code}, {_TRIES} times"


def run_on_cluster(
    jobs: Sequence[Job], address: str, *, began: Callable[[Job], None] = lambda _: None
) -> Generator[Outcome, None, None]:
    """Run jobs on the workers of a dask cluster, which see the same files.

    Parameters
    ----------
    jobs : sequence of Job
        Paths in them hold on the workers.
    address : str
        Of the scheduler: ``tcp://10.0.0.5:8786``.
    began : callable
        Told each job as it is handed over.

    Yields
    ------
    Outcome
        Of each job as it ends.

    Raises
    ------
    ClusterError
        dask is not installed, or no scheduler answers there.
    """
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        msg = (
            f"--dask needs dask.distributed ({error}). "
            "Install it: python -m pip install 'pullcoast[cluster]'"
        )
        raise ClusterError(msg) from error
    try:
        client: Any = Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        msg = f"--dask {address}: no scheduler of a dask cluster answers there ({error})"
        raise ClusterError(msg) from error
    threads = sum(client.nthreads().values())
    if not threads:
        client.close()
        msg = f"--dask {address}: the cluster has no workers"
        raise ClusterError(msg)
    waiting = list(reversed(jobs))
    of: dict[str, Job] = {}
    ended = as_completed(loop=client.loop)

    def hand_over() -> None:
        job = waiting.pop()
        began(job)
        future = client.submit(run_job, job, pure=False, retries=1)
        of[future.key] = job
        ended.add(future)

    try:
        for _ in range(min(_AHEAD * threads, len(waiting))):
            hand_over()
        for future in ended:
            if waiting:
                hand_over()
            job = of.pop(future.key)
            cause = future.exception()
            yield failed(job, f"its worker failed: {cause}") if cause else future.result()
    finally:
        client.cancel([*ended.futures])
        client.close()
