"""What the session model's uncertainty comes from: its covariance as causes become known."""

from __future__ import annotations

import itertools

import numpy as np

from analysis.model.covariance import inverse
from analysis.model.fit import SessionFit
from analysis.model.normal_equations import FIXED
from analysis.model.parameters import local_slices
from logger.arrays import Array

__all__ = ["budget", "conditioned_covariances"]

#: Which of a run's own unknowns a cause of uncertainty consists of, beside shared ones.
_CAUSES: dict[str, tuple[str, ...]] = {
    "mount": ("scale", "offset", "offset_wander"),
    "lag": ("lag", "lag_wander"),
    "slope": ("hill",),
    "wind": ("wind", "gust"),
}


def conditioned_covariances(fit: SessionFit) -> dict[str, Array]:
    """Return the shared covariance as it falls when causes become known one after the other.

    Keys in order: "all", then after mount, lag, slope and wind are each known as well; what then
    remains is measurement noise. Differences of the variances are the budget and add up.
    """
    layout = fit.layout
    shared_of = {
        "mount": [layout.SCALE, layout.PITCH],
        "lag": [layout.MEMORY],
        "slope": [layout.SLOPE, *range(layout.slope.start, layout.slope.stop)],
        "wind": [layout.WIND],
    }
    result = {"all": fit.covariance}
    fixed_shared: list[int] = []
    fixed_names: list[str] = []
    for cause, names in _CAUSES.items():
        fixed_shared += shared_of[cause]
        fixed_names += names
        information = fit.prior_matrix.copy()
        known: dict[int, Array] = {}  # a plan repeats one and the same run many times
        for state, normal in zip(fit.states, fit.normals, strict=True):
            if id(normal) not in known:
                own = local_slices(state.data)
                fixed = [i for name in fixed_names for i in range(own[name].start, own[name].stop)]
                known[id(normal)] = normal.left(np.array(fixed, dtype=int))[0]
            information += known[id(normal)]
        information[fixed_shared, fixed_shared] += FIXED
        result[cause] = inverse(information)
    return result


def budget(fit: SessionFit, weights: Array) -> dict[str, float]:
    """Return the sd of `weights @ shared` by cause: noise, wind, slope, lag, mount.

    Parameters
    ----------
    weights : array of shape (p,)
        A linear function of the shared unknowns.
    """
    variances = {
        name: max(float(weights @ covariance @ weights), 0.0)
        for name, covariance in conditioned_covariances(fit).items()
    }
    names = list(variances)
    parts = {
        after: float(np.sqrt(max(variances[before] - variances[after], 0.0)))
        for before, after in itertools.pairwise(names)
    }
    parts["noise"] = float(np.sqrt(variances[names[-1]]))
    return parts
