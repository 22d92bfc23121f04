"""Faults of real recordings are found, and what only looks like one is left alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from logger.reading import read
from logger.recording import Channel, Recording

Floats = NDArray[np.float64]
METRE_DEG = 1.0 / 111_195.0  # of latitude, on the mean sphere


def drive(seed: int, count: int = 300, step_s: float = 1.0) -> tuple[Floats, Floats]:
    """Return times and a made-up drive: standing, a pull, cruising, a coast-down, standing."""
    t = step_s * np.arange(count, dtype=np.float64)
    end = t[-1]
    knots = np.array([0, 0.1, 0.3, 0.5, 0.9, 1.0]) * end
    speed = np.interp(t, knots, [0, 0, 30, 28, 0, 0])
    noise = np.random.default_rng(seed).normal(0, 0.06, count)
    return t, np.asarray(np.where(speed > 0.3, np.abs(speed + noise), 0.0), dtype=np.float64)


def table(t: Floats, speed: Floats, digits: int = 3, north: Floats | None = None) -> str:
    if north is None:
        north = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(t))))
    rows = (
        f"{a:.4f},{52.1 + METRE_DEG * y:.7f},9.4,{v:.{digits}f}\n"
        for a, y, v in zip(t, north, speed, strict=True)
    )
    return "time_s,latitude_deg,longitude_deg,speed_mps\n" + "".join(rows)


def read_text(tmp_path: Path, text: str) -> Recording:
    path = tmp_path / "log.csv"
    path.write_text(text)
    return read(path)


def speed_of(recording: Recording) -> Channel:
    speed = recording.channel("speed_mps")
    assert speed is not None
    return speed


def kinds(recording: Recording) -> set[str]:
    return {finding.kind for finding in recording.findings}


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("step_s", [1.0, 0.1])
def test_a_sound_drive_has_no_findings(tmp_path: Path, seed: int, step_s: float) -> None:
    t, speed = drive(seed, int(300 / step_s), step_s)
    recording = read_text(tmp_path, table(t, speed))
    assert not recording.findings
    assert not speed_of(recording).suspect.any()


@pytest.mark.parametrize("step_s", [1.0, 0.1])
@pytest.mark.parametrize("resolution", [1 / 3.6, 0.1, 0.0514444])
def test_a_coarse_sensors_natural_repeats_are_left_alone(
    tmp_path: Path, resolution: float, step_s: float
) -> None:
    """Whole km/h, tenths of m/s, tenths of a knot: equal neighbours while cruising are chance."""
    t, speed = drive(1, int(300 / step_s), step_s)
    coarse = np.round(speed / resolution) * resolution
    recording = read_text(tmp_path, table(t, coarse, 6))
    moving = coarse[1:] > 1
    # the case is worth testing: many neighbours are equal
    assert (np.diff(coarse)[moving] == 0).mean() > 0.05
    assert not speed_of(recording).suspect.any()


@pytest.mark.parametrize("share", [0.05, 0.22])
@pytest.mark.parametrize("digits", [2, 6])
def test_repeated_fixes_are_doubted_each_of_them(tmp_path: Path, share: float, digits: int) -> None:
    """A phone repeats up to 22 % of its moving fixes' speeds while the position moves on."""
    t, true_speed = drive(2)
    repeats = np.random.default_rng(3).uniform(size=t.size) < share
    repeats[0] = False
    source = np.maximum.accumulate(np.where(repeats, 0, np.arange(t.size)))
    north = np.concatenate(([0.0], np.cumsum(true_speed[1:])))
    recording = read_text(tmp_path, table(t, true_speed[source], digits, north))
    speed = speed_of(recording)
    moving = speed.values > 1
    assert not (repeats & moving & ~speed.suspect).any()
    # with two decimals some of the others are equal by chance: 0.01 in a noise of 0.06 * sqrt(2)
    assert (speed.suspect & ~repeats).mean() < 0.05
    assert "repeated_fix" in kinds(recording)


def test_a_coarse_reading_that_stands_still_in_a_pull_is_doubted(tmp_path: Path) -> None:
    speed = np.array([10, 13, 16, 16, 22, 25, 27, 30, 34, 37.0])
    recording = read_text(
        tmp_path, "time_s,speed_mps\n" + "".join(f"{k},{v}\n" for k, v in enumerate(speed))
    )
    assert np.flatnonzero(speed_of(recording).suspect).tolist() == [3]


def test_a_start_from_steady_speed_is_no_repeat(tmp_path: Path) -> None:
    speed = np.array([10.0, 10.0, 10.0, 11.84, 14.14, 16.44, 18.74, 19.2, 19.2])
    recording = read_text(
        tmp_path, "time_s,speed_mps\n" + "".join(f"{k},{v}\n" for k, v in enumerate(speed))
    )
    assert not speed_of(recording).suspect.any()


def test_a_fix_that_went_stale_is_doubted(tmp_path: Path) -> None:
    """Speed and position stay the very same for ten seconds of driving: the receiver lost sight."""
    t, speed = drive(11)
    north = np.concatenate(([0.0], np.cumsum(speed[1:])))
    speed[120:130], north[120:130] = speed[119], north[119]
    recording = read_text(tmp_path, table(t, speed, 3, north))
    assert np.flatnonzero(speed_of(recording).suspect).tolist() == list(range(120, 130))


def test_a_constant_speed_is_a_speed(tmp_path: Path) -> None:
    t = np.arange(60.0)
    recording = read_text(tmp_path, table(t, np.full(60, 25.0)))
    assert not speed_of(recording).suspect.any()
    assert not recording.findings


def test_single_false_spikes_are_doubted_alone(tmp_path: Path) -> None:
    t, speed = drive(4)
    false = [70, 150, 200]
    spiked = speed.copy()
    # as measured on a receiver: 65 -> 107 -> 46 km/h within two fixes
    spiked[false] = [speed[70] + 12, speed[150] - 14, speed[200] + 11]
    north = np.concatenate(([0.0], np.cumsum(speed[1:])))
    recording = read_text(tmp_path, table(t, spiked, 3, north))
    assert np.flatnonzero(speed_of(recording).suspect).tolist() == false
    assert kinds(recording) == {"false_spike"}


def test_hard_braking_and_a_step_that_stays_are_no_spikes(tmp_path: Path) -> None:
    speed = np.concatenate((np.full(5, 30.0), [20.5, 11.0, 1.5, 0, 0], np.full(5, 0.0)))
    speed = speed + np.linspace(0, 0.01, speed.size)
    recording = read_text(
        tmp_path, "time_s,speed_mps\n" + "".join(f"{k},{v:.4f}\n" for k, v in enumerate(speed))
    )
    assert not speed_of(recording).suspect.any()


def test_doublets_are_halves_of_one_fix(tmp_path: Path) -> None:
    """Rows 1-6 ms after another with the same speed: measured on a phone, 2 % of fixes."""
    t, speed = drive(5)
    double = np.array([40, 90, 170, 230])
    at = np.sort(np.concatenate((t, t[double] + 0.004)))
    twice = np.sort(np.concatenate((np.arange(t.size), double)))
    north = np.concatenate(([0.0], np.cumsum(speed[1:])))
    recording = read_text(tmp_path, table(at, speed[twice], 3, north[twice]))
    channel = speed_of(recording)
    assert channel.t_s.tolist() == t.tolist()
    finding = next(f for f in recording.findings if f.kind == "doublets")
    assert (finding.count, finding.line) == (4, 43)
    assert not channel.suspect.any()


def test_uneven_but_true_steps_are_no_doublets(tmp_path: Path) -> None:
    at = [0, 0.9, 1.1, 2.0, 2.05, 3.0, 4.4, 4.5, 5.0, 6.3, 6.4, 7.0]
    text = "time_s,speed_mps\n" + "".join(f"{t},{5 + 2 * t:.3f}\n" for t in at)
    assert speed_of(read_text(tmp_path, text)).t_s.size == 12


def merged(seed: int, standing: bool = True) -> tuple[str, Floats]:
    """Return a fast table whose rows hold each fix until the next, and the fixes' times."""
    t, speed = drive(seed, 300)
    if not standing:
        speed = speed + 5.0
    fast = np.arange(0.0, 299.0, 0.1)
    held = np.searchsorted(t, fast + 1e-9) - 1
    north = np.concatenate(([0.0], np.cumsum(speed[1:])))
    rng = np.random.default_rng(seed)
    force = rng.normal([0.0, 0.2, 9.8], 0.3, (fast.size, 3))
    rows = "".join(
        f"{a:.1f},{52.1 + METRE_DEG * north[k]:.7f},9.4,{speed[k]:.3f},{x:.3f},{y:.3f},{z:.3f}\n"
        for a, k, (x, y, z) in zip(fast, held, force, strict=True)
    )
    names = "time_s,latitude_deg,longitude_deg,speed_mps,accel_x_mps2,accel_y_mps2,accel_z_mps2\n"
    return names + rows, t


def test_values_held_over_fast_rows_become_fixes_again(tmp_path: Path) -> None:
    text, t = merged(6, standing=False)
    recording = read_text(tmp_path, text)
    assert kinds(recording) == {"held_values"}
    speed = speed_of(recording)
    np.testing.assert_allclose(speed.t_s, t[:299], rtol=0, atol=1e-6)
    latitude = recording.channel("latitude_deg")
    accel = recording.channel("accel_z_mps2")
    assert latitude is not None
    assert accel is not None
    assert latitude.t_s.size == speed.t_s.size
    assert accel.t_s.size == 2990


def test_standing_fixes_held_over_rows_keep_their_pace(tmp_path: Path) -> None:
    """At a standstill fix after fix is the same: one row per usual hold stays, no hole appears."""
    text, _ = merged(7)
    speed = speed_of(read_text(tmp_path, text))
    assert np.diff(speed.t_s).max() < 2.1
    assert (speed.values == 0).sum() > 20


def test_a_ten_hertz_receiver_standing_most_of_the_time_is_not_merged(tmp_path: Path) -> None:
    t, speed = drive(8, 3000, 0.1)
    recording = read_text(tmp_path, table(t, speed))
    assert speed_of(recording).t_s.size == 3000


def test_network_fixes_with_zero_speed_leave_only_positions(tmp_path: Path) -> None:
    t, speed = drive(9)
    north = np.concatenate(([0.0], np.cumsum(speed[1:])))
    recording = read_text(tmp_path, table(t, np.zeros(t.size), 3, north))
    assert recording.channel("speed_mps") is None
    assert recording.channel("latitude_deg") is not None
    assert kinds(recording) == {"speed_always_zero"}


def test_standing_in_drifting_fixes_is_no_fault(tmp_path: Path) -> None:
    t = np.arange(120.0)
    drift = np.cumsum(np.random.default_rng(1).normal(0, 0.5, t.size))
    recording = read_text(tmp_path, table(t, np.zeros(t.size), 3, drift))
    assert not recording.findings
    assert (speed_of(recording).values == 0).all()


def test_a_launch_that_the_receiver_sees_late_is_no_fault(tmp_path: Path) -> None:
    """Speed stays at zero for up to three seconds of a launch (measured): 10 m, not 'no data'."""
    t = np.arange(60.0)
    true_speed = np.clip(2.5 * (t - 20.0), 0, 30)
    seen = np.where(t < 23, 0.0, true_speed)
    north = np.concatenate(([0.0], np.cumsum(0.5 * (true_speed[1:] + true_speed[:-1]))))
    recording = read_text(tmp_path, table(t, seen, 3, north))
    assert "zero_speed_while_moving" not in kinds(recording)


def test_holes_of_fixes_and_of_acceleration_are_named_with_place_and_length(
    tmp_path: Path,
) -> None:
    t, speed = drive(10)
    keep = (t < 100) | (t > 144)
    keep &= (t < 200) | (t > 203)
    north = np.concatenate(([0.0], np.cumsum(speed[1:])))
    recording = read_text(tmp_path, table(t[keep], speed[keep], 3, north[keep]))
    (finding,) = recording.findings
    assert (finding.kind, finding.count, finding.line) == ("hole", 2, 101)
    assert finding.time_s == pytest.approx(99.0)
    assert "the longest 46.0 s" in finding.text
    fast = np.arange(0, 60, 0.02)
    fast = fast[(fast < 30) | (fast > 30.6)]
    rows = "".join(f"{a:.2f},0.1,0.2,9.8\n" for a in fast)
    recording = read_text(tmp_path, "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2\n" + rows)
    assert kinds(recording) == {"accel_hole"}


def test_stragglers_of_an_even_accelerometer_are_no_holes(tmp_path: Path) -> None:
    """Measured on a phone: median 60 ms, single steps up to 121 ms, some of 5 ms."""
    steps = np.tile([0.06] * 20 + [0.115, 0.005], 40)
    at = np.concatenate(([0.0], np.cumsum(steps)))
    rows = "".join(f"{a:.3f},0.1,0.2,9.8\n" for a in at)
    recording = read_text(tmp_path, "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2\n" + rows)
    assert not recording.findings
    assert recording.channels[0].t_s.size == at.size


def test_too_fast_a_gain_doubts_the_unit(tmp_path: Path) -> None:
    rows = "".join(f"{k},{min(90, 15 * k)}\n" for k in range(20))
    recording = read_text(tmp_path, "time_s,speed_mps\n" + rows)
    assert kinds(recording) == {"unit_suspect"}


def test_a_negative_accuracy_is_unknown(tmp_path: Path) -> None:
    text = "time_s,speed_mps,position_accuracy_m\n0,20,-1\n1,21,5\n2,22,-3\n"
    recording = read_text(tmp_path, text)
    accuracy = recording.channel("position_accuracy_m")
    assert accuracy is not None
    assert accuracy.values.tolist() == [5]


def test_a_heading_below_zero_is_a_heading_but_minus_one_is_none(tmp_path: Path) -> None:
    text = "time_s,speed_mps,heading_deg\n0,20,-90\n1,21,-1\n2,22,-89\n"
    heading = read_text(tmp_path, text).channel("heading_deg")
    assert heading is not None
    assert heading.values.tolist() == [-90, -89]


def test_rows_that_share_one_stamp_too_often_are_refused(tmp_path: Path) -> None:
    from logger.errors import ReadError

    rows = "".join(f"{k // 50},{0.01 * (k % 7)},0.2,9.8\n" for k in range(1000))
    with pytest.raises(ReadError, match="carry the time of the row before"):
        read_text(tmp_path, "time_s,accel_x_mps2,accel_y_mps2,accel_z_mps2\n" + rows)


def test_rows_of_two_sensors_that_share_a_stamp_are_no_conflict(tmp_path: Path) -> None:
    text = (
        "time_s,speed_mps,accel_x_mps2,accel_y_mps2,accel_z_mps2\n"
        "0,20,,,\n0,,0.1,0.2,9.8\n0.5,,0.1,0.2,9.8\n0.4,20.5,,,\n1.0,21,,,\n"
    )
    recording = read_text(tmp_path, text)
    assert not recording.findings
    assert speed_of(recording).t_s.tolist() == [0, 0.4, 1.0]


def test_a_fast_wheel_sensor_repeats_itself_and_is_believed(tmp_path: Path) -> None:
    """34 rows a second of a wheel that is read 21 times a second: a third of the rows repeat."""
    t = np.arange(0.0, 120.0, 1.0 / 34.0)
    read_s = np.floor(t * 21.0) / 21.0
    held = 15.0 + 8.0 * np.sin(read_s / 20.0)
    recording = read_text(tmp_path, table(t, held, 6))
    assert 0.3 < float((np.diff(held) == 0).mean()) < 0.4
    assert not speed_of(recording).suspect.any()
    assert "repeated_fix" not in kinds(recording)
