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

from analysis.model.covariance import inverse, positive_inverse
from analysis.model.linearise import Linearised
from analysis.model.observations import RunData
from analysis.model.parameters import Layout, Spread, force_sd, local_slices
from analysis.model.priors import local_prior
from logger.arrays import Array

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
        # Schur complement: S - C O^-1 C', g_s - C O^-1 g_o
        gain = self.cross @ own_inverse
        return self.shared - gain @ self.cross.T, self.gradient_shared - gain @ self.gradient_own


def eliminate(
    state: RunState, lin: Linearised, layout: Layout, spread: Spread, first: Array
) -> Normal:
    """Return one run's normal equations A'WA, A'W miss with its own prior about `first`."""
    p = layout.size
    own = local_slices(state.data)
    # rows and misses over their sd: a mean of n fixes has 1/sqrt(n) of the noise of one
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
    # the run's own unknowns: precision of their prior, and its pull towards `first`
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
    """Return the step of the shared unknowns and their covariance, runs and prior added up.

    `matrix` is the prior's precision, `pull_back` its gradient ``matrix @ (mean - present)``.
    """
    information, right = matrix.copy(), pull_back.copy()
    for normal in normals:
        more, side = normal.left()
        information += more
        right += side
    covariance = positive_inverse(information)
    return covariance @ right, covariance


def run_covariance(normal: Normal, shared_cov: Array) -> Array:
    """Return the joint covariance of the shared unknowns and one run's own, shape (p + q,) * 2."""
    # cov(own, shared) = -O^-1 C' V, cov(own) = O^-1 + O^-1 C' V C O^-1 with V = cov(shared)
    gain = normal.own_inverse @ normal.cross.T
    cross = -gain @ shared_cov
    return np.block([[shared_cov, cross.T], [cross, normal.own_inverse - cross @ gain.T]])
