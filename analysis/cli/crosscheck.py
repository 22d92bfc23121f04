"""The command `pullcoast crosscheck`: timed runs, or an oscilloscope's marks, beside a session."""

from __future__ import annotations

import argparse
import itertools
import math
import sys
import textwrap
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.terminal.errors import EXIT_INPUT, EXIT_OK, complain
from logger.errors import ReadError, SessionError
from logger.session.keys import CROSSCHECK
from logger.session.overrides import apply_overrides, open_session
from logger.session.quantities import parse_mass
from logger.session.session import Display, Vehicle
from logger.session.vehicle import vehicle_masses
from logger.units import to_si

if TYPE_CHECKING:
    from analysis.crosscheck.crosscheck import CrossCheck
    from analysis.crosscheck.throttle import ThrottleMarks
    from analysis.crosscheck.timed_runs import TimedRun
    from analysis.pipeline import Analysis
    from logger.findings import Finding
    from logger.session.keys import SpeedUnit
    from logger.session.session import Session

__all__ = ["check_session", "crosscheck"]

#: Errors of timing by hand where none are stated: time [s], and speed in the unit of the gates.
TIME_SD_S, SPEED_SD = 0.2, 1.0


def crosscheck(arguments: argparse.Namespace) -> int:
    """Run ``pullcoast crosscheck`` and return the exit status."""
    if arguments.session is None and arguments.mass is None:
        complain(
            "give a session, or --mass with timed runs alone; see `pullcoast crosscheck --help`"
        )
        return EXIT_INPUT
    scope_given = arguments.scope is not None or arguments.marks is not None
    if scope_given and arguments.gates is None:
        complain("--gates is missing: say which speeds release and blips mark, such as 80,50,20")
        return EXIT_INPUT
    session = None if arguments.session is None else _open(arguments)
    time_sd_s, speed_sd, unit = _errors(arguments, session)
    marks, notes = _marks(arguments) if scope_given else (None, ())
    runs = _runs(arguments, session, marks, time_sd_s, speed_sd, unit)
    units = _units(arguments, session, unit)
    if session is None:
        from analysis.crosscheck.crosscheck import cross_check_alone

        found = cross_check_alone(runs, _vehicle(arguments), **units)
    else:
        from analysis.session_pipeline import analyse_session

        outcome = analyse_session(session, quiet=arguments.quiet)
        found = _compare(outcome, runs, units)
        if marks is not None:
            found = _aligned(found, outcome, marks, runs, arguments.run)
    for finding in notes:
        if finding.severity != "note":
            complain(f"{finding.severity}: {finding.text}")
    if arguments.json:
        from analysis.report.results_crosscheck import crosscheck_dict
        from analysis.report.results_json import json_text

        print(json_text(crosscheck_dict(found)), end="")
    else:
        sys.stdout.write(_text(found, units, marks))
    return EXIT_OK


def check_session(outcome: Analysis) -> CrossCheck | None:
    """Return the cross-check that a session's ``[crosscheck]`` asks for, or None.

    Parameters
    ----------
    outcome : Analysis
        Of the session.

    Raises
    ------
    SessionError
        A timed run that cannot be read.
    """
    stated = outcome.session.crosscheck
    if stated is None or not (stated.pull or stated.coast) or outcome.road_load is None:
        return None
    from analysis.crosscheck.timed_runs import parse_timed_runs

    runs = parse_timed_runs(
        stated.pull,
        stated.coast,
        stated.speed_unit,
        TIME_SD_S if not stated.time_sd else stated.time_sd,
        SPEED_SD if stated.speed_sd is None else stated.speed_sd,
    )
    display = replace(outcome.session.display, speed=stated.speed_unit)
    return _compare(outcome, runs, _unit_arguments(display))


def _open(arguments: argparse.Namespace) -> Session:
    session = open_session(
        Path(arguments.session), mass=arguments.mass, allow_outside=arguments.allow_outside
    )
    return apply_overrides(session, power=arguments.power)


def _vehicle(arguments: argparse.Namespace) -> Vehicle:
    masses = vehicle_masses("car", parse_mass(arguments.mass), None, None, None)
    return Vehicle(
        mass_kg=masses.mass_kg,
        mass_sd_kg=masses.mass_sd_kg,
        rotating_mass_kg=masses.rotating_mass_kg,
        rotating_mass_sd_kg=masses.rotating_mass_sd_kg,
        stated=masses.stated,
    )


def _errors(
    arguments: argparse.Namespace, session: Session | None
) -> tuple[float, float, SpeedUnit]:
    """Return sd of times [s] and of gates, and the unit of the gates; options win."""
    stated = None if session is None else session.crosscheck
    chosen: SpeedUnit | None = arguments.speed_unit
    unit = chosen or (stated.speed_unit if stated else "km/h")
    time_sd, speed_sd = TIME_SD_S, SPEED_SD
    if stated is not None and stated.time_sd is not None:
        time_sd = stated.time_sd
    if stated is not None and stated.speed_sd is not None:
        speed_sd = stated.speed_sd
    if arguments.time_sd is not None:
        time_sd = _bounded(arguments.time_sd, "--time-sd", CROSSCHECK["time_sd"].high)
    if arguments.speed_sd is not None:
        speed_sd = _bounded(arguments.speed_sd, "--speed-sd", CROSSCHECK["speed_sd"].high)
    if not time_sd > 0.0:
        option = "--time-sd"
        raise SessionError(option, "", "0", "above 0 s: no mark is exact")
    return time_sd, speed_sd, unit


def _bounded(text: str, option: str, most: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= most:
        raise SessionError(option, "", f"{text!r}", f"a number from 0 to {most:g}")
    return value


def _marks(arguments: argparse.Namespace) -> tuple[ThrottleMarks, tuple[Finding, ...]]:
    """Return the marks of the oscilloscope's table, or those given by hand."""
    from analysis.crosscheck.throttle import ThrottleMarks, choose_trace, find_marks
    from logger.tables.scope import Edge, read_scope

    if arguments.marks is not None:
        moments = _numbers(arguments.marks, "--marks", "2.31,12.10,24.2,43.7")
        if len(moments) < 2 or any(b <= a for a, b in itertools.pairwise(moments)):
            option = "--marks"
            expected = "rising seconds: full throttle, release, then the blips"
            raise SessionError(option, "", f"{arguments.marks!r}", expected)
        edges = [Edge(at, 0.05, at != moments[1]) for at in moments]
        return ThrottleMarks(full=edges[0], release=edges[1], blips=tuple(edges[2:])), ()
    scope = read_scope(Path(arguments.scope))
    marks = find_marks(choose_trace(scope, arguments.channel), scope.path)
    return marks, scope.findings


def _numbers(text: str, option: str, example: str) -> list[float]:
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        values = [math.nan]
    if not all(math.isfinite(value) for value in values):
        raise SessionError(option, "", f"{text!r}", f"numbers with commas, such as {example}")
    return values


def _runs(
    arguments: argparse.Namespace,
    session: Session | None,
    marks: ThrottleMarks | None,
    time_sd_s: float,
    speed_sd: float,
    unit: str,
) -> tuple[TimedRun, ...]:
    from analysis.crosscheck.scope import runs_from_marks
    from analysis.crosscheck.timed_runs import parse_timed_runs

    if marks is not None:
        gates = [to_si(v, unit, "speed") for v in _numbers(arguments.gates, "--gates", "80,50,20")]
        start = to_si(_bounded(arguments.start, "--from", 500.0), unit, "speed")
        sd = to_si(speed_sd, unit, "speed")
        try:
            return runs_from_marks(marks, gates, start, time_sd_s, sd)
        except ValueError as error:
            where = arguments.scope or "--marks"
            remedy = "Correct --gates, or give the moments by hand with --marks"
            raise ReadError(where, str(error), "one falling gate per mark", remedy) from error
    pull, coast = tuple(arguments.pull), tuple(arguments.coast)
    if not pull and not coast and session is not None and session.crosscheck is not None:
        pull, coast = session.crosscheck.pull, session.crosscheck.coast
    if not pull and not coast:
        option = "crosscheck"
        raise SessionError(
            option, "", "no timed runs", "--pull, --coast, --scope or [crosscheck] in session.toml"
        )
    return parse_timed_runs(pull, coast, unit, time_sd_s, speed_sd)


def _units(
    arguments: argparse.Namespace, session: Session | None, unit: SpeedUnit
) -> dict[str, tuple[str, float]]:
    display = Display() if session is None else session.display
    if arguments.power is not None:
        display = replace(display, power=arguments.power)
    return _unit_arguments(replace(display, speed=unit))


def _unit_arguments(display: Display) -> dict[str, tuple[str, float]]:
    return {
        "power_unit": (display.power, to_si(1.0, display.power, "power")),
        "speed_unit": (display.speed, to_si(1.0, display.speed, "speed")),
    }


def _compare(
    outcome: Analysis, runs: tuple[TimedRun, ...], units: dict[str, tuple[str, float]]
) -> CrossCheck:
    from analysis.crosscheck.crosscheck import cross_check
    from analysis.crosscheck.gate_model import gate_model

    assert outcome.road_load is not None  # `analyse` refuses a session without one
    vehicle = outcome.session.vehicle
    model = gate_model(
        outcome.road_load, vehicle, outcome.power, outcome.pulls, outcome.runs, outcome.curves
    )
    return cross_check(
        runs,
        model,
        vehicle,
        power=outcome.power,
        wind_mps=outcome.site.wind_mps,
        slope=outcome.site.slope,
        **units,
    )


def _aligned(
    found: CrossCheck,
    outcome: Analysis,
    marks: ThrottleMarks,
    runs: tuple[TimedRun, ...],
    number: int | None,
) -> CrossCheck:
    """Add the comparison with the very run, where the session recorded it too."""
    from analysis.crosscheck.scope import align_release

    chosen = None
    if number is not None:
        places = [k for k, pull in enumerate(outcome.pulls) if _run_number(outcome, k) == number]
        if not places:
            option = "--run"
            known = ", ".join(str(_run_number(outcome, k)) for k in range(len(outcome.pulls)))
            raise SessionError(option, "", f"{number}", f"a run with a pull: {known}")
        chosen = places[0]
    aligned = align_release(marks, runs, outcome.pulls, outcome.curves, chosen=chosen)
    if aligned is None:
        said = (
            "No recording of the session is plainly the run on the oscilloscope; if one is, name it "
            "with --run to compare the two clocks."
        )
        return replace(found, explanation=(*found.explanation, said))
    aligned = replace(aligned, run=_run_number(outcome, aligned.run))
    said = (
        f"The oscilloscope's run is run {aligned.run} of the session: the recording's clock is "
        f"{aligned.clock_difference_s:.2f} ± {aligned.clock_difference_sd_s:.2f} s ahead of the "
        "oscilloscope's, by the release of the throttle."
    )
    return replace(found, alignment=aligned, explanation=(*found.explanation, said))


def _run_number(outcome: Analysis, pull: int) -> int:
    """Return the number, counted from 1, of the run that a pull belongs to."""
    figures = outcome.pulls[pull]
    middle = 0.5 * (figures.start_s + figures.end_s)
    for run in outcome.runs:
        if run.log == figures.log and run.start_s <= middle <= run.end_s:
            return run.number + 1
    return pull + 1


def _text(
    found: CrossCheck, units: dict[str, tuple[str, float]], marks: ThrottleMarks | None
) -> str:
    name, size = units["speed_unit"]
    lines = []
    if marks is not None:
        blips = ", ".join(f"{edge.t_s:.2f}" for edge in marks.blips) or "none"
        lines.append(
            f"Throttle: full at {marks.full.t_s:.2f} s, released at {marks.release.t_s:.2f} s, "
            f"blips at {blips} s, gear-change lifts: {marks.lifts}"
        )
    for gate in found.gates:
        gates = gate.run.gates
        kind = "pull" if gate.run.kind == "pull" else "coast-down"
        line = (
            f"{kind:<10} {gates.from_mps / size:5.4g} to {gates.to_mps / size:5.4g} {name}: timed "
            f"{gates.duration_s:6.2f} s"
        )
        if gate.predicted_s is not None:
            line += f", predicted {gate.predicted_s:6.2f} ± {gate.predicted_sd_s:.2f} s"
            line += f" ({gate.z:+.1f} standard deviations)"
        lines.append(f"{line}: {gate.verdict}")
    if found.alignment is not None:
        for item in found.alignment.intervals:
            if item.phone_s is not None:
                lines.append(
                    f"same run, {item.from_mps / size:.4g} to {item.to_mps / size:.4g} {name}: "
                    f"oscilloscope {item.scope_s:.2f} s, phone {item.phone_s:.2f} s, difference "
                    f"{item.difference_s:+.2f} ± {item.sd_s:.2f} s"
                )
    for v, force, sd in found.road_load_n:
        lines.append(f"road load at {v / size:.4g} {name}: {force:.0f} ± {sd:.0f} N")
    said = [
        textwrap.fill(line, 96, subsequent_indent="  ")
        for line in (*found.steps, *found.explanation)
    ]
    return "\n".join([*lines, *([""] if said else []), *said]) + "\n"
