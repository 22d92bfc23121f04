"""Nominal runs of an outing, without noise, cut and fitted by the session model itself.

Two two-way pairs are driven by a plain equation of motion, made into the same objects that logs
become, and fitted with noise levels held. What more pairs bring is then a sum of normal equations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.model.covariance import inverse
from analysis.model.fit import SessionFit, fit_session
from analysis.model.observations import run_data
from analysis.model.parameters import Spread
from analysis.planning.outing import USUAL, NotDrivable, Outing
from analysis.runs.gears import gear_knots
from analysis.runs.road import RunPlace
from analysis.runs.run import Phase, Run
from analysis.signals.gps import Fixes
from analysis.signals.mount import Mount
from analysis.signals.smoothing import Fused, SpeedCurve
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = ["Sketch", "repeated", "sketch"]

_Array: TypeAlias = NDArray[np.float64]

#: An accelerometer's samples in a 0.2 s bin average their vibration down to this rate [Hz]; more
#: samples bring nothing, since ride vibration is slow. Our choice.
_MOST_ACCEL_HZ = 100.0
#: Gusts about a mean wind: share of it, and what is left of them in still air [m/s]. Turbulence
#: intensity near the ground over open country is some 0.2; from memory, no source.
_GUST_SHARE, _LEAST_GUST_MPS = 0.2, 0.25
_STEP_S = 0.02
#: Total lag of the receiver and its smoothing time in it [s]; how late, matters little.
_LAG_S, _SMOOTHING_S = 0.6, 0.3
#: A run that takes longer than this does not slow down to its end [s].
_LONGEST_S = 900.0
#: By how much a driver's gear changes and release differ from run to run (ratio), up and down of each
#: pair: the end of a gear, where power is often highest, is reached by a few runs only. Our choice.
_UNLIKE = ((0.012, -0.006), (0.003, -0.009))
_SHIFT_S, _FREE_S, _STAND_S = 0.5, 1.0, 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """Two fitted pairs of an outing, from which any number of pairs follows.

    pull_m, coast_m: way of the pull and of the coast-down, the longer of the two directions [m];
    run_s: duration of one run [s].
    """

    outing: Outing
    fit: SessionFit
    pull_m: float
    coast_m: float
    run_s: float


def sketch(outing: Outing) -> Sketch:
    """Drive two pairs of an outing and fit them.

    Parameters
    ----------
    outing : Outing
        With its engine, see `with_engine`; any number of pairs; two are driven.

    Returns
    -------
    Sketch
        The fit's covariance is that of the two.
    """
    noise = _noise(outing)
    runs, fused, places = [], [], []
    driven = []
    ways = [way for up, down in _UNLIKE for way in ((1, up), (-1, down))]
    for number, (direction, unlike) in enumerate(ways):
        drive = _drive(outing, direction, 1.0 + unlike)
        driven.append(drive)
        runs.append(_run(drive, number, direction))
        fused.append(_fused(drive, outing, direction))
        place = drive.place_m if direction > 0 else drive.place_m[-1] - drive.place_m
        steps = slice(None, None, round(1.0 / _STEP_S))
        places.append(RunPlace(t_s=drive.time_s[steps] + _LAG_S, place_m=place[steps]))
    gears = {run.number: tuple(range(len(run.phases[1].gear_pieces_s))) for run in runs}
    data = [
        one
        for run, curve, place in zip(runs, fused, places, strict=True)
        if (one := run_data(run, curve, place, gears[run.number])) is not None
    ]
    knots = gear_knots(fused, runs, gears)
    fit = fit_session(data, knots, outing.vehicle, outing.site, start=noise, hold_spread=True)
    return Sketch(
        outing=outing,
        fit=fit,
        pull_m=max(one.pull_m for one in driven),
        coast_m=max(float(one.place_m[-1]) - one.pull_m for one in driven),
        run_s=max(float(one.time_s[-1]) for one in driven),
    )


def repeated(one: Sketch, pairs: int) -> SessionFit:
    """Return the fit of an outing of so many pairs like the one sketched."""
    fit = one.fit
    runs = [2 * (pair % len(_UNLIKE)) + way for pair in range(pairs) for way in (0, 1)]
    information = fit.prior_matrix.copy()
    for run in set(runs):
        information += runs.count(run) * fit.normals[run].left()[0]
    covariance = inverse(information)
    return replace(
        fit,
        covariance=0.5 * (covariance + covariance.T),
        states=tuple(fit.states[run] for run in runs),
        lins=tuple(fit.lins[run] for run in runs),
        normals=tuple(fit.normals[run] for run in runs),
    )


def _noise(outing: Outing) -> Spread:
    """Return the noise levels that rates and wind make of the nominal ones."""
    noise = outing.noise
    if outing.accel_hz > 0.0:
        was, now = outing.noise_accel_hz, outing.accel_hz
        coarse = float(np.sqrt(min(was, _MOST_ACCEL_HZ) / min(now, _MOST_ACCEL_HZ)))
        noise = replace(
            noise,
            force_drive=noise.force_drive * coarse,
            force_coast=noise.force_coast * coarse,
        )
    gusts = _gust_mps(outing.wind_mps) / _gust_mps(outing.noise_wind_mps)
    return replace(noise, gust=noise.gust * gusts, wind=noise.wind * gusts)


def _gust_mps(wind_mps: float) -> float:
    """Return the gusts that come with a mean wind [m/s]."""
    return _LEAST_GUST_MPS + _GUST_SHARE * abs(wind_mps)


# --- one run ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drive:
    """One run without noise: arrays over time, and its events [s]."""

    time_s: _Array
    speed_mps: _Array
    accel_mps2: _Array
    place_m: _Array
    pieces_s: tuple[tuple[float, float], ...]
    launch_s: float
    release_s: float
    neutral_s: float
    pull_m: float


def _drive(outing: Outing, direction: int, unlike: float) -> _Drive:
    """Drive one run: stand, pull through the gears, let go, coast; `unlike` scales their ends."""
    vehicle = outing.vehicle
    weight_n = vehicle.mass_kg * STANDARD_GRAVITY_MPS2
    grip_n = USUAL[vehicle.kind][1] * weight_n
    mass_kg = vehicle.effective_mass_kg
    f0, f1, f2 = outing.load
    ends = tuple(speeds[-1] for speeds, _ in outing.gears)
    last = len(ends) - 1
    speed, place, now = 0.0, 0.0, _STAND_S
    stand = round(_STAND_S / _STEP_S)
    speeds, places = [0.0] * (stand + 1), [0.0] * (stand + 1)
    pieces: list[tuple[float, float]] = []
    gear, since_s, open_until_s = 0, now, 0.0
    release_s, pull_m, coasting = np.inf, 0.0, False
    while not coasting or speed > outing.end_mps:
        air = speed + direction * outing.wind_mps
        force = -(f0 + f1 * speed + f2 * air * abs(air)) - weight_n * direction * outing.slope
        if not coasting and now >= open_until_s:
            power_w = float(np.interp(speed, *outing.gears[gear]))
            force += min(power_w / max(speed, 0.5), grip_n)
        speed = max(speed + force / mass_kg * _STEP_S, 0.0)
        place += speed * _STEP_S
        now += _STEP_S
        speeds.append(speed)
        places.append(place)
        if not coasting and speed >= unlike * outing.top_mps:
            pieces.append((since_s, now))
            release_s, pull_m, coasting = now, place, True
        elif not coasting and gear < last and speed >= unlike * ends[gear]:
            pieces.append((since_s, now))
            gear, since_s, open_until_s = gear + 1, now + _SHIFT_S, now + _SHIFT_S
        if now > _LONGEST_S:
            what = "come down to its end speed" if coasting else "reach its highest speed"
            msg = (
                f"with this road load, slope and power the vehicle does not {what}: plan for a lower "
                "slope, other speeds, or another mass"
            )
            raise NotDrivable(msg)
    time_s = np.arange(float(len(speeds))) * _STEP_S
    speed_mps = np.array(speeds)
    return _Drive(
        time_s=time_s,
        speed_mps=speed_mps,
        accel_mps2=np.gradient(speed_mps, _STEP_S),
        place_m=np.array(places),
        pieces_s=tuple(pieces),
        launch_s=_STAND_S,
        release_s=float(release_s),
        neutral_s=float(release_s) + _FREE_S,
        pull_m=pull_m,
    )


def _run(drive: _Drive, number: int, direction: int) -> Run:
    """Return a nominal run as phases."""
    top, end = float(drive.speed_mps.max()), float(drive.speed_mps[-1])
    phases = (
        Phase(
            kind="stand", start_s=0.0, end_s=drive.launch_s, from_mps=0.0, to_mps=0.0, used=False
        ),
        Phase(
            kind="pull",
            start_s=drive.launch_s,
            end_s=drive.release_s,
            from_mps=0.0,
            to_mps=top,
            gear_pieces_s=drive.pieces_s,
        ),
        Phase(
            kind="coast",
            start_s=drive.neutral_s,
            end_s=float(drive.time_s[-1]),
            from_mps=top,
            to_mps=end,
        ),
    )
    return Run(log=number, number=number, direction=direction, phases=phases)


def _fused(drive: _Drive, outing: Outing, direction: int) -> Fused:
    """Return what logs of the run would be fused into, were they without noise."""
    steps = slice(None, None, 5)
    count = drive.time_s[steps].size
    curve = SpeedCurve(
        log=0, time_s=drive.time_s[steps], speed_mps=drive.speed_mps[steps], speed_sd_mps=np.full(count, 0.05),
        accel_mps2=drive.accel_mps2[steps], accel_sd_mps2=np.full(count, 0.05), place_m=drive.place_m[steps],
    )  # fmt: skip
    first_s = 0.37 if direction > 0 else 0.81  # fixes fall anyhow between the events
    stamp_s = np.arange(first_s, drive.time_s[-1] + _LAG_S, 1.0 / outing.gps_hz)
    shown = np.interp(stamp_s - (_LAG_S - _SMOOTHING_S), drive.time_s, _smoothed(drive.speed_mps))
    used = outing.accel_hz > 0.0
    force = drive.accel_mps2 + STANDARD_GRAVITY_MPS2 * direction * outing.slope
    nothing = np.zeros(0)
    mount = Mount(
        accel_time_s=drive.time_s if used else nothing,
        forward_mps2=force if used else nothing,
        lateral_mps2=np.zeros(force.size) if used else nothing,
        used=used,
        why_not=None if used else "no accelerometer is planned",
        lag=None,
        rate_hz=outing.accel_hz if used else None,
    )
    fixes = Fixes(t_s=stamp_s, speed_mps=shown, clock=0, from_positions=False)
    return Fused(
        curve=curve,
        fixes=fixes,
        mount=mount,
        lag_s=_LAG_S,
        lag_sd_s=0.05,
        fix_sd_mps=outing.noise.fix,
    )


def _smoothed(speed_mps: _Array) -> _Array:
    """Return a speed as a receiver with first-order smoothing shows it."""
    keep = float(np.exp(-_STEP_S / _SMOOTHING_S))
    shown = np.empty_like(speed_mps)
    state = float(speed_mps[0])
    for index, value in enumerate(speed_mps.tolist()):
        state = keep * state + (1.0 - keep) * value
        shown[index] = state
    return shown
