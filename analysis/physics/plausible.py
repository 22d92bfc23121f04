"""What is plausible of a vehicle and its road load, and the findings where something is not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from analysis.physics.vehicle import (
    default_road_load_n,
    heavy_effective_mass_kg,
    in_gear_mass_factor,
)
from logger.findings import Finding
from logger.session.keys import ROTATING_MASS_DEFAULTS, VehicleKind
from logger.session.session import Vehicle
from logger.session.tyres import rolling_radius_m
from logger.units import STANDARD_GRAVITY_MPS2, convert

__all__ = ["ROAD_LOAD_WINDOWS", "RoadLoadWindow", "road_load_findings", "vehicle_findings"]

#: Width times height of a car over its frontal area; common practice, no source.
_BOX_PER_AREA = 1.25
#: A stated engine inertia this many times more or less than usual is likely to be in another unit.
_INERTIA_FACTOR = 6.0

#: Mass as driven [kg] that vehicles of each kind have; common practice, no source.
_USUAL_MASS_KG: dict[VehicleKind, tuple[float, float]] = {
    # the heaviest cars weigh some 2,700 kg; a car of 1,100 to 1,800 kg given in lb as if in kg is above
    "car": (500.0, 2_900.0),
    "van": (1_000.0, 7_500.0),
    "truck": (2_500.0, 44_000.0),
    "motorcycle": (110.0, 650.0),
    "bicycle": (40.0, 260.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
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


_FIFTY_MPH_MPS = 50.0 * 0.44704

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


def vehicle_findings(vehicle: Vehicle) -> tuple[Finding, ...]:
    """Report what is unusual or of no use in the description of the vehicle.

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
        findings.append(Finding(kind="mass_unusual", severity="warning", text=text))
    if vehicle.overall_ratios and vehicle.tyre is None:
        text = (
            "overall_ratios are stated but no tyre: without a rolling radius there is neither "
            "engine speed nor torque."
        )
        findings.append(Finding(kind="ratios_without_tyre", severity="note", text=text))
    findings += _odd_inertia(vehicle)
    if "rotating_mass" not in vehicle.stated:
        findings.append(_default_rotating_mass(vehicle))
    return tuple(findings)


def _odd_inertia(vehicle: Vehicle) -> list[Finding]:
    """Compare a stated engine inertia with what a textbook's mass factor makes of the mass."""
    stated = vehicle.engine_inertia_kg_m2
    if stated is None or vehicle.tyre is None or stated <= 0.0:
        return []
    per_square = in_gear_mass_factor(1.0) - in_gear_mass_factor(0.0)
    usual = per_square * vehicle.mass_kg * rolling_radius_m(vehicle.tyre) ** 2
    if usual / _INERTIA_FACTOR <= stated <= usual * _INERTIA_FACTOR:
        return []
    text = (
        f"An engine inertia of {stated:g} kg m2 is unusual: a vehicle of {vehicle.mass_kg:.0f} kg has "
        f"about {usual:.2g} kg m2 by a textbook's rule (Gillespie). Only what a slow steady test would "
        "show depends on it."
    )
    return [Finding(kind="engine_inertia_unusual", severity="warning", text=text)]


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
    return Finding(kind="rotating_mass_default", severity="note", text=text)


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
            findings.append(
                Finding(kind="road_load_high", severity="warning", text=f"{what}: {_HIGH}.")
            )
        elif force < low_n:
            findings.append(
                Finding(kind="road_load_low", severity="warning", text=f"{what}: {_LOW}.")
            )
    if not findings:
        findings += _above_default(vehicle, force_n, high_mps)
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
        findings.append(Finding(kind="f0_negative", severity="warning", text=text))
    elif share > high:
        findings.append(Finding(kind="f0_high", severity="warning", text=f"{what}: {_HIGH}."))
    elif share < low:
        findings.append(Finding(kind="f0_low", severity="warning", text=f"{what}: {_LOW}."))
    low, high = window.f2_n_per_mps2
    if not low <= f2 <= high:
        text = (
            f"F2 is {f2:.3f} N/(m/s)^2, where {low:g} to {high:g} are {known}: a wind, a unit of "
            "speed, or a range of speeds too narrow to tell F2 from F1 may be behind it."
        )
        findings.append(Finding(kind="f2_unusual", severity="warning", text=text))
    return tuple(findings)


def _above_default(
    vehicle: Vehicle, force_n: Callable[[float], float], speed_mps: float
) -> list[Finding]:
    """Compare the road load at the top of its speeds with the one a regulation assumes at worst."""
    area_m2 = vehicle.frontal_area_m2
    if area_m2 is None or vehicle.kind not in ("car", "van"):
        return []
    default_n = default_road_load_n(vehicle.mass_kg, area_m2 * _BOX_PER_AREA, 1.0, speed_mps)
    force = force_n(speed_mps)
    if force <= default_n:
        return []
    text = (
        f"The road load at {speed_mps * 3.6:.0f} km/h is {force:.0f} N, more than the {default_n:.0f} N "
        f"that UN GTR No. 15 (Annex 4, 5.2) assumes for a vehicle of {vehicle.mass_kg:.0f} kg and "
        f"{area_m2:g} m2 that was never measured, which is meant to be more than any needs: {_HIGH}."
    )
    return [Finding(kind="road_load_above_default", severity="warning", text=text)]


_HIGH = (
    "a gear or a dragging brake, a rising road, a headwind, cold or soft tyres, or too large a mass "
    "may be behind it"
)
_LOW = "a falling road, a tailwind, too small a mass or a wrong unit of speed may be behind it"
