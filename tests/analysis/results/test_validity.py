"""Results that cannot be right are refused: sensors that contradict each other, impossible forces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from make_sessions import simulated

from analysis.pipeline import analyse
from analysis.results.checks.validity import NothingUsable, why_impossible, why_unlike, why_unusual
from analysis.results.road_load import RoadLoad
from analysis.runs.run import Phase, Run
from logger.recording import Recording
from logger.session.session import Session, Vehicle

#: Speed units in m/s, by definition: ISO 80000-3 (mile 1609.344 m, nautical mile 1852 m).
_UNITS_MPS = {"m/s": 1.0, "km/h": 1 / 3.6, "mph": 0.44704, "knots": 1852 / 3600}

_CAR = Vehicle(mass_kg=1329.0, mass_sd_kg=10.0, rotating_mass_kg=40.0, rotating_mass_sd_kg=5.0)


def _speeds_misread(true: str, taken: str) -> tuple[Session, tuple[Recording, ...]]:
    """A session without positions whose speeds were written in one unit and read in another."""
    made = simulated(1, pairs=1)
    factor = _UNITS_MPS[taken] / _UNITS_MPS[true]
    return made.session, tuple(
        replace(
            recording,
            channels=tuple(
                replace(one, values=one.values * factor) if one.name == "speed_mps" else one
                for one in recording.channels
                if one.name not in ("latitude_deg", "longitude_deg")
            ),
        )
        for recording in made.recordings
    )


@pytest.mark.parametrize(
    ("true", "taken"),
    [("km/h", "m/s"), ("mph", "m/s"), ("knots", "m/s"), ("mph", "km/h")],
)
def test_speeds_in_a_wrong_unit_are_refused_by_the_accelerometer(true: str, taken: str) -> None:
    """Without positions nothing else shows them: a road load and a power would come out all the same."""
    with pytest.raises(NothingUsable) as refused:
        analyse(*_speeds_misread(true, taken))
    assert f"{true} taken for {taken}" in str(refused.value)
    assert "times the acceleration that the speeds give" in str(refused.value)


def test_speeds_a_little_off_the_accelerometer_are_reported() -> None:
    odd = analyse(*_speeds_misread("mph", "knots"))
    warned = [one for one in odd.findings if one.kind == "sensors_differ"]
    assert [(one.severity, "mph taken for knots" in one.text) for one in warned] == [
        ("warning", True)
    ]
    right = analyse(*_speeds_misread("m/s", "m/s"))
    assert "sensors_differ" not in [one.kind for one in right.findings]


def _load(force_n: float, sd_n: float = 3.0) -> RoadLoad:
    covariance = np.diag([sd_n**2, 1e-6, 1e-9])
    return RoadLoad(
        f0_n=force_n,
        f1_n_per_mps=0.0,
        f2_n_per_mps2=0.4,
        covariance=covariance,
        speed_range_mps=(5.0, 30.0),
        separable=True,
        why_not_separable=None,
        budget_n={},
        budget_speed_mps=27.8,
    )


def test_a_plausible_road_load_has_no_reason_against_it() -> None:
    assert why_impossible(_load(150.0)) is None
    assert why_unusual(_load(150.0), _CAR) is None


def test_a_force_that_is_not_positive_where_it_was_driven_is_impossible() -> None:
    """A vehicle that no force slows on a level road would roll for ever: energy is not made."""
    why = why_impossible(_load(-450.0))
    assert why is not None
    assert "road falls" in why
    assert "other way" in why


def test_a_resistance_below_what_tyres_have_is_a_falling_road() -> None:
    assert why_impossible(_load(-30.0)) is None
    why = why_unusual(_load(-30.0), _CAR)
    assert why is not None
    assert "road falls" in why
    assert "other way" in why


def test_a_resistance_far_above_neutral_is_engine_braking() -> None:
    why = why_unusual(_load(900.0), _CAR)
    assert why is not None
    assert "engine braking" in why
    assert "neutral = true" in why


def test_an_unsure_road_load_is_given_the_benefit_of_its_doubt() -> None:
    assert why_unusual(_load(-70.0, sd_n=120.0), _CAR) is None
    assert why_impossible(_load(-450.0, sd_n=250.0)) is None


def _other_vehicle(seed: int) -> tuple[Session, tuple[Recording, ...]]:
    """A session whose last run is one of a vehicle with another engine, on the same road."""
    mine, other = simulated(seed, pairs=2), simulated(seed + 1, pairs=2)
    return mine.session, (*mine.recordings[:-1], other.recordings[-1])


def test_a_run_of_another_vehicle_is_named_with_the_way_to_leave_it_out() -> None:
    """Vehicles of two seeds differ in mass, drag and engine: the simulator draws each anew."""
    found = analyse(*_other_vehicle(1))
    last = max(run.number for run in found.runs) + 1
    apart = [one for one in found.findings if one.kind == "run_apart"]
    assert last in [one.run for one in apart]
    assert any(f"--leave-out {last}" in one.text for one in apart)
    assert found.verdict.trust.level == "doubtful"
    assert found.verdict.trust.why[0] == apart[0].text


def test_no_run_of_a_sound_session_stands_apart() -> None:
    sound = simulated(1, pairs=2)
    found = analyse(sound.session, sound.recordings)
    assert "run_apart" not in [one.kind for one in found.findings]
    assert found.verdict.trust.level in ("good", "fair")


def test_a_run_left_out_keeps_the_numbers_of_the_others() -> None:
    sound = simulated(1, pairs=2)
    every = analyse(sound.session, sound.recordings)
    without = analyse(replace(sound.session, leave_out=(1,)), sound.recordings)
    assert [run.number for run in without.runs] == [run.number for run in every.runs]
    assert [run.direction for run in without.runs] == [run.direction for run in every.runs]
    assert not without.runs[0].used
    assert [pull.run for pull in without.pulls] == [pull.run for pull in every.pulls][1:]
    assert "left_out" in [one.kind for one in without.findings]


def test_scatter_at_the_end_of_its_range_is_no_measurement() -> None:
    """Where the noise level stands at its bound the sentence must not report the bound as found."""
    assert why_unlike(0.1, ()) is None
    assert "by 0.62 m/s" in (why_unlike(0.62, ()) or "")
    assert "by 2 m/s or more" in (why_unlike(2.0, ()) or "")


def test_gears_taken_for_one_are_doubted(monkeypatch: pytest.MonkeyPatch) -> None:
    """The force falls at once where the gear is changed, as no engine's own curve does."""
    made = simulated(1, pairs=2)
    right = analyse(made.session, made.recordings)
    assert "gears_doubted" not in [one.kind for one in right.findings]

    def joined(fused: object, runs: Sequence[Run]) -> tuple[Run, ...]:
        return tuple(
            replace(run, phases=tuple(_in_one_piece(phase) for phase in run.phases)) for run in runs
        )

    monkeypatch.setattr("analysis.pipeline.agree_on_changes", joined)
    wrong = analyse(made.session, made.recordings)
    warned = [one for one in wrong.findings if one.kind == "gears_doubted"]
    assert [one.severity for one in warned] == ["warning"]
    assert "A gear change may have been missed" in warned[0].text
    assert wrong.verdict.trust.level in ("rough", "doubtful")
    assert warned[0].text in wrong.verdict.trust.why


def _in_one_piece(phase: Phase) -> Phase:
    pieces = phase.gear_pieces_s
    return replace(phase, gear_pieces_s=((pieces[0][0], pieces[-1][1]),)) if pieces else phase
