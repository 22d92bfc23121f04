"""Site and sensors as the fit found them, and what it leaves unexplained."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.model.fit import SessionFit, mean_slope
from analysis.model.normal_equations import run_covariance
from analysis.model.observations import COAST, FREE
from analysis.model.parameters import SPEED_SCALE_MPS, hat, local_slices
from analysis.runs.run import Run
from analysis.signals.smoothing import Fused
from logger.arrays import Array
from logger.findings import Finding
from logger.recording import Recording

__all__ = [
    "RunResiduals",
    "SensorState",
    "SiteState",
    "coast_forces",
    "coast_speed_range",
    "engine_turns",
    "residuals",
    "scatter_findings",
    "sensor_state",
    "site_state",
]

#: Receivers' lags wander by this much over a drive even when pulls do not show it [s].
_LAG_WANDER_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteState:
    """Wind (positive against "up") and mean slope found; `separable` False with one direction only.

    slope_profile_place_m, slope_profile, slope_profile_sd: along-road places [m], slope (ratio) and
    sd there; empty when the runs could not be placed on one road.
    """

    wind_mps: float
    wind_sd_mps: float
    slope: float
    slope_sd: float
    separable: bool
    slope_profile_place_m: Array
    slope_profile: Array
    slope_profile_sd: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorState:
    """What one recording's sensors turned out to be; None where unknown."""

    log: int
    gps_rate_hz: float | None
    gps_lag_s: float | None
    gps_lag_sd_s: float | None
    accel_rate_hz: float | None
    accel_scale: float | None
    accel_used: bool
    why_not: str | None
    gps_noise_mps: float | None = None
    accel_noise_mps2: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResiduals:
    """What the session model leaves unexplained in one run: GPS speed minus model [m/s]."""

    run: int
    log: int
    direction: int | None
    time_s: Array
    speed_mps: Array
    residual_mps: Array
    phase: tuple[str, ...]


def site_state(fit: SessionFit, runs: Sequence[Run]) -> tuple[SiteState, tuple[Finding, ...]]:
    """Return wind and slope with their sd, and whether both directions were driven to separate them.

    Parameters
    ----------
    fit : SessionFit
        The session's fit.
    runs : sequence of Run
        All runs; those in the fit count.
    """
    layout, cov = fit.layout, fit.covariance
    ways = {state.data.direction for state in fit.states}
    slope, slope_sd = mean_slope(fit)
    knots = layout.slope_knots_m
    rows = np.zeros((knots.size, layout.size))
    rows[:, layout.SLOPE] = 1.0
    rows[:, layout.slope] = np.eye(knots.size)
    profile_sd = np.sqrt(np.einsum("ij,jk,ik->i", rows, cov, rows))
    state = SiteState(
        wind_mps=float(fit.shared[layout.WIND]),
        wind_sd_mps=float(np.sqrt(cov[layout.WIND, layout.WIND])),
        slope=slope,
        slope_sd=slope_sd,
        separable=len(ways) > 1,
        slope_profile_place_m=knots,
        slope_profile=rows @ fit.shared,
        slope_profile_sd=profile_sd,
    )
    if len(ways) > 1:
        return state, ()
    which = (
        f"All {len(fit.states)} used runs count as of one way"
        if len(fit.states) > 1
        else "The only used run went one way"
    )
    text = (
        f"{which}, so slope and wind cannot be told from "
        "rolling resistance and drag; the intervals are as wide as what [site] leaves open. Drive the "
        "other way too."
    )
    return state, (
        Finding(kind="one_direction", severity="warning", text=text, count=len(fit.states)),
    )


def scatter_findings(load_factor: float, power_factor: float) -> tuple[Finding, ...]:
    """Return a warning for each result whose runs scatter more than the model explains.

    Parameters
    ----------
    load_factor, power_factor : float
        Factors on the sd of road load and peak power; 1 where nothing was widened.
    """
    findings = []
    for factor, what in ((load_factor, "road load"), (power_factor, "peak wheel power")):
        if factor > 1.0:
            text = (
                f"Leaving out one run at a time moves the {what} {factor:.1f} times as far as noise, "
                "wind and slope explain: something differed between runs (tyres warming up, throttle, "
                "traffic). Its interval was widened by that factor."
            )
            findings.append(Finding(kind="runs_scatter", severity="warning", text=text))
    return tuple(findings)


def sensor_state(fused: Fused, log: int, fit: SessionFit) -> SensorState:
    """Return what one recording's sensors turned out to be.

    Parameters
    ----------
    fused : Fused
        The recording's curve and signals.
    log : int
        Its index.
    fit : SessionFit
        Lag and scale are its own where it has a run of this recording.
    """
    lag: float | None = fused.lag_s if fused.mount.used else None
    lag_sd: float | None = fused.lag_sd_s if fused.mount.used else None
    scale = gps_noise = accel_noise = None
    mine = [
        (state, normal)
        for state, normal in zip(fit.states, fit.normals, strict=True)
        if state.data.run.log == log
    ]
    if np.isfinite(fused.fix_sd_mps):
        gps_noise = fused.fix_sd_mps
    if mine:
        gps_noise = float(np.hypot(fit.spread.fix, fit.spread.slow_noise))
        if fused.mount.used:
            p = fit.layout.size
            lags, variances, scales = [], [], []
            for state, normal in mine:
                own = local_slices(state.data)
                cov = run_covariance(normal, fit.covariance)
                at = own["lag"].start
                lags.append(state.data.lag_s + float(state.local[at]))
                variances.append(float(cov[p + at, p + at]))
                scales.append(float(state.local[own["scale"].start]))
            weight = 1.0 / np.array(variances)
            lag = float(np.average(lags, weights=weight))
            # the lag shows only while speed changes fast; how far it wanders elsewhere is not seen
            wander = max(fit.spread.lag_wander, _LAG_WANDER_S)
            lag_sd = float(np.hypot(1.0 / np.sqrt(weight.sum()), wander))
            scale = 1.0 + float(fit.shared[fit.layout.SCALE]) + float(np.mean(scales))
            accel_noise = fit.spread.force_coast
    return SensorState(
        log=log,
        gps_rate_hz=fused.fixes.rate_hz,
        gps_lag_s=lag,
        gps_lag_sd_s=lag_sd,
        accel_rate_hz=fused.mount.rate_hz,
        accel_scale=scale,
        accel_used=fused.mount.used,
        why_not=fused.mount.why_not,
        gps_noise_mps=gps_noise,
        accel_noise_mps2=accel_noise,
    )


def residuals(fit: SessionFit) -> tuple[RunResiduals, ...]:
    """Return GPS speed minus model per run, slow noise included in the residual."""
    result = []
    for state, lin in zip(fit.states, fit.lins, strict=True):
        data = state.data
        own = local_slices(data)
        start = fit.layout.size + own["slow_noise"].start
        stop = fit.layout.size + own["slow_noise"].stop
        slow = lin.fix_rows[:, start:stop] @ state.local[own["slow_noise"]]
        moment = data.fix_s - data.lag_s
        at = np.clip(np.searchsorted(data.edge_s, moment) - 1, 0, data.drive.size - 1)
        names = {COAST: "coast", FREE: "other"}
        phase = tuple(names.get(int(code), "pull") for code in data.drive[at])
        result.append(
            RunResiduals(
                run=data.run.number,
                log=data.run.log,
                direction=data.run.direction,
                time_s=moment,
                speed_mps=np.interp(moment, data.edge_s, lin.path_mps),
                residual_mps=lin.fix_miss + slow,
                phase=phase,
            )
        )
    return tuple(result)


def coast_speed_range(fit: SessionFit) -> tuple[float, float] | None:
    """Return the lowest and highest speed that used coast-downs covered [m/s]."""
    low, high = np.inf, -np.inf
    for state, lin in zip(fit.states, fit.lins, strict=True):
        coasting = state.data.drive == COAST
        if coasting.any():
            low = min(low, float(lin.path_mps[1:][coasting].min()))
            high = max(high, float(lin.path_mps[:-1][coasting].max()))
    return (low, high) if low < high else None


def coast_forces(fit: SessionFit, effective_mass_kg: float, per_run: int = 24) -> Array:
    """Return the resistance that each stretch of coast-down shows, for the plot beside the curve.

    The force that the fit assigns (gusts, slope and wind taken out) plus what the accelerometer reads
    beyond it, averaged over stretches of equal loss of speed.

    Parameters
    ----------
    fit : SessionFit
        The session's fit.
    effective_mass_kg : float
        m + m_r [kg].
    per_run : int
        Points per run at most.

    Returns
    -------
    array of shape (n, 3)
        Run number, speed [m/s], still-air level-road force [N].
    """
    points = [np.zeros((0, 3))]
    r0, r1, r2 = fit.shared[fit.layout.RESISTANCE]
    for state, lin in zip(fit.states, fit.lins, strict=True):
        data = state.data
        coasting = np.flatnonzero(data.drive == COAST)
        if coasting.size < 4:
            continue
        own = local_slices(data)
        edge = data.edge_s
        mid_speed = 0.5 * (lin.path_mps[1:] + lin.path_mps[:-1])
        level = -(r0 + r1 * mid_speed / SPEED_SCALE_MPS + r2 * (mid_speed / SPEED_SCALE_MPS) ** 2)
        gust = _gust_accel(state.local[own["gust"]], data.edge_s, mid_speed, r2)
        extra = np.zeros(mid_speed.size)
        if lin.force_bins.size:
            scale = 1.0 + float(fit.shared[fit.layout.SCALE]) + float(state.local[own["scale"]][0])
            extra[lin.force_bins] = lin.force_miss / scale
        force = -effective_mass_kg * (level + gust + extra)
        groups = np.array_split(coasting, min(per_run, max(1, coasting.size // 4)))
        dt = np.diff(edge)
        points.append(
            np.array(
                [
                    [
                        data.run.number,
                        np.average(mid_speed[g], weights=dt[g]),
                        np.average(force[g], weights=dt[g]),
                    ]
                    for g in groups
                ]
            )
        )
    return np.concatenate(points)


def _gust_accel(gust: Array, edge_s: Array, speed_mps: Array, r2: float) -> Array:
    """Return the acceleration that the fitted gusts give each bin [m/s2]."""
    knots = np.linspace(edge_s[0], edge_s[-1], gust.size)
    wind = hat(0.5 * (edge_s[1:] + edge_s[:-1]), knots) @ gust
    return np.asarray(-2.0 * r2 * speed_mps * wind / SPEED_SCALE_MPS**2)


def engine_turns(
    fit: SessionFit, recordings: Sequence[Recording]
) -> Iterator[tuple[NDArray[np.int_], Array, Array]]:
    """Give what drives, the speed and the engine speed in the bins of each run that has one.

    Parameters
    ----------
    fit : SessionFit
        For the runs' speeds and gears.
    recordings : sequence of Recording
        Those with a channel ``engine_speed_rpm`` count; its clock must be the first one.

    Yields
    ------
    (drive, speed_mps, engine_rpm)
        Of each bin: `RunData.drive`, speed in its middle [m/s], engine speed there [1/min], nan where
        the channel does not reach.
    """
    for state, lin in zip(fit.states, fit.lins, strict=True):
        data = state.data
        rpm = recordings[data.run.log].channel("engine_speed_rpm")
        if rpm is None or rpm.clock != 0 or rpm.t_s.size < 2:
            continue
        middle = 0.5 * (data.edge_s[1:] + data.edge_s[:-1])
        speed = 0.5 * (lin.path_mps[1:] + lin.path_mps[:-1])
        yield data.drive, speed, np.interp(middle, rpm.t_s, rpm.values, left=np.nan, right=np.nan)
