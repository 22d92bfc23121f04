"""A hypothetical outing: nominal runs without noise, cut and fitted by the session model itself.

Two two-way pairs are driven by a plain equation of motion, made into the same objects that logs
become, and fitted with noise levels held. What more pairs bring is then a sum of normal equations.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from analysis.model.covariance import inverse
from analysis.model.fit import SessionFit, fit_session
from analysis.model.observations import run_data
from analysis.model.parameters import Spread
from analysis.physics.plausible import ROAD_LOAD_WINDOWS
from analysis.runs.gears import gear_knots
from analysis.runs.road import RunPlace
from analysis.runs.run import Phase, Run
from analysis.signals.gps import Fixes
from analysis.signals.mount import Mount
from analysis.signals.smoothing import Fused, SpeedCurve
from logger.errors import PullcoastError
from logger.session.keys import VehicleKind
from logger.session.session import Site, Vehicle
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = [
    "PHONE_NOISE",
    "NeverSlow",
    "Outing",
    "Sketch",
    "guess",
    "repeated",
    "sketch",
    "with_engine",
]

_Array: TypeAlias = NDArray[np.float64]

#: Noise levels of a phone with 1 Hz GPS and an accelerometer of 50 to 100 Hz in a firm mount: what the
#: session model finds in simulated sessions of that kind (median of 20, seeds 2001 to 2020).
PHONE_NOISE = Spread(
    fix=0.062,
    force_drive=0.111,
    force_coast=0.059,
    slow_noise=0.031,
    gust=0.43,
    wind=0.35,
    offset_wander=0.023,
    lag_wander=0.048,
    pull=0.0077,
    slope=0.0034,
    bend=1.46,
)
#: An accelerometer's samples in a 0.2 s bin average their vibration down to this rate [Hz]; more
#: samples bring nothing, since ride vibration is slow. Our choice.
_NOMINAL_ACCEL_HZ, _MOST_ACCEL_HZ = 75.0, 100.0
#: Gusts about a mean wind: share of it, and what is left of them in still air [m/s]. Turbulence
#: intensity near the ground over open country is some 0.2; from memory, no source.
_GUST_SHARE, _LEAST_GUST_MPS, _USUAL_WIND_MPS = 0.2, 0.25, 1.5
_STEP_S = 0.02
#: Total lag of the receiver and its smoothing time in it [s]; how late, matters little.
_LAG_S, _SMOOTHING_S = 0.6, 0.3
#: A run that takes longer than this does not slow down to its end [s].
_LONGEST_S = 900.0
#: By how much a driver's gear changes and release differ from run to run (ratio), up and down of each
#: pair: the end of a gear, where power is often highest, is reached by a few runs only. Our choice.
_UNLIKE = ((0.012, -0.006), (0.003, -0.009))
_SHIFT_S, _FREE_S, _STAND_S = 0.5, 1.0, 5.0
#: Gear ends as shares of the highest speed: three gears whose ratios are 1.8 and 1.4 apart.
_GEAR_ENDS = (0.40, 0.72, 1.12)
#: Wheel power per mass [W/kg], driven wheels' grip as a share of weight, release and end of the
#: coast-down [km/h], by kind of vehicle; common practice, no source.
_USUAL: dict[VehicleKind, tuple[float, float, float, float]] = {
    "car": (58.0, 0.45, 110.0, 20.0),
    "van": (35.0, 0.35, 100.0, 20.0),
    "truck": (9.0, 0.25, 80.0, 20.0),
    "motorcycle": (150.0, 0.60, 110.0, 20.0),
    "bicycle": (6.0, 0.30, 40.0, 8.0),
}
#: Of a car: F0 over weight, F1 [N/(m/s)], F2 [N/(m/s)^2]; means of nine cars of 1,250 to 2,150 kg,
#: target coefficients in the US EPA test car list of model year 2022.
_USUAL_CAR = (0.0080, 2.82, 0.381)


@dataclass(frozen=True, slots=True)
class Outing:
    """What an outing is planned to be.

    Parameters
    ----------
    vehicle : Vehicle
        Masses with their sd, and kind.
    pairs : int
        Two-way pairs.
    load : tuple of 3 floats
        Guess of F0, F1, F2 [N, N/(m/s), N/(m/s)^2].
    power_w : float
        Guess of the peak wheel power [W].
    top_mps, end_mps : float
        Release of the throttle, and end of the coast-down [m/s].
    gps_hz, accel_hz : float
        Rates [Hz]; no accelerometer: 0.
    wind_mps : float
        Mean wind along the road [m/s].
    slope : float
        Mean slope (ratio).
    site : Site
        What is known of wind and slope before.
    noise : Spread
        Noise levels to expect with the following wind and accelerometer.
    noise_wind_mps, noise_accel_hz : float
        Mean wind [m/s] and rate [Hz] that `noise` was found at.
    gears : tuple of (speeds, powers)
        Wheel power [W] over speed [m/s] of each gear, as found; empty where unknown, see
        `with_engine`.
    """

    vehicle: Vehicle
    pairs: int
    load: tuple[float, float, float]
    power_w: float
    top_mps: float
    end_mps: float
    gps_hz: float = 1.0
    accel_hz: float = _NOMINAL_ACCEL_HZ
    wind_mps: float = _USUAL_WIND_MPS
    slope: float = 0.002
    site: Site = field(default_factory=Site)
    noise: Spread = PHONE_NOISE
    noise_wind_mps: float = _USUAL_WIND_MPS
    noise_accel_hz: float = _NOMINAL_ACCEL_HZ
    gears: tuple[tuple[tuple[float, ...], tuple[float, ...]], ...] = ()


class NeverSlow(PullcoastError):
    """A coast-down that does not come down to its end speed: the road falls too steeply."""


@dataclass(frozen=True, slots=True)
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


def guess(vehicle: Vehicle) -> Outing:
    """Return what an outing with a vehicle of which only kind and masses are known would be.

    Road load of a published car, or in the geometric middle of what another kind has; power, speeds
    and phone usual.
    """
    window = ROAD_LOAD_WINDOWS[vehicle.kind]
    per_kg, _, top_kmh, end_kmh = _USUAL[vehicle.kind]
    middle = [float(np.sqrt(np.prod(two))) for two in (window.rolling_share, window.f2_n_per_mps2)]
    rolling, linear, drag = _USUAL_CAR if vehicle.kind == "car" else (middle[0], 0.0, middle[1])
    return Outing(
        vehicle,
        4,
        (rolling * vehicle.mass_kg * STANDARD_GRAVITY_MPS2, linear, drag),
        per_kg * vehicle.mass_kg,
        top_kmh / 3.6,
        end_kmh / 3.6,
    )


def with_engine(outing: Outing) -> tuple[Outing, ...]:
    """Return the outing with each engine that it may be driven with: as found, or else two.

    Three gears that suit the highest speed, with a power that rises to the end of each, or one that
    is level within it. Where the peak lies at the end of a gear it is known half as closely.
    """
    if outing.gears:
        return (outing,)
    share = np.linspace(0.15, 1.0, 35)
    shapes = np.sqrt(share), 1.0 - 1.2 * (share - 0.7) ** 2
    return tuple(
        replace(
            outing,
            gears=tuple(
                (
                    tuple((share * end * outing.top_mps).tolist()),
                    tuple((shape * outing.power_w).tolist()),
                )
                for end in _GEAR_ENDS
            ),
        )
        for shape in shapes
    )


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
        outing,
        fit,
        max(one.pull_m for one in driven),
        max(float(one.place_m[-1]) - one.pull_m for one in driven),
        max(float(one.time_s[-1]) for one in driven),
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
    return _LEAST_GUST_MPS + _GUST_SHARE * abs(wind_mps)


# --- one run ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
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
    grip_n = _USUAL[vehicle.kind][1] * weight_n
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
            raise NeverSlow(msg)
    time_s = np.arange(float(len(speeds))) * _STEP_S
    speed_mps = np.array(speeds)
    return _Drive(
        time_s,
        speed_mps,
        np.gradient(speed_mps, _STEP_S),
        np.array(places),
        tuple(pieces),
        _STAND_S,
        float(release_s),
        float(release_s) + _FREE_S,
        pull_m,
    )


def _run(drive: _Drive, number: int, direction: int) -> Run:
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
