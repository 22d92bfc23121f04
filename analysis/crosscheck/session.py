"""A session's own cross-check, and timed runs or an oscilloscope's marks beside a session."""

from __future__ import annotations

from dataclasses import replace

from analysis.crosscheck.crosscheck import CrossCheck, cross_check
from analysis.crosscheck.gate_model import gate_model
from analysis.crosscheck.scope import align_release
from analysis.crosscheck.throttle import ThrottleMarks
from analysis.crosscheck.timed_runs import TimedRun, parse_timed_runs
from analysis.model.covariance import Z95
from analysis.pipeline import Analysis
from logger.errors import SessionError
from logger.session.session import Display, Session
from logger.units import to_si

__all__ = [
    "SPEED_SD",
    "TIME_SD_S",
    "Units",
    "add_alignment",
    "check_runs",
    "check_session",
    "units_of",
]

#: Errors of timing by hand where none are stated: time [s], and speed in the unit of the gates.
TIME_SD_S, SPEED_SD = 0.2, 1.0

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
        A timed run that cannot be read.
    """
    stated = outcome.session.crosscheck
    if stated is None or not (stated.pull or stated.coast) or outcome.road_load is None:
        return None
    runs = parse_timed_runs(
        stated.pull,
        stated.coast,
        stated.speed_unit,
        TIME_SD_S if not stated.time_sd else stated.time_sd,
        SPEED_SD if stated.speed_sd is None else stated.speed_sd,
    )
    return check_runs(outcome, runs, units_of(outcome.session, None, stated.speed_unit))


def units_of(session: Session | None, power: str | None, speed: str) -> Units:
    """Return the units of a session, or of nobody's, as `cross_check` takes them."""
    power = power or (Display() if session is None else session.display).power
    return {
        "power_unit": (power, to_si(1.0, power, "power")),
        "speed_unit": (speed, to_si(1.0, speed, "speed")),
    }


def check_runs(outcome: Analysis, runs: tuple[TimedRun, ...], units: Units) -> CrossCheck:
    """Hold timed runs against a session that has a road load."""
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


def add_alignment(
    found: CrossCheck,
    outcome: Analysis,
    marks: ThrottleMarks,
    runs: tuple[TimedRun, ...],
    number: int | None,
) -> CrossCheck:
    """Add the comparison with the very run, where the session recorded it too."""
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
        text = (
            "No recording of the session is plainly the run on the oscilloscope; if one is, name it "
            "with --run to compare the two clocks."
        )
        return replace(found, explanation=(*found.explanation, text))
    aligned = replace(aligned, run=_run_number(outcome, aligned.run))
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
