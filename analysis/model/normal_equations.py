"""Solve the session model: elimination run by run.

The unknowns of one run touch the other runs only through the shared ones, so they are eliminated
run by run (Schur complement): time grows linearly with runs, and leaving a run out is a
subtraction.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.model.covariance import inverse
from analysis.model.linearise import Linearised
from analysis.model.observations import RunData
from analysis.model.parameters import Layout, Spread, force_sd, local_slices
from analysis.model.priors import local_prior
from analysis.runs.run import Array

__all__ = ["FIXED", "Normal", "RunState", "eliminate", "run_covariance", "shared_solution"]

#: Precision of an unknown that is taken as known: far above any that data give.
FIXED = 1e14


@dataclass(frozen=True, slots=True, kw_only=True)
class RunState:
    """One run between two rounds: its own unknowns, its path, and the weight of each fix."""

    data: RunData
    local: Array
    path_mps: Array
    fix_weight: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Normal:
    """Normal equations of one run, its own prior included, and what elimination leaves.

    Parameters
    ----------
    shared, cross, own : arrays of shape (p, p), (p, q), (q, q)
        Information matrix blocks.
    own_inverse : array of shape (q, q)
        Inverse of `own`.
    gradient_shared, gradient_own : arrays of shape (p,), (q,)
        Right-hand sides.
    """

    shared: Array
    cross: Array
    own: Array
    own_inverse: Array
    gradient_shared: Array
    gradient_own: Array

    def left(self, fixed: NDArray[np.int_] | None = None) -> tuple[Array, Array]:
        """Return information and right-hand side of the shared unknowns after elimination."""
        own_inverse = self.own_inverse
        if fixed is not None and fixed.size:
            own = self.own.copy()
            own[fixed, fixed] += FIXED
            own_inverse = inverse(own)
        gain = self.cross @ own_inverse
        return self.shared - gain @ self.cross.T, self.gradient_shared - gain @ self.gradient_own


def eliminate(
    state: RunState, lin: Linearised, layout: Layout, spread: Spread, first: Array
) -> Normal:
    """Form one run's normal equations.

    Parameters
    ----------
    state : RunState
        Unknowns and weights.
    lin : Linearised
        Misses and Jacobian there.
    layout, spread
        Shared layout and noise levels.
    first : array
        Prior mean of the run's own unknowns.

    Returns
    -------
    Normal
        Ready to add up over runs.
    """
    p = layout.size
    own = local_slices(state.data)
    weight = np.sqrt(state.fix_weight) / spread.fix
    rows = [lin.fix_rows * weight[:, None]]
    miss = [lin.fix_miss * weight]
    if lin.force_bins.size:
        each = 1.0 / force_sd(state.data, lin.force_bins, spread)
        rows.append(lin.force_rows * each[:, None])
        miss.append(lin.force_miss * each)
    stacked, missed = np.concatenate(rows), np.concatenate(miss)
    information = stacked.T @ stacked
    gradient = stacked.T @ missed
    prior = local_prior(state.data, spread, own)
    own_block = information[p:, p:] + prior
    return Normal(
        shared=information[:p, :p],
        cross=information[:p, p:],
        own=own_block,
        own_inverse=inverse(own_block),
        gradient_shared=gradient[:p],
        gradient_own=gradient[p:] - prior @ (state.local - first),
    )


def shared_solution(
    normals: Iterable[Normal], matrix: Array, pull_back: Array
) -> tuple[Array, Array]:
    """Add up the runs and the prior; return the step of the shared unknowns and their covariance.

    Parameters
    ----------
    normals : iterable of Normal
        One per run.
    matrix : array of shape (p, p)
        Prior precision.
    pull_back : array of shape (p,)
        `matrix @ (mean - present)`, the prior's gradient.
    """
    information, right = matrix.copy(), pull_back.copy()
    for normal in normals:
        more, side = normal.left()
        information += more
        right += side
    covariance = inverse(information)
    covariance = 0.5 * (covariance + covariance.T)
    return covariance @ right, covariance


def run_covariance(normal: Normal, shared_cov: Array) -> Array:
    """Return the joint covariance of the shared unknowns and one run's own, shape (p + q,) * 2."""
    gain = normal.own_inverse @ normal.cross.T
    cross = -gain @ shared_cov
    return np.block([[shared_cov, cross.T], [cross, normal.own_inverse - cross @ gain.T]])
