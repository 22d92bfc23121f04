"""`pullcoast look`, `speed` and `sample`: what they say and write without a report."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from analysis.cli.main import main


def _errors(capsys: pytest.CaptureFixture[str]) -> list[str]:
    captured = capsys.readouterr()
    assert "Traceback" not in captured.err
    return captured.err.splitlines()


# --- look and speed --------------------------------------------------------------------------


def test_look_as_json_says_what_is_in_each_file(
    sample: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good, bad = sample / "run01.csv", tmp_path / "bad.csv"
    bad.write_text("<!doctype html><html></html>")
    assert main(["look", str(bad), str(good), "--json"]) == 2
    captured = capsys.readouterr()
    refused, found = json.loads(captured.out)["files"]
    assert set(refused) == set(found) == {
        "path", "format", "channels", "duration_s", "top_speed_mps", "pulls", "coasts", "findings",
        "error",
    }  # fmt: skip
    assert str(bad) in refused["error"]
    assert (refused["format"], refused["channels"], refused["top_speed_mps"]) == (None, {}, None)
    assert found["error"] is None
    assert found["path"] == str(good)
    assert set(found["channels"]["speed_mps"]) == {"samples", "rate_hz"}
    # simulated: one fix a second, one pull and one coast-down in each log
    assert found["channels"]["speed_mps"]["rate_hz"] == pytest.approx(1.0, abs=0.01)
    assert len(found["pulls"]) == len(found["coasts"]) == 1
    assert found["pulls"][0]["end_s"] <= found["coasts"][0]["start_s"]
    assert len(captured.err.splitlines()) == 1


def test_look_leaves_suspect_samples_out_of_the_top_speed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "spike.csv"
    rows = [f"{t},{20 + 0.1 * t + 0.003 * (t % 3):.3f}" for t in range(60)]
    rows[30] = "30,180.0"  # a false spike
    log.write_text("time_s,speed_mps\n" + "\n".join(rows) + "\n")
    assert main(["look", str(log), "--json"]) == 0
    (found,) = json.loads(capsys.readouterr().out)["files"]
    assert found["top_speed_mps"] == 25.906  # 20 + 5.9 + 0.006 at 59 s


def test_look_as_text(sample: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["look", str(sample / "run01.csv"), "--speed-unit", "mph"]) == 0
    text = capsys.readouterr().out
    assert "speed_mps" in text
    assert "mph" in text
    assert "pull " in text
    assert "coast-down " in text
    assert max(map(len, text.splitlines())) <= 100


def test_speed_needs_no_session(
    sample: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    logs = [str(sample / name) for name in ("run01.csv", "run02.csv")]
    assert main(["speed", *logs]) == 0
    assert sorted(path.name for path in (tmp_path / "speed").iterdir()) == [
        "speed_time.csv",
        "speed_time.svg",
    ]
    table = (tmp_path / "speed" / "speed_time.csv").read_text().splitlines()
    assert {line.split(",")[0] for line in table[1:]} == {"0", "1"}
    assert {line.split(",")[1] for line in table[1:]} <= {"1", "2", ""}
    assert "run01.csv: 1 run, 1 pull, 1 coast-down" in capsys.readouterr().out


def test_speed_goes_on_after_a_bad_file(
    sample: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    logs = ["missing.csv", str(sample / "run01.csv")]
    assert main(["speed", *logs, "--out", str(out)]) == 2
    assert (out / "speed_time.csv").exists()
    assert "missing.csv" in _errors(capsys)[0]


# --- sample ----------------------------------------------------------------------------------


def test_sample_replaces_only_its_own_earlier_sample(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (copied / "results").mkdir()
    assert main(["sample", str(copied), "--pairs", "1", "--seed", "5", "--phone", "gps-only"]) == 0
    assert json.loads((copied / "truth.json").read_text())["seed"] == 5
    (copied / "mine.csv").write_text("x")
    assert main(["sample", str(copied)]) == 2
    assert "holds mine.csv" in _errors(capsys)[0]
    assert json.loads((copied / "truth.json").read_text())["seed"] == 5


def test_sample_drops_the_logs_that_a_smaller_one_no_longer_has(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    assert main(["sample", str(folder), "--pairs", "2", "--phone", "gps-only"]) == 0
    assert main(["sample", str(folder), "--pairs", "1", "--phone", "gps-only"]) == 0
    logs = sorted(path.name for path in folder.glob("run*"))
    stated = json.loads((folder / "truth.json").read_text())["logs"]
    assert logs == [name for log in stated for name in log["files"]]


def test_sample_refuses_other_peoples_folders(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "photo.jpg").write_text("x")
    assert main(["sample", str(tmp_path)]) == 2
    assert "nothing was changed" in _errors(capsys)[0]
    assert main(["sample", str(tmp_path / "photo.jpg")]) == 2
    assert "is a file" in _errors(capsys)[0]
    assert [path.name for path in tmp_path.iterdir()] == ["photo.jpg"]


def test_speed_tells_the_lag_and_whether_the_accelerometer_was_used(
    sample: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Truth of the lag from the simulation's own truth.json; without an accelerometer there is none."""
    truth = json.loads((sample / "truth.json").read_text())["logs"][0]["gps_lag_s"]
    log = sample / "run01.csv"
    assert main(["speed", str(log), "--out", str(tmp_path / "a"), "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["logs"]
    assert row["accel_used"]
    assert row["why_not"] is None
    assert abs(row["gps_lag_s"] - truth) < 3.0 * row["gps_lag_sd_s"]
    assert 0.0 < row["gps_lag_sd_s"] < 0.3
    alone = tmp_path / "alone.csv"
    rows = "".join(f"{k},{5.0 + 0.5 * k}\n" for k in range(40))
    alone.write_text("time_s,speed_mps\n" + rows)
    assert main(["speed", str(alone), "--out", str(tmp_path / "b"), "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["logs"]
    assert not row["accel_used"]
    assert row["gps_lag_s"] is None
    assert "no acceleration" in row["why_not"]
    assert main(["speed", str(alone), "--out", str(tmp_path / "b")]) == 0
    assert "accelerometer not used: the recording has no" in capsys.readouterr().out


def test_look_takes_a_folder_for_the_logs_in_it(
    copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["look", str(copied)]) == 0
    said = capsys.readouterr().out
    for log in sorted(copied.glob("run*")):
        assert log.name in said
    assert "session.toml" not in said
    (copied / "empty").mkdir()
    assert main(["look", str(copied / "empty")]) == 2
    assert "no log lies in this folder" in capsys.readouterr().err
