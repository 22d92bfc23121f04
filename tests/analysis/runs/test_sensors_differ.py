"""A receiver and an accelerometer that cannot both be right: no figure comes of them unwarned."""

from __future__ import annotations

from dataclasses import replace

import pytest
from make_sessions import simulated

from analysis.pipeline import analyse
from analysis.results.soundness import NothingUsable
from logger.recording import Recording
from logger.session.session import Session

#: Speed units in m/s, by definition: ISO 80000-3 (mile 1609.344 m, nautical mile 1852 m).
_UNITS_MPS = {"m/s": 1.0, "km/h": 1 / 3.6, "mph": 0.44704, "knots": 1852 / 3600}


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


def test_speeds_a_little_off_the_accelerometer_are_told() -> None:
    odd = analyse(*_speeds_misread("mph", "knots"))
    told = [one for one in odd.findings if one.kind == "sensors_differ"]
    assert [(one.severity, "mph taken for knots" in one.text) for one in told] == [
        ("warning", True)
    ]
    right = analyse(*_speeds_misread("m/s", "m/s"))
    assert "sensors_differ" not in [one.kind for one in right.findings]
