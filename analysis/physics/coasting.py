"""Coasting in closed form: time, distance and speed under ``F0 + F1 v + F2 v^2``.

All functions are pure and take SI floats. The usual three closed forms (arctangent, logarithm,
fraction) are one function each here, written so that no branch divides by what vanishes at its
border: with ``dv = v1 - v2`` and ``Q = F0 + F1 (v1 + v2) / 2 + F2 v1 v2`` the angle between the two
arctangents is ``atan(sqrt(D) dv / (2 Q))``, ``D = 4 F0 F2 - F1^2``, in which F2 is no divisor.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy.integrate import quad

__all__ = [
    "coast_distance_m",
    "coast_place_m",
    "coast_time_s",
    "quadrature",
    "speed_after_s",
]

#: Where F2 v is a smaller share of F1 than this, the closed form of the distance, a difference divided
#: by F2, would lose more than six of its sixteen digits; quadrature takes over.
_SMALL_F2 = 1e-6
#: A divisor below this has lost digits of its own (subnormal numbers).
_TINY_F2 = 1e-250


def coast_time_s(
    mass_kg: float, f0: float, f1: float, f2: float, from_mps: float, to_mps: float
) -> float:
    """Return how long a vehicle coasts from one speed down to another.

    Parameters
    ----------
    mass_kg : float
        Effective mass [kg].
    f0, f1, f2 : float
        Road load [N, N/(m/s), N/(m/s)^2], any signs.
    from_mps, to_mps : float
        Speeds, the first not below the second [m/s].

    Returns
    -------
    float
        Time [s].

    Raises
    ------
    ValueError
        The vehicle never reaches `to_mps` because the force vanishes before, or an argument is
        out of range.

    Notes
    -----
    ``m`` times the integral of ``dv / (F0 + F1 v + F2 v^2)``; the arctangent form is 40 CFR
    86.529-98's with F1 = 0.

    >>> round(coast_time_s(1550.0, 160.0, 0.0, 0.4, 130 / 3.6, 20 / 3.6), 4)
    153.8488
    """
    _check_coast(mass_kg, f0, f1, f2, from_mps, to_mps)
    return mass_kg * _inverse_force_integral(f0, f1, f2, from_mps, to_mps)


def coast_distance_m(
    mass_kg: float, f0: float, f1: float, f2: float, from_mps: float, to_mps: float
) -> float:
    """Return how far a vehicle coasts from one speed down to another.

    Arguments and errors as in `coast_time_s`.

    Returns
    -------
    float
        Distance [m]: ``m`` times the integral of ``v dv / F(v)``, which is
        ``m / (2 F2) ln(F(v1) / F(v2)) - F1 / (2 F2) t``.

    >>> round(coast_distance_m(1550.0, 160.0, 0.0, 0.4, 130 / 3.6, 20 / 3.6), 2)
    2663.96
    """
    _check_coast(mass_kg, f0, f1, f2, from_mps, to_mps)
    change = from_mps - to_mps
    middle = (from_mps + to_mps) / 2.0
    if change == 0.0:
        return 0.0
    if f1 == 0.0 and f2 == 0.0:
        return mass_kg * change * middle / f0
    if abs(f2) * middle <= max(_SMALL_F2 * abs(f1), _TINY_F2):
        return mass_kg * quadrature(lambda v: v / _force(f0, f1, f2, v), to_mps, from_mps)
    low_n, high_n = _force(f0, f1, f2, to_mps), _force(f0, f1, f2, from_mps)
    if high_n > 2.0 * low_n:
        log_ratio = math.log(high_n) - math.log(low_n)
    else:
        log_ratio = math.log1p(change * (f1 + 2.0 * f2 * middle) / low_n)
    inverse = _inverse_force_integral(f0, f1, f2, from_mps, to_mps)
    return mass_kg * (log_ratio - f1 * inverse) / (2.0 * f2)


def speed_after_s(
    mass_kg: float, f0: float, f1: float, f2: float, from_mps: float, time_s: float
) -> float:
    """Return the speed of a coasting vehicle after some time.

    Parameters
    ----------
    mass_kg, f0, f1, f2 : float
        As in `coast_time_s`. A negative force (a road that falls) makes the vehicle faster.
    from_mps : float
        Speed at the start [m/s].
    time_s : float
        Time since [s].

    Returns
    -------
    float
        Speed [m/s]; 0 once the vehicle stands.

    Raises
    ------
    ValueError
        An argument out of range, or a negative F2 that lets the speed grow without bound.

    >>> round(speed_after_s(1550.0, 160.0, 0.0, 0.4, 130 / 3.6, 30.0) * 3.6, 4)
    92.6504
    """
    _check_start(mass_kg, from_mps, time_s)
    force = _force(f0, f1, f2, from_mps)
    stops = _slows_down_to(f0, f1, f2, from_mps, 0.0)
    if stops and time_s >= coast_time_s(mass_kg, f0, f1, f2, from_mps, 0.0):
        return 0.0
    cosine, sine = _angle(mass_kg, f0, f1, f2, time_s)
    growth = cosine + (f1 + 2.0 * f2 * from_mps) * sine
    d = _discriminant(f0, f1, f2)
    beyond = d > 0.0 and math.sqrt(d) * time_s / (2.0 * mass_kg) >= math.pi
    if growth <= 0.0 or beyond:
        msg = f"with F2 = {f2:g} the speed grows beyond all bounds within {time_s:g} s"
        raise ValueError(msg)
    return max(from_mps - 2.0 * force * sine / growth, 0.0)


def coast_place_m(
    mass_kg: float, f0: float, f1: float, f2: float, from_mps: float, time_s: float
) -> float:
    """Return the distance that a coasting vehicle has covered after some time.

    Arguments and errors as in `speed_after_s`.

    Returns
    -------
    float
        Distance [m]; constant once the vehicle stands.

    >>> round(coast_place_m(1550.0, 160.0, 0.0, 0.4, 130 / 3.6, 30.0), 3)
    915.468
    """
    end_mps = speed_after_s(mass_kg, f0, f1, f2, from_mps, time_s)
    if end_mps == 0.0 and from_mps > 0.0:
        return coast_distance_m(mass_kg, f0, f1, f2, from_mps, 0.0)
    if from_mps == 0.0 and end_mps == 0.0:
        return 0.0
    if f1 == 0.0 and f2 == 0.0:
        return time_s * (from_mps - f0 * time_s / (2.0 * mass_kg))
    if abs(f2) * max(from_mps, end_mps) <= max(_SMALL_F2 * abs(f1), _TINY_F2):
        return quadrature(lambda t: speed_after_s(mass_kg, f0, f1, f2, from_mps, t), 0.0, time_s)
    # v = (m y'/y - F1/2) / F2 turns the equation of motion into y'' = -(D / 4 m^2) y
    half = math.sqrt(abs(_discriminant(f0, f1, f2))) * time_s / (2.0 * mass_kg)
    slope = f1 + 2.0 * f2 * from_mps
    if _discriminant(f0, f1, f2) >= 0.0:
        _, sine = _angle(mass_kg, f0, f1, f2, time_s)
        log_y = math.log1p(-2.0 * math.sin(half / 2.0) ** 2 + slope * sine)
    elif half < 1.0:
        _, tangent = _angle(mass_kg, f0, f1, f2, time_s)
        log_y = math.log1p(2.0 * math.sinh(half / 2.0) ** 2 + slope * tangent * math.cosh(half))
    else:
        _, tangent = _angle(mass_kg, f0, f1, f2, time_s)
        log_cosh = half + math.log1p(math.exp(-2.0 * half)) - math.log(2.0)
        log_y = log_cosh + math.log(1.0 + slope * tangent)
    return (mass_kg * log_y - f1 * time_s / 2.0) / f2


def _force(f0: float, f1: float, f2: float, v: float) -> float:
    return f0 + v * (f1 + v * f2)


def _discriminant(f0: float, f1: float, f2: float) -> float:
    return 4.0 * f0 * f2 - f1 * f1


def _inverse_force_integral(f0: float, f1: float, f2: float, high: float, low: float) -> float:
    """Return the integral of dv / F(v) over [low, high], on which F is positive."""
    change = high - low
    q = f0 + f1 * (high + low) / 2.0 + f2 * high * low
    d = _discriminant(f0, f1, f2)
    root = math.sqrt(abs(d))
    if d > 0.0:
        # q may be negative: the angle then lies beyond a right angle
        return 2.0 / root * math.atan2(root * change, 2.0 * q) if root * change else change / q
    y = root * change / (2.0 * q)
    if y == 0.0:
        return change / q
    if y < 0.5:
        return 2.0 / root * math.atanh(y)
    # q^2 - |D| change^2 / 4 = F(high) F(low) keeps the digits that 1 - y loses near a zero of F
    ends = math.sqrt(_force(f0, f1, f2, high)) * math.sqrt(_force(f0, f1, f2, low))
    return 2.0 / root * math.log((q + root * change / 2.0) / ends)


def _angle(mass_kg: float, f0: float, f1: float, f2: float, time_s: float) -> tuple[float, float]:
    """Return (cos, sin / root D) of the angle root D t / (2 m), divided by cosh where D < 0."""
    d = _discriminant(f0, f1, f2)
    root = math.sqrt(abs(d))
    half = root * time_s / (2.0 * mass_kg)
    if half == 0.0:
        return 1.0, time_s / (2.0 * mass_kg)
    if d > 0.0:
        return math.cos(half), math.sin(half) / root
    return 1.0, math.tanh(half) / root


def _slows_down_to(f0: float, f1: float, f2: float, high: float, low: float) -> bool:
    """Return whether the force stays positive from the high speed down to the low one."""
    if min(_force(f0, f1, f2, high), _force(f0, f1, f2, low)) <= 0.0:
        return False
    lowest_at_inside = f2 > 0.0 and low < -f1 / (2.0 * f2) < high
    return not lowest_at_inside or _discriminant(f0, f1, f2) > 0.0


def _settling_speed(f0: float, f1: float, f2: float, below: float) -> float | None:
    """Return the highest speed up to `below` at which F vanishes."""
    d = -_discriminant(f0, f1, f2)
    if f2 == 0.0:
        zeros = [-f0 / f1] if f1 != 0.0 else []
    elif d < 0.0:
        zeros = []
    else:
        q = -(f1 + math.copysign(math.sqrt(d), f1)) / 2.0
        zeros = [q / f2, *([f0 / q] if q != 0.0 else [])]
    inside = [zero for zero in zeros if zero <= below]
    return max(inside, default=None)


def _check_coast(
    mass_kg: float, f0: float, f1: float, f2: float, from_mps: float, to_mps: float
) -> None:
    """Raise ValueError where the coast-down cannot be: arguments, or a force that vanishes."""
    _check_start(mass_kg, from_mps, 0.0)
    if not (math.isfinite(to_mps) and 0.0 <= to_mps <= from_mps):
        msg = f"a vehicle coasts from a higher to a lower speed, got {from_mps:g} to {to_mps:g} m/s"
        raise ValueError(msg)
    force = _force(f0, f1, f2, from_mps)
    if from_mps == to_mps and force > 0.0:
        return
    if force <= 0.0:
        msg = (
            f"the force at {from_mps:g} m/s is {force:.4g} N: the vehicle does not slow down and "
            f"never reaches {to_mps:g} m/s"
        )
        raise ValueError(msg)
    if not _slows_down_to(f0, f1, f2, from_mps, to_mps):
        settles = _settling_speed(f0, f1, f2, from_mps)
        where = "" if settles is None else f", it settles at {settles:.4g} m/s"
        msg = f"the vehicle never reaches {to_mps:g} m/s{where}"
        raise ValueError(msg)


def _check_start(mass_kg: float, from_mps: float, time_s: float) -> None:
    """Raise ValueError where mass, speed or time is out of range."""
    if not (math.isfinite(mass_kg) and mass_kg > 0.0):
        msg = f"mass must be above 0 kg, got {mass_kg:g} kg"
        raise ValueError(msg)
    if not (math.isfinite(from_mps) and from_mps >= 0.0):
        msg = f"a speed is not negative, got {from_mps:g} m/s"
        raise ValueError(msg)
    if not (math.isfinite(time_s) and time_s >= 0.0):
        msg = f"a time is not negative, got {time_s:g} s"
        raise ValueError(msg)


def quadrature(integrand: Callable[[float], float], low: float, high: float) -> float:
    """Integrate a smooth function from `low` to `high` to about 12 digits, adaptively."""
    if low == high:
        return 0.0
    # full output instead of warnings: beside a terminal speed the integral is as good as its inputs
    result = quad(integrand, low, high, epsabs=0.0, epsrel=1e-12, limit=200, full_output=1)
    return float(result[0])
