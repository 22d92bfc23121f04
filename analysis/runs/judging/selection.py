"""Which runs may be used, judged before the fit: full throttle or not, neutral or in gear, brake."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from analysis.runs.judging.coasting import judge_coasts, touched_findings, vouched_findings
from analysis.runs.judging.full_stage import keep_full_stages
from analysis.runs.judging.full_throttle import (
    drive_mps2,
    why_in_gear,
    why_pulls_differ,
    why_throttle_closed,
)
from analysis.runs.judging.power_steps import step_findings
from analysis.runs.judging.shared_curve import apart_from_shared_curve, why_no_coast_down
from analysis.runs.run import Phase, PhaseKind, Run
from analysis.signals.copies import find_copies, trace_of
from analysis.signals.smoothing import Fused
from logger.arrays import Array
from logger.findings import Finding, counted
from logger.recording import Recording
from logger.session.session import LogEntry, Session

__all__ = ["judge_runs", "why_nothing"]

_NAMES = {"pull": "acceleration", "coast": "slowing"}
#: A pull with no coast-down after it counts as full throttle from this share of the others on.
_FULL_SHARE = 0.75
#: ... or where it lies less than this below them, which slope and wind do to weak vehicles [m/s2].
_SLOPE_AND_WIND_MPS2 = 0.3
#: No drive pulls this much harder at 60 % than at 25 % of the speed it reaches in one gear.
_RISE = 1.12
#: Without an accelerometer pulls need this many fixes a second [Hz].
_LEAST_RATE_HZ = 0.8
#: A hole of the curve this soon after a pull's end broke it off [s].
_BREAKS_OFF_S = 1.0


def judge_runs(
    runs: Sequence[Run],
    fused: Sequence[Fused],
    session: Session,
    recordings: Sequence[Recording] = (),
) -> tuple[tuple[Run, ...], tuple[Finding, ...]]:
    """Mark phases that cannot be trusted as not used, each with its reason.

    Parameters
    ----------
    runs : sequence of Run
        As found.
    fused : sequence of Fused, one per log
        Their curves.
    session : Session
        Vehicle and site, for what is possible in neutral; logs whose driver vouches for neutral.
    recordings : sequence of Recording, one per log
        For what throttle and engine speed show; empty without them.

    Returns
    -------
    runs : tuple of Run
        With `used` and `why_not` settled.
    findings : tuple of Finding
        One per phase left out, and what was cut off or noticed in those that stay.
    """
    vouched = {log for log, entry in enumerate(session.logs) if entry.neutral}
    judged, stages = keep_full_stages(runs, fused)
    judged = [judge_coasts(run, fused[run.log], session, run.log in vouched) for run in judged]
    judged = [_judge_pull(run, fused[run.log]) for run in judged]
    judged = [_hear_witnesses(run, fused[run.log], recordings) for run in judged]
    judged = _left_out(judged, "pull", _part_throttle(judged, fused))
    again = _in_two_logs(runs, recordings, session.logs)
    judged = _left_out(_left_out(judged, "pull", again), "coast", again)
    # one by one all of this may be; together pulls must repeat and coast-downs share one curve
    why_differ = why_pulls_differ(judged, fused)
    if why_differ is not None:
        judged = _left_out(judged, "pull", {run.number: why_differ for run in judged})
        # between accelerations at part throttle a slowing must show by itself that it was meant
        little = {
            run.number: f"between accelerations at part throttle {why}"
            for run in judged
            if run.log not in vouched
            and (why := why_no_coast_down(run, fused[run.log])) is not None
        }
        judged = _left_out(judged, "coast", little)
    apart = apart_from_shared_curve(judged, fused, session, vouched)
    judged = _left_out(judged, "coast", apart)
    findings = tuple(
        run.finding(
            f"{phase.kind}_not_used",
            # beside a used phase it was meant to count; alone it is the way back or traffic
            "warning" if run.used or run.number in again else "note",
            f"The {_NAMES[phase.kind]} at {phase.start_s:.0f} to {phase.end_s:.0f} s is left out: "
            f"{phase.why_not}.",
            phase.start_s,
        )
        for run in judged
        for phase in run.phases
        if phase.kind in _NAMES and not phase.used
    )
    touched = touched_findings(judged)
    return tuple(judged), (
        *(*stages, *findings, *touched, *step_findings(judged, fused)),
        *vouched_findings(judged, vouched, session),
    )


def _hear_witnesses(run: Run, fused: Fused, recordings: Sequence[Recording]) -> Run:
    """Leave out what a logged throttle or engine speed shows to be no pull or no coast-down."""
    curve = fused.curve
    if not recordings or curve is None:
        return run
    recording = recordings[run.log]
    why = why_throttle_closed(run, recording)
    run = run if why is None else run.without("pull", why)
    why = why_in_gear(run, recording, curve.time_s, curve.speed_mps)
    return run if why is None else run.without("coast", why)


def _left_out(runs: Sequence[Run], kind: PhaseKind, reasons: Mapping[int, str]) -> list[Run]:
    """Return the runs with the used phases of one kind left out where there is a reason."""
    return [
        run.without(kind, reasons[run.number])
        if run.number in reasons and (phase := run.phase(kind)) is not None and phase.used
        else run
        for run in runs
    ]


def _judge_pull(run: Run, fused: Fused) -> Run:
    pull = run.phase("pull")
    if pull is not None and pull.used and _gentle_rise(pull, fused):
        why = (
            "from standstill it pulls harder the faster it goes, in one gear: an engine at full "
            "throttle pulls less and less, so this is part throttle"
        )
        return run.without("pull", why)
    if pull is not None and pull.used and _breaks_off(pull, fused):
        why = (
            f"the speeds break off in it, at {pull.end_s:.0f} s and {3.6 * pull.to_mps:.0f} km/h, and what "
            "was driven in the hole is not known"
        )
        return run.without("pull", why)
    rate_hz = fused.fixes.rate_hz
    if fused.mount.used or rate_hz is None or rate_hz >= _LEAST_RATE_HZ:
        return run
    why = (
        f"fixes every {1.0 / rate_hz:.1f} s cannot follow gear changes; wheel power needs an "
        "accelerometer or one fix a second"
    )
    return run.without("pull", why)


def _breaks_off(pull: Phase, fused: Fused) -> bool:
    """Return whether a hole of the curve, and not the end of the log, follows a pull at once."""
    curve = fused.curve
    if curve is None:
        return False
    good_s = curve.time_s[np.isfinite(curve.speed_mps)]
    later_s = good_s[good_s > pull.end_s]
    return bool(later_s.size) and float(later_s[0]) - pull.end_s > _BREAKS_OFF_S


def _gentle_rise(pull: Phase, fused: Fused) -> bool:
    """Return whether a launch without gear changes pulls harder at 60 % than at 25 % of its speed.

    Whatever drives from standstill through the whole range in one go (electric, automatic) gives its
    largest force first.
    """
    curve = fused.curve
    if curve is None or len(pull.gear_pieces_s) != 1 or pull.from_mps > 2.0 or pull.to_mps < 15.0:
        return False
    start_s, end_s = pull.gear_pieces_s[0]
    speed, accel = curve.speed_mps, curve.accel_mps2
    inside = (curve.time_s >= start_s) & (curve.time_s <= end_s) & np.isfinite(speed)
    if speed[inside].size == 0 or float(speed[inside].min()) > 0.2 * pull.to_mps:
        return False
    drive = drive_mps2(accel, speed)
    means = []
    for share in (0.25, 0.60):
        near = inside & (np.abs(speed - share * pull.to_mps) < 0.06 * pull.to_mps)
        if int(near.sum()) < 2:
            return False
        means.append(float(np.mean(drive[near])))
    return means[1] > _RISE * means[0]


def _in_two_logs(
    runs: Sequence[Run], recordings: Sequence[Recording], logs: Sequence[LogEntry]
) -> dict[int, str]:
    """Return the reason for every run that a better log holds as well, by run number."""
    again: dict[int, str] = {}
    for kept, other, copy in find_copies([trace_of(recording) for recording in recordings]):
        names = [f"{logs[log].files[0].name} (log {log + 1})" for log in (other, kept)]
        for run in runs:
            middle_s = 0.5 * (run.start_s + run.end_s)
            if run.log == other and copy.start_s <= middle_s <= copy.end_s:
                again[run.number] = (
                    f"{names[0]} holds the drive of {names[1]}, {copy.why}; it counts once"
                )
    return again


def _part_throttle(runs: Sequence[Run], fused: Sequence[Fused]) -> dict[int, str]:
    """Return the reason for every pull that was driven with part throttle, by run number.

    Its acceleration lies well below that of pulls at the same speeds, and no coast-down follows it
    as one follows the others. A roll-on pull in a higher gear that ends in a coast-down stays.
    """
    planned: list[tuple[Array, Array]] = []
    others: list[tuple[int, Array, Array]] = []
    for run in runs:
        pull, curve = run.phase("pull"), fused[run.log].curve
        if pull is None or curve is None or not pull.used:
            continue
        inside = np.zeros(curve.time_s.size, dtype=bool)
        for start_s, end_s in pull.gear_pieces_s:
            inside |= (curve.time_s >= start_s) & (curve.time_s <= end_s)
        inside &= np.isfinite(curve.speed_mps)
        speed, accel = curve.speed_mps[inside], curve.accel_mps2[inside]
        coast = run.phase("coast")
        if coast is not None and coast.used:
            planned.append((speed, accel))
        else:
            others.append((run.number, speed, accel))
    gentle: dict[int, str] = {}
    for number, speed, accel in others:
        shares, away = [], []
        for full_speed, full_accel in planned:
            low, high = max(speed.min(), full_speed.min()), min(speed.max(), full_speed.max())
            mine = accel[(speed >= low) & (speed <= high)]
            full = full_accel[(full_speed >= low) & (full_speed <= high)]
            if high - low >= 2.0 and mine.size and full.size:
                shares.append(float(np.median(mine)) / max(float(np.median(full)), 1e-3))
                away.append(float(np.median(full)) - float(np.median(mine)))
        clear = bool(away) and float(np.median(away)) > _SLOPE_AND_WIND_MPS2
        if clear and float(np.median(shares)) < _FULL_SHARE:
            gentle[number] = (
                f"it accelerates with {100 * float(np.median(shares)):.0f} % of what the other pulls "
                "show at the same speeds, and no coast-down follows: part throttle"
            )
    return gentle


def why_nothing(runs: Sequence[Run], fused: Sequence[Fused]) -> tuple[str, ...]:
    """Return every reason why no run of a session can be used; logs count from 1, as for people."""
    reasons = list(_headlines(runs))
    reasons += [
        f"log {log + 1}: fewer than four usable speed fixes"
        for log, one in enumerate(fused)
        if one.curve is None
    ]
    for run in runs:
        for phase in run.phases:
            if phase.kind in ("pull", "coast") and not phase.used:
                reasons.append(
                    f"log {run.log + 1}, run {run.number + 1}, {_NAMES[phase.kind]} at {phase.start_s:.0f} to {phase.end_s:.0f} s: "
                    f"{phase.why_not}"
                )
    return tuple(reasons)


def _headlines(runs: Sequence[Run]) -> list[str]:
    """Return what is missing in one sentence each: coast-downs, then pulls."""
    headlines = []
    for kind, missing, seen in (
        ("coast", "neutral coast-down", "slowing"),
        ("pull", "full-throttle pull", "acceleration"),
    ):
        phases = [phase for run in runs for phase in run.phases if phase.kind == kind]
        if not phases:
            headlines.append(f"no {missing} was found in the logs")
        elif not any(phase.used for phase in phases):
            one = f"the only {seen} is none" if len(phases) == 1 else ""
            every = one or f"none of the {counted(len(phases), seen)} is one"
            headlines.append(f"no {missing} was found in the logs: {every}, as said below")
    return headlines
