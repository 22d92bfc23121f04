"""One side of a comparison as an earlier results.json still tells it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np

from analysis.model.covariance import Z95
from analysis.physics.air import AirState
from analysis.report.read_results import read_results, read_results_road_load
from analysis.results.power import GearCurve, PowerCurve
from analysis.results.reference import REFERENCE_TEMPERATURE_C, ROLLING_PER_K
from analysis.results.validity import NothingUsable
from analysis.session_pipeline import analyse_session
from analysis.sessions.side import Side, side_of
from logger.errors import ReadError, SessionError
from logger.session.keys import VEHICLE_KINDS, PowerUnit, SpeedUnit, VehicleKind
from logger.session.overrides import apply_overrides, open_session
from logger.session.session import Display, Vehicle

__all__ = ["side_of_path", "side_of_results"]

# JSON values as they come: any shape is possible until checked
_Json = Any


def side_of_path(
    name: str,
    path: Path,
    *,
    power: str | None = None,
    speed: str | None = None,
    allow_outside: bool = False,
    quiet: bool = False,
) -> Side:
    """Analyse a session, or read an earlier result of it; messages name the one that failed.

    Parameters
    ----------
    name : str
        What to call it.
    path : Path
        A session's folder, its session.toml, or a results.json or a folder with one.
    power, speed : str, optional
        Units for people; they win over those of the session.
    allow_outside : bool
        Whether a session may name logs outside its folder.
    quiet : bool
        Show no progress.

    Returns
    -------
    Side
        One side of a comparison.

    Raises
    ------
    SessionError, ReadError, NothingUsable
        What is there cannot be used.
    """
    results = _results_file(path)
    if results is not None:
        side = side_of_results(name, results)
        display = replace(
            side.display,
            power=cast("PowerUnit", power or side.display.power),
            speed=cast("SpeedUnit", speed or side.display.speed),
        )
        return replace(side, display=display)
    if not path.exists():
        raise SessionError(str(path), "", "does not exist", "a session folder or a results.json")
    if path.is_dir() and not (path / "session.toml").exists():
        remedy = "Write one, or compare the results.json that `pullcoast report` wrote"
        raise SessionError(str(path), "", "has no session.toml", "a session folder", remedy)
    session = apply_overrides(
        open_session(path, allow_outside=allow_outside),
        power=power,
        speed=speed,
    )
    try:
        return side_of(name, analyse_session(session, quiet=quiet))
    except NothingUsable as error:
        raise NothingUsable(tuple(f"{path}: {reason}" for reason in error.reasons)) from error


def _results_file(path: Path) -> Path | None:
    """Return the results.json that a path stands for, or None where it is a session."""
    if path.suffix == ".json":
        return path
    if path.is_dir() and not (path / "session.toml").exists():
        for place in (path / "results.json", path / "results" / "results.json"):
            if place.exists():
                return place
    return None


def side_of_results(name: str, path: Path) -> Side:
    """Read one side from an earlier results.json.

    What the file does not hold cannot be cancelled later: the road, the slope's share, and in a
    file that does not name the vehicle its mass.

    Parameters
    ----------
    name : str
        What to call it.
    path : Path
        The file.

    Returns
    -------
    Side
        With what the file tells.

    Raises
    ------
    ReadError
        No results.json, or one whose numbers cannot be used.
    """
    file = str(path)
    results = read_results(path)
    session = _object(file, results, "session")
    names = ("mass_kg", "mass_sd_kg", "rotating_mass_kg", "rotating_mass_sd_kg")
    mass, mass_sd, rotating, rotating_sd = (_number(file, session, "session", key) for key in names)
    if not mass > 0.0:
        raise ReadError(file, f"session.mass_kg is {mass:g}", "above 0")
    masses = Vehicle(
        mass_kg=mass,
        mass_sd_kg=mass_sd,
        rotating_mass_kg=rotating,
        rotating_mass_sd_kg=rotating_sd,
        stated=("rotating_mass",),
    )
    vehicle = None
    kind: VehicleKind | None = next(
        (one for one in VEHICLE_KINDS if one == session.get("kind")), None
    )
    if isinstance(session.get("vehicle"), str) and kind is not None:
        vehicle = Vehicle(
            mass_kg=mass, mass_sd_kg=mass_sd, rotating_mass_kg=rotating, rotating_mass_sd_kg=rotating_sd,
            name=session["vehicle"],
            kind=kind,
            state=str(session.get("state") or ""),
            stated=("rotating_mass",),
        )  # fmt: skip
    site = _object(file, results, "site")
    findings = results.get("findings")
    kinds = [
        (one.get("kind"), one.get("severity"))
        for one in (findings if isinstance(findings, list) else [])
        if isinstance(one, dict)
    ]
    load = results.get("road_load")
    known = isinstance(load, dict) and load.get("F0_N") is not None
    return Side(
        name,
        "results.json",
        vehicle,
        masses,
        _air(file, results),
        None,
        None,
        _number(file, site, "site", "wind_mps"),
        _number(file, site, "site", "wind_sd_mps"),
        site.get("separable") is True,
        read_results_road_load(path) if known else None,
        _power(file, results),
        int(_number(file, session, "session", "runs_up")),
        int(_number(file, session, "session", "runs_down")),
        None,
        (),
        sum(severity != "note" for _, severity in kinds),
        any(kind == "runs_scatter" for kind, _ in kinds),
        Display(),
    )


def _air(file: str, results: Mapping[str, _Json]) -> AirState:
    """Return the air of the day; its temperature follows from the road load in reference air."""
    air = _object(file, results, "air")
    load = results.get("road_load")
    reference = load.get("reference") if isinstance(load, dict) else None
    temperature_c = None
    if isinstance(reference, dict) and isinstance(load, dict) and load.get("F0_N"):
        ratio = _number(file, reference, "road_load.reference", "F0_N") / load["F0_N"]
        temperature_c = REFERENCE_TEMPERATURE_C + (ratio - 1.0) / ROLLING_PER_K
    density = _number(file, air, "air", "density_kg_m3")
    sd = _number(file, air, "air", "density_sd_kg_m3")
    if not (density > 0.0 and sd > 0.0):
        raise ReadError(file, f"air has a density of {density:g} within {sd:g}", "both above 0")
    return AirState(
        density_kg_m3=density,
        density_sd_kg_m3=sd,
        source=str(air.get("source")),
        temperature_c=temperature_c,
    )


def _power(file: str, results: Mapping[str, _Json]) -> PowerCurve | None:
    power = results.get("wheel_power")
    if power is None:
        return None
    if not isinstance(power, dict):
        raise ReadError(file, "wheel_power is not an object", "the object of a results.json")
    peak, sd, at = (
        _number(file, power, "wheel_power", key)
        for key in ("peak_W", "peak_sd_W", "peak_speed_mps")
    )
    if not sd > 0.0:
        raise ReadError(file, f"wheel_power.peak_sd_W is {sd:g}", "above 0")
    rows = power.get("curve")
    by_gear: dict[int | None, list[tuple[float, float, float]]] = {}
    for number, row in enumerate(rows if isinstance(rows, list) else []):
        where = f"wheel_power.curve[{number}]"
        if not isinstance(row, dict):
            raise ReadError(file, f"{where} is not an object", "speed_mps, power_W, sd_W and gear")
        gear = row.get("gear")
        by_gear.setdefault(gear if isinstance(gear, int) else None, []).append(
            (
                _number(file, row, where, "speed_mps"),
                _number(file, row, where, "power_W"),
                _number(file, row, where, "sd_W"),
            )
        )
    gears = tuple(
        GearCurve(gear=gear, speed_mps=speed, power_w=power_w, sd_w=power_sd)
        for gear, points in by_gear.items()
        for speed, power_w, power_sd in [np.array(sorted(points)).T]
    )
    budget = power.get("budget")
    causes = budget if isinstance(budget, dict) else {}
    parts = {
        key: _number(file, causes, "wheel_power.budget", key)
        for key in causes
        if causes[key] is not None
    }
    factor = power.get("scatter_factor", 1.0)
    return PowerCurve(
        gears=gears, peak_w=peak, peak_sd_w=sd,
        peak_ci95_w=(peak - Z95 * sd, peak + Z95 * sd), peak_speed_mps=at, budget_w=parts,
        scatter_factor=float(factor) if isinstance(factor, int | float) and factor >= 1 else 1.0,
    )  # fmt: skip


def _object(file: str, holder: Mapping[str, _Json], key: str) -> Mapping[str, _Json]:
    found = holder.get(key)
    if not isinstance(found, dict):
        raise ReadError(file, f'key "{key}" is no object', "the object of a results.json")
    return found


def _number(file: str, holder: Mapping[str, _Json], where: str, key: str) -> float:
    value = holder.get(key)
    if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
        raise ReadError(file, f"{where}.{key} is {str(value)[:40]}", "a finite number")
    return float(value)
