"""A plain fit of the coast-downs beside the session model: no prior, no wind, no slope, no accelerometer.

Least squares of the integrated equation of motion: per run a start speed, shared r0, r1, r2,

    v(t) = v_0 - integral of r0 + r1 v + r2 v |v|

What a session model adds must explain where the two differ: under its own priors of wind, slope, gusts and
receiver noise the plain fit errs with the covariance ``V_plain``, and since the model's error is
uncorrelated with anything made of the data (Hausman, Econometrica 46 (1978) 1251; from memory),

    cov(plain - model) = V_plain - V_model
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.model.covariance import inverse
from analysis.model.fit import SessionFit
from analysis.model.observations import COAST, RunData
from analysis.model.parameters import SPEED_SCALE_MPS, local_slices
from analysis.model.priors import local_prior
from logger.arrays import Array

__all__ = ["PlainFit", "plain_fit"]

_ROUNDS, _LEAST_FIXES = 8, 4
#: Fixes so soon after the drive ends still hold its speed in the receiver's memory [s].
_AFTER_DRIVE_S = 2.0
#: Robust sd from the median, and how far off a fix is left out: as the session model does.
_MEDIAN_TO_SD, _OUTLIER_SD = 1.4826, 4.5
#: A run's own unknowns that the plain fit takes for resistance.
_OWN = ("gust", "slow_noise", "wind", "hill")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainFit:
    """r0, r1, r2 [m/s2] with their covariance, the residual [m/s], and their share of each fix.

    (plain - model) has mean `shift` and covariance `expected` by what the model takes wind, slope and noise
    to be.
    """

    resistance: Array
    covariance: Array
    residual_mps: float
    shift: Array
    expected: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class _Coast:
    """One coast-down: bin edges [s], the path there, and which fixes lie in it, when [s]."""

    edge_s: Array
    path_mps: Array
    which: NDArray[np.int_]
    moment_s: Array
    seen_mps: Array


def plain_fit(fit: SessionFit) -> PlainFit | None:
    """Fit the coast-downs of a session plainly; None where their fixes do not give three coefficients."""
    pairs = [(i, _coast(state.data)) for i, state in enumerate(fit.states)]
    coasts = [(i, one) for i, one in pairs if one is not None]
    if sum(one.which.size - 1 for _, one in coasts) < 3 + _LEAST_FIXES:
        return None
    resistance = fit.shared[fit.layout.RESISTANCE].copy()
    paths = [one.path_mps for _, one in coasts]
    misses = [np.zeros(one.which.size) for _, one in coasts]
    weights = [np.ones(one.which.size) for _, one in coasts]
    for number in range(_ROUNDS):
        information, right = np.zeros((3, 3)), np.zeros(3)
        designs = []
        for j, (_, one) in enumerate(coasts):
            path, rows, start = _path(one.edge_s, paths[j], resistance)
            at = _reading(one)
            design, lead = at @ rows, at @ start
            miss = one.seen_mps - at @ path
            # the start speed is the run's own: what it explains is taken out of rows and misses
            share = weights[j] * lead / float(weights[j] @ lead**2)
            free = design - np.outer(lead, share @ design)
            left = miss - lead * float(share @ miss)
            information += free.T @ (weights[j][:, None] * free)
            right += free.T @ (weights[j] * left)
            designs.append((free, left, path, rows, start, share, design, miss))
        if np.linalg.cond(information) > 1e12:
            return None
        step = np.linalg.solve(information, right)
        resistance = resistance + step
        for j, (_, left, path, rows, start, share, design, miss) in enumerate(designs):
            paths[j] = path + rows @ step + start * float(share @ (miss - design @ step))
            misses[j] = left - designs[j][0] @ step
        if number >= 2:
            every = np.concatenate(misses)
            limit = _OUTLIER_SD * max(_MEDIAN_TO_SD * float(np.median(np.abs(every))), 1e-4)
            weights = [(np.abs(miss) <= limit).astype(float) for miss in misses]
    free_count = sum(float(w.sum()) - 1.0 for w in weights) - 3.0
    if free_count < 1.0:
        return None
    square = sum(float(w @ miss**2) for w, miss in zip(weights, misses, strict=True))
    known = inverse(information)
    gains = [known @ (w[:, None] * free).T for w, (free, *_) in zip(weights, designs, strict=True)]
    shift, expected = _expected(fit, [(i, one.which) for i, one in coasts], gains)
    return PlainFit(
        resistance=resistance,
        covariance=known * square / free_count,
        residual_mps=float(np.sqrt(square / free_count)),
        shift=shift,
        expected=expected,
    )


def _coast(data: RunData) -> _Coast | None:
    """Return the run's coast-down, None where it has too few fixes."""
    bins = np.flatnonzero(data.drive == COAST)
    if bins.size < 2:
        return None
    part = slice(int(bins[0]), int(bins[-1]) + 2)
    edge = data.edge_s[part]
    driven = data.drive.size > bins.size
    moment = data.fix_s - data.lag_s
    inside = (moment >= edge[0] + _AFTER_DRIVE_S * driven) & (moment <= edge[-1])
    which = np.flatnonzero(inside)
    if which.size < _LEAST_FIXES:
        return None
    return _Coast(
        edge_s=edge,
        path_mps=data.first_path_mps[part],
        which=which,
        moment_s=moment[which],
        seen_mps=data.fix_mps[which],
    )


def _reading(one: _Coast) -> Array:
    """Return the weights of the edge speeds in each fix: linear between edges."""
    at = np.clip(
        np.searchsorted(one.edge_s, one.moment_s, side="right") - 1, 0, one.edge_s.size - 2
    )
    part = (one.moment_s - one.edge_s[at]) / (one.edge_s[at + 1] - one.edge_s[at])
    rows = np.zeros((at.size, one.edge_s.size))
    index = np.arange(at.size)
    rows[index, at], rows[index, at + 1] = 1.0 - part, part
    return rows


def _path(edge_s: Array, path_mps: Array, resistance: Array) -> tuple[Array, Array, Array]:
    """Return the path after a Newton step of its equation, with derivatives by r and by its start."""
    dt = np.diff(edge_s)
    v = np.maximum(0.5 * (path_mps[1:] + path_mps[:-1]), 0.0) / SPEED_SCALE_MPS
    basis = np.column_stack([np.ones_like(v), v, v**2])
    accel = -basis @ resistance
    stiffness = (resistance[1] + 2.0 * resistance[2] * v) / SPEED_SCALE_MPS
    # e' = rows - stiffness e, by the integrating factor, as in `linearise`
    log_decay = np.concatenate([[0.0], np.cumsum(-np.clip(stiffness, -0.6, 0.6) * dt)])
    decay, grow = np.exp(log_decay), np.exp(-0.5 * (log_decay[1:] + log_decay[:-1]))
    rows = np.zeros((edge_s.size, 3))
    np.cumsum(-basis * (dt * grow)[:, None], axis=0, out=rows[1:])
    ahead = np.concatenate([[0.0], np.cumsum((accel - np.diff(path_mps) / dt) * dt * grow)])
    return path_mps + ahead * decay, rows * decay[:, None], decay


def _expected(
    fit: SessionFit, used: Sequence[tuple[int, NDArray[np.int_]]], gains: Sequence[Array]
) -> tuple[Array, Array]:
    """Return mean and covariance of (plain - model): what the model's own unknowns put into the plain fit."""
    layout = fit.layout
    shared = [layout.WIND, layout.SLOPE, *range(layout.slope.start, layout.bump.stop)]
    prior = inverse(fit.prior_matrix[np.ix_(shared, shared)])
    total, common = np.zeros((3, 3)), np.zeros((3, len(shared)))
    for (i, which), gain in zip(used, gains, strict=True):
        state, lin = fit.states[i], fit.lins[i]
        rows = lin.fix_rows[which]
        common += gain @ rows[:, shared]
        own = local_slices(state.data)
        mine = np.concatenate([np.arange(own[name].start, own[name].stop) for name in _OWN])
        effect = gain @ rows[:, layout.size + mine]
        own_prior = local_prior(state.data, fit.spread, own)[np.ix_(mine, mine)]
        total += effect @ np.linalg.solve(own_prior, effect.T)
        count = np.maximum(state.fix_weight[which], 0.2)
        total += gain @ (gain * (fit.spread.fix**2 / count)).T
    total += common @ prior @ common.T
    shift = common[:, :2] @ fit.prior.mean[[layout.WIND, layout.SLOPE]]
    part = layout.RESISTANCE
    # the square of the wind, which the linear equation leaves out, stands in the plain fit's r0
    wind, drag = float(fit.shared[layout.WIND]), float(fit.shared[2])
    square = wind**2 + float(fit.covariance[layout.WIND, layout.WIND])
    total[0, 0] += (drag * square / SPEED_SCALE_MPS**2) ** 2
    values, vectors = np.linalg.eigh(total - fit.covariance[part, part])
    # never less than a tenth of the plain fit's own variance: both stand on linearised equations
    return shift, np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T + 0.1 * total)
