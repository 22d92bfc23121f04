"""The vehicle in figures: rolling radius, turning masses, engine speed, and what is plausible."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from logger.findings import Finding
from logger.session import Vehicle
from logger.session_keys import ROTATING_MASS_DEFAULTS, VehicleKind
from logger.tyres import rolling_radius_m
from logger.units import STANDARD_GRAVITY_MPS2, convert

__all__ = [
    "ROAD_LOAD_WINDOWS",
    "RoadLoadWindow",
    "coefficients_from_epa",
    "effective_mass_kg",
    "engine_speed_rpm",
    "equivalent_mass_kg",
    "heavy_effective_mass_kg",
    "road_load_findings",
    "rolling_radius_m",
    "vehicle_findings",
]

#: Equivalent mass of each tyre on the road with its wheel [kg]; 40 CFR 1037.528.
_HEAVY_TYRE_KG = 56.7

_LBF_N = 4.4482216152605
_MPH_MPS = 0.44704

#: Mass as driven [kg] that vehicles of each kind have; common practice, no source.
_USUAL_MASS_KG: dict[VehicleKind, tuple[float, float]] = {
    # the heaviest cars weigh some 2,700 kg; a car of 1,100 to 1,800 kg given in lb as if in kg is above
    "car": (500.0, 2_900.0),
    "van": (1_000.0, 7_500.0),
    "truck": (2_500.0, 44_000.0),
    "motorcycle": (110.0, 650.0),
    "bicycle": (40.0, 260.0),
}


@dataclass(frozen=True, slots=True)
class RoadLoadWindow:
    """Road loads that vehicles of one kind have; outside it something is likely to be wrong.

    Parameters
    ----------
    rolling_share : (low, high)
        F0 over the weight ``m g``.
    f2_n_per_mps2 : (low, high)
        Square coefficient [N/(m/s)^2].
    speed_mps : float
        A speed that runs of this kind usually cover [m/s].
    force_n : (low, high)
        Road load at that speed [N].
    source : str
        Where the figures are from.
    """

    rolling_share: tuple[float, float]
    f2_n_per_mps2: tuple[float, float]
    speed_mps: float
    force_n: tuple[float, float]
    source: str


_FIFTY_MPH_MPS = 50.0 * _MPH_MPS

ROAD_LOAD_WINDOWS: dict[VehicleKind, RoadLoadWindow] = {
    "car": RoadLoadWindow(
        rolling_share=(0.0047, 0.0151),
        f2_n_per_mps2=(0.27, 1.02),
        speed_mps=_FIFTY_MPH_MPS,
        force_n=(303.0, 817.0),
        source="1st to 99th percentile of the target coefficients in the US EPA test car list of "
        "model year 2022",
    ),
    "van": RoadLoadWindow(
        rolling_share=(0.0047, 0.0160),
        f2_n_per_mps2=(0.35, 1.80),
        speed_mps=_FIFTY_MPH_MPS,
        force_n=(350.0, 1_400.0),
        source="common practice, no source",
    ),
    "truck": RoadLoadWindow(
        rolling_share=(0.0035, 0.0140),
        f2_n_per_mps2=(1.2, 7.0),
        speed_mps=_FIFTY_MPH_MPS,
        force_n=(900.0, 7_500.0),
        source="common practice, no source",
    ),
    "motorcycle": RoadLoadWindow(
        rolling_share=(0.004, 0.030),
        f2_n_per_mps2=(0.15, 0.70),
        speed_mps=60.0 / 3.6,
        force_n=(60.0, 320.0),
        source="common practice, no source",
    ),
    "bicycle": RoadLoadWindow(
        rolling_share=(0.002, 0.020),
        f2_n_per_mps2=(0.02, 0.55),
        speed_mps=25.0 / 3.6,
        force_n=(3.0, 60.0),
        source="common practice, no source",
    ),
}


def equivalent_mass_kg(inertia_kg_m2: float, radius_m: float, ratio: float = 1.0) -> float:
    """Return the mass that resists acceleration as much as something turning does.

    Parameters
    ----------
    inertia_kg_m2 : float
        Moment of inertia [kg m2].
    radius_m : float
        Rolling radius of the wheels [m].
    ratio : float
        Its turns per wheel turn; 1 for a wheel, the overall ratio for an engine.

    Returns
    -------
    float
        ``I (ratio / r)^2`` [kg].

    >>> round(equivalent_mass_kg(0.2, 0.30, ratio=13.0))
    376
    """
    return inertia_kg_m2 * (ratio / radius_m) ** 2


def engine_speed_rpm(speed_mps: float, overall_ratio: float, radius_m: float) -> float:
    """Return the engine speed without slip.

    Parameters
    ----------
    speed_mps : float
        Vehicle speed [m/s].
    overall_ratio : float
        Engine turns per wheel turn.
    radius_m : float
        Rolling radius [m].

    Returns
    -------
    float
        ``60 v ratio / (2 pi r)`` [1/min].

    >>> round(engine_speed_rpm(27.0, 3.5, 0.3067))
    2942
    """
    return 60.0 * speed_mps * overall_ratio / (2.0 * math.pi * radius_m)


def effective_mass_kg(vehicle: Vehicle) -> tuple[float, float]:
    """Return mass plus rotating mass, and its standard deviation.

    Parameters
    ----------
    vehicle : Vehicle
        As stated.

    Returns
    -------
    (mass_kg, sd_kg)
        The two uncertainties add in squares. A rotating mass that is a default share of the mass
        errs with it, so that their sum errs by ``1 + share`` times the error of the mass.
    """
    follows = "rotating_mass" not in vehicle.stated and vehicle.mass_kg > 0.0
    share = vehicle.rotating_mass_kg / vehicle.mass_kg if follows else 0.0
    sd_kg = math.hypot(vehicle.mass_sd_kg * (1.0 + share), vehicle.rotating_mass_sd_kg)
    return vehicle.effective_mass_kg, sd_kg


def heavy_effective_mass_kg(mass_kg: float, tyres: int) -> float:
    """Return the effective mass of a heavy vehicle [kg]: 56.7 kg for each tyre on the road.

    40 CFR 1037.528. The mass [kg] is as driven, twin tyres count as two.

    >>> round(heavy_effective_mass_kg(16108.0, 18), 1)
    17128.6
    """
    return mass_kg + _HEAVY_TYRE_KG * tyres


def coefficients_from_epa(
    a_lbf: float, b_lbf_per_mph: float, c_lbf_per_mph2: float
) -> tuple[float, float, float]:
    """Return published target coefficients in SI units.

    Parameters
    ----------
    a_lbf, b_lbf_per_mph, c_lbf_per_mph2 : float
        As in the US EPA test car lists [lbf, lbf/mph, lbf/mph^2].

    Returns
    -------
    (f0, f1, f2)
        [N, N/(m/s), N/(m/s)^2]; 1 lbf = 4.4482216152605 N, 1 mph = 0.44704 m/s, both exact.

    >>> [round(f, 4) for f in coefficients_from_epa(31.795, 0.23925, 0.017549)]
    [141.4312, 2.3806, 0.3906]
    """
    return (
        a_lbf * _LBF_N,
        b_lbf_per_mph * _LBF_N / _MPH_MPS,
        c_lbf_per_mph2 * _LBF_N / _MPH_MPS**2,
    )


def vehicle_findings(vehicle: Vehicle) -> tuple[Finding, ...]:
    """Say what is unusual or of no use in the description of the vehicle.

    Parameters
    ----------
    vehicle : Vehicle
        As stated.

    Returns
    -------
    tuple of Finding
        A mass that its kind does not have, ratios without a tyre, a rotating mass by default.
    """
    findings = []
    low, high = _USUAL_MASS_KG[vehicle.kind]
    if not low <= vehicle.mass_kg <= high:
        fitting = [
            kind
            for kind, (least, most) in _USUAL_MASS_KG.items()
            if least <= vehicle.mass_kg <= most
        ]
        remedy = f" Is it a {' or '.join(fitting)}?" if fitting else ""
        in_lb_kg = convert(vehicle.mass_kg, "lb", "kg")
        if vehicle.mass_kg > high and low <= in_lb_kg <= high:
            remedy += (
                f" If it is {vehicle.mass_kg:.0f} lb, that is {in_lb_kg:.0f} kg: state mass_lb, or "
                "--mass with its unit."
            )
        text = (
            f"A mass of {vehicle.mass_kg:.0f} kg is unusual for a {vehicle.kind} "
            f"({low:.0f} to {high:.0f} kg): forces and powers are proportional to it.{remedy}"
        )
        findings.append(Finding("mass_unusual", "warning", text))
    if vehicle.overall_ratios and vehicle.tyre is None:
        text = (
            "overall_ratios are stated but no tyre: without a rolling radius there is neither "
            "engine speed nor torque."
        )
        findings.append(Finding("ratios_without_tyre", "note", text))
    if "rotating_mass" not in vehicle.stated:
        findings.append(_default_rotating_mass(vehicle))
    return tuple(findings)


def _default_rotating_mass(vehicle: Vehicle) -> Finding:
    default = ROTATING_MASS_DEFAULTS[vehicle.kind]
    text = (
        f"No rotating mass is stated: {default.percent:g} % of the mass, "
        f"{vehicle.rotating_mass_kg:.0f} kg within {vehicle.rotating_mass_sd_kg:.0f}, is taken for a "
        f"{vehicle.kind} ({default.source})."
    )
    if vehicle.kind == "truck":
        masses = ", ".join(
            f"{heavy_effective_mass_kg(0.0, tyres):.0f} kg for {tyres}" for tyres in (6, 10, 18)
        )
        text += f" By number of tyres on the road it is {masses}."
    return Finding("rotating_mass_default", "note", text)


def road_load_findings(
    vehicle: Vehicle,
    force_n: Callable[[float], float],
    speed_range_mps: tuple[float, float],
    coefficients: tuple[float, float, float] | None = None,
) -> tuple[Finding, ...]:
    """Compare a road load with those of its kind of vehicle.

    Parameters
    ----------
    vehicle : Vehicle
        Kind and mass.
    force_n : callable
        Road load [N] over speed [m/s].
    speed_range_mps : (low, high)
        Speeds that coast-downs covered [m/s]; the force is judged inside them only.
    coefficients : (f0, f1, f2), optional
        [N, N/(m/s), N/(m/s)^2]; None where the speeds were too narrow to tell them apart.

    Returns
    -------
    tuple of Finding
        One warning for each figure outside its window, with the likeliest causes.
    """
    window = ROAD_LOAD_WINDOWS[vehicle.kind]
    known = f"usual for a {vehicle.kind} ({window.source})"
    findings = []
    low_mps, high_mps = speed_range_mps
    if low_mps <= window.speed_mps <= high_mps:
        force = force_n(window.speed_mps)
        low_n, high_n = window.force_n
        what = (
            f"The road load at {window.speed_mps * 3.6:.0f} km/h is {force:.0f} N, where "
            f"{low_n:.0f} to {high_n:.0f} N are {known}"
        )
        if force > high_n:
            findings.append(Finding("road_load_high", "warning", f"{what}: {_HIGH}."))
        elif force < low_n:
            findings.append(Finding("road_load_low", "warning", f"{what}: {_LOW}."))
    if coefficients is None:
        return tuple(findings)
    f0, _, f2 = coefficients
    share = f0 / (vehicle.mass_kg * STANDARD_GRAVITY_MPS2)
    low, high = window.rolling_share
    what = f"F0 is {f0:.0f} N, {share * 100:.2f} % of the weight, where {low * 100:.2g} to "
    what += f"{high * 100:.2g} % are {known}"
    if f0 < 0.0:
        text = (
            f"F0 is negative ({f0:.0f} N), which no rolling resistance is: the road falls by about "
            f"{(low - share) * 100:.1f} % or more, a wind blew from behind, or the vehicle was "
            "pushed; add runs the other way."
        )
        findings.append(Finding("f0_negative", "warning", text))
    elif share > high:
        findings.append(Finding("f0_high", "warning", f"{what}: {_HIGH}."))
    elif share < low:
        findings.append(Finding("f0_low", "warning", f"{what}: {_LOW}."))
    low, high = window.f2_n_per_mps2
    if not low <= f2 <= high:
        text = (
            f"F2 is {f2:.3f} N/(m/s)^2, where {low:g} to {high:g} are {known}: a wind, a unit of "
            "speed, or a range of speeds too narrow to tell F2 from F1 may be behind it."
        )
        findings.append(Finding("f2_unusual", "warning", text))
    return tuple(findings)


_HIGH = (
    "a gear or a dragging brake, a rising road, a head wind, cold or soft tyres, or too large a mass "
    "may be behind it"
)
_LOW = "a falling road, a tail wind, too small a mass or a wrong unit of speed may be behind it"
