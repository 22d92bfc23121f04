"""Jobs of a batch, several at a time: in processes of this machine, or on a dask cluster.

Each worker is a pool of one process, since a death breaks the pool that it is in: so it takes only
its own session with it.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import signal
import sys
import threading
import warnings
from collections import Counter, deque
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.process import BaseProcess
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


def _begin() -> None:
    """Set a worker process up: Ctrl-C is its parent's matter, and it ends with its parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """End this process as soon as the one that started it is gone, in the middle of work or not."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        multiprocessing.connection.wait([parent.sentinel])
        os._exit(1)


def _new_pool() -> ProcessPoolExecutor:
    """Return a pool of one process, which starts with its first job."""
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(1, mp_context=context, initializer=_begin)


class _Worker:
    """A pool of one process: its death breaks no other's."""

    def __init__(self) -> None:
        self.pool = _new_pool()
        self.process: BaseProcess | None = None

    def submit(self, work: Work, job: Job) -> Future[Outcome]:
        """Begin a job; the process is started with the first."""
        others = set(multiprocessing.active_children())
        try:
            future = self.pool.submit(work, job)
        except BrokenProcessPool:  # it was killed while it had nothing to do
            self.pool = _new_pool()
            future = self.pool.submit(work, job)
        self.process = next(iter(set(multiprocessing.active_children()) - others), self.process)
        return future

    def end(self) -> int | None:
        """End the process, whatever it is doing; return the exit code it has, or had before."""
        if self.process is not None:
            self.process.kill()  # `shutdown` would wait for the job
        self.pool.shutdown(cancel_futures=True)
        return None if self.process is None else self.process.exitcode


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
        Called with each job as it begins.
    work : callable
        What is done with a job, in the other process.

    Yields
    ------
    Outcome
        Of each job as it ends. A job whose process dies twice has failed; whoever leaves the loop
        early, also by Ctrl-C, ends all processes.
    """
    waiting = deque(jobs)
    deaths: Counter[str] = Counter()
    idle: list[_Worker] = []
    running: dict[Future[Outcome], tuple[_Worker, Job]] = {}
    try:
        while waiting or running:
            while waiting and len(running) < workers:
                job, worker = waiting.popleft(), idle.pop() if idle else _Worker()
                began(job)
                running[worker.submit(work, job)] = worker, job
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                worker, job = running.pop(future)
                try:
                    outcome = future.result()
                except BrokenProcessPool:
                    code = worker.end()
                    deaths[job.name] += 1
                    if deaths[job.name] < _TRIES:
                        waiting.appendleft(job)
                    else:
                        yield failed(job, _death(code))
                else:
                    idle.append(worker)
                    yield outcome
    finally:
        for worker in (*idle, *(worker for worker, _ in running.values())):
            worker.end()


def _death(code: int | None) -> str:
    """Return how a process came to its end."""
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
        Called with each job as it is handed over.

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
