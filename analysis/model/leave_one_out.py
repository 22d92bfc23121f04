"""Leave one run out at a time, and see whether runs scatter more than the covariance allows.

The session model explains all it knows of: noise, wind, slope, lag, mount. What it does not know of
(a lifted throttle, traffic, a warming tyre) shows as runs that disagree. Each run's normal equations
are at hand after the fit, so that leaving it out is a subtraction. The jackknife variance
`(n - 1)/n sum (q_-r - mean)^2` (Tukey; Efron and Stein, Annals of Statistics 9 (1981) 586; from
memory) is then compared with the posterior variance, or with what chance makes of runs that weigh unequally.
"""

from __future__ import annotations

import numpy as np
from scipy.special import chdtri

from analysis.model.fit import SessionFit
from logger.arrays import Array

__all__ = ["left_out", "scatter_factor"]

_LEAST_RUNS = 4
#: Scatter counts where chance would show it in fewer than this share of sessions.
_CHANCE = 0.025


def left_out(fit: SessionFit) -> Array:
    """Return how the shared unknowns move when one run is left out, one row per run.

    Parameters
    ----------
    fit : SessionFit
        At least two runs.

    Returns
    -------
    array of shape (runs, p)
        Unknowns without the run minus unknowns with all.
    """
    known = {id(normal): normal.left() for normal in fit.normals}  # a plan repeats its runs
    information = fit.prior_matrix + sum(known[id(normal)][0] for normal in fit.normals)
    moves = {
        name: np.linalg.solve(information - matrix, -side) for name, (matrix, side) in known.items()
    }
    return np.array([moves[id(normal)] for normal in fit.normals], dtype=np.float64)


def scatter_factor(fit: SessionFit, moves: Array, weights: Array) -> float:
    """Return the factor by which the sd of `weights @ shared` must grow to cover the runs' scatter.

    Parameters
    ----------
    fit : SessionFit
        The session's fit.
    moves : array of shape (runs, p)
        From `left_out`.
    weights : array of shape (k, p)
        One or more linear functions of the shared unknowns; the largest factor counts.

    Returns
    -------
    float
        1 where the scatter is what chance allows, else the ratio of jackknife sd to posterior sd.
    """
    count = len(moves)
    if count < _LEAST_RUNS:
        return 1.0
    # of runs that differ by chance alone the ratio follows chi-square over its degrees of freedom
    limit = float(chdtri(count - 1, _CHANCE)) / (count - 1)
    rows = np.atleast_2d(weights)
    found = moves @ rows.T
    jackknife = (count - 1) / count * ((found - found.mean(axis=0)) ** 2).sum(axis=0)
    posterior = np.einsum("ij,jk,ik->i", rows, fit.covariance, rows)
    if float(np.max(jackknife / posterior)) <= limit:
        return 1.0
    # a run that alone holds a figure moves it far by chance too: the move's variance is V_without - V_all
    chance = (count - 1) / count * (_without(fit, rows) - posterior).sum(axis=0)
    ratio = float(np.max(jackknife / np.maximum(posterior, chance)))
    return float(np.sqrt(ratio)) if ratio > limit else 1.0


def _without(fit: SessionFit, rows: Array) -> Array:
    """Return the variance of each figure when one run is left out, shape (runs, k)."""
    known = {id(normal): normal.left()[0] for normal in fit.normals}
    information = fit.prior_matrix + sum(known[id(normal)] for normal in fit.normals)
    found = {
        name: np.einsum("ij,ji->i", rows, np.linalg.solve(information - matrix, rows.T))
        for name, matrix in known.items()
    }
    return np.array([found[id(normal)] for normal in fit.normals], dtype=np.float64)
