"""Command-line options of a session: texts with units, which win over session.toml."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import cast

from logger.errors import SessionError
from logger.findings import Finding
from logger.session.files import list_logs, locate_session
from logger.session.key_table import closest
from logger.session.keys import (
    AIR,
    COLUMN_NAMES,
    POWER_UNITS,
    SPEED_UNITS,
    VEHICLE,
    VEHICLE_KINDS,
    PowerUnit,
    SpeedUnit,
    check_column,
)
from logger.session.quantities import parse_mass, parse_quantity
from logger.session.session import (
    Air,
    Session,
    read_session,
    session_from_document,
)
from logger.session.tyres import parse_circumference, rolling_unit_of
from logger.session.vehicle import vehicle_masses
from logger.tables.table import ColumnChoice

__all__ = [
    "apply_overrides",
    "column_choices",
    "open_session",
    "session_from_folder",
]


def column_choices(
    columns: Iterable[str] = (), units: Iterable[str] = (), circumference: str | None = None
) -> dict[str, ColumnChoice]:
    """Read the options that settle what a table's columns are.

    Parameters
    ----------
    columns : iterable of str
        Each ``name=header`` (or ``name=number`` of the column, counted from 1), for example
        ``speed_mps=GPS speed``.
    units : iterable of str
        Each ``name=unit``, for example ``speed_mps=km/h``; a speed may be in turns of a wheel, rpm.
    circumference : str, optional
        Of that wheel, ``1.95m``, or its tyre size.

    Returns
    -------
    dict of str to ColumnChoice
        By channel name.

    Raises
    ------
    SessionError
        No ``=``, an unknown name or unit, or the same name twice.

    >>> column_choices(["speed_mps=GPS speed"], ["speed_mps=km/h"])
    {'speed_mps': ColumnChoice(header='GPS speed', unit='km/h', scale=1.0)}
    """
    headers = _pairs(columns, "--column", 'speed_mps="GPS speed"')
    unit_words = _pairs(units, "--unit", "speed_mps=km/h")
    names = dict.fromkeys([*headers, *unit_words])
    choices = {}
    for name in names:
        header, unit = headers.get(name), unit_words.get(name)
        problem = check_column(name, unit)
        if problem:
            option = "--unit"
            raise SessionError(option, name, *problem)
        choices[name] = ColumnChoice(header=header, unit=unit)
    if circumference is not None:
        try:
            choices = _rolling(choices, parse_circumference(circumference))
        except ValueError as error:
            option, expected = "--circumference", "a length such as 1.95m, or a tyre size"
            raise SessionError(option, "", str(error), expected) from error
    return choices


def _rolling(
    columns: Mapping[str, ColumnChoice], circumference_m: float
) -> dict[str, ColumnChoice]:
    """Return the choices with a speed in turns of a wheel in a unit that says how far it rolls."""
    choice = columns.get("speed_mps")
    if choice is None:
        return dict(columns)
    unit = rolling_unit_of(choice.unit, circumference_m)
    return {**columns, "speed_mps": replace(choice, unit=unit)}


def _pairs(texts: Iterable[str], option: str, example: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        name, value = name.strip(), value.strip()
        if not equals or not name or not value:
            raise SessionError(option, "", f"{text!r}", f"NAME=VALUE, for example {example}")
        if name not in COLUMN_NAMES:
            near = closest(name, COLUMN_NAMES)
            raise SessionError(
                option,
                "",
                f"unknown column {name!r}",
                f"one of {', '.join(COLUMN_NAMES)}",
                f"Did you mean {near}?" if near else "",
            )
        if name in found:
            raise SessionError(option, name, "given twice", "each column once")
        found[name] = value
    return found


def session_from_folder(
    folder: Path,
    *,
    mass: str,
    kind: str = "car",
    mass_uncertainty: str | None = None,
    rotating_mass: str | None = None,
    rotating_mass_uncertainty: str | None = None,
    allow_outside: bool = False,
) -> Session:
    """Make a session of a folder of logs without a session.toml.

    Parameters
    ----------
    folder : Path
        Every log directly in it is one recording.
    mass, mass_uncertainty, rotating_mass, rotating_mass_uncertainty : str
        With units, for example ``1480kg``, ``3260lb``; the last three also in ``%`` of the mass.
    kind : str
        Kind of vehicle, for its defaults.
    allow_outside : bool
        Whether logs may be links to files outside the folder.

    Returns
    -------
    Session
        With a finding that names the files taken for no logs.

    Raises
    ------
    SessionError
        No folder, no logs in it, or an option that cannot be used.
    """
    folder = Path(folder)
    if folder.is_file():
        remedy = "Put the log into a folder of its own and give that folder"
        raise SessionError(str(folder), "", "a file, not a folder", "a folder of logs", remedy)
    located, _ = locate_session(folder)
    logs, others = list_logs(located)
    if not logs:
        found = f"no logs among {', '.join(others[:8])}" if others else "an empty folder"
        raise SessionError(
            str(folder),
            "",
            found,
            "tables (.csv, .tsv, .txt), .gpx or .nmea files, each also as .gz or in a .zip",
            "Copy the phone's logs into the folder",
        )
    if kind not in VEHICLE_KINDS:
        option = "--kind"
        raise SessionError(option, "", f"{kind!r}", f"one of {', '.join(VEHICLE_KINDS)}")
    document: dict[str, object] = {
        "vehicle": {"kind": kind, "mass_kg": parse_mass(mass)},
        "log": [{"file": name} for name in logs],
    }
    session = session_from_document(document, located, str(folder), allow_outside=allow_outside)
    if others:
        text = (
            f"{len(others)} file(s) in the folder are no logs by their names and were left out: "
            f"{', '.join(others[:8])}{', ...' if len(others) > 8 else ''}."
        )
        finding = Finding(
            kind="file_left_out", severity="note", text=text, path=str(folder), count=len(others)
        )
        session = replace(session, findings=(finding,))
    return apply_overrides(
        session,
        mass_uncertainty=mass_uncertainty,
        rotating_mass=rotating_mass,
        rotating_mass_uncertainty=rotating_mass_uncertainty,
    )


def open_session(
    path: Path,
    *,
    mass: str | None = None,
    mass_uncertainty: str | None = None,
    rotating_mass: str | None = None,
    rotating_mass_uncertainty: str | None = None,
    allow_outside: bool = False,
) -> Session:
    """Open a session as a command line names it: with session.toml, or with `mass` without.

    Where both are there the command line wins. Arguments, result and errors as in `read_session`
    and `session_from_folder`.
    """
    folder, file = locate_session(Path(path))
    if file is None and mass is not None:
        return session_from_folder(
            folder,
            mass=mass,
            mass_uncertainty=mass_uncertainty,
            rotating_mass=rotating_mass,
            rotating_mass_uncertainty=rotating_mass_uncertainty,
            allow_outside=allow_outside,
        )
    return apply_overrides(
        read_session(Path(path), allow_outside=allow_outside),
        mass=mass,
        mass_uncertainty=mass_uncertainty,
        rotating_mass=rotating_mass,
        rotating_mass_uncertainty=rotating_mass_uncertainty,
    )


def apply_overrides(
    session: Session,
    *,
    mass: str | None = None,
    mass_uncertainty: str | None = None,
    rotating_mass: str | None = None,
    rotating_mass_uncertainty: str | None = None,
    temperature: str | None = None,
    pressure: str | None = None,
    humidity: str | None = None,
    altitude: str | None = None,
    power: str | None = None,
    speed: str | None = None,
    columns: Mapping[str, ColumnChoice] | None = None,
    leave_out: Iterable[str] = (),
    neutral: bool = False,
) -> Session:
    """Replace what session.toml states by command-line options.

    Parameters
    ----------
    session : Session
        As read.
    mass, mass_uncertainty, rotating_mass, rotating_mass_uncertainty : str, optional
        With units; what follows from the mass by default follows the new mass.
    temperature, pressure, humidity, altitude : str, optional
        With units, for example ``14C``, ``1002hPa``, ``60%``, ``120m``.
    power, speed : str, optional
        Display units.
    columns : mapping, optional
        As from `column_choices`; each choice holds for the tables of every log.
    leave_out : iterable of str
        Each ``6,run07.csv``: numbers of runs and names of logs, added to what session.toml leaves out.
    neutral : bool
        The driver vouches for neutral in every log.

    Returns
    -------
    Session
        A new one.

    Raises
    ------
    SessionError
        An option that cannot be used, named as on the command line.
    """
    old = session.vehicle
    mass_kg = old.mass_kg if mass is None else parse_mass(mass)

    def of_mass(name: str, text: str | None, kept: float) -> float | None:
        if text is not None:
            return parse_quantity(
                text, VEHICLE[name], "--" + name.replace("_", "-"), mass_kg=mass_kg
            )
        return kept if name in old.stated else None

    masses = vehicle_masses(
        old.kind,
        mass_kg,
        of_mass("mass_uncertainty", mass_uncertainty, old.mass_sd_kg),
        of_mass("rotating_mass", rotating_mass, old.rotating_mass_kg),
        of_mass("rotating_mass_uncertainty", rotating_mass_uncertainty, old.rotating_mass_sd_kg),
    )
    vehicle = replace(
        old,
        mass_kg=masses.mass_kg,
        mass_sd_kg=masses.mass_sd_kg,
        rotating_mass_kg=masses.rotating_mass_kg,
        rotating_mass_sd_kg=masses.rotating_mass_sd_kg,
        stated=masses.stated,
    )
    air = session.air
    options = (
        ("temperature_c", temperature, "temperature", "--temperature"),
        ("pressure_hpa", pressure, "pressure", "--pressure"),
        ("relative_humidity_percent", humidity, "relative_humidity", "--humidity"),
        ("altitude_m", altitude, "altitude", "--altitude"),
    )
    for name, text, key, option in options:
        if text is not None:
            value = parse_quantity(text, AIR[key], option)
            air = replace(air or Air(), **{name: value})
    display = session.display
    if power is not None:
        display = replace(display, power=cast(PowerUnit, _chosen("--power", power, POWER_UNITS)))
    if speed is not None:
        display = replace(
            display, speed=cast(SpeedUnit, _chosen("--speed-unit", speed, SPEED_UNITS))
        )
    logs = session.logs
    if columns:
        if old.tyre is not None:
            columns = _rolling(columns, parse_circumference(old.tyre))
        logs = tuple(replace(log, columns={**log.columns, **columns}) for log in logs)
    if neutral:
        logs = tuple(replace(log, neutral=True) for log in logs)
    return replace(
        session,
        vehicle=vehicle,
        air=air,
        display=display,
        logs=logs,
        leave_out=(*session.leave_out, *_to_leave_out(leave_out)),
    )


def _to_leave_out(texts: Iterable[str]) -> tuple[int | str, ...]:
    """Return the runs and logs that the option names, in the order given."""
    found: list[int | str] = []
    for text in texts:
        for part in text.split(","):
            word = part.strip()
            if not word or word == "0":
                expected = "runs by number from 1 and logs by name, for example 6,run07.csv"
                option = "--leave-out"
                raise SessionError(option, "", f"{text!r}", expected)
            found.append(int(word) if word.isdecimal() else word)
    return tuple(found)


def _chosen(option: str, text: str, known: tuple[str, ...]) -> str:
    for item in known:
        if text.lower() == item.lower():
            return item
    raise SessionError(option, "", f"{text!r}", f"one of {', '.join(known)}")
