"""Kalman filter and Rauch-Tung-Striebel smoother for a state of which the first part is measured.

    x[i+1] = F[i] x[i] + u[i] + w,   w of covariance Q[i]   (motion over one step)
    z[i] = H x[i] + e,   H = (1, 0, ...), e of variance r   (a measurement)

Several settings run at once: they are the first axis of every state. Equations from Rauch, Tung,
Striebel, AIAA Journal 3 (1965) 1445; from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.arrays import Array

__all__ = [
    "MOST_PASSED",
    "Filtered",
    "Motion",
    "Noise",
    "run_filter",
    "run_smoother",
    "variances_of",
]

#: Receivers hold zero for up to 6 s after a launch: so many false zeros may come in a row; below this
#: a speed is one of them [m/s].
MOST_PASSED, _HELD = 6, 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """How the state moves over each of n steps.

    Parameters
    ----------
    transition : array of shape (n, k or 1, d, d)
        F of each step, for each of k settings or for all.
    gain : array of shape (n, k or 1, d)
        What is added to the state, u.
    walks : array of shape (n, j, d, d)
        Covariance that each of j white noises adds over the step at a density of 1; Q is their sum,
        each times its density.
    """

    transition: Array
    gain: Array
    walks: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Noise of k settings.

    Parameters
    ----------
    fix_var : array of shape (k,)
        Variance of a measurement, r.
    densities : array of shape (k, j)
        Of each white noise of the motion.
    start_cov : array of shape (k, d, d)
        Covariance of the first state, whose first part is the first measurement.
    """

    fix_var: Array
    densities: Array
    start_cov: Array

    def only(self, at: int) -> Noise:
        """Return one of the settings."""
        part = slice(at, at + 1)
        return Noise(
            fix_var=self.fix_var[part],
            densities=self.densities[part],
            start_cov=self.start_cov[part],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Filtered:
    """What the filter found for k settings, measurement by measurement.

    Parameters
    ----------
    innovation, innovation_var : array of shape (n, k)
        Each measurement but the first less its prediction, and the variance of that.
    predicted, filtered : array of shape (m, k, d)
        States before and after each of m = n + 1 measurements; empty where they were not kept.
    predicted_cov, filtered_cov : array of shape (m, k, d, d)
        Their covariances.
    """

    innovation: Array
    innovation_var: Array
    predicted: Array
    predicted_cov: Array
    filtered: Array
    filtered_cov: Array


def run_filter(
    motion: Motion,
    measured: Array,
    noise: Noise,
    *,
    gate_sd: float = float("inf"),
    keep: bool = False,
) -> Filtered:
    """Run the filter from the first measurement on, which sets the first state.

    Parameters
    ----------
    motion : Motion
        n steps.
    measured : array of shape (n + 1,)
        z.
    noise : Noise
        Its settings.
    gate_sd : float
        A measurement that misses its prediction by more sd than this is passed over; the next one
        counts again, but for zeros, of which `MOST_PASSED` are passed over in a row.
    keep : bool
        Whether the states are kept, for `run_smoother`.

    Returns
    -------
    Filtered
        Innovations, and states where they are kept.
    """
    settings, size = noise.start_cov.shape[:2]
    kept = measured.size if keep else 0
    predicted = np.empty((kept, settings, size))
    predicted_cov = np.empty((kept, settings, size, size))
    filtered, filtered_cov = np.empty_like(predicted), np.empty_like(predicted_cov)
    innovation = np.empty((measured.size - 1, settings))
    innovation_var = np.empty_like(innovation)
    x, p = np.zeros((settings, size)), noise.start_cov
    x[:, 0] = measured[0]
    if keep:
        predicted[0], predicted_cov[0], filtered[0], filtered_cov[0] = x, p, x, p
    turned = np.swapaxes(motion.transition, -1, -2)
    limit, in_row, gated = gate_sd**2, np.zeros(settings), np.isfinite(gate_sd)
    walks = motion.walks.reshape(*motion.walks.shape[:2], size * size)
    for i, z in enumerate(measured[1:]):
        # predict: x = F x + u, P = F P F' + Q
        x = (motion.transition[i] @ x[:, :, None])[:, :, 0] + motion.gain[i]
        p = motion.transition[i] @ p @ turned[i] + (noise.densities @ walks[i]).reshape(p.shape)
        # innovation y = z - H x and its variance s = H P H' + r
        y = z - x[:, 0]
        s = p[:, 0, 0] + noise.fix_var
        innovation[i], innovation_var[i] = y, s
        if keep:
            predicted[i + 1], predicted_cov[i + 1] = x, p
        # gain K = P H' / s; 0 for a measurement that is passed over
        far = y * y > limit * s
        if gated and far.any():
            passed = far & (in_row < (MOST_PASSED if z < _HELD else 1))
            in_row = np.where(passed, in_row + 1, 0)
            s = np.where(passed, np.inf, s)
        elif gated:
            in_row.fill(0)
        k = p[:, :, 0] / s[:, None]
        # update: x = x + K y, P = P - K H P
        x = x + k * y[:, None]
        p = p - k[:, :, None] * p[:, None, 0, :]
        if keep:
            filtered[i + 1], filtered_cov[i + 1] = x, p
    return Filtered(
        innovation=innovation,
        innovation_var=innovation_var,
        predicted=predicted,
        predicted_cov=predicted_cov,
        filtered=filtered,
        filtered_cov=filtered_cov,
    )


def run_smoother(motion: Motion, found: Filtered) -> tuple[Array, Array]:
    """Return the states given all measurements, and their covariances.

    Parameters
    ----------
    motion : Motion
        As the filter had it.
    found : Filtered
        With states kept.

    Returns
    -------
    x : array of shape (m, k, d)
        Smoothed states.
    p : array of shape (m, k, d, d)
        Their covariances.
    """
    x, p = found.filtered.copy(), found.filtered_cov.copy()
    # smoother gain of every step, C[i] = P[i] F[i]' Ppred[i+1]^-1, solved as Ppred C' = F P
    forward = motion.transition @ found.filtered_cov[:-1]
    gains = np.swapaxes(np.linalg.solve(found.predicted_cov[1:], forward), -1, -2)
    for i in range(x.shape[0] - 2, -1, -1):
        c = gains[i]
        # x = x + C (xs[i+1] - xpred[i+1])
        x[i] += (c @ (x[i + 1] - found.predicted[i + 1])[:, :, None])[:, :, 0]
        # P = P + C (Ps[i+1] - Ppred[i+1]) C'
        p[i] += c @ (p[i + 1] - found.predicted_cov[i + 1]) @ np.swapaxes(c, -1, -2)
    return x, p


def variances_of(covariance: Array) -> Array:
    """Return the variances of the states of the first setting, shape (m, d)."""
    return np.asarray(np.maximum(np.diagonal(covariance[:, 0], axis1=1, axis2=2), 0.0))
