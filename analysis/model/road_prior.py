"""What sessions say of a road's slope, as information that another session can take for a prior.

A `SlopeMessage` is the likelihood of the slope at knots: exp(-x' L x / 2 + b' x). It holds what the
runs of a session show, without any prior, so that messages of several sessions add up. Between knots
slopes follow the random waves of `priors`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.model.covariance import inverse
from analysis.model.fit import SessionFit
from analysis.model.priors import road_covariance, slope_precision
from logger.arrays import Array

__all__ = ["SlopeMessage", "added", "log_odds", "message_of_fit", "moved", "road_shares", "turned"]

#: Two days' positions differ by some metres along the road, and so the slope at a place by this.
_PLACE_SD = 0.0004


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeMessage:
    """Information on the slope (ratio, rising along the knots) at places of shape (n,) [m].

    `information` of shape (n, n) is L, `pull` of shape (n,) is b: where L can be inverted, the slope
    is its inverse times b.
    """

    knots_m: Array
    information: Array
    pull: Array


def _whole(knots_m: Array, information: Array, pull: Array) -> SlopeMessage:
    """Return a message without directions of negative information, which rounding leaves."""
    values, vectors = np.linalg.eigh(0.5 * (information + information.T))
    kept = values > 1e-9 * max(float(values[-1]), 0.0)
    values, vectors = values[kept], vectors[:, kept]
    return SlopeMessage(
        knots_m=knots_m,
        information=np.asarray((vectors * values) @ vectors.T),
        pull=np.asarray(vectors @ (vectors.T @ pull)),
    )


def message_of_fit(fit: SessionFit, road: SlopeMessage | None = None) -> SlopeMessage:
    """Return what a session's own runs say of the slope at its knots.

    The posterior less the priors: that of the session, and the road's where it leant on one. Of
    C the posterior covariance and m its mean, L = C^-1 - P^-1 and b = C^-1 m - P^-1 m0.
    """
    layout = fit.layout
    rows = np.zeros((layout.slope_knots_m.size, layout.size))
    rows[:, layout.SLOPE] = 1.0
    rows[:, layout.slope] = np.eye(layout.slope_knots_m.size)
    after = inverse(rows @ fit.covariance @ rows.T)
    site = fit.prior
    slope_sd = float(site.sd[layout.SLOPE])
    before = inverse(slope_sd**2 + inverse(slope_precision(layout, fit.spread)))
    information = after - before
    pull = after @ (rows @ fit.shared) - before.sum(axis=1) * float(site.mean[layout.SLOPE])
    if road is not None:
        information, pull = information - road.information, pull - road.pull
    return _whole(layout.slope_knots_m, information, pull)


def moved(message: SlopeMessage, knots_m: Array, place_sd: float = _PLACE_SD) -> SlopeMessage:
    """Return what a message says at other knots, by the waves between them.

    With prior covariances K at the message's knots, k between both and Q at the others, the posterior
    covariance there is Q - k' (K + L^-1)^-1 k = Q - k' L (I + K L)^-1 k, its mean k' (I + L K)^-1 b.
    """
    here, between, there = (
        road_covariance(message.knots_m, message.knots_m),
        road_covariance(message.knots_m, knots_m),
        road_covariance(knots_m, knots_m),
    )
    solved = np.linalg.solve(
        np.eye(here.shape[0]) + message.information @ here,
        np.column_stack([message.information @ between, message.pull]),
    )
    after = there - between.T @ solved[:, :-1] + place_sd**2 * np.eye(knots_m.size)
    precision = inverse(0.5 * (after + after.T))
    mean = between.T @ solved[:, -1]
    return _whole(knots_m, precision - inverse(there), precision @ mean)


def turned(message: SlopeMessage, origin_m: float, way: int) -> SlopeMessage:
    """Return a message in places counted from `origin_m`, along the knots (1) or against them (-1)."""
    order = slice(None, None, way)
    return SlopeMessage(
        knots_m=(way * (message.knots_m - origin_m))[order],
        information=message.information[order, order],
        pull=way * message.pull[order],
    )


def added(messages: list[SlopeMessage]) -> SlopeMessage:
    """Return the sum of messages at the same knots."""
    return SlopeMessage(
        knots_m=messages[0].knots_m,
        information=np.sum([one.information for one in messages], axis=0),
        pull=np.sum([one.pull for one in messages], axis=0),
    )


def log_odds(own: SlopeMessage, road: SlopeMessage) -> float:
    """Return by how much better the road foretells a session's own message than any road would.

    Natural logarithm of the ratio of their evidences: above 0 where the session does not contradict
    the road. Both messages at the same knots.
    """
    plain = inverse(road_covariance(own.knots_m, own.knots_m))

    def evidence(precision: Array, pull: Array) -> float:
        """Return log of the integral of exp(-x'Lx/2 + b'x) over a Gaussian prior."""
        after = precision + own.information
        total = pull + own.pull
        grown = np.linalg.slogdet(after)[1] - np.linalg.slogdet(precision)[1]
        square = total @ np.linalg.solve(after, total) - pull @ np.linalg.solve(precision, pull)
        return float(0.5 * square - 0.5 * grown)

    return evidence(plain + road.information, road.pull) - evidence(plain, np.zeros(plain.shape[0]))


def road_shares(fit: SessionFit, road: SlopeMessage, weights: Array) -> float:
    """Return which share of the variance of `weights @ shared` is the road's own error.

    An error e of the road's slopes moves the estimate by C H' L e, so that its variance there is
    w C H' L H C w, with H from the shared unknowns to the slope at the knots.
    """
    layout = fit.layout
    moves = fit.covariance @ weights
    at_knots = moves[layout.slope] + moves[layout.SLOPE]
    whole = float(weights @ moves)
    return float(np.clip(at_knots @ road.information @ at_knots / max(whole, 1e-300), 0.0, 1.0))
