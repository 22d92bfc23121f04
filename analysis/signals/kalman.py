"""Kalman filter and Rauch-Tung-Striebel smoother for a state of which the first part is measured.

    x[i+1] = F[i] x[i] + u[i] + w,   w of covariance Q[i]   (motion over one step)
    z[i] = H x[i] + e,   H = (1, 0, ...), e of variance 1   (a measurement)

All covariances are in units of the variance of e. Several noise settings run at once: they are the
first axis of every state. Equations from Rauch, Tung, Striebel, AIAA Journal 3 (1965) 1445; from
memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from logger.arrays import Array

__all__ = ["Filtered", "Motion", "run_filter", "run_smoother"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """How the state moves over each of n steps.

    Parameters
    ----------
    transition : array of shape (n, d, d)
        F of each step.
    gain : array of shape (n, d)
        What is added to the state, u.
    walks : array of shape (n, j, d, d)
        Covariance that each of j white noises adds over the step at a density of 1; Q is their sum,
        each times its density.
    """

    transition: Array
    gain: Array
    walks: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Filtered:
    """What the filter found for k noise settings.

    Parameters
    ----------
    squares : array of shape (k,)
        Sum of squared innovations, each over its variance.
    log_variance : array of shape (k,)
        Sum of the logarithms of these variances.
    predicted, filtered : array of shape (m, k, d)
        States before and after each of m measurements; empty where they were not kept.
    predicted_cov, filtered_cov : array of shape (m, k, d, d)
        Their covariances.
    """

    squares: Array
    log_variance: Array
    predicted: Array
    predicted_cov: Array
    filtered: Array
    filtered_cov: Array


def run_filter(
    motion: Motion, measured: Array, densities: Array, start_cov: Array, *, keep: bool = False
) -> Filtered:
    """Run the filter from the first measurement on, which sets the first state.

    Parameters
    ----------
    motion : Motion
        n steps.
    measured : array of shape (n + 1,)
        z.
    densities : array of shape (k, j)
        Of each noise, for each setting.
    start_cov : array of shape (k, d, d)
        Covariance of the first state.
    keep : bool
        Whether the states are kept, for `run_smoother`.

    Returns
    -------
    Filtered
        The first measurement counts in no sum.
    """
    settings, size = start_cov.shape[:2]
    kept = measured.size if keep else 0
    predicted, predicted_cov = np.empty((kept, settings, size)), np.empty((kept, *start_cov.shape))
    filtered, filtered_cov = np.empty_like(predicted), np.empty_like(predicted_cov)
    x, p = np.zeros((settings, size)), start_cov
    x[:, 0] = measured[0]
    if keep:
        predicted[0], predicted_cov[0], filtered[0], filtered_cov[0] = x, p, x, p
    squares, log_variance = np.zeros(settings), np.zeros(settings)
    walks = motion.walks.reshape(motion.walks.shape[0], motion.walks.shape[1], size * size)
    for i, (f, u, walk, z) in enumerate(
        zip(motion.transition, motion.gain, walks, measured[1:], strict=True), start=1
    ):
        # predict: x = F x + u, P = F P F' + Q
        x = x @ f.T + u
        p = f @ p @ f.T + (densities @ walk).reshape(p.shape)
        # innovation y = z - H x and its variance s = H P H' + 1
        y = z - x[:, 0]
        s = p[:, 0, 0] + 1.0
        squares += y * y / s
        log_variance += np.log(s)
        if keep:
            predicted[i], predicted_cov[i] = x, p
        # gain K = P H' / s
        k = p[:, :, 0] / s[:, None]
        # update: x = x + K y, P = P - K H P
        x = x + k * y[:, None]
        p = p - k[:, :, None] * p[:, None, 0, :]
        if keep:
            filtered[i], filtered_cov[i] = x, p
    return Filtered(
        squares=squares,
        log_variance=log_variance,
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
    forward = motion.transition[:, None] @ found.filtered_cov[:-1]
    gains = np.swapaxes(np.linalg.solve(found.predicted_cov[1:], forward), -1, -2)
    for i in range(x.shape[0] - 2, -1, -1):
        c = gains[i]
        # x = x + C (xs[i+1] - xpred[i+1])
        x[i] += (c @ (x[i + 1] - found.predicted[i + 1])[:, :, None])[:, :, 0]
        # P = P + C (Ps[i+1] - Ppred[i+1]) C'
        p[i] += c @ (p[i + 1] - found.predicted_cov[i + 1]) @ np.swapaxes(c, -1, -2)
    return x, p
