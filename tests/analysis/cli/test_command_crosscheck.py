"""`pullcoast crosscheck`: text, JSON, oscilloscope files, the report's section, and clear errors."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from analysis.cli.main import main
from analysis.simulate.session import simulate_session
from analysis.simulate.truth import Truth

SEED = 2
PULL, COASTS = "0-80=7", ("80-60=30", "60-40=35")
_KEYS = {
    "gates", "speed_scale", "speed_scale_sd", "segment_sum_W", "kinetic_mean_W",
    "mean_wheel_power_W", "peak_wheel_power_W", "explanation",
}  # fmt: skip
_GATE_KEYS = {
    "kind", "from_mps", "to_mps", "measured_s", "predicted_s", "predicted_sd_s", "z", "verdict",
}  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    folder = tmp_path_factory.mktemp("crosscheck") / "airfield"
    return folder, simulate_session(folder, seed=SEED, pairs=1)


def scope_file(folder: Path, truth: Truth, number: int) -> tuple[Path, list[float]]:
    """Write the throttle voltage of one true run, its clock 100 s early; return its gates [km/h]."""
    run = truth.runs[number]
    path, offset = truth.paths[run.log], truth.logs[run.log].path_offset_s
    late = path.time_s >= run.release_s + offset
    t, v = path.time_s[late] - offset, path.speed_mps[late]
    gates = [round(float(v[0]) * 3.6, 2), 60.0, 40.0]
    blips = [float(t[int(np.argmax(v * 3.6 <= gate))]) for gate in gates[1:]]
    time_s = np.arange(run.launch_s - 2.0, blips[-1] + 5.0, 0.02)
    opened = (time_s >= run.launch_s) & (time_s < run.release_s)
    for at in blips:
        opened |= (time_s >= at) & (time_s < at + 0.3)
    volts = np.where(opened, 4.4, 0.6)
    rows = [f"{t - 100:.3f};{u:.2f}".replace(".", ",") for t, u in zip(time_s, volts, strict=True)]
    file = folder / "RUN.CSV"
    file.write_text("Time;Throttle\n(s);(V)\n\n" + "\n".join(rows) + "\n", encoding="utf-16")
    return file, gates


def test_json_has_every_key(made: tuple[Path, Truth], capsys: pytest.CaptureFixture[str]) -> None:
    folder, _ = made
    arguments = ["--pull", PULL, *(x for coast in COASTS for x in ("--coast", coast)), "--json"]
    assert main(["crosscheck", str(folder), *arguments]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found.keys() >= _KEYS
    assert len(found["gates"]) == 3
    for gate in found["gates"]:
        assert gate.keys() >= _GATE_KEYS
        assert gate["predicted_sd_s"] > 0
    assert found["segment_sum_W"] > found["kinetic_mean_W"]
    assert found["peak_wheel_power_W"] > found["mean_wheel_power_W"]


def test_an_oscilloscope_s_run_is_timed_and_found_in_the_session(
    made: tuple[Path, Truth], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, truth = made
    file, gates = scope_file(tmp_path, truth, 1)
    listed = ",".join(f"{gate:g}" for gate in gates)
    options = ["--scope", str(file), "--gates", listed, "--run", "2", "--speed-sd", "0.3", "--json"]
    assert main(["crosscheck", str(folder), *options]) == 0
    found = json.loads(capsys.readouterr().out)
    run = truth.runs[1]
    assert found["gates"][0]["measured_s"] == pytest.approx(run.release_s - run.launch_s, abs=0.03)
    aligned = found["alignment"]
    assert aligned["run"] == 2
    # recording clock minus oscilloscope's
    late = abs(aligned["clock_difference_s"] - 100.0)
    assert late < 3.0 * aligned["clock_difference_sd_s"]
    for item in aligned["intervals"]:
        assert abs(item["difference_s"]) < 3.0 * item["difference_sd_s"]


def test_the_same_marks_by_hand(
    made: tuple[Path, Truth], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, _ = made
    options = ["--marks", "2.5,9.5,40", "--gates", "80,60", "--run", "1"]
    assert main(["crosscheck", str(folder), *options]) == 0
    out = capsys.readouterr().out
    assert "Throttle: full at 2.50 s, released at 9.50 s, blips at 40.00 s" in out
    assert "timed   7.00 s" in out


def test_timed_runs_of_session_toml_are_used_and_shown_in_the_report(
    made: tuple[Path, Truth], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, _ = made
    text = (folder / "session.toml").read_text(encoding="utf-8")
    copy = tmp_path / "airfield"
    copy.mkdir()
    for file in folder.glob("*.csv"):
        (copy / file.name).write_bytes(file.read_bytes())
    coasts = ", ".join(f'"{coast}"' for coast in COASTS)
    timed = f'[crosscheck]\npull = ["{PULL}"]\ncoast = [{coasts}]\n\n'
    (copy / "session.toml").write_text(text.replace("[[log]]", timed + "[[log]]", 1), "utf-8")
    assert main(["crosscheck", str(copy), "--json"]) == 0
    alone = json.loads(capsys.readouterr().out)
    assert main(["report", str(copy)]) == 0
    results = json.loads((copy / "results" / "results.json").read_text(encoding="utf-8"))
    assert results["crosscheck"] == alone
    page = (copy / "results" / "report.html").read_text(encoding="utf-8")
    assert "Timed runs beside the phone" in page
    assert "Timed gates on speed over time" in page
    assert "neither the mean nor the peak" in page


def test_a_session_without_timed_runs_has_no_such_section(
    made: tuple[Path, Truth], tmp_path: Path
) -> None:
    folder, _ = made
    assert main(["report", str(folder), "--out", str(tmp_path)]) == 0
    assert "Timed runs beside" not in (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "crosscheck" not in json.loads((tmp_path / "results.json").read_text("utf-8"))


def test_gates_alone_need_no_session(capsys: pytest.CaptureFixture[str]) -> None:
    options = ["--mass", "1480kg", "--pull", "0-80=8.9", "--coast", "80-50=21.5", "--json"]
    assert main(["crosscheck", *options]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["peak_wheel_power_W"] is None
    assert found["mean_wheel_power_W"] > found["kinetic_mean_W"]
    assert found["mean_wheel_power_sd_W"] > 0
    assert {row["speed_mps"] for row in found["road_load"]} == {80 / 3.6, 50 / 3.6}


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ([], "give a session, or --mass"),
        (["--mass", "1480kg"], "no timed runs"),
        (["--mass", "1480", "--pull", "0-50=5"], "--mass"),
        (["--mass", "1480kg", "--pull", "fast"], "--pull: 'fast'"),
        (["--mass", "1480kg", "--pull", "0-50=5", "--time-sd", "0"], "--time-sd"),
        (["--mass", "1480kg", "--pull", "0-50=5", "--speed-sd", "x"], "--speed-sd: 'x'"),
        (["--mass", "1480kg", "--marks", "1,2,3"], "--gates is missing"),
        (["--mass", "1480kg", "--marks", "3,2", "--gates", "80"], "--marks: '3,2'"),
        (["--mass", "1480kg", "--marks", "1,2,3", "--gates", "80"], "one falling gate per mark"),
        (["--mass", "1480kg", "--marks", "1,2", "--gates", "a"], "--gates: 'a'"),
        (["--mass", "1480kg", "--scope", "none.csv", "--gates", "80"], "no such file"),
        (["nowhere", "--pull", "0-50=5"], "nowhere"),
    ],
)
def test_what_cannot_be_used_is_one_message(
    options: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["crosscheck", *options]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert message in captured.err


def test_a_run_that_the_session_does_not_have(
    made: tuple[Path, Truth], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, _ = made
    options = ["--marks", "2.5,9.5", "--gates", "80", "--run", "7"]
    assert main(["crosscheck", str(folder), *options]) == 2
    assert "--run: 7; expected a run with a pull: 1, 2" in capsys.readouterr().err
