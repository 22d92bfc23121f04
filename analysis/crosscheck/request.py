"""What was timed by hand or marked on an oscilloscope, as it was typed, as timed runs."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from analysis.crosscheck.scope import runs_from_marks
from analysis.crosscheck.session import SPEED_SD, TIME_SD_S
from analysis.crosscheck.throttle import ThrottleMarks, choose_trace, find_marks
from analysis.crosscheck.timed_runs import TimedRun, parse_timed_runs
from logger.errors import ReadError, SessionError
from logger.findings import Finding
from logger.session.keys import CROSSCHECK, SpeedUnit
from logger.session.quantities import parse_mass
from logger.session.session import Session, Vehicle
from logger.session.vehicle import vehicle_masses
from logger.tables.scope import Edge, read_scope
from logger.units import to_si

__all__ = [
    "Timing",
    "marks_by_hand",
    "marks_of_scope",
    "runs_of_marks",
    "runs_of_texts",
    "timing",
    "vehicle_of_mass",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """How runs were timed: unit of the gates, sd of a time [s], sd of a gate in that unit."""

    unit: SpeedUnit
    time_sd_s: float
    speed_sd: float


def timing(
    session: Session | None, unit: str | None, time_sd: str | None, speed_sd: str | None
) -> Timing:
    """Return how runs were timed; options win over the session."""
    stated = None if session is None else session.crosscheck
    time_sd_s, gate_sd = TIME_SD_S, SPEED_SD
    if stated is not None and stated.time_sd is not None:
        time_sd_s = stated.time_sd
    if stated is not None and stated.speed_sd is not None:
        gate_sd = stated.speed_sd
    if time_sd is not None:
        time_sd_s = _bounded(time_sd, "--time-sd", CROSSCHECK["time_sd"].high)
    if speed_sd is not None:
        gate_sd = _bounded(speed_sd, "--speed-sd", CROSSCHECK["speed_sd"].high)
    if not time_sd_s > 0.0:
        option = "--time-sd"
        raise SessionError(option, "", "0", "above 0 s: no mark is exact")
    found = unit or (stated.speed_unit if stated is not None else "km/h")
    return Timing(unit=cast("SpeedUnit", found), time_sd_s=time_sd_s, speed_sd=gate_sd)


def _bounded(text: str, option: str, most: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= most:
        raise SessionError(option, "", f"{text!r}", f"a number from 0 to {most:g}")
    return value


def marks_by_hand(text: str) -> ThrottleMarks:
    """Return the marks given as moments [s]: full throttle, release, blips."""
    moments = _numbers(text, "--marks", "2.31,12.10,24.2,43.7")
    if len(moments) < 2 or any(b <= a for a, b in itertools.pairwise(moments)):
        option = "--marks"
        expected = "rising seconds: full throttle, release, then the blips"
        raise SessionError(option, "", f"{text!r}", expected)
    edges = [Edge(t_s=at, sd_s=0.05, rising=at != moments[1]) for at in moments]
    return ThrottleMarks(full=edges[0], release=edges[1], blips=tuple(edges[2:]))


def marks_of_scope(path: Path, channel: str | None) -> tuple[ThrottleMarks, tuple[Finding, ...]]:
    """Return the marks of an oscilloscope's table, and what was noticed in it."""
    scope = read_scope(path)
    return find_marks(choose_trace(scope, channel), scope.path), scope.findings


def _numbers(text: str, option: str, example: str) -> list[float]:
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = [math.nan]
    if not all(math.isfinite(value) for value in values):
        raise SessionError(option, "", f"{text!r}", f"numbers with commas, such as {example}")
    return values


def runs_of_marks(
    marks: ThrottleMarks,
    gates: str,
    start: str,
    timing: Timing,
    *,
    where: str,
) -> tuple[TimedRun, ...]:
    """Return the timed runs between marks; `where` names the file or the option they come from."""
    gates_mps = [to_si(v, timing.unit, "speed") for v in _numbers(gates, "--gates", "80,50,20")]
    start_mps = to_si(_bounded(start, "--from", 500.0), timing.unit, "speed")
    sd_mps = to_si(timing.speed_sd, timing.unit, "speed")
    try:
        return runs_from_marks(marks, gates_mps, start_mps, timing.time_sd_s, sd_mps)
    except ValueError as error:
        remedy = "Correct --gates, or give the moments by hand with --marks"
        raise ReadError(where, str(error), "one falling gate per mark", remedy) from error


def runs_of_texts(
    pull: Sequence[str],
    coast: Sequence[str],
    session: Session | None,
    timing: Timing,
) -> tuple[TimedRun, ...]:
    """Return the timed runs given as ``20-70=6.3``; those of the session where none are given."""
    if not pull and not coast and session is not None and session.crosscheck is not None:
        pull, coast = session.crosscheck.pull, session.crosscheck.coast
    if not pull and not coast:
        option = "crosscheck"
        raise SessionError(
            option, "", "no timed runs", "--pull, --coast, --scope or [crosscheck] in session.toml"
        )
    return parse_timed_runs(pull, coast, timing.unit, timing.time_sd_s, timing.speed_sd)


def vehicle_of_mass(text: str) -> Vehicle:
    """Return a car of which only the mass is known."""
    masses = vehicle_masses("car", parse_mass(text), None, None, None)
    return Vehicle(
        mass_kg=masses.mass_kg,
        mass_sd_kg=masses.mass_sd_kg,
        rotating_mass_kg=masses.rotating_mass_kg,
        rotating_mass_sd_kg=masses.rotating_mass_sd_kg,
        stated=masses.stated,
    )
