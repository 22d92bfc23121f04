"""Runs that do not belong with the others: each is named with its log, its own figure and by how much."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from scipy.special import chdtri

from analysis.model.apart import Apart, own_figures
from analysis.model.fit import SessionFit
from analysis.model.observations import COAST
from analysis.model.parameters import SPEED_SCALE_MPS, hat
from logger.arrays import Array
from logger.findings import Finding
from logger.session.session import Session, Vehicle

__all__ = ["apart_findings", "power_step"]

#: A run stands apart where chance would set its figures so far off in this share of runs, and one of
#: them is off by more than this share. A figure needs this many bins of the run.
_CHANCE, _APART_SHARE, _LEAST_BINS = 5e-4, 0.06, 3
#: Powers before and after a step leave a gap of this share, and of this many sd of their means; so many
#: pulls lie on each side.
_STEP_SHARE, _STEP_SD, _STEP_PULLS = 0.06, 4.0, 2


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
    return (
        *_step_findings(fit, session.vehicle),
        *(
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
        ),
    )


def _step_findings(fit: SessionFit, vehicle: Vehicle) -> list[Finding]:
    """Name the run from which on all pulls of a gear show more or less power than all before."""
    for gear, has, speed_mps, row in _gear_rows(fit, vehicle):
        found = sorted(own_figures(fit, row, has), key=lambda one: one.run)
        at = power_step(
            [one.own for one in found],
            [abs(one.own - one.others) / max(abs(one.sigma), 1e-9) for one in found],
        )
        if at is None:
            continue
        before, after = (
            float(np.mean([one.own for one in part])) for part in (found[:at], found[at:])
        )
        more = "more" if after > before else "less"
        numbers = ",".join(str(one.run + 1) for one in found[at:])
        text = (
            f"From run {found[at].run + 1} on the pulls show {100 * abs(after / before - 1.0):.0f} % {more} power "
            f"than before: {after / 1e3:.1f} kW at {3.6 * speed_mps:.0f} km/h in gear {gear + 1}, and "
            f"{before / 1e3:.1f} kW in the runs before. Load, boost, fuel or throttle changed there, or the "
            f"vehicle. Leave one part out (--leave-out {numbers}), or make two sessions of it."
        )
        return [Finding(kind="power_steps", severity="warning", text=text, run=found[at].run + 1)]
    return []


def power_step(powers: Sequence[float], sds: Sequence[float]) -> int | None:
    """Return from which value on all lie above or all below those before, or None.

    Parameters
    ----------
    powers, sds : sequences of float
        In the order in which they were driven, with their sd, in one unit.
    """
    best: tuple[float, int] | None = None
    value, variance = np.array(powers), np.array(sds) ** 2
    for at in range(_STEP_PULLS, value.size - _STEP_PULLS + 1):
        first, last = value[:at], value[at:]
        gap = max(float(last.min() - first.max()), float(first.min() - last.max()))
        inside = max(float(np.ptp(first)), float(np.ptp(last)))
        sd = float(np.sqrt(variance[:at].mean() / at + variance[at:].mean() / (value.size - at)))
        away = abs(float(last.mean() - first.mean()))
        clear = gap > max(_STEP_SHARE * abs(float(first.mean())), inside) and away > _STEP_SD * sd
        if clear and (best is None or gap > best[0]):
            best = gap, at
    return None if best is None else best[1]


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
