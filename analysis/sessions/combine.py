"""Several sessions of one vehicle put together: road load in reference air, and peak wheel power.

`combine` is the whole story. How a session's road load is carried to reference air and pooled with
others stands in `carry.py`, the algebra in `pooling.py`, the words in `combine_notes.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np

from analysis.model.covariance import Z95
from analysis.pipeline import Analysis
from analysis.results.road_load import RoadLoad
from analysis.sessions.carry import (
    Day,
    PeakParts,
    PooledDays,
    carried_load,
    carry,
    pool_days,
    pool_peaks,
    three_speeds_mps,
)
from analysis.sessions.combine_notes import (
    air_notes,
    disagreement_note,
    doubtful_note,
    grouping_notes,
    mass_note,
    missing_notes,
    plain_name,
    power_air_note,
    same_log_note,
    same_road_note,
    widened_note,
)
from analysis.sessions.recorded_twice import drive_in_both
from analysis.sessions.shared import (
    Deviation,
    Shared,
    SharedPower,
    SharedRoadLoad,
    SharedSession,
    SharedState,
)
from analysis.signals.copies import Trace, trace_of
from logger.findings import Finding

__all__ = ["combine"]

#: Wider than without one of the sessions by more than this share: worth a finding.
_WIDER = 1e-3

_T = TypeVar("_T")


def combine(
    analyses: Sequence[Analysis], names: Sequence[str] | None = None, missing: int = 0
) -> Shared:
    """Put sessions together.

    Sessions of one vehicle in one state (kind, name and state as stated, but for case and spaces)
    share their road load in reference air and their peak wheel power. A vehicle that was changed is
    another one here: its road load may have changed with it. A session that holds a log of an
    earlier one is left out.

    Parameters
    ----------
    analyses : sequence of Analysis
        Each with a road load of its own, not one from elsewhere.
    names : sequence of str or None
        What to call them; the sessions' own names if None.
    missing : int
        How many more were asked for but could not be used; said in a finding.

    Returns
    -------
    Shared
        Adding a session never widens a shared interval without a finding that says why.

    Raises
    ------
    ValueError
        Without any analysis, or with another number of names.
    """
    called = [one.session.name for one in analyses] if names is None else list(names)
    if not analyses or len(called) != len(analyses):
        msg = (
            f"{len(analyses)} analyses and {len(called)} names; expected at least one, and as many"
        )
        raise ValueError(msg)
    sessions, findings = _each_log_once(analyses, called)
    findings += missing_notes(missing)
    for session in sessions:
        if session.why_not is None:
            findings += doubtful_note(session.name, session.outcome.verdict.trust)
    groups: dict[tuple[str, str, str], list[int]] = {}
    for index, session in enumerate(sessions):
        if session.why_not is None:
            groups.setdefault(_identity(session.outcome), []).append(index)
    findings += grouping_notes(
        [([called[i] for i in group], _stated(sessions[group[0]])) for group in groups.values()]
    )
    states = []
    for group in groups.values():
        state, notes = _state(sessions, group)
        states.append(state)
        findings += notes
    return Shared(sessions=sessions, states=tuple(states), findings=tuple(findings))


def _each_log_once(
    analyses: Sequence[Analysis], names: Sequence[str]
) -> tuple[tuple[SharedSession, ...], list[Finding]]:
    """Leave out sessions that bring a drive which an earlier one has brought, in whatever words."""
    sessions: list[SharedSession] = []
    earlier: list[tuple[str, tuple[Trace, ...]]] = []
    findings = []
    for outcome, name in zip(analyses, names, strict=True):
        traces = tuple(trace_of(recording) for recording in outcome.recordings)
        again = drive_in_both(earlier, traces)
        if again is None:
            earlier.append((name, traces))
            sessions.append(SharedSession(name=name, outcome=outcome))
            continue
        file = outcome.session.logs[again.log].files[0].name
        findings.append(same_log_note(name, file, again))
        sessions.append(SharedSession(name=name, outcome=outcome, why_not=findings[-1].text))
    return tuple(sessions), findings


def _stated(session: SharedSession) -> tuple[str, str, str]:
    """Return kind, name and state as stated."""
    vehicle = session.outcome.session.vehicle
    return vehicle.kind, vehicle.name, vehicle.state


def _identity(outcome: Analysis) -> tuple[str, str, str]:
    """Return what sessions of one vehicle in one state have in common."""
    vehicle = outcome.session.vehicle
    return vehicle.kind, plain_name(vehicle.name), plain_name(vehicle.state)


def _state(
    sessions: Sequence[SharedSession], group: Sequence[int]
) -> tuple[SharedState, list[Finding]]:
    """Pool the sessions of one vehicle in one state."""
    names = [sessions[i].name for i in group]
    analyses = [sessions[i].outcome for i in group]
    first = analyses[0].session.vehicle
    carried = (carry(i, sessions[i].outcome, first.mass_kg) for i in group)
    days = [day for day in carried if day is not None]
    findings = air_notes(names, analyses)
    findings += mass_note(names, [one.session.vehicle.mass_kg for one in analyses])
    findings += same_road_note(names, analyses)
    road_load = power = None
    if days:
        road_load, notes = _road_load(days, [sessions[day.session].name for day in days])
        findings += notes
    powered = [i for i in group if sessions[i].outcome.power is not None]
    if powered:
        power, notes = _power(sessions, powered)
        findings += notes
    state = SharedState(
        vehicle=first.name,
        kind=first.kind,
        state=first.state,
        sessions=tuple(group),
        mass_kg=first.mass_kg,
        road_load=road_load,
        power=power,
    )
    return state, findings


def _road_load(days: Sequence[Day], names: Sequence[str]) -> tuple[SharedRoadLoad, list[Finding]]:
    """Pool road loads; report sessions that disagree or widen the interval."""
    pooled = pool_days(days)
    findings: list[Finding] = []
    if len(days) > 1:
        rests = [pool_days(rest) for rest in _leave_one_out(days)]
        found, load = pooled.pool, pooled.road_load
        if found.agrees:
            shares = [_wider(load, rest.road_load) for rest in rests]
            findings = _widened("road load", names, shares)
        else:
            chances = [rest.pool.chance for rest in rests]
            findings.append(
                disagreement_note("road load", names, chances, found.spread, found.chance)
            )
    shared = SharedRoadLoad(
        road_load=pooled.road_load,
        sessions=tuple(day.session for day in days),
        carried=tuple(carried_load(day, pooled) for day in days),
        spread=pooled.pool.spread,
        chance=pooled.pool.chance,
        deviations=tuple(_deviation(day, number, pooled) for number, day in enumerate(days))
        if len(days) > 1
        else (),
    )
    return shared, findings


def _deviation(day: Day, number: int, pooled: PooledDays) -> Deviation:
    """Return how far one day lies from what is shared, at three speeds."""
    speeds = three_speeds_mps(day.speed_range_mps)
    basis = speeds[:, None] ** np.arange(3)
    covariance = pooled.pool.residual_covariances[number]
    variance = np.einsum("ij,jk,ik->i", basis, covariance, basis)
    difference = basis @ pooled.pool.residuals[number]
    return Deviation(
        session=day.session,
        speed_mps=tuple(speeds.tolist()),
        difference=tuple(difference.tolist()),
        sd=tuple(np.sqrt(variance).tolist()),
        shares=tuple((difference / pooled.road_load.force_n(speeds)).tolist()),
    )


def _wider(load: RoadLoad, rest: RoadLoad) -> float:
    """Return by which share `load` is less closely known than `rest`, at most at its speeds."""
    speeds = three_speeds_mps(rest.speed_range_mps)
    return float(np.max(load.force_sd_n(speeds) / rest.force_sd_n(speeds))) - 1.0


def _leave_one_out(items: Sequence[_T]) -> list[list[_T]]:
    """Return the items without each of them in turn."""
    return [[*items[:number], *items[number + 1 :]] for number in range(len(items))]


def _widened(what: str, names: Sequence[str], shares: Sequence[float]) -> list[Finding]:
    """Report the sessions without which the interval would be narrower."""
    return [
        widened_note(what, name, share)
        for name, share in zip(names, shares, strict=True)
        if share > _WIDER
    ]


def _power(
    sessions: Sequence[SharedSession], group: Sequence[int]
) -> tuple[SharedPower, list[Finding]]:
    """Pool peak powers: mean weighted by inverse variance, with the mass in common."""
    names = [sessions[i].name for i in group]
    analyses = [sessions[i].outcome for i in group]
    peaks = [one.power for one in analyses if one.power is not None]
    parts = [
        PeakParts(
            peak_w=power.peak_w,
            variance_w2=max(power.peak_sd_w**2 - power.budget_w.get("mass", 0.0) ** 2, 0.0),
            mass_share=power.budget_w.get("mass", 0.0) / abs(power.peak_w),
        )
        for power in peaks
    ]
    found, sd_w = pool_peaks(parts)
    findings = power_air_note(names, analyses)
    if len(parts) > 1:
        rests = [pool_peaks(rest) for rest in _leave_one_out(parts)]
        if found.agrees:
            findings += _widened(
                "peak wheel power", names, [sd_w / rest[1] - 1.0 for rest in rests]
            )
        else:
            chances = [rest.chance for rest, _ in rests]
            findings.append(
                disagreement_note("peak wheel power", names, chances, found.spread, found.chance)
            )
    peak_w = float(found.value[0])
    shared = SharedPower(
        peak_w=peak_w,
        peak_sd_w=sd_w,
        peak_ci95_w=(peak_w - Z95 * sd_w, peak_w + Z95 * sd_w),
        sessions=tuple(group),
        spread=found.spread,
        chance=found.chance,
        deviations=tuple(
            Deviation(
                session=i,
                speed_mps=(),
                difference=(float(difference[0]),),
                sd=(float(np.sqrt(variance[0, 0])),),
                shares=(float(difference[0]) / peak_w,),
            )
            for i, difference, variance in zip(
                group, found.residuals, found.residual_covariances, strict=True
            )
        )
        if len(group) > 1
        else (),
    )
    return shared, findings
