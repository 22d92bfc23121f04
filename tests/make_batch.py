"""Work for the processes of a batch in tests: they import it by name."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from analysis.command_batch_job import Job, Outcome

__all__ = ["jobs", "work"]


def jobs(folder: Path, *names: str) -> list[Job]:
    """Return a job for each name: ``fine``, ``dies``, ``once`` (dies the first time), ``sleeps``."""
    return [Job(f"{number}-{name}", "", str(folder)) for number, name in enumerate(names)]


def work(job: Job) -> Outcome:
    """Do what the job's name says; leave the process's number in the folder."""
    folder = Path(job.folder)
    (folder / f"{job.name}-{os.getpid()}.pid").write_text("")
    what = job.name.partition("-")[2]
    if what == "dies" or (what == "once" and not (folder / "seen").exists()):
        (folder / "seen").write_text("")
        os.kill(os.getpid(), signal.SIGKILL)
    if what == "sleeps":
        time.sleep(600)
    return Outcome(job.name, 0, figures={"vehicle": str(os.getpid())})
