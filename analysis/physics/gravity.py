"""Acceleration of gravity over latitude."""

from __future__ import annotations

import math

__all__ = ["gravity_mps2"]


def gravity_mps2(latitude_deg: float) -> float:
    """Return the acceleration of gravity at sea level.

    Parameters
    ----------
    latitude_deg : float
        Latitude [deg], -90 to 90.

    Returns
    -------
    float
        Acceleration [m/s2], between 9.780 at the equator and 9.832 at the poles.

    Notes
    -----
    40 CFR 1065.630.

    >>> round(gravity_mps2(45.0), 10)
    9.8061992026
    """
    s2 = math.sin(math.radians(latitude_deg)) ** 2
    series = 1.0 + s2 * (5.2790414e-3 + s2 * (2.32718e-5 + s2 * (1.262e-7 + s2 * 7.0e-10)))
    return 9.7803267715 * series
