"""`pullcoast batch`: one failure stops none, nothing is done twice, nothing is left by half."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from make_batch import jobs, work

from analysis import command_batch_job
from analysis.batch_table import COLUMNS, Row, batch_csv, batch_html
from analysis.cli import main
from analysis.command_batch import find_sessions
from analysis.command_batch_job import MARKER, Job, Outcome, run_job
from analysis.command_batch_pool import run_in_processes
from analysis.display import Units
from analysis.output import STAGING
from analysis.simulate import simulate_session
from logger.errors import ReadError, SessionError
from logger.session import Display, Session

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Playwright

ROOT = Path(__file__).resolve().parents[1]
RESULTS = ["curves.csv", "report.html", "results.json", "speed_time.csv"]
UNITS = Units.of(Display())
PULLS = "time_s,speed_mps\n" + "".join(f"{t},0.0\n" for t in range(60))


def alive(process: int) -> bool:
    """Say whether a process runs; one that has ended and waits for its parent does not."""
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(") ")[2][0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


def until(met: Callable[[], object], seconds: float = 120.0) -> None:
    deadline = time.monotonic() + seconds
    while not met():
        assert time.monotonic() < deadline, "it did not come to that"
        time.sleep(0.02)


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
        f"import sys; sys.path[:0] = [{str(ROOT)!r}, {str(ROOT / 'tests')!r}]\n"
        "from pathlib import Path\n"
        "from make_batch import jobs, work\n"
        "from analysis.command_batch_pool import run_in_processes\n"
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


class Counted:
    """Stands for the working out of a session, and counts how often it is asked."""

    def __init__(self) -> None:
        self.times = 0
        self.error: Exception | None = None

    def __call__(self, session: Session) -> tuple[dict[str, str], dict[str, str | float | int]]:
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
    (session / "a.csv").write_text(PULLS)
    (session / "session.toml").write_text('[vehicle]\nmass_kg = 1480\n[[log]]\nfile = "a.csv"\n')
    return Job("s", str(session), str(tmp_path / "out" / "s"))


def test_what_has_not_changed_is_kept(counted: Counted, job: Job) -> None:
    first = run_job(job)
    assert first == Outcome("s", 0, figures={"vehicle": "v", "peak_W": 1.5})
    second = run_job(job)
    assert (second.kept, second.figures, counted.times) == (True, first.figures, 1)


def touch_log(job: Job) -> None:
    (Path(job.session) / "a.csv").write_text(PULLS + "60,0.1\n")


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
    run_job(Job(job.name, job.session, job.folder, power="hp"))
    assert counted.times == 2
    monkeypatch.setattr(command_batch_job, "_code_digest", lambda: "new code")
    run_job(Job(job.name, job.session, job.folder, power="hp"))
    assert counted.times == 3


def test_a_moved_session_is_still_the_same(counted: Counted, job: Job, tmp_path: Path) -> None:
    run_job(job)
    moved = shutil.move(job.session, tmp_path / "elsewhere")
    assert run_job(Job(job.name, str(moved), job.folder)).kept


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
    (Path(job.session) / "a.csv").write_text(PULLS)
    assert run_job(job).message == ""
    assert counted.times == 1


def test_the_code_s_digest_is_of_every_module_and_template() -> None:
    digest = command_batch_job._code_digest()
    assert re.fullmatch("[0-9a-f]{64}", digest)


# --- the whole ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def outings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sessions of one pair, one without coast-downs, one that cannot be read; do not change."""
    root = tmp_path_factory.mktemp("batch") / "outings"
    for seed, name in ((1, "a"), (2, "deep/b"), (3, "c & <i>d</i>")):
        simulate_session(root / name, seed=seed, pairs=1)
    toml = root / "a" / "session.toml"
    toml.write_text(toml.read_text().replace('name = "', 'name = "=1+1 <script>alert(1)</script>'))
    for name, text in (("pulls", PULLS), ("broken", "<html></html>")):
        (root / name).mkdir()
        (root / name / "a.csv").write_text(text)
        (root / name / "session.toml").write_text(
            '[vehicle]\nname = "van"\nmass_kg = 1480\n[[log]]\nfile = "a.csv"\n'
        )
    return root


NAMES = ["a", "broken", "c & <i>d</i>", "deep/b", "pulls"]


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Return an environment with a copy of the package, so that nobody changes it in between."""
    place = tmp_path_factory.mktemp("package")
    for package in ("logger", "analysis"):
        shutil.copytree(
            ROOT / package, place / package, ignore=shutil.ignore_patterns("__pycache__")
        )
    return {**os.environ, "PYTHONPATH": str(place)}


def started(snapshot: dict[str, str], *argv: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "analysis", "batch", *argv],
        cwd=snapshot["PYTHONPATH"],
        env=snapshot,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def contents(out: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(out)): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    }


@pytest.fixture(scope="module")
def whole(
    outings: Path, snapshot: dict[str, str], tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Return the results of an undisturbed batch; do not change."""
    out = tmp_path_factory.mktemp("whole") / "out"
    process = started(snapshot, str(outings), "--out", str(out), "--workers", "2")
    text, errors = process.communicate(timeout=300)
    assert process.returncode == 2, errors
    assert errors == ""
    assert text.splitlines()[0] == "5 sessions: 3 done, 2 failed"
    assert "failed: broken: " in text
    assert "failed: pulls: " in text
    return out


def table(out: Path) -> dict[str, dict[str, str]]:
    rows = csv.DictReader(io.StringIO((out / "batch.csv").read_text()))
    assert tuple(rows.fieldnames or ()) == COLUMNS
    return {row["session"]: row for row in rows}


def test_figures_are_those_of_each_report(whole: Path, outings: Path, tmp_path: Path) -> None:
    rows = table(whole)
    assert sorted(rows) == NAMES
    for name in ("a", "deep/b", "c & <i>d</i>"):
        row, folder = rows[name], whole / name
        assert sorted(path.name for path in folder.iterdir()) == sorted([*RESULTS, MARKER])
        results = json.loads((folder / "results.json").read_text())
        power, load = results["wheel_power"], results["road_load"]
        assert float(row["peak_W"]) == power["peak_W"]
        assert [float(row[f"peak_{end}95_W"]) for end in ("low", "high")] == power["peak_ci95_W"]
        assert float(row["F0_N"]) == load["F0_N"]
        assert (row["result"], row["report"]) == ("done", f"{name}/report.html")
        nearest = min(load["curve"], key=lambda p: abs(p["speed_mps"] - 100 / 3.6))
        # the table has 100 km/h, the curve steps of 0.5 m/s: a quarter metre a second, some 2 %
        assert float(row["road_load_N"]) == pytest.approx(nearest["force_N"], rel=0.02)
        assert int(row["runs_up"]) == results["session"]["runs_up"]
    assert main(["report", str(outings / "deep" / "b"), "--out", str(tmp_path), "--quiet"]) == 0
    alone = json.loads((tmp_path / "results.json").read_text())
    assert alone == json.loads((whole / "deep" / "b" / "results.json").read_text())


def test_failures_say_why_in_the_table(whole: Path) -> None:
    rows = table(whole)
    for name, words in (("broken", "a.csv"), ("pulls", "no")):
        assert rows[name]["result"] == "failed"
        assert words in rows[name]["message"]
        assert rows[name]["peak_W"] == ""
        assert rows[name]["vehicle"] == "van"
        assert [path.name for path in (whole / name).iterdir()] == [MARKER]


def test_given_again_it_does_nothing_and_says_so(
    whole: Path, outings: Path, snapshot: dict[str, str], tmp_path: Path
) -> None:
    out = Path(shutil.copytree(whole, tmp_path / "out", copy_function=shutil.copy2))
    times = {path: path.stat().st_mtime_ns for path in out.rglob("*/*") if path.is_file()}
    process = started(snapshot, str(outings), "--out", str(out), "--json")
    told = json.loads(process.communicate(timeout=300)[0])
    assert (told["done"], told["failed"], told["kept"]) == (3, 2, 5)
    assert {row["session"] for row in told["sessions"]} == set(NAMES)
    assert {path: path.stat().st_mtime_ns for path in times} == times
    assert contents(out) == contents(whole)


def done_sessions(out: Path) -> list[Path]:
    return sorted(
        path.parent for path in out.rglob(MARKER) if (path.parent / "results.json").exists()
    )


def group(process: subprocess.Popen[str]) -> list[int]:
    """Return the processes that a batch has started, itself included."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            if os.getpgid(int(place.name)) == process.pid:
                found.append(int(place.name))
    return found


def test_killed_in_the_middle_and_started_again(
    whole: Path, outings: Path, snapshot: dict[str, str], tmp_path: Path
) -> None:
    """kill -9 of the whole: what was done stays, the rest follows, and all is as if undisturbed."""
    out = tmp_path / "out"
    argv = (str(outings), "--out", str(out), "--workers", "1")
    process = started(snapshot, *argv)
    until(lambda: done_sessions(out))
    team = group(process)
    process.kill()
    process.communicate()
    until(lambda: not any(alive(one) for one in team), 20.0)
    kept = {
        path: path.stat().st_mtime_ns for folder in done_sessions(out) for path in folder.iterdir()
    }
    assert len(done_sessions(out)) < 3, "it was to be killed before its end"
    assert not (out / "batch.csv").exists()
    # as a writer leaves it that is killed between its files
    half = next(
        folder for folder in (out / "deep" / "b", out / "a") if folder not in done_sessions(out)
    )
    (half / f"{STAGING}x").mkdir(parents=True)
    (half / "results.json").write_text("half")
    again = started(snapshot, *argv)
    text, errors = again.communicate(timeout=300)
    assert (again.returncode, errors) == (2, "")
    assert "kept from before" in text
    assert contents(out) == contents(whole)
    assert {path: path.stat().st_mtime_ns for path in kept} == kept
    assert list(out.rglob(STAGING + "*")) == []


def test_left_by_ctrl_c(outings: Path, snapshot: dict[str, str], tmp_path: Path) -> None:
    """The key goes to every process of the terminal."""
    out = tmp_path / "out"
    process = started(snapshot, str(outings), "--out", str(out), "--workers", "2")
    until(lambda: done_sessions(out))
    team = group(process)
    os.killpg(process.pid, signal.SIGINT)
    text, errors = process.communicate(timeout=60)
    assert process.returncode == 130
    assert text == ""
    assert re.fullmatch(
        r"pullcoast: left by Ctrl-C after \d of 5 sessions\. What was done is kept: .*\n", errors
    )
    # python's own minder of shared things ends when it sees that the others have
    until(lambda: not any(alive(one) for one in team), 20.0)
    assert list(out.rglob(STAGING + "*")) == []
    for folder in done_sessions(out):
        assert sorted(path.name for path in folder.iterdir()) == sorted([*RESULTS, MARKER])


def test_one_batch_at_a_time_writes_to_a_folder(
    outings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fcntl = pytest.importorskip("fcntl")
    out = tmp_path / "out"
    out.mkdir()
    with (out / ".pullcoast-batch.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        assert main(["batch", str(outings), "--out", str(out)]) == 2
    assert "another batch is writing there" in capsys.readouterr().err


@pytest.fixture
def cluster(snapshot: dict[str, str]) -> Iterator[str]:
    """Start a dask cluster of one worker on this machine; return its address."""
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    code = (
        "from distributed import LocalCluster\n"
        "if __name__ == '__main__':\n"
        "    cluster = LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None)\n"
        "    print(cluster.scheduler_address, flush=True)\n"
        "    input()\n"
        "    cluster.close()\n"
    )
    place = Path(snapshot["PYTHONPATH"]) / "cluster.py"
    place.write_text(code)
    process = subprocess.Popen(
        [sys.executable, str(place)],
        env=snapshot,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
    )
    assert process.stdout is not None
    yield process.stdout.readline().strip()
    process.communicate("\n", timeout=60)


def test_a_cluster_gives_the_same_files(
    cluster: str, whole: Path, outings: Path, snapshot: dict[str, str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    process = started(snapshot, str(outings), "--out", str(out), "--dask", cluster)
    text, errors = process.communicate(timeout=300)
    assert process.returncode == 2, errors
    assert text.splitlines()[0] == "5 sessions: 3 done, 2 failed"
    assert contents(out) == contents(whole)


def test_no_cluster_there_is_one_message(
    outings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    argv = ["batch", str(outings), "--out", str(tmp_path / "out"), "--dask", "nonsense://x"]
    assert main(argv) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "--dask" in line


# --- finding sessions, the table ---------------------------------------------------------------


def test_sessions_are_found_everywhere_but_in_the_results(tmp_path: Path) -> None:
    for name in ("b/s", "a", ".hidden/s", "out/old", "none"):
        (tmp_path / name).mkdir(parents=True)
        if name != "none":
            (tmp_path / name / "session.toml").write_text("")
    found = find_sessions(tmp_path, tmp_path / "out")
    assert [str(path.relative_to(tmp_path)) for path in found] == ["a", "b/s"]
    assert find_sessions(tmp_path / "a", tmp_path / "out") == [tmp_path / "a"]
    with pytest.raises(SessionError, match="where the sessions lie"):
        find_sessions(tmp_path, tmp_path)
    with pytest.raises(SessionError, match=r"no session\.toml in it"):
        find_sessions(tmp_path / "none", tmp_path / "out")
    with pytest.raises(SessionError, match="no such folder"):
        find_sessions(tmp_path / "nowhere", tmp_path / "out")


def rows() -> list[Row]:
    figures: dict[str, str | float | int] = {
        "vehicle": "b", "peak_W": 70_000.0, "peak_sd_W": 1000.0, "peak_low95_W": 68_000.0,
        "peak_high95_W": 72_000.0, "mass_kg": 1480.0, "runs_up": 1, "runs_down": 1, "warnings": 0,
    }  # fmt: skip
    return [
        Row("z", "z/report.html", "", figures),
        Row("y", "", "no mass\nat all", {"vehicle": "=HYPERLINK(1)"}),
        Row("x", "", "cannot be opened", {}),
        Row("a #1?", "a #1?/report.html", "", {**figures, "vehicle": "A <b>", "peak_W": 170_000.0}),
    ]


def test_table_is_sorted_by_vehicle_and_no_cell_is_a_formula() -> None:
    read = list(csv.DictReader(io.StringIO(batch_csv(rows()))))
    assert [row["session"] for row in read] == ["y", "a #1?", "z", "x"]
    assert read[0]["vehicle"] == "'=HYPERLINK(1)"
    assert read[0]["message"] == "no mass at all"
    assert float(read[2]["peak_W"]) == 70_000.0


def test_page_escapes_what_comes_from_files_and_works_without_its_script() -> None:
    page = batch_html(rows(), "All <b>", UNITS)
    assert "A &lt;b&gt;" in page
    assert "<title>All &lt;b&gt;" in page
    assert 'href="a%20%231%3F/report.html"' in page
    order = [page.index(f">{name}<") for name in ("y", "a #1?", "z", "x")]
    # y and x failed and are named once more below
    assert order == sorted(order)
    assert "68.0 to 72.0" in page
    (script,) = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    assert "{{" not in script
    (policy,) = re.findall(r"script-src '(sha256-[^']+)'", page)
    import base64
    import hashlib

    # as browsers check it: CSP level 3, 6.7.3.3
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert policy == f"sha256-{digest}"


def test_page_sorts_in_a_browser(chromium: tuple[Playwright, Browser]) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page = chromium[1].new_page(viewport={"width": 390, "height": 844})
    page.set_content(batch_html(rows(), "All", UNITS))

    def order() -> list[str]:
        texts: list[str] = page.locator("tbody th").all_inner_texts()
        return texts

    assert order() == ["y", "a #1?", "z", "x"]
    power = page.get_by_role("button", name=re.compile("Peak wheel power"))
    power.click()
    # smallest first, failed ones last in either order
    assert order()[:2] == ["z", "a #1?"]
    power.click()
    assert order()[:2] == ["a #1?", "z"]
    assert page.locator("th[aria-sort]").count() == 1
    page.get_by_role("button", name="Vehicle").click()
    assert order()[-1] == "x"
    # a table that is wider than a phone moves by itself, the page does not
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    found = axe.Axe().run(page).response["violations"]
    assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []
    page.close()
