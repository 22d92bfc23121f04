"""The processes of a batch: every job once, a death takes its session alone, none is left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

from make_batch import jobs, work
from make_processes import alive, until

from analysis.batch.workers import run_in_processes

ROOT = Path(__file__).resolve().parents[3]


# --- processes ---------------------------------------------------------------------------------


def test_every_job_is_done_once_and_workers_are_used_again(tmp_path: Path) -> None:
    began: list[str] = []
    given = jobs(tmp_path, *["fine"] * 6)
    done = list(run_in_processes(given, 2, began=lambda job: began.append(job.name), work=work))
    assert sorted(outcome.name for outcome in done) == [job.name for job in given]
    assert began == [job.name for job in given]
    processes = {int(str(outcome.figures["vehicle"])) for outcome in done}
    assert 1 <= len(processes) <= 2
    assert not any(alive(process) for process in processes)


def test_a_process_that_dies_takes_only_its_session(tmp_path: Path) -> None:
    """As one does that the system ends for want of memory; it is tried twice, not for ever."""
    given = jobs(tmp_path, "fine", "dies", "fine", "fine")
    done = {outcome.name: outcome for outcome in run_in_processes(given, 2, work=work)}
    assert sorted(done) == [job.name for job in given]
    assert done["1-dies"].status == 1
    assert "ended by SIGKILL, 2 times" in done["1-dies"].message
    assert [done[name].message for name in ("0-fine", "2-fine", "3-fine")] == [""] * 3
    assert len(list(tmp_path.glob("1-dies-*.pid"))) == 2


def test_a_process_that_dies_once_is_forgiven(tmp_path: Path) -> None:
    (outcome,) = run_in_processes(jobs(tmp_path, "once"), 1, work=work)
    assert outcome.message == ""


def test_a_process_that_dies_with_nothing_to_do_is_replaced(tmp_path: Path) -> None:
    running = run_in_processes(jobs(tmp_path, "fine", "fine"), 1, work=work)
    process = int(str(next(running).figures["vehicle"]))
    os.kill(process, signal.SIGKILL)
    until(lambda: not alive(process), 20.0)
    (outcome,) = running
    assert (outcome.name, outcome.message) == ("1-fine", "")
    assert outcome.figures["vehicle"] != str(process)


def test_leaving_early_ends_the_processes(tmp_path: Path) -> None:
    running = run_in_processes(jobs(tmp_path, "fine", "sleeps", "sleeps"), 2, work=work)
    assert next(running).name == "0-fine"
    until(lambda: list(tmp_path.glob("1-sleeps-*.pid")))
    running.close()
    for file in tmp_path.glob("*.pid"):
        process = int(file.stem.rpartition("-")[2])
        assert not alive(process)


def test_processes_do_not_outlive_their_parent(tmp_path: Path) -> None:
    """A parent that is killed can tell them nothing; they are in the middle of work."""
    code = (
        f"import sys; sys.path[:0] = [{str(ROOT)!r}, {str(ROOT / 'tests' / 'support')!r}]\n"
        "from pathlib import Path\n"
        "from make_batch import jobs, work\n"
        "from analysis.batch.workers import run_in_processes\n"
        "if __name__ == '__main__':\n"
        f"    list(run_in_processes(jobs(Path({str(tmp_path)!r}), 'sleeps', 'sleeps'), 2, work=work))\n"
    )
    (tmp_path / "parent.py").write_text(code)
    parent = subprocess.Popen([sys.executable, str(tmp_path / "parent.py")])
    until(lambda: len(list(tmp_path.glob("*.pid"))) == 2)
    parent.kill()
    parent.wait()
    for file in tmp_path.glob("*.pid"):
        process = int(file.stem.rpartition("-")[2])
        until(lambda process=process: not alive(process), 20.0)  # type: ignore[misc]


# --- one session -------------------------------------------------------------------------------
