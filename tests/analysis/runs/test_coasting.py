"""A bicycle's coast-down is freewheeling; a touched brake is named. The drives are arithmetic."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from make_fused import fused_of
from numpy.typing import NDArray

from analysis.runs.judging.coasting import judge_coasts, touched_findings
from analysis.runs.run import Phase, Run
from logger.session.session import LogEntry, Session, Site, Vehicle

_RIDER = Vehicle(
    mass_kg=85.0,
    mass_sd_kg=0.5,
    rotating_mass_kg=1.5,
    rotating_mass_sd_kg=0.3,
    name="",
    kind="bicycle",
    state="",
)
_SESSION = Session(
    path=Path(), name="made", vehicle=_RIDER, logs=(LogEntry(files=()),), site=Site()
)
_T = np.arange(0.0, 60.0, 0.1)


def rolling(watts: float, area_m2: float = 0.35, slope: float = 0.0) -> NDArray[np.float64]:
    """Return a rider's speed from 11 m/s on, rolling resistance 0.5 %, air of 1.2 kg/m3, a power."""
    v = np.full(_T.size, 11.0)
    for i in range(1, _T.size):
        force = 85.0 * 9.81 * (0.005 + slope) + 0.6 * area_m2 * v[i - 1] ** 2 - watts / v[i - 1]
        v[i] = max(v[i - 1] - 0.1 * force / 86.5, 1.0)
    return v


def judged(speed: NDArray[np.float64], end_s: float, *, neutral: bool = False) -> Phase:
    at = round(10.0 * end_s)
    coast = Phase(kind="coast", start_s=0.0, end_s=end_s, from_mps=11.0, to_mps=float(speed[at]))
    run = Run(log=0, number=0, direction=1, phases=(coast,))
    found = judge_coasts(run, fused_of(_T, speed), _SESSION, neutral).phase("coast")
    assert found is not None
    return found


@pytest.mark.parametrize("watts", [120.0, 180.0, 250.0])
def test_a_slowing_while_pedalling_is_no_coast_down(watts: float) -> None:
    """Riders who ease off pedal on with 84 to 356 W; with more than 250 W this one does not slow."""
    found = judged(rolling(watts), 55.0)
    assert not found.used
    assert "pedalling" in str(found.why_not)
    assert "neutral = true" in str(found.why_not)
    assert judged(rolling(watts), 55.0, neutral=True).used


@pytest.mark.parametrize(("area_m2", "slope"), [(0.22, 0.0), (0.35, -0.005), (0.6, 0.005)])
def test_freewheeling_is_used(area_m2: float, slope: float) -> None:
    assert judged(rolling(0.0, area_m2, slope), 40.0).used


def test_a_touched_brake_is_named_where_the_vehicle_rolls_on() -> None:
    coast = Phase(kind="coast", start_s=10.0, end_s=40.0, from_mps=25.0, to_mps=16.0)
    brake = Phase(kind="brake", start_s=40.0, end_s=43.0, from_mps=16.0, to_mps=11.5)
    on = Phase(kind="coast", start_s=44.0, end_s=70.0, from_mps=11.3, to_mps=6.0)
    first = Run(log=0, number=0, direction=1, phases=(coast, brake))
    second = Run(log=0, number=1, direction=1, phases=(on,))
    (finding,) = touched_findings([first, second])
    assert (finding.kind, finding.run, finding.time_s) == ("brake_touched", 1, 40.0)
    assert "58 km/h" in finding.text
    assert "run 2" in finding.text
    later = replace(second, phases=(replace(on, start_s=60.0, end_s=86.0),))
    assert touched_findings([first, later]) == ()
    stand = replace(brake, to_mps=0.4)
    assert touched_findings([replace(first, phases=(coast, stand))]) == ()
