"""Results that cannot be right are refused: sensors that contradict each other, impossible forces."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_sessions import simulated

from analysis.pipeline import analyse
from analysis.results.road_load import RoadLoad
from analysis.results.validity import NothingUsable, why_implausible, why_unlike
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
    return RoadLoad(force_n, 0.0, 0.4, covariance, (5.0, 30.0), True, None, {}, 27.8)


def test_a_plausible_road_load_has_no_reason_against_it() -> None:
    assert why_implausible(_load(150.0), _CAR) is None


def test_a_resistance_below_what_tyres_have_is_a_falling_road() -> None:
    why = why_implausible(_load(-70.0), _CAR)
    assert why is not None
    assert "road falls" in why
    assert "other way" in why


def test_a_resistance_far_above_neutral_is_engine_braking() -> None:
    why = why_implausible(_load(900.0), _CAR)
    assert why is not None
    assert "engine braking" in why


def test_an_unsure_road_load_is_given_the_benefit_of_its_doubt() -> None:
    assert why_implausible(_load(-70.0, sd_n=120.0), _CAR) is None


def test_scatter_at_the_end_of_its_range_is_no_measurement() -> None:
    """Where the noise level stands at its bound the sentence must not report the bound as found."""
    assert why_unlike(0.1, ()) is None
    assert "by 0.62 m/s" in (why_unlike(0.62, ()) or "")
    assert "by 2 m/s or more" in (why_unlike(2.0, ()) or "")
