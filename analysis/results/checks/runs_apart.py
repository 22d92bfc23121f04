"""Runs that do not belong with the others: each is named with its log, its own figure and by how much."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy.special import chdtri

from analysis.model.apart import Apart, own_figures
from analysis.model.fit import SessionFit
from analysis.model.observations import COAST
from analysis.model.parameters import SPEED_SCALE_MPS, hat
from logger.arrays import Array
from logger.findings import Finding
from logger.session.session import Session, Vehicle

__all__ = ["apart_findings"]

#: A run stands apart where chance would set its figures so far off in this share of runs, and one of
#: them is off by more than this share. A figure needs this many bins of the run.
_CHANCE, _APART_SHARE, _LEAST_BINS = 5e-4, 0.06, 3


def apart_findings(fit: SessionFit, session: Session) -> tuple[Finding, ...]:
    """Name each pull and coast-down that the fit of the other runs does not explain.

    Parameters
    ----------
    fit : SessionFit
        Of all runs.
    session : Session
        Vehicle, and the names of the logs.
    """
    figures: dict[int, list[tuple[Apart, str]]] = {}
    for one, text in (*_apart_coasts(fit, session.vehicle), *_apart_pulls(fit, session.vehicle)):
        figures.setdefault(one.run, []).append((one, text))
    worst: dict[int, tuple[Apart, str]] = {}
    for run, own in figures.items():
        # a foreign run widens every interval, its own included: its figures count together
        squares = sum(one.sigma**2 for one, _ in own)
        large = [pair for pair in own if _differs(pair[0])]
        if large and squares > float(chdtri(len(own), _CHANCE)):
            worst[run] = max(large, key=lambda pair: abs(pair[0].sigma))
    return tuple(
        Finding(
            kind="run_apart",
            severity="warning",
            text=f"Run {number + 1} ({_log_name(session, one.log)}) stands apart: {text} "
            f"({abs(one.sigma):.1f} sigma). If it does not belong, leave it out: "
            f"--leave-out {number + 1}.",
            log=one.log,
            run=number + 1,
        )
        for number, (one, text) in sorted(worst.items())
    )


def _differs(one: Apart) -> bool:
    """Return whether a run's own figure is off the others' by more than runs usually are."""
    return abs(one.own - one.others) > _APART_SHARE * abs(one.others)


def _log_name(session: Session, log: int) -> str:
    files = session.logs[log].files if log < len(session.logs) else ()
    return files[0].name if files else f"log {log + 1}"


def _apart_coasts(fit: SessionFit, vehicle: Vehicle) -> Iterator[tuple[Apart, str]]:
    """Give each coast-down's own road load at the speed in the middle of all, in words."""
    row = np.zeros(fit.layout.size)
    for has, speed_mps in _middle_speeds(fit, COAST):
        share = speed_mps / SPEED_SCALE_MPS
        # R = m_e (r0 + r1 v/V + r2 (v/V)^2)
        row[fit.layout.RESISTANCE] = vehicle.effective_mass_kg * np.array([1.0, share, share**2])
        for one in own_figures(fit, row, has):
            likely = "the brake, a gear, another load or vehicle"
            if one.sigma < 0.0:
                likely = "some throttle, a push, another load or vehicle"
            yield (
                one,
                (
                    f"its coast-down alone shows a road load of {one.own:.0f} N at {3.6 * speed_mps:.0f} km/h, "
                    f"the other runs {one.others:.0f} N: {likely}"
                ),
            )


def _apart_pulls(fit: SessionFit, vehicle: Vehicle) -> Iterator[tuple[Apart, str]]:
    """Give each pull's own power at the speed in the middle of a gear, in words."""
    for _, has, speed_mps, row in _gear_rows(fit, vehicle):
        for one in own_figures(fit, row, has):
            likely = "another load, vehicle or boost"
            if one.sigma < 0.0:
                likely = "part throttle, another load or vehicle"
            yield (
                one,
                (
                    f"its pull alone shows {one.own / 1e3:.1f} kW at {3.6 * speed_mps:.0f} km/h, "
                    f"the other runs {one.others / 1e3:.1f} kW: {likely}"
                ),
            )


def _gear_rows(fit: SessionFit, vehicle: Vehicle) -> Iterator[tuple[int, list[bool], float, Array]]:
    """Give each gear, which runs drove in it, the speed in its middle [m/s], and its power's row."""
    for gear, knots in enumerate(fit.layout.gear_knots_mps):
        for has, speed_mps in _middle_speeds(fit, gear):
            row = np.zeros(fit.layout.size)
            # P = m_e t(v) v
            row[fit.layout.gear(gear)] = (
                vehicle.effective_mass_kg * speed_mps * hat(np.array([speed_mps]), knots)[0]
            )
            yield gear, has, speed_mps, row


def _middle_speeds(fit: SessionFit, drive: int) -> Iterator[tuple[list[bool], float]]:
    """Give which runs have such bins, with the median speed that those cover [m/s]."""
    speeds = [state.path_mps[1:][state.data.drive == drive] for state in fit.states]
    has = [speed.size >= _LEAST_BINS for speed in speeds]
    if sum(has) >= 2:
        yield has, float(np.median(np.concatenate([speed for speed in speeds if speed.size])))
