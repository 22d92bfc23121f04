"""Pulling at constant wheel power against ``F0 + F1 v + F2 v^2``: terminal speed, time, distance."""

from __future__ import annotations

import math

from analysis.physics.coasting import quadrature

__all__ = ["pull_distance_m", "pull_time_s", "terminal_speed_mps"]

#: No road vehicle is faster [m/s]; the search for a terminal speed ends here.
_FASTEST_MPS = 1.0e4


def terminal_speed_mps(power_w: float, f0: float, f1: float, f2: float) -> float:
    """Return the speed at which a constant wheel power just balances the road load.

    Parameters
    ----------
    power_w : float
        Wheel power [W], above 0.
    f0, f1, f2 : float
        Road load [N, N/(m/s), N/(m/s)^2].

    Returns
    -------
    float
        The lowest speed with ``(F0 + F1 v + F2 v^2) v = P`` [m/s]: where a pull from rest ends.

    Raises
    ------
    ValueError
        No such speed below 10,000 m/s: the road load is too small or negative.

    >>> round(terminal_speed_mps(100e3, 160.0, 0.0, 0.4) * 3.6, 3)
    219.169
    """
    if not (math.isfinite(power_w) and power_w > 0.0):
        msg = f"wheel power must be above 0 W, got {power_w:g} W"
        raise ValueError(msg)

    def excess_w(v: float) -> float:
        return _force(f0, f1, f2, v) * v - power_w

    low = 0.0
    for high in (*_extremes_of_power(f0, f1, f2), _FASTEST_MPS):
        if excess_w(high) >= 0.0:
            break
        low = high
    else:
        msg = (
            f"{power_w:g} W never meets its match: the road load {f0:g}, {f1:g}, {f2:g} stays "
            "too small at every speed"
        )
        raise ValueError(msg)
    while True:
        middle = (low + high) / 2.0
        if not low < middle < high:
            return high
        if excess_w(middle) >= 0.0:
            high = middle
        else:
            low = middle


def pull_time_s(
    mass_kg: float,
    power_w: float,
    f0: float,
    f1: float,
    f2: float,
    from_mps: float,
    to_mps: float,
) -> float:
    """Return how long a pull at constant wheel power takes.

    Parameters
    ----------
    mass_kg : float
        Effective mass [kg].
    power_w : float
        Wheel power [W].
    f0, f1, f2 : float
        Road load [N, N/(m/s), N/(m/s)^2].
    from_mps, to_mps : float
        Speeds, the first not above the second [m/s].

    Returns
    -------
    float
        Time [s]: the integral of ``m v dv / (P - F(v) v)``, by quadrature.

    Raises
    ------
    ValueError
        The power does not reach `to_mps`, or an argument is out of range.

    >>> round(pull_time_s(1575.0, 100e3, 160.0, 0.0, 0.4, 60 / 3.6, 100 / 3.6), 5)
    4.25655
    """
    _check_pull(mass_kg, power_w, f0, f1, f2, from_mps, to_mps)
    return mass_kg * quadrature(
        lambda v: v / (power_w - _force(f0, f1, f2, v) * v), from_mps, to_mps
    )


def pull_distance_m(
    mass_kg: float,
    power_w: float,
    f0: float,
    f1: float,
    f2: float,
    from_mps: float,
    to_mps: float,
) -> float:
    """Return how far a pull at constant wheel power goes.

    Arguments and errors as in `pull_time_s`.

    Returns
    -------
    float
        Distance [m]: the integral of ``m v^2 dv / (P - F(v) v)``, by quadrature.
    """
    _check_pull(mass_kg, power_w, f0, f1, f2, from_mps, to_mps)
    return mass_kg * quadrature(
        lambda v: v * v / (power_w - _force(f0, f1, f2, v) * v), from_mps, to_mps
    )


def _force(f0: float, f1: float, f2: float, v: float) -> float:
    return f0 + v * (f1 + v * f2)


def _check_pull(
    mass_kg: float,
    power_w: float,
    f0: float,
    f1: float,
    f2: float,
    from_mps: float,
    to_mps: float,
) -> None:
    """Raise ValueError where the pull cannot be: arguments, or a speed beyond the power."""
    for name, value in (("mass", mass_kg), ("wheel power", power_w)):
        if not (math.isfinite(value) and value > 0.0):
            msg = f"{name} must be above 0, got {value:g}"
            raise ValueError(msg)
    if not (math.isfinite(to_mps) and 0.0 <= from_mps <= to_mps):
        msg = f"a pull goes from a lower to a higher speed, got {from_mps:g} to {to_mps:g} m/s"
        raise ValueError(msg)
    turns = [v for v in _extremes_of_power(f0, f1, f2) if from_mps < v < to_mps]
    for v in (from_mps, *turns, to_mps):
        if _force(f0, f1, f2, v) * v >= power_w:
            msg = f"{power_w:g} W does not reach {to_mps:g} m/s: at {v:.4g} m/s the road load takes all"
            raise ValueError(msg)


def _extremes_of_power(f0: float, f1: float, f2: float) -> list[float]:
    """Return the positive speeds at which F(v) v has a maximum or minimum, rising."""
    a, b = 3.0 * f2, 2.0 * f1
    d = b * b - 4.0 * a * f0
    if d < 0.0:
        return []
    q = -(b + math.copysign(math.sqrt(d), b)) / 2.0
    zeros = [*([q / a] if a != 0.0 else []), *([f0 / q] if q != 0.0 else [])]
    return sorted(v for v in zeros if 0.0 < v < _FASTEST_MPS)
