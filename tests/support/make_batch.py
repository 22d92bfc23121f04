"""Work for the processes of a batch in tests, which import it by name, and a log without a run."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from analysis.batch.job import Job, Outcome

__all__ = ["STANDING", "jobs", "work"]

#: A vehicle that stands: a log that can be read and gives no result.
STANDING = "time_s,speed_mps\n" + "".join(f"{t},0.0\n" for t in range(60))


def jobs(folder: Path, *names: str) -> list[Job]:
    """Return a job for each name: ``fine``, ``dies``, ``once`` (dies the first time), ``sleeps``."""
    return [
        Job(name=f"{number}-{name}", session="", folder=str(folder))
        for number, name in enumerate(names)
    ]


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
    return Outcome(name=job.name, status=0, figures={"vehicle": str(os.getpid())})
