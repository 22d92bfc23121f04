"""The difference of two measured values: how sure it is, and what could have been shown at all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import ndtr

from analysis.model.covariance import Z95

__all__ = ["CLAIM", "SHOWN_SHARE", "Difference", "Verdict", "share_found", "smallest_shown"]

Verdict = Literal["more", "less", "not shown"]

#: A difference is claimed when the probability of its sign is at least this: one claim in twenty
#: where there is none, each way. Common practice, no source.
CLAIM = 0.95
#: "Could have been shown" means: would be found this often. Common practice, no source.
SHOWN_SHARE = 0.8
#: Quantiles of the standard normal distribution: 95 % one-sided, 80 %.
_Z_CLAIM, _Z_SHOWN = 1.644854, 0.841621


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One figure of two sessions and what lies between them, all in one unit.

    Parameters
    ----------
    first, other : float
        The figure of each session.
    sd : float
        Standard deviation of other less first; what both have in common is not in it.
    """

    first: float
    other: float
    sd: float

    @property
    def value(self) -> float:
        """Other less first."""
        return self.other - self.first

    @property
    def half95(self) -> float:
        """Half width of the two-sided 95 % interval."""
        return Z95 * self.sd

    @property
    def interval95(self) -> tuple[float, float]:
        """The two-sided 95 % interval."""
        return self.value - self.half95, self.value + self.half95

    @property
    def chance_more(self) -> float:
        """Probability that the other is larger at all, everything having been possible before."""
        return float(ndtr(self.value / self.sd))

    @property
    def smallest_shown(self) -> float:
        """Difference that such data show in four cases out of five."""
        return smallest_shown(self.sd)

    @property
    def verdict(self) -> Verdict:
        """What may be claimed."""
        if self.chance_more >= CLAIM:
            return "more"
        return "less" if self.chance_more <= 1.0 - CLAIM else "not shown"

    @property
    def percent(self) -> float | None:
        """Difference in per cent of the first; None where that is not above 0."""
        return 100.0 * self.value / self.first if self.first > 0.0 else None

    @property
    def percent_sd(self) -> float | None:
        """Standard deviation of `percent`; None where that is None."""
        return 100.0 * self.sd / self.first if self.first > 0.0 else None


def smallest_shown(sd: float) -> float:
    """Return the true difference that is claimed with probability `SHOWN_SHARE`, in the unit of `sd`.

    >>> round(smallest_shown(1.0), 2)
    2.49
    """
    return (_Z_CLAIM + _Z_SHOWN) * sd


def share_found(true: float, sd: float) -> float:
    """Return how often a true difference is claimed: normal errors, one-sided 95 %.

    Parameters
    ----------
    true, sd : float
        The difference and the standard deviation of its estimate, in one unit.

    >>> round(share_found(0.0, 1.0), 3), round(share_found(smallest_shown(1.0), 1.0), 3)
    (0.05, 0.8)
    """
    return float(ndtr(np.float64(true / sd - _Z_CLAIM)))
