"""Wheel power: the session's curve over speed per gear, its peak, and each pull's figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.budget import budget
from analysis.model.covariance import Z95, root
from analysis.model.fit import SessionFit, mean_slope, slope_effect
from analysis.model.leave_one_out import left_out, scatter_factor
from analysis.model.parameters import SPEED_SCALE_MPS, hat, local_slices
from analysis.physics.vehicle import effective_mass_kg
from analysis.runs.run import Phase, Run
from analysis.signals.smoothing import Fused, SpeedCurve
from logger.arrays import Array
from logger.session.session import Vehicle
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = [
    "ROUGH_SHARE",
    "GearCurve",
    "PowerAt",
    "PowerCurve",
    "PullFigures",
    "find_power",
    "find_pulls",
    "pull_figures",
]

#: A peak known within this share (95 %) is a number, one known less well a range.
ROUGH_SHARE = 0.12


@dataclass(frozen=True, slots=True, kw_only=True)
class GearCurve:
    """Wheel power over the speeds that one traction piece covered at full throttle.

    Speeds [m/s] are multiples of 0.25 m/s and the piece's two end speeds; power and sd [W]. The sd
    is the model's own, without the factor for runs that scatter. `slope_effect_w` as in
    `PowerCurve`, at each speed.
    """

    gear: int | None
    speed_mps: Array
    power_w: Array
    sd_w: Array
    slope_effect_w: Array | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerAt:
    """Wheel power at one speed [m/s] in the gear that gives most there: power and its sd [W]."""

    speed_mps: float
    gear: int | None
    power_w: float
    sd_w: float

    @property
    def ci95_w(self) -> tuple[float, float]:
        """The 95 % interval [W]."""
        return self.power_w - Z95 * self.sd_w, self.power_w + Z95 * self.sd_w


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerCurve:
    """The session's wheel power as tested.

    Parameters
    ----------
    gears : tuple of GearCurve
        In order of the traction pieces.
    peak_w, peak_sd_w : float
        Peak wheel power, read where it is surest to be high, and its sd [W].
    peak_ci95_w : (low, high)
        95 % interval [W].
    peak_speed_mps : float
        Where it is reached [m/s].
    budget_w : dict
        Standard deviations [W] of the peak by cause: noise, road_load, lag, mount, mass.
    scatter_factor : float
        By how much the peak's sd was widened because runs scatter more than the model expects; 1 if not.
    lower_bound_below_mps : float or None
        Below this speed tyres may slip, and power is a lower bound [m/s].
    continued_above_mps : float or None
        Above this speed nothing was coasted through, and the road load's curve is continued [m/s].
    peak_slope_effect_w : float or None
        How far the peak is off when the stated mean slope is off by one of its sd [W]: an error that
        sessions on one road have in common. None where not known.
    """

    gears: tuple[GearCurve, ...]
    peak_w: float
    peak_sd_w: float
    peak_ci95_w: tuple[float, float]
    peak_speed_mps: float
    budget_w: dict[str, float]
    scatter_factor: float = 1.0
    lower_bound_below_mps: float | None = None
    continued_above_mps: float | None = None
    peak_slope_effect_w: float | None = None

    @property
    def rough(self) -> bool:
        """Whether a range of the peak says more than a number."""
        return self.peak_ci95_w[1] - self.peak_ci95_w[0] > 2.0 * ROUGH_SHARE * abs(self.peak_w)

    @property
    def top_mps(self) -> float:
        """The highest speed that a gear covered [m/s]; 0 without any."""
        return max(
            (float(gear.speed_mps[-1]) for gear in self.gears if gear.speed_mps.size), default=0.0
        )

    def at(self, speed_mps: float) -> PowerAt | None:
        """Return the power in the gear that gives most at a speed [m/s]; None where none covered it."""
        found = []
        for gear in self.gears:
            if gear.speed_mps.size and gear.speed_mps[0] <= speed_mps <= gear.speed_mps[-1]:
                power_w = float(np.interp(speed_mps, gear.speed_mps, gear.power_w))
                sd_w = float(np.interp(speed_mps, gear.speed_mps, gear.sd_w))
                found.append(
                    PowerAt(speed_mps=speed_mps, gear=gear.gear, power_w=power_w, sd_w=sd_w)
                )
        return max(found, key=lambda one: one.power_w, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class PullFigures:
    """One pull in figures; all SI, times on the recording's clock, `run` counted from 1."""

    log: int
    run: int
    start_s: float
    end_s: float
    from_mps: float
    to_mps: float
    duration_s: float
    duration_sd_s: float
    distance_m: float
    kinetic_mean_power_w: float
    mean_power_w: float
    mean_power_sd_w: float
    peak_power_w: float
    peak_power_sd_w: float
    direction: int | None


_CURVE_STEP_MPS = 0.25
#: The peak is read where the curve less so many of its sd is largest.
_SURE_SD = 1.5
#: Draws from the posterior that show how far the maximum of a noisy curve scatters.
_DRAWS, _SEED = 400, 20260301
#: The steepest fall of acceleration lies about this long after the throttle is let go [s].
_RELEASE_S = 0.15


def _gear_speeds(low: float, high: float) -> Array:
    inside = np.arange(np.ceil(low / _CURVE_STEP_MPS), np.floor(high / _CURVE_STEP_MPS) + 1)
    speeds = np.unique(np.concatenate([[low], inside * _CURVE_STEP_MPS, [high]]))
    return speeds[speeds > 0.0]  # at rest the power is 0 whatever pushes, which needs no interval


def find_power(fit: SessionFit, vehicle: Vehicle) -> PowerCurve | None:
    """Take wheel power out of a session fit.

    P(v) = m_e t(v) v with t the tractive acceleration of a gear. The largest value of a noisy curve is
    too high on average, for it is sought where the error happens to be large: at the ends of gears and
    in short ones. So the peak is read where the curve is surest to be high, at the largest lower bound
    ``P(v) - 1.5 sd(v)``, a choice that wide errors do not win. Its sd is that of the curve there, or
    that of the maxima of curves drawn about the fitted one where they scatter more.

    Parameters
    ----------
    fit : SessionFit
        From `fit_session`.
    vehicle : Vehicle
        Masses with their sd.

    Returns
    -------
    PowerCurve or None
        None without a pull in the fit that covers a range of speeds.
    """
    layout = fit.layout
    if not layout.gear_knots_mps:
        return None
    mass_kg, mass_sd_kg = effective_mass_kg(vehicle)
    mass_share = mass_sd_kg / mass_kg
    off = slope_effect(fit)
    curves, rows = [], []
    for gear in range(len(layout.gear_knots_mps)):
        speed_mps = _covered_speeds(fit, gear)
        if not speed_mps.size:
            continue
        to_power = np.zeros((speed_mps.size, layout.size))
        basis = hat(speed_mps, layout.gear_knots_mps[gear])
        to_power[:, layout.gear(gear)] = basis * (mass_kg * speed_mps)[:, None]
        power_w = to_power @ fit.shared
        variance = np.einsum("ij,jk,ik->i", to_power, fit.covariance, to_power)
        curves.append(
            GearCurve(
                gear=gear + 1,
                speed_mps=speed_mps,
                power_w=power_w,
                sd_w=np.sqrt(variance + (mass_share * power_w) ** 2),
                slope_effect_w=to_power @ off,
            )
        )
        rows.append(to_power)
    if not rows:  # no pull covered a range of speeds
        return None
    every, all_speeds = np.concatenate(rows), np.concatenate([c.speed_mps for c in curves])
    mean = every @ fit.shared
    own_sd = np.sqrt(np.einsum("ij,jk,ik->i", every, fit.covariance, every))
    top = int(np.argmax(mean - _SURE_SD * own_sd))
    peak = float(mean[top])
    scatter = scatter_factor(fit, left_out(fit), every[top])
    # which of several uncertain values is the largest is chance too
    highest_sd = max(float(_maxima(mean, every, fit.covariance).std()), float(own_sd[top]))
    sd, parts = _peak_sd(fit, every[top], highest_sd, scatter, mass_share * abs(peak))
    return PowerCurve(
        gears=tuple(curves),
        peak_w=peak,
        peak_sd_w=sd,
        peak_ci95_w=(peak - Z95 * sd, peak + Z95 * sd),
        peak_speed_mps=float(all_speeds[top]),
        budget_w=parts,
        scatter_factor=scatter,
        peak_slope_effect_w=float(every[top] @ off),
    )


def _covered_speeds(fit: SessionFit, gear: int) -> Array:
    """Return the curve's speeds over what the pulls covered in a gear [m/s]; empty if nothing."""
    low, high = np.inf, -np.inf
    for state in fit.states:
        here = state.data.drive == gear
        if here.any():
            low = min(low, float(state.path_mps[:-1][here].min()))
            high = max(high, float(state.path_mps[1:][here].max()))
    return _gear_speeds(low, high) if low < high else np.zeros(0)


def _peak_sd(
    fit: SessionFit, to_peak: Array, highest_sd: float, scatter: float, mass_sd: float
) -> tuple[float, dict[str, float]]:
    """Return the sd of the peak [W] and what it consists of, squares adding up."""
    parts = budget(fit, to_peak)
    road = _road_load_part(fit, to_peak)
    parts["road_load"] = float(np.sqrt(parts.pop("wind") ** 2 + parts.pop("slope") ** 2 + road**2))
    parts = {name: scatter * value for name, value in parts.items()}
    parts["mass"] = mass_sd
    sd = float(np.hypot(scatter * highest_sd, parts["mass"]))
    # the noise of the curve moves the place of the peak as well: it is what the rest leaves
    known = sum(value**2 for name, value in parts.items() if name != "noise")
    least = 0.1 * highest_sd
    parts["noise"] = float(np.sqrt(max(sd**2 - known, least**2)))
    total = float(np.sqrt(sum(value**2 for value in parts.values())))
    return sd, {name: value * sd / total for name, value in parts.items()}


def _maxima(mean: Array, rows: Array, covariance: Array) -> Array:
    """Return the maxima of curves drawn about `mean`, shape (draws,)."""
    normal = np.random.default_rng(_SEED).standard_normal((_DRAWS, len(covariance)))
    return np.asarray((mean + normal @ (rows @ root(covariance)).T).max(axis=1))


def _road_load_part(fit: SessionFit, weights: Array) -> float:
    """Return the sd that the resistance coefficients' uncertainty puts on `weights @ shared`."""
    cov = fit.covariance
    block = cov[:3, :3]
    cross = cov[:3] @ weights
    return float(np.sqrt(max(float(cross @ np.linalg.solve(block, cross)), 0.0)))


def _pull_edges_s(pull: Phase, curve: SpeedCurve) -> tuple[float, float]:
    """Return launch and release of a pull [s].

    Launch from standstill: half-way between the last rest and where the line through the curve at
    1.5 and 3 m/s meets zero speed.
    Release: half the time that the fall of acceleration is spread over before its steepest point.
    """
    start_s = pull.start_s
    inside = (curve.time_s >= pull.start_s) & (curve.time_s <= pull.end_s)
    t, v = curve.time_s[inside], curve.speed_mps[inside]
    if pull.from_mps < 1.0 and v.size > 3 and v.max() > 3.5:
        first = int(np.argmax(v >= 1.5))
        later = int(np.argmax(v >= 3.0))
        if later > first and t[later] > t[first]:
            zero_s = t[first] - v[first] * (t[later] - t[first]) / (v[later] - v[first])
            # the clutch takes up slowly, so that the line comes late and the last rest early
            start_s = 0.5 * (pull.start_s + float(np.clip(zero_s, pull.start_s, t[first])))
    return start_s, max(pull.end_s - _RELEASE_S, start_s + 0.5)


def pull_figures(
    run: Run, pull: Phase, curve: SpeedCurve, fit: SessionFit, power: PowerCurve, vehicle: Vehicle
) -> PullFigures:
    """Work out one pull's own figures, gear changes included.

    Mean wheel power is the wheel energy over the duration: the gain of kinetic energy with the
    rotating mass, plus what air, tyres and slope took on the way.

    Parameters
    ----------
    run, pull : Run, Phase
        The pull and its run.
    curve : SpeedCurve
        The recording's curve.
    fit, power : SessionFit, PowerCurve
        The session's results.
    vehicle : Vehicle
        Masses with their sd.

    Returns
    -------
    PullFigures
        With the sd of mean and peak power.
    """
    start_s, end_s = _pull_edges_s(pull, curve)
    inside = (curve.time_s >= start_s) & (curve.time_s <= end_s)
    t, v = curve.time_s[inside], np.maximum(curve.speed_mps[inside], 0.0)
    duration = end_s - start_s
    state = next((s for s in fit.states if s.data.run.number == run.number), None)
    own_wind = deviation = 0.0
    if state is not None:
        own = local_slices(state.data)
        own_wind = float(state.local[own["wind"]][0])
        if own["pull"].stop > own["pull"].start:
            deviation = float(state.local[own["pull"]][0])
    d = run.direction or 1
    air = v + d * (fit.shared[fit.layout.WIND] + own_wind)
    basis = np.column_stack(
        [np.ones_like(v), v / SPEED_SCALE_MPS, air * np.abs(air) / SPEED_SCALE_MPS**2]
    )
    mass_kg, mass_sd_kg = effective_mass_kg(vehicle)
    resist_n = mass_kg * basis @ fit.shared[:3]
    slope_n = d * vehicle.mass_kg * STANDARD_GRAVITY_MPS2 * mean_slope(fit)[0]
    start, end = float(v[0]), float(v[-1])
    lost_j = float(np.trapezoid((resist_n + slope_n) * v, t))
    kinetic_j = 0.5 * (end**2 - start**2)
    mean_w = (mass_kg * kinetic_j + lost_j) / duration
    mass_share = mass_sd_kg / mass_kg
    end_sd = float(curve.speed_sd_mps[inside][-1])
    step = float(np.median(np.diff(t))) if t.size > 1 else 0.1
    duration_sd = float(np.hypot(1.5 * step, 0.2))
    resist_sd = mass_kg * float(
        np.sqrt(np.mean(np.einsum("ij,jk,ik->i", basis, fit.covariance[:3, :3], basis)))
    )
    mean_sd = float(
        np.sqrt(
            (mass_share * mean_w) ** 2
            + (mass_kg * end * end_sd / duration) ** 2
            + (mean_w * duration_sd / duration) ** 2
            + (resist_sd * float(v.mean())) ** 2
        )
    )
    return PullFigures(
        log=run.log,
        run=run.number + 1,
        start_s=start_s,
        end_s=end_s,
        from_mps=start,
        to_mps=end,
        duration_s=duration,
        duration_sd_s=duration_sd,
        distance_m=float(np.trapezoid(v, t)),
        kinetic_mean_power_w=vehicle.mass_kg * kinetic_j / duration,
        mean_power_w=mean_w,
        mean_power_sd_w=mean_sd,
        peak_power_w=power.peak_w * (1.0 + deviation),
        peak_power_sd_w=float(np.hypot(power.peak_sd_w, fit.spread.pull * power.peak_w)),
        direction=run.direction,
    )


def find_pulls(
    runs: Sequence[Run],
    fused: Sequence[Fused],
    fit: SessionFit,
    power: PowerCurve | None,
    vehicle: Vehicle,
) -> tuple[PullFigures, ...]:
    """Return the figures of every used pull; none without a wheel power."""
    figures = []
    for run in runs:
        pull, curve = run.phase("pull"), fused[run.log].curve
        if pull is None or not pull.used or power is None or curve is None:
            continue
        figures.append(pull_figures(run, pull, curve, fit, power, vehicle))
    return tuple(figures)
