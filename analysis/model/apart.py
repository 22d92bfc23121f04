"""Runs that stand apart: each run's own figure against the fit of all others.

With information matrices that add up, a fit without run r is a subtraction. A linear figure ``w x``
moves from ``w x_without`` to ``w x_all``, and its variance falls from ``V_without`` to ``V_all``. The
run alone would then show (update of a Gaussian by an independent one, from memory)

    own = w x_without + (w x_all - w x_without) V_without / (V_without - V_all)
    V_own = V_without V_all / (V_without - V_all)

and it differs from the others by ``own - w x_without`` with variance ``V_own + V_without``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.model.fit import SessionFit
from logger.arrays import Array

__all__ = ["Apart", "own_figures"]

#: A run that tells this share of the variance or less has no figure of its own.
_LEAST_TOLD = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """One run's own figure, that of the others, and by how many sd of their difference they differ."""

    run: int
    log: int
    own: float
    others: float
    sigma: float


def own_figures(fit: SessionFit, weights: Array, of: Sequence[bool]) -> tuple[Apart, ...]:
    """Return each run's own value of a linear figure, held against the fit of the others.

    Parameters
    ----------
    fit : SessionFit
        At least two runs; with fewer the answer is empty.
    weights : array of shape (p,)
        The figure as a linear function of the shared unknowns.
    of : sequence of bool, one per run of the fit
        Whether the run has what the figure is about.

    Returns
    -------
    tuple of Apart
        Those of the runs asked for that have a figure of their own.
    """
    if len(fit.normals) < 2:
        return ()
    known = [normal.left() for normal in fit.normals]
    information = fit.prior_matrix + sum(matrix for matrix, _ in known)
    every = float(weights @ fit.shared)
    variance = float(weights @ fit.covariance @ weights)
    found = []
    for state, asked, (matrix, side) in zip(fit.states, of, known, strict=True):
        if not asked:
            continue
        rest = information - matrix
        # at the optimum all gradients cancel: without the run its own is left over
        without = every + float(weights @ np.linalg.solve(rest, -side))
        wide = float(weights @ np.linalg.solve(rest, weights))
        if wide - variance <= _LEAST_TOLD * wide:
            continue
        gain = wide / (wide - variance)
        own = without + (every - without) * gain
        sd = np.sqrt(variance * gain + wide)
        found.append(
            Apart(
                run=state.data.run.number,
                log=state.data.run.log,
                own=own,
                others=without,
                sigma=float((own - without) / sd),
            )
        )
    return tuple(found)
