"""An earlier results.json read back: its road load, or all that a comparison takes of it."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.physics.air import AirState
from analysis.report.records.checking import read_record
from analysis.report.records.record import AirRecord, FindingRecord
from analysis.report.records.results import (
    FORMAT,
    SessionRecord,
    SiteRecord,
    TrustRecord,
    WheelPowerRecord,
)
from analysis.report.records.road_load import RoadLoadRecord
from analysis.results.power import GearCurve, PowerCurve
from analysis.results.reference import REFERENCE_TEMPERATURE_C, ROLLING_PER_K
from analysis.results.road_load import RoadLoad
from analysis.results.trust import Trust
from analysis.sessions.side import Side
from logger.errors import ReadError
from logger.findings import Finding
from logger.session.session import Display, Vehicle
from logger.source import read_regular
from logger.units import STANDARD_GRAVITY_MPS2

__all__ = ["read_results", "read_results_road_load", "same_vehicle", "side_of_results"]

#: Speed at which the road load's budget is stated [m/s], or the nearest covered one: 100 km/h.
_BUDGET_SPEED_MPS = 100 / 3.6
#: A results.json is some 50 kB; one far above that is not one.
_LARGEST_RESULTS_BYTES = 10_000_000
#: No road vehicle resists with more than this share of its weight: a light one at top speed
#: comes near a quarter (arithmetic, no source).
_LARGEST_SHARE_OF_WEIGHT = 0.5
#: A load that changes a vehicle's mass by more is rare.
_MASS_RATIO = 1.2
_REMEDY = "Give the results.json that `pullcoast report` wrote"

# JSON values as they come: any shape is possible until checked
_Json = Any


def read_results_road_load(path: str | Path) -> RoadLoad:
    """Read the road load of an earlier results.json, for ``pullcoast report --road-load FILE``.

    Parameters
    ----------
    path : str or Path
        A results.json.

    Returns
    -------
    RoadLoad
        With its covariance and budget.

    Raises
    ------
    ReadError
        The file is not a results.json, or holds no road load with coefficients; the text says which
        key, what was found and what to do.
    """
    name = str(path)
    results = read_results(path)
    stated = results.get("road_load")
    remedy = "Give the results.json of a session whose coast-downs could be used"
    if stated is None:
        raise ReadError(name, "road_load is null: that session had no road load", "", remedy)
    record = read_record(name, "road_load", stated, RoadLoadRecord)
    if record.F0_N is None:
        why = record.why_not or "its speed range was too narrow"
        found = f"the coefficients of road_load are null ({why})"
        raise ReadError(name, found, "F0, F1 and F2", "Coast down over a wider range of speeds")
    session = read_record(name, "session", results.get("session"), SessionRecord)
    return _road_load(name, record, session.mass_kg)


def same_vehicle(path: str | Path, vehicle: Vehicle) -> tuple[Finding, ...]:
    """Compare a vehicle with that of an earlier results.json whose road load it is to lean on.

    Parameters
    ----------
    path : str or Path
        A results.json.
    vehicle : Vehicle
        Of the session now.

    Returns
    -------
    tuple of Finding
        Another name, or a mass more than a fifth away: warnings.

    Raises
    ------
    ReadError
        Another kind of vehicle.
    """
    name = str(path)
    earlier = read_record(name, "session", read_results(path).get("session"), SessionRecord)
    if earlier.kind is not None and earlier.kind != vehicle.kind:
        raise ReadError(
            name,
            f"the road load of a {earlier.kind} for a {vehicle.kind}",
            "the road load of the same vehicle",
            "Give the results.json of this vehicle, or correct the kind",
        )
    odd = []
    if earlier.vehicle and vehicle.name and _folded(earlier.vehicle) != _folded(vehicle.name):
        odd.append(f"is of {earlier.vehicle[:60]!r}, not {vehicle.name[:60]!r}")
    if abs(math.log(earlier.mass_kg / vehicle.mass_kg)) > math.log(_MASS_RATIO):
        odd.append(f"was driven with {earlier.mass_kg:.0f} kg, not {vehicle.mass_kg:.0f} kg")
    return tuple(
        Finding(
            kind="road_load_of_another",
            severity="warning",
            text=f"The road load of {name} {text}: if it is another vehicle's, no power here is right.",
            path=name,
        )
        for text in odd
    )


def _folded(text: str) -> str:
    return " ".join(text.casefold().split())


def side_of_results(name: str, path: Path) -> Side:
    """Read one side of a comparison from an earlier results.json.

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
        With what the file holds.

    Raises
    ------
    ReadError
        No results.json, or one whose numbers cannot be used.
    """
    file = str(path)
    results = read_results(path)
    session = read_record(file, "session", results.get("session"), SessionRecord)
    air = read_record(file, "air", results.get("air"), AirRecord)
    site = read_record(file, "site", results.get("site"), SiteRecord)
    stated, driven = results.get("road_load"), results.get("wheel_power")
    load = None if stated is None else read_record(file, "road_load", stated, RoadLoadRecord)
    power = None if driven is None else read_record(file, "wheel_power", driven, WheelPowerRecord)
    known = load is not None and load.F0_N is not None
    findings = _findings(file, results.get("findings"))
    trust = results.get("trust")
    rated = None if trust is None else read_record(file, "trust", trust, TrustRecord)
    masses = _vehicle(session)
    named = session.vehicle is not None and session.kind is not None
    return Side(
        name=name,
        source="results.json",
        vehicle=masses if named else None,
        masses=masses,
        air=AirState(
            density_kg_m3=air.density_kg_m3,
            density_sd_kg_m3=air.density_sd_kg_m3,
            source=air.source,
            temperature_c=_temperature_c(load),
        ),
        altitude_m=None,
        site=None,
        wind_mps=site.wind_mps,
        wind_sd_mps=site.wind_sd_mps,
        separable=site.separable,
        road_load=_road_load(file, load, session.mass_kg) if load is not None and known else None,
        power=None if power is None else _power(power),
        runs_up=session.runs_up,
        runs_down=session.runs_down,
        road=None,
        traces=(),
        serious=sum(one.severity != "note" for one in findings),
        scatter=any(one.kind == "runs_scatter" for one in findings),
        display=Display(),
        trust=None if rated is None else Trust(level=rated.level, why=rated.why),
    )


def read_results(path: str | Path) -> dict[str, _Json]:
    """Read an earlier results.json as it stands; only its format is checked.

    Parameters
    ----------
    path : str or Path
        A results.json.

    Returns
    -------
    dict
        Its keys, whose values are unchecked.

    Raises
    ------
    ReadError
        The file is not a results.json.
    """
    name = str(path)
    results = _read_json(Path(path), name)
    found = results.get("format") if isinstance(results, dict) else None
    if found != FORMAT:
        what = f'key "format" is {json.dumps(found)}' if found is not None else 'no key "format"'
        raise ReadError(name, what, f'"{FORMAT}"', _REMEDY)
    checked: dict[str, _Json] = results
    return checked


def _read_json(path: Path, name: str) -> _Json:
    """Return what a file of reasonable size holds as JSON."""
    if path.is_dir():
        raise ReadError(name, "is a folder", "a results.json", _REMEDY)
    try:
        data = read_regular(path, _LARGEST_RESULTS_BYTES)
        text = None if data is None else data.decode("utf-8-sig")
    except OSError as error:
        found = f"cannot be opened: {error.strerror}"
        raise ReadError(name, found, "a results.json", _REMEDY) from error
    except UnicodeDecodeError as error:
        raise ReadError(name, "is not UTF-8 text", "JSON", _REMEDY) from error
    if text is None:
        raise ReadError(name, "has more than 10 MB", "a results.json, some 50 kB", _REMEDY)
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        where = {"line": error.lineno, "column": error.colno}
        raise ReadError(name, f"is not JSON: {error.msg}", "", _REMEDY, **where) from error
    except (RecursionError, ValueError) as error:  # nested too deep, or a number of too many digits
        raise ReadError(name, f"is not JSON of a usable shape: {error}", "", _REMEDY) from error


def _findings(file: str, noticed: _Json) -> list[FindingRecord]:
    """Return the findings that a file holds."""
    found = noticed if isinstance(noticed, list) else []
    return [
        read_record(file, f"findings[{at}]", one, FindingRecord) for at, one in enumerate(found)
    ]


def _vehicle(session: SessionRecord) -> Vehicle:
    """Return the vehicle as driven; unnamed where the file does not name it."""
    return Vehicle(
        mass_kg=session.mass_kg,
        mass_sd_kg=session.mass_sd_kg,
        rotating_mass_kg=session.rotating_mass_kg,
        rotating_mass_sd_kg=session.rotating_mass_sd_kg,
        name=session.vehicle or "",
        kind=session.kind or "car",
        state=session.state or "",
        stated=("rotating_mass",),
    )


def _temperature_c(load: RoadLoadRecord | None) -> float | None:
    """Return the temperature of the day, which follows from the road load in reference air."""
    if load is None or load.reference is None or not load.F0_N:
        return None
    return REFERENCE_TEMPERATURE_C + (load.reference.F0_N / load.F0_N - 1.0) / ROLLING_PER_K


def _road_load(file: str, load: RoadLoadRecord, mass_kg: float) -> RoadLoad:
    """Return a road load whose coefficients are known and can be those of a vehicle."""
    low, high = load.speed_range_mps
    if not 0 <= low < high:
        found = f"road_load.speed_range_mps is [{low}, {high}]"
        raise ReadError(file, found, "two speeds in rising order, none below 0")
    f0_n = _stated(file, "F0_N", load.F0_N)
    f1_n_per_mps = _stated(file, "F1_N_per_mps", load.F1_N_per_mps)
    f2_n_per_mps2 = _stated(file, "F2_N_per_mps2", load.F2_N_per_mps2)
    most_n = _LARGEST_SHARE_OF_WEIGHT * mass_kg * STANDARD_GRAVITY_MPS2
    for speed_mps in (low, 0.5 * (low + high), high):
        force_n = f0_n + f1_n_per_mps * speed_mps + f2_n_per_mps2 * speed_mps**2
        if not 0 < force_n < most_n:
            raise ReadError(
                file,
                f"F0, F1 and F2 of road_load give {force_n:.3g} N at {speed_mps:.1f} m/s",
                f"a force between 0 and {most_n:.0f} N, as vehicles of {mass_kg:.0f} kg have",
                _REMEDY,
            )
    return RoadLoad(
        f0_n=f0_n,
        f1_n_per_mps=f1_n_per_mps,
        f2_n_per_mps2=f2_n_per_mps2,
        covariance=_covariance(file, load),
        speed_range_mps=(low, high),
        separable=True,
        why_not_separable=None,
        budget_n={name: sd for name, sd in load.budget.items() if sd is not None},
        budget_speed_mps=min(max(_BUDGET_SPEED_MPS, low), high),
    )


def _stated(file: str, key: str, value: float | None) -> float:
    """Return a coefficient, which may not be null where another one is known."""
    if value is None:
        raise ReadError(file, f"road_load.{key} is null", "a finite number")
    return value


def _covariance(file: str, load: RoadLoadRecord) -> NDArray[np.float64]:
    """Return the covariance of the coefficients, refused where it cannot be one."""
    if load.covariance is None:
        raise ReadError(file, "road_load.covariance is null", "3 rows of 3")
    covariance = np.array(load.covariance)
    scale = np.sqrt(np.abs(np.diag(covariance)))
    # rounding of an honest file is 1e-16 of its largest entry; correlations near 1 need some room
    if not (np.diag(covariance) > 0).all():
        raise ReadError(file, "road_load.covariance has a variance of 0 or less", "above 0")
    correlation = covariance / np.outer(scale, scale)
    if np.abs(correlation - correlation.T).max() > 1e-9:
        raise ReadError(file, "road_load.covariance is not symmetric", "a covariance")
    if np.linalg.eigvalsh(correlation).min() < -1e-9:
        raise ReadError(file, "road_load.covariance has a negative eigenvalue", "a covariance")
    return covariance


def _power(power: WheelPowerRecord) -> PowerCurve:
    """Return the wheel power; points without a gear are of one."""
    by_gear: dict[int | None, list[tuple[float, float, float]]] = {}
    for point in power.curve:
        by_gear.setdefault(point.gear, []).append((point.speed_mps, point.power_W, point.sd_W))
    gears = []
    for gear, points in by_gear.items():
        speed, watts, sd = np.array(sorted(points)).T
        gears.append(GearCurve(gear=gear, speed_mps=speed, power_w=watts, sd_w=sd))
    return PowerCurve(
        gears=tuple(gears),
        peak_w=power.peak_W,
        peak_sd_w=power.peak_sd_W,
        peak_ci95_w=power.peak_ci95_W,
        peak_speed_mps=power.peak_speed_mps,
        budget_w={name: sd for name, sd in power.budget.items() if sd is not None},
        scatter_factor=power.scatter_factor,
    )
