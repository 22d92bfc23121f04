"""`pullcoast batch` as a whole: killed, left, repeated, on a cluster, it ends with the same files."""

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
from collections.abc import Iterator
from pathlib import Path

import pytest
from make_batch import STANDING
from make_processes import alive, until

from analysis.batch.job import MARKER
from analysis.batch.run import find_sessions
from analysis.batch.table import COLUMNS
from analysis.cli.main import main
from analysis.simulate.session import simulate_session
from analysis.terminal.output import STAGING
from logger.errors import SessionError

ROOT = Path(__file__).resolve().parents[3]
RESULTS = ["curves.csv", "report.html", "results.json", "speed_time.csv"]


# --- the whole ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def outings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three sessions of one pair, one without coast-downs, one that cannot be read; do not change."""
    root = tmp_path_factory.mktemp("batch") / "outings"
    for seed, name in ((1, "a"), (2, "deep/b"), (3, "c & <i>d</i>")):
        simulate_session(root / name, seed=seed, pairs=1)
    toml = root / "a" / "session.toml"
    toml.write_text(toml.read_text().replace('name = "', 'name = "=1+1 <script>alert(1)</script>'))
    for name, text in (("pulls", STANDING), ("broken", "<html></html>")):
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
    assert "failed: broken: " in " ".join(text.split())
    assert "failed: pulls: " in " ".join(text.split())
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
    """Return the folders of sessions that are done; none while others vanish under the look."""
    with contextlib.suppress(FileNotFoundError):
        return sorted(
            path.parent for path in out.rglob(MARKER) if (path.parent / "results.json").exists()
        )
    return []


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
def cluster(snapshot: dict[str, str]) -> Iterator[tuple[str, list[int]]]:
    """Start a scheduler and two workers on the loopback; return its address and their processes."""
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    code = (
        "import os\n"
        "from distributed import Client, LocalCluster\n"
        "if __name__ == '__main__':\n"
        "    cluster = LocalCluster(n_workers=2, threads_per_worker=1, "
        "host='127.0.0.1', dashboard_address=None)\n"
        "    with Client(cluster) as client:\n"
        "        workers = client.run(os.getpid).values()\n"
        "    print(cluster.scheduler_address, *workers, flush=True)\n"
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
    address, *workers = process.stdout.readline().split()
    yield address, [int(worker) for worker in workers]
    process.communicate("\n", timeout=60)


@pytest.mark.parametrize("killed", [False, True], ids=["whole", "one worker killed"])
def test_a_cluster_gives_the_same_files(
    cluster: tuple[str, list[int]],
    killed: bool,
    whole: Path,
    outings: Path,
    snapshot: dict[str, str],
    tmp_path: Path,
) -> None:
    out = tmp_path / "out"
    address, workers = cluster
    process = started(snapshot, str(outings), "--out", str(out), "--dask", address)
    if killed:
        until(lambda: any(out.rglob(MARKER)))
        os.kill(workers[0], signal.SIGKILL)
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
