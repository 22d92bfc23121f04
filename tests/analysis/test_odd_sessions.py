"""Sessions with something wrong in one log: it is noticed, said, and left out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_sessions import analysed, recordings_of, simulated
from make_signals import drive, recording, rotation

from analysis.pipeline import analyse
from analysis.runs.gears import shared_changes
from analysis.signals.gps import speed_fixes
from analysis.signals.mount import find_mount
from analysis.simulate.session import simulate_session
from logger.recording import Channel, Recording
from logger.session.session import read_session


def _turned_after(made: Recording, moment_s: float, degrees: float) -> Recording:
    """Turn the phone about its first axis by an angle at a moment."""
    angle = np.radians(degrees)
    y, z = (made.channel(f"accel_{axis}_mps2") for axis in "yz")
    assert y is not None
    assert z is not None
    late = y.t_s >= moment_s
    new_y = np.where(late, np.cos(angle) * y.values - np.sin(angle) * z.values, y.values)
    new_z = np.where(late, np.sin(angle) * y.values + np.cos(angle) * z.values, z.values)
    swapped = {
        "accel_y_mps2": replace(y, values=new_y),
        "accel_z_mps2": replace(z, values=new_z),
    }
    channels = tuple(swapped.get(channel.name, channel) for channel in made.channels)
    return replace(made, channels=channels)


@pytest.mark.parametrize(("degrees", "used"), [(0.0, True), (4.0, True), (9.0, False)])
def test_a_phone_that_turned_between_two_stands_is_noticed(degrees: float, used: bool) -> None:
    """Here it turns about the forward axis: 4 degrees are two stands on either side of a road with a
    crossfall of 3.5 %, 9 degrees no road has (crossfall 2 to 3 %, in bends up to 8 %; common practice, no
    source)."""
    made = recording(drive(3), seed=3)
    end_s = max(channel.t_s[-1] for channel in made.channels)
    turned = _turned_after(made, 0.5 * float(end_s), degrees)
    fixes, _ = speed_fixes(turned)
    mount, findings = find_mount(turned, fixes)
    assert mount.used is used
    if not used:
        assert mount.why_not is not None
        assert "moved" in mount.why_not
        assert [finding.kind for finding in findings] == ["accelerometer_not_used"]


def test_a_lag_beyond_all_receivers_is_refused() -> None:
    made = recording(drive(4), seed=4, lag_s=5.5)
    fixes, _ = speed_fixes(made)
    mount, _ = find_mount(made, fixes)
    assert not mount.used


def test_the_better_overlap_of_two_clocks_wins() -> None:
    """A short overlap that fits by chance must not beat a long one that fits as well."""
    rng = np.random.default_rng(56)
    made = recording(drive(2), seed=2, turn=rotation(rng), lag_s=0.5, clocks=(0.0, 400.0))
    fixes, _ = speed_fixes(made)
    mount, _ = find_mount(made, fixes)
    assert mount.lag is not None
    # 6 sd: the sd itself is known to a third only
    assert abs(float(mount.accel_time_s[0]) - 0.5) < 6.0 * mount.lag.lag_sd_s


def test_the_same_log_given_twice_counts_once() -> None:
    made = simulated(1)
    plain, _ = analysed(1)
    logs = (*made.session.logs, made.session.logs[0])
    twice = analyse(replace(made.session, logs=logs), (*made.recordings, made.recordings[0]))
    assert plain.road_load is not None
    assert twice.road_load is not None
    # the start of the rounds differs by the log's say in the scale; the end by far less than an sd
    assert twice.road_load.f0_n == pytest.approx(plain.road_load.f0_n, rel=1e-5)
    np.testing.assert_allclose(twice.road_load.covariance, plain.road_load.covariance, rtol=1e-4)
    last = [phase for run in twice.runs if run.log == len(logs) - 1 for phase in run.phases]
    reasons = {phase.why_not for phase in last if phase.kind in ("pull", "coast")}
    (reason,) = reasons
    assert reason is not None
    assert f"({len(logs)}) holds the drive of" in reason.replace("log ", "")
    assert "(log 1), fix by fix the same but for rounding" in reason


def test_a_stated_direction_against_the_positions_is_said() -> None:
    made = simulated(1)
    logs = tuple(replace(log, direction="up") for log in made.session.logs)
    outcome = analyse(replace(made.session, logs=logs), made.recordings)
    assert [run.direction for run in outcome.runs] == [1, -1, 1, -1]
    assert "direction_contradicted" in [finding.kind for finding in outcome.findings]


def test_rare_fixes_give_a_road_load_and_no_power() -> None:
    """At one fix in two seconds and no accelerometer a gear change cannot be seen."""
    made = simulated(1, phone="gps-only")
    thinned = tuple(
        replace(
            one,
            channels=tuple(
                Channel(name=c.name, t_s=c.t_s[::2], values=c.values[::2], suspect=c.suspect[::2])
                for c in one.channels
            ),
        )
        for one in made.recordings
    )
    outcome = analyse(made.session, thinned)
    assert outcome.power is None
    assert outcome.road_load is not None
    reasons = {p.why_not for run in outcome.runs for p in run.phases if p.kind == "pull"}
    assert all(reason is not None and "fixes every 2.0 s" in reason for reason in reasons)


def _pulls(
    changes: list[tuple[float, float]], count: int, noise: float
) -> list[tuple[np.ndarray, np.ndarray]]:
    """Fixes of pulls whose acceleration falls as 60 / v, standing still at each change."""
    rng = np.random.default_rng(7)
    pulls = []
    for _ in range(count):
        grid = np.linspace(2.0, 33.0, 4000)
        time = np.concatenate([[0.0], np.cumsum(np.diff(grid) * grid[1:] / 60.0)])
        for speed, length in changes:
            time = time + length * (grid > speed + rng.normal(0.0, 0.2))
        stamps = np.arange(rng.uniform(0.0, 1.0), time[-1], 1.0)
        pulls.append(
            (stamps, np.interp(stamps, time, grid) + noise * rng.standard_normal(stamps.size))
        )
    return pulls


def test_changes_that_no_single_pull_shows_are_found_together() -> None:
    """Speeds to the grid and the scatter put in (0.2 m/s), lengths to 0.25 s at one fix a second."""
    found = shared_changes(_pulls([(11.0, 0.7), (20.0, 0.7)], 8, 0.05))
    assert [speed for speed, _ in found] == pytest.approx([11.0, 20.0], abs=0.8)
    assert [length for _, length in found] == pytest.approx([0.7, 0.7], abs=0.25)


def test_pulls_in_one_gear_have_no_changes() -> None:
    assert shared_changes(_pulls([], 8, 0.05)) == []
    assert shared_changes([]) == []


def test_gently_reached_speeds_are_no_pulls(tmp_path: Path) -> None:
    """Coast-downs alone: a road load, no wheel power, and the reason said per run."""
    simulate_session(tmp_path, seed=3, pairs=1, coast_only=True)
    session = read_session(tmp_path)
    recordings = recordings_of(session)
    outcome = analyse(session, recordings)
    assert outcome.road_load is not None
    assert outcome.power is None
    reasons = [p.why_not for run in outcome.runs for p in run.phases if p.kind == "pull"]
    assert all(reason is not None and "part throttle" in reason for reason in reasons)
