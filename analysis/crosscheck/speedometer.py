"""What explains timed intervals that differ from their prediction.

How much of it is the speedometer, how much the reaction, which gate is wrong; and which one cause
explains all of them best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.crosscheck.gate_ways import Predicted
from logger.arrays import Array

__all__ = [
    "WRONG_SIGMA",
    "Cause",
    "SpeedometerFit",
    "best_cause",
    "find_causes",
    "fit_speedometer",
]


#: What speedometers show over the truth: 0 to 8 % high, hardly ever low. UN Regulation No. 39, 5.3:
#: the speed shown is never less than the true one, and more by at most 10 % + 4 km/h. Middle of the
#: prior, and its sd above and below it (our choice within that rule).
_SCALE_MIDDLE, _SCALE_SD_ABOVE, _SCALE_SD_BELOW = 0.02, 0.03, 0.015
#: Reaction time that all times have in common [s]; common practice, no source.
_REACTION_SD_S = 0.2
#: Beyond this many sigma an interval is wrong by itself.
WRONG_SIGMA = 3.5
#: A speedometer that reads high is shown beyond this many sigma, one that reads low beyond the second:
#: approval allows none (larger tyres may make one).
_HIGH_SIGMA, _LOW_SIGMA = 2.0, 3.0

#: How much another hour's wind and another start on the same road may differ from the session's.
_OTHER_WIND_SD_MPS, _OTHER_SLOPE_SD = 1.0, 0.0015
#: A later cause is preferred only where chi-square falls by more than this: two sigma.
_CLEARLY = 4.0
_SCALES = np.linspace(-0.08, 0.16, 97)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedometerFit:
    """Speedometer scale and reaction from timed intervals.

    Parameters
    ----------
    scale, reaction_s : float
        Shown over true speed; what the timing adds to every time [s].
    covariance : array of shape (2, 2)
        Of both, prior of real speedometers included.
    shown_by_times : bool
        Whether the times alone, without that prior, show the scale to be off.
    z : array of shape (n,)
        What is left of each interval over its sd.
    odd : tuple of bool
        Which intervals disagree with all others and were left out.
    """

    scale: float
    reaction_s: float
    covariance: Array
    shown_by_times: bool
    z: Array
    odd: tuple[bool, ...]


def _scale_prior(log_scale: float) -> tuple[float, float]:
    """Return middle and sd of the prior of the logarithm of the scale on this side of its middle."""
    above = log_scale >= _SCALE_MIDDLE
    return _SCALE_MIDDLE, _SCALE_SD_ABOVE if above else _SCALE_SD_BELOW


def fit_speedometer(predicted: Predicted, timed_s: Array, noise_s2: Array) -> SpeedometerFit:
    """Estimate scale and reaction from all intervals but those that disagree with the rest.

    Parameters
    ----------
    predicted : Predicted
        Of the same intervals.
    timed_s : array of shape (n,)
        As timed [s].
    noise_s2 : array of shape (n, n)
        Covariance of timed minus predicted: errors of timing, and all that the session leaves open of
        road, wind and direction, so that these are tried before a speedometer is blamed [s2].
    """
    count = timed_s.size

    def solve(kept: NDArray[np.bool_]) -> tuple[Array, Array, Array, bool]:
        """Return log scale and reaction, their covariance, z of every run, and if times show it."""
        x = np.array([0.0, 0.0])
        inverse = np.linalg.inv(noise_s2[np.ix_(kept, kept)])
        reaction = np.diag([0.0, 1.0 / _REACTION_SD_S**2])
        for _ in range(8):
            now, more, less = (
                predicted.at_scale(float(np.exp(x[0] + step))) for step in (0.0, 0.005, -0.005)
            )
            # timed = t(gates / scale) + reaction, linear in log scale and reaction
            rows = np.column_stack([(more - less) / 0.01, np.ones(count)])
            rows = np.where(np.isfinite(rows), rows, 0.0)
            rest = np.where(np.isfinite(now), timed_s - now - x[1], 0.0)
            middle, sd = _scale_prior(float(x[0]))
            prior = reaction + np.diag([1.0 / sd**2, 0.0])
            # (J' N^-1 J + P) step = J' N^-1 rest - P (x - x0)
            data = rows[kept].T @ inverse @ rows[kept]
            right = rows[kept].T @ inverse @ rest[kept]
            step = np.linalg.solve(data + prior, right - prior @ (x - np.array([middle, 0.0])))
            x = x + np.clip(step, -0.1, 0.1)
            if float(np.abs(step).max()) < 1e-5:
                break
        covariance = np.linalg.inv(data + prior)
        # without the prior of the scale, about the same point
        alone = data + reaction + np.diag([1e-6, 0.0])
        free = np.linalg.solve(alone, right + data @ x)
        z_free = float(free[0] / np.sqrt(np.linalg.inv(alone)[0, 0]))
        shown = z_free > _HIGH_SIGMA or z_free < -_LOW_SIGMA
        # variance of each residual: N + J C J'
        spread = np.sqrt(np.diag(noise_s2) + np.einsum("ij,jk,ik->i", rows, covariance, rows))
        rest = timed_s - predicted.at_scale(float(np.exp(x[0]))) - x[1]
        return x, covariance, np.where(np.isfinite(rest), rest / spread, 0.0), shown

    good = np.ones(count, dtype=bool)
    while good.sum() > 2 and (~good).sum() < count // 3:
        left_out = np.zeros(count)
        for at in np.flatnonzero(good):
            without = good.copy()
            without[at] = False
            _, _, z, _ = solve(without)
            # what remains must fit without it, or nothing is shown about this one
            left_out[at] = abs(z[at]) / max(1.0, float(np.sqrt(np.mean(z[without] ** 2))))
        worst = int(np.argmax(left_out))
        if left_out[worst] < WRONG_SIGMA:
            break
        good[worst] = False
    x, covariance, z, shown = solve(good)
    scale = float(np.exp(x[0]))
    return SpeedometerFit(
        scale=scale,
        reaction_s=float(x[1]),
        covariance=covariance * np.outer([scale, 1.0], [scale, 1.0]),
        shown_by_times=shown,
        z=z,
        odd=tuple(bool(v) for v in ~good),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One explanation of all timed intervals together.

    Parameters
    ----------
    name : str
        "as predicted", "driven up", "driven down", "other wind or slope", "reaction", "speedometer".
    misfit : float
        What it leaves unexplained, with what it costs to believe it: root mean square over the
        intervals, in standard deviations.
    rest_s : array of shape (n,)
        Timed less explained [s].
    """

    name: str
    misfit: float
    rest_s: Array


def find_causes(predicted: Predicted, timed_s: Array, noise_s2: Array) -> tuple[Cause, ...]:
    """Explain timed intervals by one cause at a time, in the order in which they are to be believed.

    Parameters
    ----------
    predicted : Predicted
        Of the same intervals.
    timed_s : array of shape (n,)
        As timed [s].
    noise_s2 : array of shape (n, n)
        Errors of timing and of the prediction without the unknown direction [s2].
    """
    inverse = np.linalg.inv(noise_s2)
    rest = timed_s - predicted.time_s
    count = timed_s.size

    def cause(name: str, left: Array, cost: float = 0.0) -> Cause:
        chi2 = float(left @ inverse @ left) + cost
        return Cause(name=name, misfit=float(np.sqrt(chi2 / count)), rest_s=left)

    def shared(name: str, columns: Array) -> Cause:
        """Fit columns of prior sd 1 each: least squares with the cost of the step."""
        step = np.linalg.solve(
            columns.T @ inverse @ columns + np.eye(columns.shape[1]), columns.T @ inverse @ rest
        )
        return cause(name, rest - columns @ step, float(step @ step))

    found = [cause("as predicted", rest)]
    if not predicted.directed and np.any(predicted.half_way_s):
        half = predicted.half_way_s
        found += [cause("driven up", rest - half), cause("driven down", rest + half)]
    road = np.column_stack(
        [predicted.wind_s * _OTHER_WIND_SD_MPS, predicted.slope_s * _OTHER_SLOPE_SD]
    )
    found.append(shared("other wind or slope", road))
    found.append(shared("reaction", np.full((count, 1), _REACTION_SD_S)))
    if predicted.directed:
        tried = []
        for log_scale in _SCALES:
            middle, sd = _scale_prior(log_scale)
            times = predicted.at_scale(float(np.exp(log_scale)))
            # a right speedometer costs nothing, one farther off than usual what its prior says
            cost = ((log_scale - middle) / sd) ** 2 - (middle / _scale_prior(0.0)[1]) ** 2
            if np.isfinite(times).all():
                tried.append(cause("speedometer", timed_s - times, max(cost, 0.0)))
        found.append(min(tried, key=lambda one: one.misfit))
    return tuple(found)


def best_cause(causes: tuple[Cause, ...]) -> Cause:
    """Return the first cause that no later one beats clearly."""
    count = causes[0].rest_s.size
    lowest = min(cause.misfit**2 * count for cause in causes)
    return next(cause for cause in causes if cause.misfit**2 * count <= lowest + _CLEARLY)
