"""From device axes to the vehicle's: any mount, either sign convention, and when to refuse."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_signals import Drive, drive, recording, rotation

from analysis.signals.gps import speed_fixes
from analysis.signals.mount import MIN_RATE_HZ, Mount, find_mount
from logger.findings import Finding
from logger.reading import read_log
from logger.recording import Recording

CASES = Path(__file__).resolve().parents[2] / "data" / "cases"


def _mount(made: Recording) -> tuple[Mount, tuple[Finding, ...]]:
    fixes, _ = speed_fixes(made)
    return find_mount(made, fixes)


def _gain_and_rest(mount: Mount, motion: Drive) -> tuple[float, float]:
    """Slope of forward force over true acceleration, and the median forward force at rest."""
    accel = np.interp(mount.accel_time_s, motion.time_s, motion.accel_mps2)
    speed = np.interp(mount.accel_time_s, motion.time_s, motion.speed_mps)
    slope = float(np.polyfit(accel, mount.forward_mps2, 1)[0])
    return slope, float(np.median(mount.forward_mps2[speed < 0.01]))


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("seed", range(6))
def test_any_mount_gives_forward_acceleration_with_its_sign(sign: float, seed: int) -> None:
    """Platforms differ in sign (+g or -g up at rest); neither may turn a pull into a brake."""
    rng = np.random.default_rng([51, seed])
    motion = drive(seed)
    mount, _ = _mount(recording(motion, seed=seed, turn=rotation(rng), sign=sign, gain=1.03))
    assert mount.used
    gain, rest = _gain_and_rest(mount, motion)
    # vibration of 0.4 m/s2 over 8000 samples against an acceleration of 1.3 m/s2 rms: 0.4 %; an
    # axis that is 6 degrees off would lose 0.5 %
    assert gain == pytest.approx(1.03, abs=0.02)
    assert abs(rest) < 0.02
    assert mount.lateral_mps2.shape == mount.forward_mps2.shape
    assert not mount.gravity_removed


def test_both_conventions_give_the_same_numbers() -> None:
    motion = drive(7)
    turn = rotation(np.random.default_rng(52))
    found = []
    for sign in (1.0, -1.0):
        made = recording(motion, turn=sign * turn, sign=sign, bias_mps2=(0.0, 0.0, 0.0))
        mount, _ = _mount(made)  # the two signs cancel: one and the same device reading
        found.append(mount.forward_mps2)
    np.testing.assert_allclose(found[0], found[1], atol=1e-9)


def test_a_phone_that_took_gravity_out_is_used_and_named() -> None:
    motion = drive(8)
    turn = rotation(np.random.default_rng(53))
    mount, findings = _mount(recording(motion, turn=turn, gravity_mps2=0.0))
    assert mount.used
    assert mount.gravity_removed
    assert _gain_and_rest(mount, motion)[0] == pytest.approx(1.0, abs=0.02)
    assert [finding.kind for finding in findings] == ["gravity_removed"]


def test_cornering_stays_out_of_the_forward_axis() -> None:
    """Swaying by 1 m/s2 across the vehicle, as in gentle bends, must hardly leak into forward."""
    motion = drive(9)
    turn = rotation(np.random.default_rng(54))
    straight, _ = _mount(recording(motion, turn=turn))
    made = recording(motion, turn=turn)
    moving = np.interp(straight.accel_time_s, motion.time_s, motion.speed_mps) > 5.0
    push = np.where(moving, np.sin(2.0 * np.pi * straight.accel_time_s / 7.0), 0.0)
    channels = [
        replace(channel, values=channel.values + push * turn["xyz".index(channel.name[6]), 1])
        if channel.name.startswith("accel")
        else channel
        for channel in made.channels
    ]
    mount, _ = _mount(replace(made, channels=tuple(channels)))
    assert mount.used
    leaked = np.std(mount.forward_mps2 - straight.forward_mps2)
    # the sine has a chance correlation with the changes of speed over some 95 differences
    assert leaked < 0.05 * np.std(push)
    assert np.corrcoef(mount.lateral_mps2, push)[0, 1] ** 2 > 0.5


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"accel_hz": 1.0}, "vibration"),
        ({"accel_hz": MIN_RATE_HZ - 3.0}, "vibration"),
        ({"gravity_mps2": 8.0}, "gravity is 9.81"),
        ({"gravity_mps2": 4.0}, "gravity is 9.81"),
        ({"gain": 0.0}, "explains only"),
    ],
)
def test_a_useless_accelerometer_is_refused_with_its_reason(
    change: dict[str, float], words: str
) -> None:
    """A rest magnitude that is neither 9.8 m/s2 nor 1.0 g (+/- 5 %) is refused with the value found;
    1 Hz plug-in boxes alias vibration (measured: gains of 0.27 to 0.70)."""
    mount, findings = _mount(recording(drive(10), **change))  # type: ignore[arg-type]  # floats
    assert not mount.used
    assert mount.why_not is not None
    assert words in mount.why_not
    assert mount.forward_mps2.size == 0
    assert [finding.kind for finding in findings] == ["accelerometer_not_used"]
    assert mount.why_not in findings[0].text


def test_the_value_found_at_rest_is_named() -> None:
    mount, _ = _mount(recording(drive(10), gravity_mps2=8.0, bias_mps2=(0.0, 0.0, 0.0)))
    assert mount.why_not is not None
    assert "8.0" in mount.why_not


def test_a_phone_that_never_accelerates_has_no_forward_axis() -> None:
    steady = Drive(np.arange(0.0, 60.0, 0.01), np.full(6000, 25.0), np.zeros(6000))
    mount, _ = _mount(recording(steady))
    assert not mount.used
    assert mount.why_not is not None
    assert "forward axis" in mount.why_not


def test_without_acceleration_there_is_nothing_to_refuse() -> None:
    made = recording(drive(11))
    speed_only = replace(made, channels=made.channels[:1])
    mount, findings = _mount(speed_only)
    assert not mount.used
    assert mount.rate_hz is None
    assert not any(finding.severity == "error" for finding in findings)


def test_axes_with_different_stamps_meet_where_they_agree() -> None:
    made = recording(drive(12))
    channels = list(made.channels)
    channels[2] = replace(
        channels[2],
        t_s=channels[2].t_s[5:],
        values=channels[2].values[5:],
        suspect=np.zeros(0, bool),
    )
    mount, _ = _mount(replace(made, channels=tuple(channels)))
    assert mount.used
    assert mount.accel_time_s.size == channels[2].t_s.size


@pytest.mark.parametrize("seed", range(4))
def test_the_shift_between_two_clocks_is_found_with_its_sd(seed: int) -> None:
    """Stamps since boot beside stamps since 1970: only the signals can tell, and a finding says so."""
    rng = np.random.default_rng([55, seed])
    shift, lag_s = float(rng.uniform(-3000.0, 3000.0)), 0.5
    made = recording(drive(seed), seed=seed, turn=rotation(rng), lag_s=lag_s, clocks=(0.0, shift))
    mount, findings = _mount(made)
    assert mount.used
    assert mount.lag is not None
    # the lag of the receiver cannot be told from the shift, and need not
    found = float(mount.accel_time_s[0]) - lag_s
    assert abs(found) < 4.0 * mount.lag.lag_sd_s
    assert mount.lag.lag_sd_s < 0.1
    assert mount.lag.lag_s == 0.0
    told = [finding for finding in findings if finding.kind == "clock_shift"]
    assert len(told) == 1
    assert "sd" in told[0].text


def test_two_clocks_of_a_short_log_are_fused_well_or_not_at_all() -> None:
    """Expected: refuse to fuse, or accelerometer row 1 at GPS time 0.2 s (+/- 0.3 s) with an sd."""
    names = ("two_clocks_gps_epoch_ms.csv", "two_clocks_accel_ns_since_boot.csv")
    made = read_log([CASES / "first" / name for name in names])
    mount, findings = _mount(made)
    if mount.used:
        assert float(mount.accel_time_s[0]) == pytest.approx(0.2, abs=0.3)
        assert any(finding.kind == "clock_shift" for finding in findings)
    else:
        assert any(finding.kind == "accelerometer_not_used" for finding in findings)
