"""Road load `R(v) = F0 + F1 v + F2 v^2` with its covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.model.budget import budget
from analysis.model.covariance import Z95
from analysis.model.fit import SessionFit, bump_rms, resistance_n, slope_effect
from analysis.model.leave_one_out import left_out, scatter_factor
from analysis.physics.vehicle import effective_mass_kg
from analysis.results.checks.plain_fit import plain_fit
from logger.session.session import Vehicle

__all__ = [
    "MOST_SIGMA",
    "PlainLoad",
    "ReferenceRoadLoad",
    "RoadLoad",
    "RoadLoadAt",
    "find_road_load",
    "why_narrow",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceRoadLoad:
    """The same road load carried over to reference air; None in an `Analysis` without `[air]`.

    Temperature [C], pressure [kPa], the coefficients [N, N/(m/s), N/(m/s)^2] there, and their
    covariance, in which the carrying over has its share.
    """

    temperature_c: float
    pressure_kpa: float
    f0_n: float
    f1_n_per_mps: float
    f2_n_per_mps2: float
    covariance: NDArray[np.float64] | None = None

    @property
    def coefficients(self) -> tuple[float, float, float]:
        """F0, F1 and F2."""
        return self.f0_n, self.f1_n_per_mps, self.f2_n_per_mps2

    @property
    def coefficient_sds(self) -> tuple[float, ...] | None:
        """Their standard deviations; None where not known."""
        return (
            None if self.covariance is None else tuple((self.covariance.diagonal() ** 0.5).tolist())
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadLoadAt:
    """The road load at one speed [m/s]: force and its sd [N]."""

    speed_mps: float
    force_n: float
    sd_n: float

    @property
    def ci95_n(self) -> tuple[float, float]:
        """The 95 % interval [N]."""
        return self.force_n - Z95 * self.sd_n, self.force_n + Z95 * self.sd_n

    @property
    def holding_w(self) -> float:
        """The power at the wheels that holds this speed, force times speed [W]."""
        return self.force_n * self.speed_mps

    @property
    def holding_sd_w(self) -> float:
        """Its sd [W]: the speed is a given one."""
        return self.sd_n * self.speed_mps

    @property
    def holding_ci95_w(self) -> tuple[float, float]:
        """Its 95 % interval [W]."""
        low, high = self.ci95_n
        return low * self.speed_mps, high * self.speed_mps


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainLoad:
    """A plain fit of the coast-downs: coefficients [N, ...], covariance by its own residual [m/s].

    `sigma`: at most so many sd, of what wind, slope and noise allow, from the session's road load.
    """

    coefficients: tuple[float, float, float]
    covariance: NDArray[np.float64]
    residual_mps: float
    sigma: float

    def force_n(self, speed_mps: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return its `R(v)` [N] at speeds of any shape [m/s]."""
        f0, f1, f2 = self.coefficients
        return f0 + f1 * speed_mps + f2 * speed_mps**2


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadLoad:
    """Resistance in neutral, level road, still air, air of the day.

    Parameters
    ----------
    f0_n, f1_n_per_mps, f2_n_per_mps2 : float
        Coefficients of `R(v)` [N, N/(m/s), N/(m/s)^2].
    covariance : array of shape (3, 3)
        Of the three, in that order; everything known is in it.
    speed_range_mps : (low, high)
        Speeds that used coast-downs covered [m/s].
    separable : bool
        False when the range is too narrow to tell the coefficients apart; only the curve holds then.
    why_not_separable : str or None
        The reason in plain words.
    budget_n : dict
        Standard deviations [N] at `budget_speed_mps` by cause: noise, wind, slope, lag, mount, mass.
    budget_speed_mps : float
        100 km/h or the nearest covered speed [m/s].
    scatter_factor : float
        By how much the sd were widened because runs scatter more than the model says; 1 if not.
    slope_effect : array of shape (3,) or None
        How far the coefficients are off when the stated mean slope is off by one of its sd: an error
        that sessions on one road have in common. None where not known.
    plain : PlainLoad or None
        A plain fit of the same coast-downs, without prior, wind, slope and accelerometer.
    """

    f0_n: float
    f1_n_per_mps: float
    f2_n_per_mps2: float
    covariance: NDArray[np.float64]
    speed_range_mps: tuple[float, float]
    separable: bool
    why_not_separable: str | None
    budget_n: dict[str, float]
    budget_speed_mps: float
    scatter_factor: float = 1.0
    slope_effect: NDArray[np.float64] | None = None
    plain: PlainLoad | None = None

    @property
    def coefficients(self) -> tuple[float, float, float]:
        """F0, F1 and F2."""
        return self.f0_n, self.f1_n_per_mps, self.f2_n_per_mps2

    @property
    def coefficient_sds(self) -> tuple[float, ...]:
        """Their standard deviations."""
        return tuple((self.covariance.diagonal() ** 0.5).tolist())

    def force_n(self, speed_mps: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return `R(v)` [N] at speeds of any shape [m/s]."""
        return self.f0_n + self.f1_n_per_mps * speed_mps + self.f2_n_per_mps2 * speed_mps**2

    def force_sd_n(self, speed_mps: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the standard deviation of `R(v)` [N] at speeds of shape (n,) [m/s]."""
        basis = np.stack([np.ones_like(speed_mps), speed_mps, speed_mps**2], axis=-1)
        variance = np.einsum("...i,ij,...j->...", basis, self.covariance, basis)
        return np.asarray(np.sqrt(variance), dtype=np.float64)

    def at(self, speed_mps: float) -> RoadLoadAt:
        """Return force and sd at one speed [m/s]."""
        speed = np.array([speed_mps])
        force, sd = float(self.force_n(speed)[0]), float(self.force_sd_n(speed)[0])
        return RoadLoadAt(speed_mps=speed_mps, force_n=force, sd_n=sd)

    @property
    def headline(self) -> RoadLoadAt:
        """The road load at the speed of its budget: 100 km/h or the nearest covered."""
        return self.at(self.budget_speed_mps)

    def curve_speeds_mps(self, step_mps: float = 0.5) -> NDArray[np.float64]:
        """Return the multiples of `step_mps` inside the covered speeds [m/s]."""
        low, high = self.speed_range_mps
        first, last = np.ceil(low / step_mps - 1e-9), np.floor(high / step_mps + 1e-9)
        return np.arange(first, last + 1) * step_mps


#: Coast-downs must span this ratio of speeds, and this many m/s, to tell F0, F1 and F2 apart.
_LEAST_RATIO, _LEAST_SPAN_MPS = 1.8, 8.0
_MOTORWAY_MPS = 100.0 / 3.6
#: The plain fit of the coast-downs differs from the model's by more than this many sd of what wind, slope
#: and noise allow in one session of a thousand.
MOST_SIGMA = 3.5


def why_narrow(speed_range_mps: tuple[float, float]) -> str | None:
    """Say why coast-downs over these speeds (low, high) [m/s] cannot tell F0, F1 and F2 apart.

    None where they can.
    """
    low, high = speed_range_mps
    if high >= _LEAST_RATIO * low and high - low >= _LEAST_SPAN_MPS:
        return None
    return (
        f"the coast-downs cover only {3.6 * low:.0f} to {3.6 * high:.0f} km/h, too narrow to tell "
        "F0, F1 and F2 apart; coast down from high speed to 35 km/h or less"
    )


def find_road_load(
    fit: SessionFit, vehicle: Vehicle, speed_range_mps: tuple[float, float]
) -> RoadLoad:
    """Take the road load out of a session fit, with the masses' uncertainty.

    Everything in the fit is an acceleration; forces are m_e times it, so that the relative
    uncertainty of m_e = m + m_r adds in square to every force.

    Parameters
    ----------
    fit : SessionFit
        From `fit_session`.
    vehicle : Vehicle
        Masses with their sd.
    speed_range_mps : (low, high)
        Speeds that used coast-downs covered [m/s].

    Returns
    -------
    RoadLoad
        `separable` False where the speeds are too narrow for three coefficients.
    """
    mass_kg, mass_sd_kg = effective_mass_kg(vehicle)
    mass_share = mass_sd_kg / mass_kg
    force, covariance = resistance_n(fit, mass_kg)
    low, high = speed_range_mps
    judged = np.zeros((3, fit.layout.size))
    judged[:, :3] = (np.array([low, 0.5 * (low + high), high])[:, None] / 30.0) ** np.arange(3)
    scatter = scatter_factor(fit, left_out(fit), judged)
    plain, further = _beside_plain(fit, mass_kg, judged)
    scatter = max(scatter, further)
    misfit_n = mass_kg * bump_rms(fit)
    covariance = covariance * scatter**2 + np.diag([misfit_n**2, 0.0, 0.0])
    covariance = covariance + np.outer(force, force) * mass_share**2
    at_mps = float(np.clip(_MOTORWAY_MPS, low, high))
    weights = np.zeros(fit.layout.size)
    weights[:3] = mass_kg * np.array([1.0, at_mps / 30.0, (at_mps / 30.0) ** 2])
    parts = {name: scatter * sd for name, sd in budget(fit, weights).items()}
    parts["noise"] = float(np.hypot(parts["noise"], misfit_n))
    parts["mass"] = mass_share * abs(float(weights @ fit.shared))
    why = why_narrow(speed_range_mps)
    return RoadLoad(
        f0_n=float(force[0]),
        f1_n_per_mps=float(force[1]),
        f2_n_per_mps2=float(force[2]),
        covariance=covariance,
        speed_range_mps=(low, high),
        separable=why is None,
        why_not_separable=why,
        budget_n=parts,
        budget_speed_mps=at_mps,
        scatter_factor=scatter,
        slope_effect=mass_kg * slope_effect(fit)[:3] / np.array([1.0, 30.0, 900.0]),
        plain=plain,
    )


def _beside_plain(
    fit: SessionFit, mass_kg: float, rows: NDArray[np.float64]
) -> tuple[PlainLoad | None, float]:
    """Return the plain fit, and the factor by which the model's sd must grow to reach it where it differs.

    `rows` are the speeds judged, in the model's unknowns. The interval then reaches as far as what wind,
    slope and noise leave of the difference.
    """
    found = plain_fit(fit)
    if found is None:
        return None, 1.0
    basis = rows[:, :3]
    away = np.abs(basis @ (found.resistance - fit.shared[:3] - found.shift))
    allowed = np.sqrt(np.einsum("ij,jk,ik->i", basis, found.expected, basis))
    sigma = float(np.max(away / allowed))
    factor = mass_kg / np.array([1.0, 30.0, 900.0])
    f0, f1, f2 = (found.resistance * factor).tolist()
    plain = PlainLoad(
        coefficients=(f0, f1, f2),
        covariance=found.covariance * np.outer(factor, factor),
        residual_mps=found.residual_mps,
        sigma=sigma,
    )
    if sigma <= MOST_SIGMA:
        return plain, 1.0
    own = np.sqrt(np.einsum("ij,jk,ik->i", rows, fit.covariance, rows))
    return plain, max(1.0, float(np.max((away - Z95 * allowed) / (Z95 * own))))
