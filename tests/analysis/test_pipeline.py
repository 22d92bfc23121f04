"""The main path: what the data hold decides what comes out, and nothing else does."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from make_sessions import Simulated, analysed, simulated

from analysis.pipeline import Analysis, analyse
from analysis.results.checks.validity import NothingUsable
from analysis.results.power import PowerCurve
from analysis.results.road_load import RoadLoad
from analysis.runs.run import PhaseKind
from analysis.runs.survey import Survey, survey
from analysis.simulate.phone import PhoneKind
from logger.recording import Channel, Clock, Recording

_SPEEDS = np.array([50.0, 72.0, 100.0]) / 3.6
_EMPTY = Recording(channels=(), clocks=(Clock(kind="elapsed", epoch_s=None, described="made"),))


def _load(outcome: Analysis) -> RoadLoad:
    assert outcome.road_load is not None
    return outcome.road_load


def _power(outcome: Analysis) -> PowerCurve:
    assert outcome.power is not None
    return outcome.power


def _cut(recording: Recording, start_s: float, end_s: float) -> Recording:
    channels = []
    for channel in recording.channels:
        keep = (channel.t_s >= start_s) & (channel.t_s <= end_s)
        arrived = None if channel.arrived_s is None else channel.arrived_s[keep]
        channels.append(
            replace(
                channel,
                t_s=channel.t_s[keep],
                values=channel.values[keep],
                suspect=channel.suspect[keep],
                arrived_s=arrived,
            )
        )
    return replace(recording, channels=tuple(channels), findings=())


def _without(recording: Recording, drop: Callable[[Channel], bool]) -> Recording:
    return replace(recording, channels=tuple(c for c in recording.channels if not drop(c)))


def _pulls_only() -> tuple[Recording, ...]:
    """Recordings stopped 4 s after the release: too little to coast down."""
    made = simulated(1)
    return tuple(
        _cut(recording, 0.0, run.release_s + 4.0)
        for recording, run in zip(made.recordings, made.truth.runs, strict=True)
    )


def _with_logs(made: Simulated, numbers: Sequence[int]) -> Analysis:
    """Analyse some logs of a session, in this order."""
    session = replace(made.session, logs=tuple(made.session.logs[i] for i in numbers))
    return analyse(session, tuple(made.recordings[i] for i in numbers))


def _kinds(outcome: Analysis) -> list[str]:
    return [finding.kind for finding in outcome.findings]


def test_pulls_and_coast_downs_both_ways_give_everything() -> None:
    outcome, truth = analysed(1)
    load, power = _load(outcome), _power(outcome)
    assert outcome.site.separable
    assert len(outcome.runs) == len(truth.runs)
    assert len(outcome.pulls) == len(truth.runs)
    assert len(outcome.curves) == len(outcome.sensors) == len(outcome.recordings)
    assert len(outcome.residuals) == len(truth.runs)
    assert outcome.coast_forces.shape[1] == 3
    assert load.separable
    # truth within 4 sd at every speed: one session, three correlated speeds
    miss = load.force_n(_SPEEDS) - truth.force_n(_SPEEDS)
    assert np.all(np.abs(miss) < 4.0 * load.force_sd_n(_SPEEDS))
    assert truth.peak_wheel_power_w is not None
    assert abs(power.peak_w - truth.peak_wheel_power_w) < 4.0 * power.peak_sd_w
    steps = [step.step for step in outcome.history]
    assert "session model" in steps


def _numbers(thing: object) -> list[float]:
    """Every float inside a result."""
    if isinstance(thing, float):
        return [thing]
    if isinstance(thing, np.ndarray):
        return [float(value) for value in np.ravel(thing)] if thing.dtype.kind == "f" else []
    if isinstance(thing, dict):
        return [number for value in thing.values() for number in _numbers(value)]
    if isinstance(thing, list | tuple):
        return [number for value in thing for number in _numbers(value)]
    names = getattr(thing, "__dataclass_fields__", {})
    return [number for name in names for number in _numbers(getattr(thing, name))]


@pytest.mark.parametrize("phone", ["clean", "rough", "gps-only"])
def test_no_number_without_an_interval_and_no_interval_that_is_none(phone: PhoneKind) -> None:
    """0, nan or inf must never stand for an uncertainty."""
    outcome, _ = analysed(2, phone=phone)
    load, power = _load(outcome), _power(outcome)
    for part in (load, power, outcome.pulls, outcome.site, outcome.air, outcome.coast_forces):
        assert all(math.isfinite(number) for number in _numbers(part))
    assert np.linalg.eigvalsh(load.covariance).min() > 0.0
    assert np.all(load.force_sd_n(load.curve_speeds_mps()) > 0.0)
    for gear in power.gears:
        assert np.all(gear.sd_w > 0.0)
        assert np.all(np.diff(gear.speed_mps) > 0.0)
    assert power.peak_ci95_w[0] < power.peak_w < power.peak_ci95_w[1]
    for pull in outcome.pulls:
        assert pull.mean_power_sd_w > 0.0
        assert pull.peak_power_sd_w > 0.0
        assert pull.duration_sd_s > 0.0
    assert outcome.site.wind_sd_mps > 0.0
    assert outcome.site.slope_sd > 0.0


def test_the_same_input_gives_the_same_numbers() -> None:
    made = simulated(1)
    first, _ = analysed(1)
    again = analyse(made.session, made.recordings)
    for name in ("road_load", "power", "pulls", "site", "sensors", "coast_forces"):
        assert _numbers(getattr(first, name)) == _numbers(getattr(again, name)), name


def test_the_order_of_logs_changes_numbering_only() -> None:
    made = simulated(1)
    first, _ = analysed(1)
    order = [2, 3, 0, 1]
    other = _with_logs(made, order)
    # sums in another order, on rounds that stop within 15 mm/s of speed
    np.testing.assert_allclose(
        _load(other).force_n(_SPEEDS), _load(first).force_n(_SPEEDS), rtol=1e-3
    )
    np.testing.assert_allclose(
        _load(other).force_sd_n(_SPEEDS), _load(first).force_sd_n(_SPEEDS), rtol=1e-2
    )
    assert _power(other).peak_w == pytest.approx(_power(first).peak_w, rel=1e-3)
    assert other.site.wind_mps == pytest.approx(first.site.wind_mps, abs=0.01)
    for new, old in enumerate(order):
        new_run = next(run for run in other.runs if run.log == new)
        old_run = next(run for run in first.runs if run.log == old)
        assert new_run.phases == old_run.phases
    assert [run.number for run in other.runs] == list(range(len(other.runs)))


def test_up_is_the_way_of_the_first_run() -> None:
    """Put the run back first: wind and slope change sign, resistance does not."""
    made = simulated(1)
    first, _ = analysed(1)
    order = [1, 0, 3, 2]
    other = _with_logs(made, order)
    assert other.site.wind_mps == pytest.approx(-first.site.wind_mps, abs=0.02)
    assert other.site.slope == pytest.approx(-first.site.slope, abs=2e-5)
    np.testing.assert_allclose(
        _load(other).force_n(_SPEEDS), _load(first).force_n(_SPEEDS), rtol=2e-3
    )


def test_one_direction_is_said_and_makes_the_intervals_wide() -> None:
    made = simulated(1)
    both, _ = analysed(1)
    up = [i for i, run in enumerate(made.truth.runs) if run.direction == 1]
    one = _with_logs(made, up)
    assert not one.site.separable
    assert "one_direction" in _kinds(one)
    assert "one_direction" not in _kinds(both)
    # slope known to 0.5 % from [site]: m g 0.005 of force at any speed, some 60 to 90 N
    mass_kg = made.session.vehicle.mass_kg
    floor = 0.8 * mass_kg * 9.81 * made.session.site.slope_sd
    assert np.all(_load(one).force_sd_n(_SPEEDS) > floor)
    assert np.all(_load(one).force_sd_n(_SPEEDS) > 3.0 * _load(both).force_sd_n(_SPEEDS))
    assert _power(one).peak_sd_w > _power(both).peak_sd_w
    miss = np.abs(_load(one).force_n(_SPEEDS) - made.truth.force_n(_SPEEDS))
    assert np.all(miss < 3.0 * _load(one).force_sd_n(_SPEEDS))


def test_without_accelerometer_the_same_model_has_wider_intervals() -> None:
    made = simulated(1)
    both, _ = analysed(1)
    bare = tuple(_without(r, lambda c: c.name.startswith("accel")) for r in made.recordings)
    gps = analyse(made.session, bare)
    assert all(not sensor.accel_used for sensor in gps.sensors)
    assert all(sensor.why_not for sensor in gps.sensors)
    assert all(sensor.accel_scale is None for sensor in gps.sensors)
    assert np.all(_load(gps).force_sd_n(_SPEEDS) > _load(both).force_sd_n(_SPEEDS))
    assert _power(gps).peak_sd_w > _power(both).peak_sd_w
    miss = np.abs(_load(gps).force_n(_SPEEDS) - made.truth.force_n(_SPEEDS))
    assert np.all(miss < 4.0 * _load(gps).force_sd_n(_SPEEDS))


def test_positions_alone_are_enough_and_said() -> None:
    made = simulated(1)
    places = ("latitude_deg", "longitude_deg")
    bare = tuple(_without(r, lambda c: c.name not in places) for r in made.recordings)
    outcome = analyse(made.session, bare)
    assert _kinds(outcome).count("speed_from_positions") == len(bare)
    miss = np.abs(_load(outcome).force_n(_SPEEDS) - made.truth.force_n(_SPEEDS))
    assert np.all(miss < 4.0 * _load(outcome).force_sd_n(_SPEEDS))


def test_coast_downs_alone_give_no_power() -> None:
    made = simulated(1)
    both, _ = analysed(1)
    # from 2.2 s after neutral, so that nothing of the pull is left
    rest = tuple(
        _cut(recording, run.neutral_s + 2.2, math.inf)
        for recording, run in zip(made.recordings, made.truth.runs, strict=True)
    )
    outcome = analyse(made.session, rest)
    assert outcome.power is None
    assert outcome.pulls == ()
    np.testing.assert_allclose(
        _load(outcome).force_n(_SPEEDS), _load(both).force_n(_SPEEDS), rtol=0.03
    )


def test_pulls_alone_are_refused_with_every_reason() -> None:
    made = simulated(1)
    with pytest.raises(NothingUsable) as refused:
        analyse(made.session, _pulls_only())
    assert any("--road-load" in reason for reason in refused.value.reasons)
    assert all(reason in str(refused.value) for reason in refused.value.reasons)


def test_pulls_with_a_road_load_from_before_give_power() -> None:
    made = simulated(1)
    both, _ = analysed(1)
    earlier = _load(both)
    outcome = analyse(made.session, _pulls_only(), road_load=earlier)
    assert outcome.road_load is earlier
    # logs cut off at the release end the curves earlier, so the two are compared at one speed
    alone, together = _power(outcome).gears[-1], _power(both).gears[-1]
    speed = float(alone.speed_mps[-1])
    found = float(np.interp(speed, together.speed_mps, together.power_w))
    # one fit's sd: both see the same pulls, so that their difference is smaller than either's error
    assert float(alone.power_w[-1]) == pytest.approx(found, abs=float(alone.sd_w[-1]))
    # what the earlier road load leaves open is in the interval
    loose = replace(earlier, covariance=100.0 * earlier.covariance)
    wide = analyse(made.session, _pulls_only(), road_load=loose)
    assert _power(wide).peak_sd_w > _power(outcome).peak_sd_w


def test_nothing_usable_names_every_log() -> None:
    made = simulated(1)
    with pytest.raises(NothingUsable) as refused:
        analyse(made.session, (_EMPTY,) * 4)
    text = str(refused.value)
    assert all(f"log {log}" in text for log in range(1, 5))


@pytest.mark.parametrize("bad", ["empty", "four samples", "standing"])
def test_one_bad_log_does_not_spoil_the_others(bad: str) -> None:
    made = simulated(1)
    both, _ = analysed(1)
    first = {
        "empty": _EMPTY,
        "four samples": _cut(made.recordings[0], 0.0, 3.9),
        "standing": _cut(made.recordings[0], 0.0, made.truth.runs[0].launch_s),
    }[bad]
    outcome = analyse(made.session, (first, *made.recordings[1:]))
    assert len(outcome.sensors) == 4
    assert all(run.log != 0 for run in outcome.runs)
    miss = np.abs(_load(outcome).force_n(_SPEEDS) - made.truth.force_n(_SPEEDS))
    assert np.all(miss < 4.0 * _load(outcome).force_sd_n(_SPEEDS))
    assert np.all(_load(outcome).force_sd_n(_SPEEDS) > 0.95 * _load(both).force_sd_n(_SPEEDS))


def test_findings_of_the_reading_come_through_with_their_log() -> None:
    made = simulated(2, phone="rough")
    outcome, _ = analysed(2, phone="rough")
    counted = sum(len(recording.findings) for recording in made.recordings)
    assert counted > 0
    for log, recording in enumerate(made.recordings):
        for finding in recording.findings:
            assert replace(finding, log=log) in outcome.findings


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_forces_and_power_scale_with_mass(factor: float) -> None:
    """Speeds alone fix accelerations; newtons and watts come from the stated mass, slope included."""
    made = simulated(1)
    first, _ = analysed(1)
    car = made.session.vehicle
    other = replace(
        car,
        mass_kg=factor * car.mass_kg,
        mass_sd_kg=factor * car.mass_sd_kg,
        rotating_mass_kg=factor * car.rotating_mass_kg,
        rotating_mass_sd_kg=factor * car.rotating_mass_sd_kg,
        kind="truck" if factor > 1.0 else car.kind,
    )
    scaled = analyse(replace(made.session, vehicle=other), made.recordings)
    np.testing.assert_allclose(
        _load(scaled).force_n(_SPEEDS), factor * _load(first).force_n(_SPEEDS), rtol=1e-6
    )
    assert _power(scaled).peak_w == pytest.approx(factor * _power(first).peak_w, rel=1e-6)


def test_one_long_recording_holds_the_same_runs() -> None:
    """Turning round and driving back in between is neither a pull nor a coast-down."""
    outcome, truth = analysed(2, layout="one_long")
    kinds: tuple[PhaseKind, PhaseKind] = ("pull", "coast")
    for kind in kinds:
        used = [run for run in outcome.runs if (phase := run.phase(kind)) and phase.used]
        assert [run.direction for run in used] == [run.direction for run in truth.runs]
    assert len(outcome.pulls) == len(truth.runs)
    assert len(_power(outcome).gears) == len(truth.wheel_power)
    miss = np.abs(_load(outcome).force_n(_SPEEDS) - truth.force_n(_SPEEDS))
    assert np.all(miss < 4.0 * _load(outcome).force_sd_n(_SPEEDS))


def test_two_files_per_recording_are_fused() -> None:
    """A GPX track and a motion table whose clocks share nothing."""
    outcome, truth = analysed(3, layout="gpx+motion")
    assert all(sensor.accel_used for sensor in outcome.sensors)
    miss = np.abs(_load(outcome).force_n(_SPEEDS) - truth.force_n(_SPEEDS))
    assert np.all(miss < 4.0 * _load(outcome).force_sd_n(_SPEEDS))


def _look(recordings: Sequence[Recording]) -> list[Survey]:
    return [survey(recording, log) for log, recording in enumerate(recordings)]


def test_a_survey_tells_what_one_recording_holds() -> None:
    made = simulated(1)
    for look, truth in zip(_look(made.recordings), made.truth.runs, strict=True):
        assert look.curve is not None
        assert len(look.runs) == 1
        assert look.runs[0].end_s > truth.brake_s - 2.0


def test_a_survey_of_nothing_is_no_error() -> None:
    look = survey(_EMPTY, 5)
    assert look.curve is None
    assert look.runs == ()
    assert any(finding.severity == "error" for finding in look.findings)


@pytest.mark.parametrize("phone", ["clean", "gps-only"])
def test_a_log_that_ends_in_full_drive_is_used_to_its_end(phone: PhoneKind) -> None:
    """The curve ends with the last fix less its lag; nothing in it is taken for a release."""
    recording = simulated(1, pairs=1, phone=phone).recordings[0]
    whole = next(p for run in survey(recording).runs for p in run.phases if p.kind == "pull")
    short = survey(_cut(recording, 0.0, whole.end_s - 2.0))
    assert short.curve is not None
    pull = next(p for run in short.runs for p in run.phases if p.kind == "pull")
    assert pull.gear_pieces_s[-1][1] == pytest.approx(short.curve.time_s[-1], abs=0.01)
