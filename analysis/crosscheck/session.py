"""Timed runs beside a session: as they were typed, as session.toml has them, or off an oscilloscope."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

from analysis.crosscheck.checked import CrossCheck
from analysis.crosscheck.crosscheck import cross_check
from analysis.crosscheck.gate_model import gate_model
from analysis.crosscheck.gate_ways import SessionGates
from analysis.crosscheck.own_times import run_curves
from analysis.crosscheck.scope import Alignment, align_release, runs_from_marks
from analysis.crosscheck.throttle import ThrottleMarks, choose_trace, find_marks
from analysis.crosscheck.timed_runs import TimedRun, parse_timed_runs
from analysis.model.covariance import Z95
from analysis.pipeline import Analysis
from logger.errors import ReadError, SessionError
from logger.findings import Finding
from logger.session.keys import CROSSCHECK, SpeedUnit
from logger.session.quantities import parse_mass
from logger.session.session import Display, Session, Vehicle
from logger.session.vehicle import vehicle_masses
from logger.tables.scope import Edge, read_scope
from logger.units import to_si

__all__ = [
    "Timing",
    "Units",
    "align_marks",
    "check_runs",
    "check_session",
    "marks_by_hand",
    "marks_of_scope",
    "run_of",
    "runs_of_marks",
    "runs_of_texts",
    "session_gates",
    "timing",
    "units_of",
    "vehicle_of_mass",
    "with_alignment",
]

#: Errors of timing by hand where none are stated: time [s], and speed in the unit of the gates.
_TIME_SD_S, _SPEED_SD = 0.2, 1.0

#: Name and SI value of the units of power and speed, as `cross_check` takes them.
Units = dict[str, tuple[str, float]]


def check_session(outcome: Analysis) -> CrossCheck | None:
    """Return the cross-check that a session's ``[crosscheck]`` asks for, or None.

    Parameters
    ----------
    outcome : Analysis
        Of the session.

    Raises
    ------
    SessionError
        A timed run that cannot be read, or a run that the session does not have.
    """
    stated = outcome.session.crosscheck
    if stated is None or not (stated.pull or stated.coast) or outcome.road_load is None:
        return None
    runs = runs_of_texts((), (), outcome.session, timing(outcome.session, None, None, None))
    units = units_of(outcome.session, None, stated.speed_unit)
    return check_runs(outcome, runs, units, run=run_of(outcome.session, None))


def run_of(session: Session | None, number: int | None) -> int | None:
    """Return which run was timed; the option wins over ``[crosscheck]``."""
    if number is None and session is not None and session.crosscheck is not None:
        return session.crosscheck.run
    return number


def units_of(session: Session | None, power: str | None, speed: str) -> Units:
    """Return the units of a session, or of nobody's, as `cross_check` takes them."""
    power = power or (Display() if session is None else session.display).power
    return {
        "power_unit": (power, to_si(1.0, power, "power")),
        "speed_unit": (speed, to_si(1.0, speed, "speed")),
    }


def session_gates(outcome: Analysis) -> SessionGates:
    """Return what a session that has a road load predicts gate times with."""
    assert outcome.road_load is not None  # `analyse` refuses a session without one
    vehicle, site = outcome.session.vehicle, outcome.site
    return SessionGates(
        model=gate_model(
            outcome.road_load, vehicle, outcome.power, outcome.pulls, outcome.runs, outcome.curves
        ),
        vehicle=vehicle,
        wind_mps=site.wind_mps,
        wind_sd_mps=site.wind_sd_mps,
        slope=site.slope,
        slope_sd=site.slope_sd,
        curves=run_curves(outcome.runs, outcome.curves),
    )


def check_runs(
    outcome: Analysis, runs: tuple[TimedRun, ...], units: Units, *, run: int | None = None
) -> CrossCheck:
    """Hold timed runs against a session that has a road load; `run` is the one timed, from 1.

    Raises
    ------
    SessionError
        A run that the session does not have, or that went another way than a gate states.
    """
    gates = session_gates(outcome)
    if run is not None:
        curve = next((one for one in gates.curves if one.number == run), None)
        option = "--run"
        if curve is None:
            known = ", ".join(str(one.number) for one in gates.curves)
            raise SessionError(option, "", f"{run}", f"a run with a pull or coast-down: {known}")
        if any(one.direction not in (None, curve.direction) for one in runs):
            went = "up" if curve.direction == 1 else "down"
            raise SessionError(option, "", f"{run}, which went {went}", "gates of its direction")
    return cross_check(
        runs,
        gates,
        run=run,
        power=outcome.power,
        power_unit=units["power_unit"],
        speed_unit=units["speed_unit"],
    )


def align_marks(
    outcome: Analysis, marks: ThrottleMarks, runs: tuple[TimedRun, ...], number: int | None
) -> Alignment | None:
    """Return where an oscilloscope's run lies in the session that recorded it too; None if nowhere.

    Raises
    ------
    SessionError
        A `number` that is no run with a pull.
    """
    chosen = None
    if number is not None:
        places = [k for k, pull in enumerate(outcome.pulls) if _run_number(outcome, k) == number]
        if not places:
            option = "--run"
            known = ", ".join(str(_run_number(outcome, k)) for k in range(len(outcome.pulls)))
            raise SessionError(option, "", f"{number}", f"a run with a pull: {known}")
        chosen = places[0]
    aligned = align_release(marks, runs, outcome.pulls, outcome.curves, chosen=chosen)
    return aligned and replace(aligned, run=_run_number(outcome, aligned.run))


def with_alignment(found: CrossCheck, aligned: Alignment | None) -> CrossCheck:
    """Add the comparison of both clocks, or that no run is plainly the oscilloscope's."""
    if aligned is None:
        text = (
            "No recording of the session is plainly the run on the oscilloscope; if one is, name it "
            "with --run to compare the two clocks."
        )
        return replace(found, explanation=(*found.explanation, text))
    text = (
        f"The oscilloscope's run is run {aligned.run} of the session: the recording's clock is "
        f"{aligned.clock_difference_s:.2f} ± {Z95 * aligned.clock_difference_sd_s:.2f} s ahead of the "
        "oscilloscope's, by the release of the throttle."
    )
    return replace(found, alignment=aligned, explanation=(*found.explanation, text))


def _run_number(outcome: Analysis, pull: int) -> int:
    """Return the number, counted from 1, of the run that a pull belongs to."""
    figures = outcome.pulls[pull]
    middle = 0.5 * (figures.start_s + figures.end_s)
    for run in outcome.runs:
        if run.log == figures.log and run.start_s <= middle <= run.end_s:
            return run.number + 1
    return pull + 1


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
    time_sd_s, gate_sd = _TIME_SD_S, _SPEED_SD
    if stated is not None and stated.time_sd:
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
