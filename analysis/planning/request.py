"""The outing that a plan is asked for: guessed from a vehicle, or like one that was driven."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

from analysis.planning.outing import Outing, guess
from analysis.planning.plan import outing_like
from analysis.session_pipeline import analyse_session
from logger.errors import SessionError, real_path
from logger.session.keys import VEHICLE, Quantity, VehicleKind
from logger.session.overrides import apply_overrides, open_session
from logger.session.quantities import parse_mass, parse_quantity
from logger.session.session import Display
from logger.session.vehicle import vehicle_masses

__all__ = ["PlanRequest", "requested_outing", "wanted_share"]

_USUAL_MASS = "1500kg"
_SPEED = Quantity(what="speed", keys={}, unit="m/s", low=1.0, high=70.0)
_WIND = Quantity(what="wind along the road", keys={}, unit="m/s", low=-15.0, high=15.0)
_SLOPE = Quantity(what="mean slope of the road", keys={}, unit="%", low=-6.0, high=6.0)
_WANT = Quantity(what="wanted interval", keys={}, unit="%", low=0.1, high=50.0)
#: Slowest and fastest rates that a log may have [Hz].
_GPS_HZ, _ACCEL_HZ = (0.2, 25.0), (5.0, 2000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """What an outing is to be like, each as typed with its unit; None where not given."""

    pairs: int | None = None
    mass: str | None = None
    mass_uncertainty: str | None = None
    kind: str | None = None
    top: str | None = None
    end: str | None = None
    wind: str | None = None
    slope: str | None = None
    gps_hz: str | None = None
    accel_hz: str | None = None


def wanted_share(text: str | None) -> float | None:
    """Return a wanted interval, +/-, as a share."""
    return None if text is None else parse_quantity(text, _WANT, "--want") / 100.0


def requested_outing(
    request: PlanRequest, session: Path | None, *, allow_outside: bool, quiet: bool
) -> tuple[Outing, Display, str]:
    """Return the outing to plan.

    Parameters
    ----------
    request : PlanRequest
        Wins over what was driven.
    session : Path or None
        Plan another outing like this session's.
    allow_outside : bool
        Whether the session may name logs outside its folder.
    quiet : bool
        Show no progress.

    Returns
    -------
    outing : Outing
        To plan.
    display : Display
        Units of the session.
    name : str
        What it is: "a car of 1480 kg".

    Raises
    ------
    SessionError
        A number or a session that cannot be used.
    """
    gps_hz = _rate(request.gps_hz, "--gps-hz", _GPS_HZ, none=False)
    accel_hz = _rate(request.accel_hz, "--accel-hz", _ACCEL_HZ, none=True)
    display = Display()
    if session is None:
        outing, name = _outing_guessed(request)
    else:
        outing, display = _outing_found(request, session, allow_outside=allow_outside, quiet=quiet)
        name = f"another outing like {real_path(session).name}"
    outing = _with_options(outing, request, gps_hz, accel_hz)
    if outing.end_mps > 0.8 * outing.top_mps:
        found = (
            f"{3.6 * outing.end_mps:.0f} km/h, with a highest speed of {3.6 * outing.top_mps:.0f}"
        )
        option = "--end"
        raise SessionError(option, "", found, "well below the highest speed, for a coast-down")
    return outing, display, name


def _rate(
    text: str | None, option: str, limits: tuple[float, float], *, none: bool
) -> float | None:
    """Read a rate [Hz]; 0 where there may be none."""
    if text is None:
        return None
    try:
        rate = float(text)
    except ValueError:
        rate = math.nan
    if none and rate == 0.0:
        return 0.0
    low, high = limits
    if not low <= rate <= high:
        expected = f"a rate from {low:g} to {high:g} Hz" + (", or 0 for none" if none else "")
        raise SessionError(option, "", repr(text), expected)
    return rate


def _outing_guessed(request: PlanRequest) -> tuple[Outing, str]:
    """Return an outing with a vehicle of which little is known, and what it is."""
    kind = cast("VehicleKind", request.kind or "car")
    mass_kg, sd_kg = parse_mass(request.mass or _USUAL_MASS), None
    if request.mass_uncertainty is not None:
        sd_kg = parse_quantity(
            request.mass_uncertainty,
            VEHICLE["mass_uncertainty"],
            "--mass-uncertainty",
            mass_kg=mass_kg,
        )
    vehicle = vehicle_masses(kind, mass_kg, sd_kg)
    name = f"a {kind} of {vehicle.mass_kg:.0f} kg"
    return guess(vehicle), name if request.mass else f"{name} (no --mass is given)"


def _outing_found(
    request: PlanRequest, path: Path, *, allow_outside: bool, quiet: bool
) -> tuple[Outing, Display]:
    """Analyse a session and return another outing like it."""
    session = open_session(
        path,
        mass=request.mass,
        mass_uncertainty=request.mass_uncertainty,
        allow_outside=allow_outside,
    )
    session = apply_overrides(session)
    outing = outing_like(analyse_session(session, quiet=quiet))
    if request.kind is not None:
        kind = cast("VehicleKind", request.kind)
        outing = replace(outing, vehicle=replace(outing.vehicle, kind=kind))
    return outing, session.display


def _with_options(
    outing: Outing, request: PlanRequest, gps_hz: float | None, accel_hz: float | None
) -> Outing:
    """Put what is requested over what was guessed or found."""

    def speed(text: str | None, option: str, quantity: Quantity, otherwise: float) -> float:
        return otherwise if text is None else parse_quantity(text, quantity, option)

    slope = outing.slope
    if request.slope is not None:
        slope = parse_quantity(request.slope, _SLOPE, "--slope") / 100.0
    return replace(
        outing,
        pairs=request.pairs or outing.pairs,
        top_mps=speed(request.top, "--top", _SPEED, outing.top_mps),
        end_mps=speed(request.end, "--end", _SPEED, outing.end_mps),
        wind_mps=speed(request.wind, "--wind", _WIND, outing.wind_mps),
        slope=slope,
        gps_hz=outing.gps_hz if gps_hz is None else gps_hz,
        accel_hz=outing.accel_hz if accel_hz is None else accel_hz,
    )
