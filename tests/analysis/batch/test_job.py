"""One session of a batch: kept where nothing has changed, done again where anything has."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from make_batch import STANDING

from analysis.batch import job as command_batch_job
from analysis.batch.job import MARKER, Job, Outcome, run_job
from logger.errors import ReadError
from logger.session.session import Session


class Counted:
    """Stands for the working out of a session, and counts how often it is asked."""

    def __init__(self) -> None:
        self.times = 0
        self.error: Exception | None = None

    def __call__(
        self, session: Session, *, dates: bool
    ) -> tuple[dict[str, str], dict[str, str | float | int]]:
        assert dates
        self.times += 1
        if self.error is not None:
            raise self.error
        return {"results.json": f"{self.times}\n", "report.html": "x\n"}, {
            "vehicle": "v",
            "peak_W": 1.5,
        }


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> Counted:
    stand_in = Counted()
    monkeypatch.setattr(command_batch_job, "_worked_out", stand_in)
    # others may write to the package's files while tests run
    monkeypatch.setattr(command_batch_job, "_code_digest", lambda: "code")
    return stand_in


@pytest.fixture
def job(tmp_path: Path) -> Job:
    session = tmp_path / "s"
    session.mkdir()
    (session / "a.csv").write_text(STANDING)
    (session / "session.toml").write_text('[vehicle]\nmass_kg = 1480\n[[log]]\nfile = "a.csv"\n')
    return Job(name="s", session=str(session), folder=str(tmp_path / "out" / "s"))


def test_what_has_not_changed_is_kept(counted: Counted, job: Job) -> None:
    first = run_job(job)
    assert first == Outcome(name="s", status=0, figures={"vehicle": "v", "peak_W": 1.5})
    second = run_job(job)
    assert (second.kept, second.figures, counted.times) == (True, first.figures, 1)


def touch_log(job: Job) -> None:
    (Path(job.session) / "a.csv").write_text(STANDING + "60,0.1\n")


def touch_toml(job: Job) -> None:
    file = Path(job.session) / "session.toml"
    file.write_text(file.read_text().replace("1480", "1481"))


def damage_result(job: Job) -> None:
    (Path(job.folder) / "results.json").write_text("half")


def lose_result(job: Job) -> None:
    (Path(job.folder) / "report.html").unlink()


def damage_marker(job: Job) -> None:
    file = Path(job.folder) / MARKER
    file.write_text(file.read_text()[:-9])


@pytest.mark.parametrize(
    "change", [touch_log, touch_toml, damage_result, lose_result, damage_marker]
)
def test_whatever_has_changed_is_done_again(
    change: Callable[[Job], None], counted: Counted, job: Job
) -> None:
    run_job(job)
    change(job)
    again = run_job(job)
    assert (again.kept, counted.times) == (False, 2)
    assert run_job(job).kept
    assert (Path(job.folder) / "results.json").read_text() == "2\n"


def test_other_units_or_another_pullcoast_are_done_again(
    counted: Counted, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_job(job)
    run_job(Job(name=job.name, session=job.session, folder=job.folder, power="hp"))
    assert counted.times == 2
    monkeypatch.setattr(command_batch_job, "_code_digest", lambda: "new code")
    run_job(Job(name=job.name, session=job.session, folder=job.folder, power="hp"))
    assert counted.times == 3


def test_a_moved_session_is_still_the_same(counted: Counted, job: Job, tmp_path: Path) -> None:
    run_job(job)
    moved = shutil.move(job.session, tmp_path / "elsewhere")
    assert run_job(Job(name=job.name, session=str(moved), folder=job.folder)).kept


def test_a_failure_of_the_logs_is_kept_until_they_change(counted: Counted, job: Job) -> None:
    run_job(job)
    touch_log(job)
    counted.error = ReadError("a.csv", "nothing in it")
    first = run_job(job)
    assert (first.status, first.message) == (2, "a.csv: nothing in it")
    # what it said of an earlier state of the session is gone
    assert [path.name for path in Path(job.folder).iterdir()] == [MARKER]
    second = run_job(job)
    assert (second.kept, second.message, counted.times) == (True, first.message, 2)
    assert second.figures["mass_kg"] == 1480.0
    counted.error = None
    touch_toml(job)
    assert run_job(job).message == ""


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError(28, "No space left on device"), "No space left"),
        (MemoryError(), "not enough memory"),
        (ZeroDivisionError("x"), "a fault of pullcoast itself"),
    ],
)
def test_a_failure_of_the_day_is_tried_again(
    error: Exception, words: str, counted: Counted, job: Job
) -> None:
    counted.error = error
    assert words in run_job(job).message
    counted.error = None
    assert run_job(job).message == ""


def test_a_session_that_cannot_be_opened_is_tried_when_its_folder_changes(
    counted: Counted, job: Job
) -> None:
    (Path(job.session) / "a.csv").unlink()
    assert "no file 'a.csv'" in run_job(job).message
    assert run_job(job).kept
    (Path(job.session) / "a.csv").write_text(STANDING)
    assert run_job(job).message == ""
    assert counted.times == 1


def test_the_code_s_digest_is_of_every_module_and_template() -> None:
    digest = command_batch_job._code_digest()
    assert re.fullmatch("[0-9a-f]{64}", digest)
