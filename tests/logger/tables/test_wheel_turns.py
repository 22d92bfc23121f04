"""A speed in turns of a wheel: with its circumference, or the tyre's size, it is a speed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from analysis.cli.main import main
from logger.errors import ReadError, SessionError
from logger.reading import read
from logger.session.overrides import column_choices, open_session


def log(tmp_path: Path) -> Path:
    path = tmp_path / "wheel.csv"
    path.write_text("time_s,wheel\n" + "".join(f"{k / 10},{500 + k}\n" for k in range(50)))
    return path


def speeds(path: Path, circumference: str | None) -> float:
    columns = column_choices(["speed_mps=wheel"], ["speed_mps=rpm"], circumference)
    channel = read(path, columns=columns).channel("speed_mps")
    assert channel is not None
    return float(channel.values[0])


def test_turns_times_circumference_are_a_speed(tmp_path: Path) -> None:
    # 500 turns of 1.95 m in a minute are 16.25 m/s: arithmetic
    assert speeds(log(tmp_path), "1.95m") == pytest.approx(500 * 1.95 / 60)
    # 205/55 R16 has 631.9 mm and rolls 3.05 diameters (UN R30's convention): 1.927 m
    assert speeds(log(tmp_path), "205/55 R16") == pytest.approx(500 * 3.05 * 0.6319 / 60, rel=1e-4)


def test_turns_without_a_wheel_are_refused_with_what_is_missing(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match=r"--circumference 1\.95m"):
        speeds(log(tmp_path), None)
    for text in ("1.95", "200m", "wide"):
        with pytest.raises(SessionError, match="--circumference"):
            speeds(log(tmp_path), text)


def test_the_tyre_of_a_session_is_enough(tmp_path: Path) -> None:
    log(tmp_path)
    toml = '[vehicle]\nmass_kg = 1400\n{}\n[[log]]\nfile = "wheel.csv"\n[log.columns]\nspeed_mps = {}\n'
    session_toml = tmp_path / "session.toml"
    session_toml.write_text(toml.format('tyre = "205/55 R16"', '{header = "wheel", unit = "rpm"}'))
    unit = open_session(tmp_path).logs[0].columns["speed_mps"].unit
    assert unit == "rpm x 1.92729 m"
    session_toml.write_text(
        toml.format("", '{header = "wheel", unit = "rpm", circumference_m = 1.95}')
    )
    assert open_session(tmp_path).logs[0].columns["speed_mps"].unit == "rpm x 1.95 m"


def test_look_takes_the_option(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["look", str(log(tmp_path)), "--json", "--column", "speed_mps=wheel"]
    assert main([*words, "--unit", "speed_mps=rpm", "--circumference", "1.95m"]) == 0
    assert json.loads(capsys.readouterr().out)


def test_strip_takes_the_option(tmp_path: Path) -> None:
    out = tmp_path / "bare.csv"
    words = ["strip", str(log(tmp_path)), str(out), "--quiet", "--column", "speed_mps=wheel"]
    assert main([*words, "--unit", "speed_mps=rpm", "--circumference", "1.95m"]) == 0
    speed = read(out).channel("speed_mps")
    assert speed is not None
    assert speed.values[0] == pytest.approx(500 * 1.95 / 60, abs=1e-3)  # written to the millimetre


def test_one_column_is_a_log_where_its_rate_is_stated(tmp_path: Path) -> None:
    path = tmp_path / "one.csv"
    path.write_text("speed_kmh\n" + "".join(f"{20 + k}\n" for k in range(50)))
    speed = read(path, rate_hz=10).channel("speed_mps")
    assert speed is not None
    assert speed.t_s[-1] == pytest.approx(4.9)
    with pytest.raises(ReadError, match="--rate-hz"):
        read(path)
