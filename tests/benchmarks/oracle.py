"""An oracle: the project's own fit, told everything that a session's truth knows of its phone.

It knows the lag and the receiver's smoothing, every noise level, the phases and gear changes to
the sample, and how the phone sat. What it does not know: the road load, the tractive curves, wind,
slope, the accelerometer's offset, and the true masses. No estimator that has to find all this
out of the logs can do better by much, so the ratio to it tells what is left to win.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields, replace
from typing import Any
from unittest import mock

import numpy as np
from accuracy_cases import Opened
from accuracy_scores import SPEEDS_MPS, Estimate
from numpy.typing import NDArray

from analysis.model import fit as model
from analysis.model import priors as model_prior
from analysis.model.fit import SessionFit, fit_session
from analysis.model.observations import COAST, FREE, RunData
from analysis.model.parameters import FORCE_BIN_S, Layout, Spread, hat
from analysis.model.priors import Prior, shared_prior_matrix
from analysis.results.power import find_power
from analysis.results.road_load import find_road_load
from analysis.results.site_and_sensors import coast_speed_range
from analysis.runs.run import Phase, Run
from analysis.signals.gps import flat_positions_m, speed_fixes
from analysis.signals.lag import integral_at
from analysis.simulate.truth import LogTruth, RunTruth
from logger.recording import Recording
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = ["oracle", "oracle_fit", "true_knots", "true_runs", "true_spread"]

Array = NDArray[np.float64]

#: Bin lengths [s] in drive, between pieces of drive, and in a coast-down.
_BIN_S = {"drive": (0.2, 0.35), "free": (0.1, 0.35), "coast": (1.0, 1.0)}
_KNOT_MPS = 1.0
#: Share by which squat and gain vary from phone to phone, as `simulate_phone.draw_phone` draws.
_SCALE_MEAN, _SCALE_SD = 0.03, 0.012
#: Fixes this soon after a launch of a rough phone may be held at zero or overshoot [s].
_LATE_LAUNCH_S = 2.5


def oracle(one: Opened) -> Estimate:
    """Return road load and wheel power as the oracle finds them.

    Parameters
    ----------
    one : Opened
        The session and its truth.

    Returns
    -------
    Estimate
    """
    fit = oracle_fit(one)
    vehicle = one.session.vehicle
    load = find_road_load(fit, vehicle, coast_speed_range(fit) or (0.0, 0.0))
    power = find_power(fit, vehicle)
    return Estimate(
        load.force_n(SPEEDS_MPS),
        load.force_sd_n(SPEEDS_MPS),
        None if power is None else power.peak_w,
        None if power is None else power.peak_sd_w,
        None if power is None else power.peak_ci95_w,
        () if power is None else tuple((g.speed_mps, g.power_w, g.sd_w) for g in power.gears),
    )


def oracle_fit(one: Opened) -> SessionFit:
    """Return the project's session fit with the truth's phases, lags, axes and noise levels."""
    runs = true_runs(one)
    knots = true_knots(one)
    spread = true_spread(one, runs, knots)
    with _told(one):
        return fit_session(
            runs,
            knots,
            one.session.vehicle,
            one.session.site,
            scale=_SCALE_MEAN,
            start=spread,
            hold_spread=True,
        )


@contextmanager
def _told(one: Opened) -> Iterator[None]:
    """Let the fit know the receiver's smoothing, what scales phones have, and how fast noises vary."""
    usual = model_prior.shared_prior
    log, site = one.truth.logs[0], one.site
    times_s = {
        "offset_wander": 200.0,  # slow drift of the simulated sensor
        "gust": site.gust_tau_s,
        "slow_noise": log.gps_slow_tau_s,
        "lag_wander": 60.0,  # of the simulated receiver
    }
    processes = {name: (model_prior.PROCESSES[name][0], tau) for name, tau in times_s.items()}

    def prior(*arguments: Any) -> Prior:
        found: Prior = usual(*arguments)
        mean, sd = found.mean.copy(), found.sd.copy()
        mean[Layout.MEMORY], sd[Layout.MEMORY] = max(log.gps_smoothing_s, 0.02), 0.005
        mean[Layout.SCALE], sd[Layout.SCALE] = _SCALE_MEAN, _SCALE_SD
        return replace(found, mean=mean, sd=sd)

    with (
        mock.patch.object(model, "shared_prior", prior),
        mock.patch.dict(model_prior.PROCESSES, processes),
    ):
        yield


def true_runs(one: Opened) -> list[RunData]:
    """Return each run's data, cut by the true times and turned by the true axes."""
    return [
        _run(one, run, one.truth.logs[run.log], one.recordings[run.log]) for run in one.truth.runs
    ]


def _run(one: Opened, run: RunTruth, log: LogTruth, recording: Recording) -> RunData:
    accel = log.accel_hz > 0
    edges, drive = _bins(run, accel)
    edge_s = np.array(edges)
    force = np.full(len(drive), np.nan)
    if accel:
        force = _forces(edge_s, *_forward(recording, log))
    path = one.truth.paths[run.log]
    path_s = path.time_s - log.path_offset_s
    fixes, _ = speed_fixes(recording)
    moment = fixes.t_s - log.gps_lag_s
    late = _LATE_LAUNCH_S if one.truth.phone == "rough" and path.speed_mps[0] < 0.5 else 0.2
    use = (moment >= run.launch_s + late) & (moment <= run.brake_s - 0.5)
    if one.truth.phone == "rough":
        use &= _true_enough(one, log, moment, fixes.speed_mps)
    place_s, place_m = _places(one, recording)
    there = (place_s - log.gps_lag_s >= edge_s[0]) & (place_s - log.gps_lag_s <= edge_s[-1])
    pieces = tuple((p.start_s, p.end_s) for p in run.gears)
    phases = (
        Phase(
            kind="pull",
            start_s=run.launch_s,
            end_s=run.release_s,
            from_mps=0.0,
            to_mps=run.release_mps,
            gear_pieces_s=pieces,
        ),
        Phase(
            kind="coast",
            start_s=run.neutral_s,
            end_s=run.brake_s,
            from_mps=run.release_mps,
            to_mps=0.0,
        ),
    )
    return RunData(
        run=Run(
            log=run.log,
            number=run.number,
            direction=run.direction,
            phases=phases if run.gears else phases[1:],
        ),
        edge_s=edge_s,
        drive=np.array(drive, dtype=int),
        force_mps2=force,
        fix_s=fixes.t_s[use],
        fix_mps=fixes.speed_mps[use],
        place_s=place_s[there],
        place_m=place_m[there],
        lag_s=log.gps_lag_s,
        first_path_mps=np.interp(edge_s, path_s, path.speed_mps),
        from_rest=bool(np.interp(edge_s[0], path_s, path.speed_mps) < 0.1),
    )


def _bins(run: RunTruth, accel: bool) -> tuple[list[float], list[int]]:
    """Return bin edges [s] and what drives in each: launch, gears, changes, coast-down."""
    parts = [(run.launch_s, run.neutral_s, FREE)]
    if run.gears:
        ends = [run.launch_s]
        parts = []
        for piece in run.gears:
            parts.append((ends[-1], piece.start_s, FREE))
            parts.append((piece.start_s, piece.end_s, piece.gear - 1))
            ends.append(piece.end_s)
        parts.append((ends[-1], run.neutral_s, FREE))
    parts.append((run.neutral_s, run.brake_s, COAST))
    edges, drive = [parts[0][0]], []
    for start, end, code in parts:
        if end - start < 1e-6:
            continue
        kind = {FREE: "free", COAST: "coast"}.get(code, "drive")
        count = max(1, round((end - start) / _BIN_S[kind][not accel]))
        edges += np.linspace(start, end, count + 1)[1:].tolist()
        drive += [code] * count
    return edges, drive


def _forward(recording: Recording, log: LogTruth) -> tuple[Array, Array]:
    """Return sample times [s] and specific force along the body, by the true mount [m/s2]."""
    channels = [recording.channel(f"accel_{axis}_mps2") for axis in "xyz"]
    found = [channel for channel in channels if channel is not None]
    device = np.column_stack([channel.values for channel in found])
    body = device @ np.array(log.mount) * log.accel_sign
    return found[0].t_s + log.motion_offset_s, body[:, 0]


def _forces(edge_s: Array, accel_s: Array, forward: Array) -> Array:
    """Return the mean force per bin; nan in bins that touch a hole of the accelerometer."""
    integral = integral_at(edge_s, accel_s, forward[:, None])[:, 0]
    mean = np.diff(integral) / np.diff(edge_s)
    holes = np.flatnonzero(np.diff(accel_s) > 0.3)
    for hole in holes:
        mean[(edge_s[1:] > accel_s[hole]) & (edge_s[:-1] < accel_s[hole + 1])] = np.nan
    mean[(edge_s[:-1] < accel_s[0]) | (edge_s[1:] > accel_s[-1])] = np.nan
    return np.asarray(mean)


def _true_enough(
    one: Opened, log: LogTruth, moment_s: Array, speed_mps: Array
) -> NDArray[np.bool_]:
    """Tell which fixes of a rough phone are neither false, stale nor held at zero."""
    path = one.truth.paths[one.truth.logs.index(log)]
    path_s = path.time_s - log.path_offset_s
    true_mps = np.interp(moment_s, path_s, path.speed_mps)
    accel = np.abs(np.interp(moment_s, path_s, path.accel_mps2))
    noise = float(np.hypot(log.gps_white_mps, log.gps_slow_mps))
    return np.asarray(np.abs(speed_mps - true_mps) <= 4.5 * noise + 0.6 * accel)


def _places(one: Opened, recording: Recording) -> tuple[Array, Array]:
    """Return position times [s] and places along the true bearing [m]."""
    latitude, longitude = recording.channel("latitude_deg"), recording.channel("longitude_deg")
    place_s, east_north = flat_positions_m(recording)
    if latitude is None or longitude is None:
        return place_s, np.zeros(place_s.size)
    radius_m = 6371008.8  # mean Earth radius, IUGG; the maps of all recordings join to the metre
    north = np.radians(latitude.values[0] - one.site.latitude_deg) * radius_m
    east = np.radians(longitude.values[0] - one.site.longitude_deg) * radius_m
    east *= np.cos(np.radians(one.site.latitude_deg))
    bearing = np.radians(one.site.bearing_deg)
    along = (east_north + np.array([east, north])) @ np.array([np.sin(bearing), np.cos(bearing)])
    return place_s, along


def true_knots(one: Opened) -> tuple[Array, ...]:
    knots = []
    for curve in one.truth.wheel_power:
        low, high = curve.speed_mps[0] - 0.2, curve.speed_mps[-1] + 0.2
        knots.append(np.linspace(low, high, max(2, round((high - low) / _KNOT_MPS) + 1)))
    return tuple(knots)


def true_spread(one: Opened, runs: list[RunData], knots: tuple[Array, ...]) -> Spread:
    """Return the noise levels that the session truly has."""
    log, site, phone = one.truth.logs[0], one.site, one.phone
    drive_sd, coast_sd = _vibration(one, runs)
    # by the bands in which the model holds the slope: shorter and longer than 600 m
    waves, long = np.array(site.ripple_slopes), np.array(site.ripple_lengths_m) > 600.0
    known = {
        "fix": log.gps_white_mps,
        "force_drive": drive_sd,
        "force_coast": coast_sd,
        "slow_noise": log.gps_slow_mps,
        "gust": site.gust_sd_mps,
        "wind": site.wind_run_sd_mps,
        "offset_wander": 0.015,  # slow drift of the simulated sensor
        "lag_wander": max(phone.lag_wander_s, 0.005),
        "lag": 0.005,
        "pull": 0.008,  # scatter of the simulated engine from pull to pull
        "slope": max(float(np.sqrt(np.sum(waves[~long] ** 2) / 2.0)), 3e-4),
        "slope_long": max(float(np.sqrt(np.sum(waves[long] ** 2) / 2.0)), 3e-4),
        "bend": _bend(one, knots),
        "scale": 0.0005,
    }
    names = {field.name for field in fields(Spread)}
    return replace(Spread(), **{name: known[name] for name in names & known.keys()})


def _vibration(one: Opened, runs: list[RunData]) -> tuple[float, float]:
    """Return what the accelerometer truly reads beyond the motion, per 0.2 s bin [m/s2]."""
    squares: dict[bool, list[Array]] = {True: [], False: []}
    for data in runs:
        log, path = one.truth.logs[data.run.log], one.truth.paths[data.run.log]
        if log.accel_hz <= 0:
            continue
        path_s = path.time_s - log.path_offset_s
        true = log.accel_scale * path.accel_mps2 + STANDARD_GRAVITY_MPS2 * path.slope
        rest = data.force_mps2 - _forces(data.edge_s, path_s, true)
        good = np.isfinite(rest)
        rest -= np.median(rest[good])
        scaled = rest**2 * np.diff(data.edge_s) / FORCE_BIN_S
        for coasting in (True, False):
            squares[coasting].append(scaled[good & ((data.drive == COAST) == coasting)])
    if not squares[True]:
        return Spread().force_drive, Spread().force_coast
    drive, coast = (np.sqrt(np.mean(np.concatenate(squares[key]))) for key in (False, True))
    return float(drive), float(coast)


def _bend(one: Opened, knots: tuple[Array, ...]) -> float:
    """Return how much the true tractive curves bend, in the measure of the smoothness prior."""
    mass_kg = one.truth.effective_mass_kg
    values = []
    for gear, curve in enumerate(one.truth.wheel_power):
        speed, power = np.array(curve.speed_mps), np.array(curve.power_w)
        basis = hat(speed, knots[gear])
        ridge = 1e-6 * np.eye(knots[gear].size)
        right = basis.T @ (power / speed / mass_kg)
        values.append(np.linalg.solve(basis.T @ basis + ridge, right))
    levels = tuple(max(float(value.mean()), 0.05) for value in values)
    layout = Layout(
        gear_knots_mps=knots, slope_knots_m=np.zeros(0), gravity_share=1.0, gear_level_mps2=levels
    )
    prior = Prior(mean=np.zeros(7), sd=np.ones(7), most_slope=1.0, most_wind_mps=1.0)
    loose, _ = shared_prior_matrix(layout, prior, replace(Spread(), bend=1e6))
    tight, _ = shared_prior_matrix(layout, prior, replace(Spread(), bend=1.0))
    # The prior takes the second derivative for noise from knot to knot, but an engine's keeps its
    # sign over a gear: of n equal values the sum is n, of noise sqrt(n). With their size alone as sd
    # such a curve would be straightened, and the peak at its end be 2 to 3 % too high.
    squares = 0.0
    for gear, value in enumerate(values):
        part = layout.gear(gear)
        squares += float(value @ (tight - loose)[part, part] @ value)
    return float(np.sqrt(max(squares, 1e-4) / max(len(values), 1)))
