"""The command `pullcoast plan`: an outing in, what it will show and a checklist out."""

from __future__ import annotations

import argparse
import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, cast

from analysis.terminal.errors import EXIT_NOTHING, EXIT_OK, complain
from logger.errors import SessionError
from logger.session.keys import VEHICLE, Quantity
from logger.session.overrides import apply_overrides, open_session
from logger.session.quantities import parse_mass, parse_quantity
from logger.session.session import Display
from logger.session.vehicle import vehicle_masses

if TYPE_CHECKING:
    from analysis.planning.outing import Outing
    from logger.session.keys import PowerUnit, SpeedUnit, VehicleKind
    from logger.session.session import Vehicle

__all__ = ["plan"]

_USUAL_MASS = "1500kg"
_SPEED = Quantity(what="speed", keys={}, unit="m/s", low=1.0, high=70.0)
_WIND = Quantity(what="wind along the road", keys={}, unit="m/s", low=-15.0, high=15.0)
_SLOPE = Quantity(what="mean slope of the road", keys={}, unit="%", low=-6.0, high=6.0)
_WANT = Quantity(what="wanted interval", keys={}, unit="%", low=0.1, high=50.0)
#: Slowest and fastest rates that a log may have [Hz].
_GPS_HZ, _ACCEL_HZ = (0.2, 25.0), (5.0, 2000.0)


def plan(arguments: argparse.Namespace) -> int:
    """Run ``pullcoast plan`` and return the exit status."""
    want = None
    if arguments.want is not None:
        want = parse_quantity(arguments.want, _WANT, "--want") / 100.0
    gps_hz = _rate(arguments.gps_hz, "--gps-hz", _GPS_HZ, none=False)
    accel_hz = _rate(arguments.accel_hz, "--accel-hz", _ACCEL_HZ, none=True)
    display = Display()
    if arguments.session is None:
        outing, said = _outing_guessed(arguments)
    else:
        outing, display = _outing_found(arguments)
        said = f"another outing like {Path(arguments.session).resolve().name}"
    outing = _with_options(outing, arguments, gps_hz, accel_hz)
    if outing.end_mps > 0.8 * outing.top_mps:
        found = (
            f"{3.6 * outing.end_mps:.0f} km/h, with a highest speed of {3.6 * outing.top_mps:.0f}"
        )
        option = "--end"
        raise SessionError(option, "", found, "well below the highest speed, for a coast-down")
    from analysis.planning.outing import NeverSlow
    from analysis.planning.plan import foretell, pairs_needed, variants
    from analysis.report.plan import plan_dict, plan_text
    from analysis.report.results_json import json_text

    try:
        foretold = foretell(outing)
    except NeverSlow as error:
        complain(str(error))
        return EXIT_NOTHING
    needed = pairs_needed(outing, want) if want is not None else ()
    found_ = (foretold, variants(outing), want, needed)
    if arguments.json:
        print(json_text(plan_dict(*found_)), end="")
        return EXIT_OK
    display = replace(
        display,
        power=cast("PowerUnit", arguments.power or display.power),
        speed=cast("SpeedUnit", arguments.speed_unit or display.speed),
    )
    print(plan_text(*found_, said=said, display=display))
    return EXIT_OK


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


def _vehicle(arguments: argparse.Namespace, mass: str, kind: VehicleKind) -> Vehicle:
    mass_kg = parse_mass(mass)
    sd_kg = None
    if arguments.mass_uncertainty is not None:
        sd_kg = parse_quantity(
            arguments.mass_uncertainty,
            VEHICLE["mass_uncertainty"],
            "--mass-uncertainty",
            mass_kg=mass_kg,
        )
    return vehicle_masses(kind, mass_kg, sd_kg)


def _outing_guessed(arguments: argparse.Namespace) -> tuple[Outing, str]:
    from analysis.planning.outing import guess

    kind = cast("VehicleKind", arguments.kind or "car")
    vehicle = _vehicle(arguments, arguments.mass or _USUAL_MASS, kind)
    said = f"a {kind} of {vehicle.mass_kg:.0f} kg"
    if arguments.mass is None:
        said += " (no --mass is given)"
    return guess(vehicle), said


def _outing_found(arguments: argparse.Namespace) -> tuple[Outing, Display]:
    """Analyse a session and plan another outing like it."""
    session = apply_overrides(
        open_session(
            Path(arguments.session),
            mass=arguments.mass,
            mass_uncertainty=arguments.mass_uncertainty,
            allow_outside=arguments.allow_outside,
        )
    )
    from analysis.planning.plan import outing_like
    from analysis.session_pipeline import analyse_session

    outing = outing_like(analyse_session(session, quiet=arguments.quiet))
    if arguments.kind is not None:
        kind = cast("VehicleKind", arguments.kind)
        outing = replace(outing, vehicle=replace(outing.vehicle, kind=kind))
    return outing, session.display


def _with_options(
    outing: Outing, arguments: argparse.Namespace, gps_hz: float | None, accel_hz: float | None
) -> Outing:
    """Put what the command line says over what was guessed or found."""

    def speed(text: str | None, option: str, quantity: Quantity, otherwise: float) -> float:
        return otherwise if text is None else parse_quantity(text, quantity, option)

    slope = outing.slope
    if arguments.slope is not None:
        slope = parse_quantity(arguments.slope, _SLOPE, "--slope") / 100.0
    return replace(
        outing,
        pairs=arguments.pairs or outing.pairs,
        top_mps=speed(arguments.top, "--top", _SPEED, outing.top_mps),
        end_mps=speed(arguments.end, "--end", _SPEED, outing.end_mps),
        wind_mps=speed(arguments.wind, "--wind", _WIND, outing.wind_mps),
        slope=slope,
        gps_hz=outing.gps_hz if gps_hz is None else gps_hz,
        accel_hz=outing.accel_hz if accel_hz is None else accel_hz,
    )
