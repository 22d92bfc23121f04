"""Which runs may be used, judged before the fit: full throttle or not, neutral or in gear, brake."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from analysis.physics.plausible import ROAD_LOAD_WINDOWS
from analysis.runs.full_throttle import (
    why_in_gear,
    why_pulls_differ,
    why_throttle_closed,
)
from analysis.runs.run import Phase, PhaseKind, Run
from analysis.runs.shared_curve import apart_from_shared_curve
from analysis.signals.copies import find_copies, trace_of
from analysis.signals.smoothing import Fused
from logger.arrays import Array
from logger.errors import SessionError
from logger.findings import Finding, counted
from logger.recording import Recording
from logger.session.session import LogEntry, Session, Vehicle
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = [
    "force_window_n",
    "judge_runs",
    "leave_out_runs",
    "why_nothing",
]

_WISH = "it is left out by wish (leave_out)"
_NAMES = {"pull": "acceleration", "coast": "slowing"}
#: How far outside the window of its kind a vehicle may lie: tyres, loads, boxes, wet roads.
_HIGHER, _LOWER = 1.35, 0.5
#: A pull with no coast-down after it counts as full throttle from this share of the others on.
_FULL_SHARE = 0.75
#: ... or where it lies less than this below them, which slope and wind do to weak vehicles [m/s2].
_SLOPE_AND_WIND_MPS2 = 0.3
#: No drive pulls this much harder at 60 % than at 25 % of the speed it reaches in one gear.
_RISE = 1.12
#: Without an accelerometer pulls need this many fixes a second [Hz].
_LEAST_RATE_HZ = 0.8
#: A coast-down after a pull lasts at least this long [s].
_LEAST_S = 10.0
#: A coast-down with no pull in front must look meant: this long [s], losing this much [m/s], or
#: filling this share of its recording.
_MEANT_S, _MEANT_LOSS_MPS, _MEANT_SHARE = 18.0, 4.0, 0.5


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
    findings : tuple of Finding, one per phase left out
    """
    vouched = {log for log, entry in enumerate(session.logs) if entry.neutral}
    judged = [_judge_coasts(run, fused[run.log], session, run.log in vouched) for run in runs]
    judged = [_judge_pull(run, fused[run.log]) for run in judged]
    judged = [_hear_witnesses(run, fused[run.log], recordings) for run in judged]
    judged = _left_out(judged, "pull", _part_throttle(judged, fused))
    again = _in_two_logs(runs, recordings, session.logs)
    judged = _left_out(_left_out(judged, "pull", again), "coast", again)
    # one by one all of this may be; together pulls must repeat and coast-downs share one curve
    why_differ = why_pulls_differ(judged, fused)
    if why_differ is not None:
        judged = _left_out(judged, "pull", {run.number: why_differ for run in judged})
    apart = apart_from_shared_curve(judged, fused, session, vouched)
    judged = _left_out(judged, "coast", apart)
    findings = tuple(
        Finding(
            kind=f"{phase.kind}_not_used",
            # beside a used phase it was meant to count; alone it is the way back or traffic
            severity="warning" if run.used or run.number in again else "note",
            text=f"The {_NAMES[phase.kind]} at {phase.start_s:.0f} to {phase.end_s:.0f} s is left out: "
            f"{phase.why_not}.",
            log=run.log,
            time_s=phase.start_s,
        )
        for run in judged
        for phase in run.phases
        if phase.kind in _NAMES and not phase.used
    )
    return tuple(judged), (*findings, *_vouched_findings(judged, vouched, session))


def _vouched_findings(
    runs: Sequence[Run], vouched: Collection[int], session: Session
) -> tuple[Finding, ...]:
    """Warn of coast-downs that only the driver's word for neutral keeps."""
    kept = [(run, coast) for run in runs if (coast := run.phase("coast")) and run.log in vouched]
    return tuple(
        Finding(
            kind="coast_vouched",
            severity="warning",
            text=f"The coast-down at {coast.start_s:.0f} to {coast.end_s:.0f} s is used because its log says "
            f"neutral = true: {why}.",
            log=run.log,
            time_s=coast.start_s,
        )
        for run, coast in kept
        if coast.used and (why := _too_hard(coast, session)) is not None
    )


def _hear_witnesses(run: Run, fused: Fused, recordings: Sequence[Recording]) -> Run:
    """Leave out what a logged throttle or engine speed shows to be no pull or no coast-down."""
    curve = fused.curve
    if not recordings or curve is None:
        return run
    recording = recordings[run.log]
    why = why_throttle_closed(run, recording)
    run = run if why is None else _without(run, "pull", why)
    why = why_in_gear(run, recording, curve.time_s, curve.speed_mps)
    return run if why is None else _without(run, "coast", why)


def _left_out(runs: Sequence[Run], kind: PhaseKind, reasons: Mapping[int, str]) -> list[Run]:
    """Return the runs with the used phases of one kind left out where there is a reason."""
    return [
        _without(run, kind, reasons[run.number])
        if run.number in reasons and (phase := run.phase(kind)) is not None and phase.used
        else run
        for run in runs
    ]


def _judge_coasts(run: Run, fused: Fused, session: Session, vouched: bool) -> Run:
    coast = run.phase("coast")
    if coast is None or not coast.used or vouched:
        return run
    why = _too_hard(coast, session)
    if why is None and run.phase("pull") is None:
        why = _not_meant(coast, fused)
    elif why is None and coast.end_s - coast.start_s < _LEAST_S:
        why = f"{coast.end_s - coast.start_s:.0f} s are too short to tell neutral from a gear"
    return run if why is None else _without(run, "coast", why)


def _judge_pull(run: Run, fused: Fused) -> Run:
    pull = run.phase("pull")
    if pull is not None and pull.used and _gentle_rise(pull, fused):
        why = (
            "from standstill it pulls harder the faster it goes, in one gear: an engine at full "
            "throttle pulls less and less, so this is part throttle"
        )
        return _without(run, "pull", why)
    rate_hz = fused.fixes.rate_hz
    if fused.mount.used or rate_hz is None or rate_hz >= _LEAST_RATE_HZ:
        return run
    why = (
        f"fixes every {1.0 / rate_hz:.1f} s cannot follow gear changes; wheel power needs an "
        "accelerometer or one fix a second"
    )
    return _without(run, "pull", why)


def _gentle_rise(pull: Phase, fused: Fused) -> bool:
    """Return whether a launch without gear changes pulls harder at 60 % than at 25 % of its speed.

    Whatever drives from standstill through the whole range in one go (electric, automatic) gives its
    largest force first. A usual road load is added to the acceleration; common practice, no source.
    """
    curve = fused.curve
    if curve is None or len(pull.gear_pieces_s) != 1 or pull.from_mps > 2.0 or pull.to_mps < 15.0:
        return False
    start_s, end_s = pull.gear_pieces_s[0]
    speed, accel = curve.speed_mps, curve.accel_mps2
    inside = (curve.time_s >= start_s) & (curve.time_s <= end_s) & np.isfinite(speed)
    if speed[inside].size == 0 or float(speed[inside].min()) > 0.2 * pull.to_mps:
        return False
    drive = accel + 0.12 + 0.3 * (speed / 30.0) ** 2
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


def _without(run: Run, kind: PhaseKind, why: str) -> Run:
    """Return the run with its phases of one kind marked as not used."""
    phases = tuple(
        replace(phase, used=False, why_not=why) if phase.kind == kind else phase
        for phase in run.phases
    )
    return replace(run, phases=phases)


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


def force_window_n(vehicle: Vehicle, speed_mps: float) -> tuple[float, float]:
    """Return two road loads [N] that no vehicle of its kind undercuts and exceeds."""
    window = ROAD_LOAD_WINDOWS[vehicle.kind]
    weight_n = vehicle.mass_kg * STANDARD_GRAVITY_MPS2
    least = window.rolling_share[0] * weight_n + window.f2_n_per_mps2[0] * speed_mps**2
    most = window.rolling_share[1] * weight_n + window.f2_n_per_mps2[1] * speed_mps**2
    return _LOWER * least, _HIGHER * most


def _too_hard(phase: Phase, session: Session) -> str | None:
    """Return why a slowing is too hard for neutral, or None."""
    vehicle, site = session.vehicle, session.site
    mean_mps = 0.5 * (phase.from_mps + phase.to_mps)
    slows = (phase.from_mps - phase.to_mps) / (phase.end_s - phase.start_s)
    uphill = STANDARD_GRAVITY_MPS2 * (abs(site.slope) + 3.0 * max(site.slope_sd, 0.003))
    most = force_window_n(vehicle, mean_mps)[1] / vehicle.effective_mass_kg + uphill
    if slows <= most:
        return None
    return (
        f"it slows by {slows:.2f} m/s2 at {3.6 * mean_mps:.0f} km/h, which is more than a "
        f"{vehicle.kind} in neutral does ({most:.2f}): engine braking or the brake"
    )


def _not_meant(phase: Phase, fused: Fused) -> str | None:
    """Return why a coast-down without a pull in front is doubtful, or None."""
    loss = phase.from_mps - phase.to_mps
    duration = phase.end_s - phase.start_s
    if duration >= _MEANT_S and loss >= _MEANT_LOSS_MPS:
        return None
    curve = fused.curve
    if curve is not None and duration >= _MEANT_SHARE * float(curve.time_s[-1] - curve.time_s[0]):
        return None
    return "a short slowing with no pull before it is more likely traffic than a coast-down"


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
                    f"log {run.log + 1}, {_NAMES[phase.kind]} at {phase.start_s:.0f} to {phase.end_s:.0f} s: "
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


def leave_out_runs(
    runs: Sequence[Run], leave_out: Sequence[int | str], logs: Sequence[LogEntry]
) -> tuple[tuple[Run, ...], tuple[Finding, ...]]:
    """Mark runs that the user wants left out as not used; their numbers and the others' stay.

    Parameters
    ----------
    runs : sequence of Run
        All runs, numbered.
    leave_out : sequence of int or str
        Numbers of runs from 1, and names of files of logs.
    logs : sequence of LogEntry
        The session's, for the names.

    Returns
    -------
    runs : tuple of Run
        The same, with what is left out not used.
    findings : tuple of Finding
        One that lists what was left out; none where nothing was.

    Raises
    ------
    SessionError
        A number or a name that the session does not have.
    """
    gone: set[int] = set()
    for item in leave_out:
        if isinstance(item, int):
            chosen = {run.number for run in runs if run.number + 1 == item}
            expected = f"a run from 1 to {len(runs)}, as the report numbers them"
        else:
            named = {
                log
                for log, entry in enumerate(logs)
                if any(file.name == item or str(file).endswith(f"/{item}") for file in entry.files)
            }
            chosen = {run.number for run in runs if run.log in named}
            expected = "the name of a log that holds a run"
        if not chosen:
            key = "leave_out"
            raise SessionError(key, "", f"no such run or log: {item!r}", expected)
        gone |= chosen
    if not gone:
        return tuple(runs), ()
    kept = tuple(_unused(run) if run.number in gone else run for run in runs)
    numbers = ", ".join(str(number + 1) for number in sorted(gone))
    text = (
        f"Left out by wish: {counted(len(gone), 'run')} ({numbers}). Nothing of {'it' if len(gone) == 1 else 'them'} "
        "is in the result."
    )
    return kept, (Finding(kind="left_out", severity="note", text=text, count=len(gone)),)


def _unused(run: Run) -> Run:
    """Return the run with nothing of it used."""
    phases = tuple(
        replace(phase, used=False, why_not=_WISH) if phase.kind in ("pull", "coast") else phase
        for phase in run.phases
    )
    return replace(run, phases=phases)
