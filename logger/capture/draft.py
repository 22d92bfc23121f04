"""The draft of a session.toml beside the recordings: made once, then only added to."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

from logger.capture.arrivals import Arrival
from logger.capture.naming import title_of
from logger.errors import SessionError
from logger.quantities import parse_mass
from logger.session_files import SESSION_FILE, load_toml
from logger.writing import write_bytes_atomic

__all__ = ["list_recording"]

_MASS = """\
# The mass as driven, with people, fuel and load: weigh it, or add them to the kerb mass. The report
# needs it. Take the # away and put your figure.
#mass_kg = 1480"""
_SAID_MASS = """\
# The mass as driven, as the phone was told. Every per cent of it is a per cent of the result.
mass_kg = {mass}"""
_DRAFT = """\
# What `pullcoast report` needs to know. Written by `pullcoast capture` as a draft: change what you
# like, it only ever adds recordings at the end. Lines that begin with # count for nothing.

[vehicle]
{mass}
#mass_uncertainty_kg = 15  # one standard deviation; without it 1 % of the mass
#name = "estate, winter tyres"
#kind = "car"              # car, van, truck, motorcycle, bicycle
#drive = "unknown"         # naturally aspirated, turbocharged, diesel, electric
#tyre = "205/55 R16"

# The air at the place: with it, results of different days can be compared.
#[air]
#temperature_C = 14
#pressure_hPa = 1002       # at the place, not reduced to sea level
#relative_humidity_percent = 60
"""


def list_recording(folder: Path, arrival: Arrival, name: str = "") -> list[str]:
    """Add a recording to the session.toml of its folder, made when missing.

    Parameters
    ----------
    folder : Path
        The session's folder.
    arrival : Arrival
        In that folder. One that cannot be read is added as a comment.
    name : str
        What people call it; stands in for a ``# note`` that the recording does not have.

    Returns
    -------
    list of str
        What the user should know: why the file was left alone, or that masses differ.
    """
    path = folder / SESSION_FILE
    remedy = f"Add a [[log]] with file = {json.dumps(arrival.file.name)} by hand"
    if path.is_symlink():
        return [f"{path} is a link and was left alone. {remedy}"]
    said = arrival.comments
    notes, mass_kg = [], None
    if "mass_kg" in said:
        mass_kg = _mass_kg(said["mass_kg"])
        if mass_kg is None:
            notes.append(f"the recording's mass, {said['mass_kg'][:40]!r}, is none")
    try:
        if not path.exists():
            text = _DRAFT.format(mass=_SAID_MASS.format(mass=mass_kg) if mass_kg else _MASS)
            raw, document = text.encode(), tomllib.loads(text)
        else:
            document = load_toml(path)
            raw = path.read_bytes()
    except SessionError as error:
        return [f"{error}. It was left alone. {remedy}"]
    if _is_listed(document, arrival.file.name):
        return notes
    notes += _other_mass(document, mass_kg)
    new = raw + _entry(raw, arrival, said.get("note") or title_of(name), mass_kg)
    try:
        tomllib.loads(new.decode("utf-8-sig"))
    except ValueError:
        why = "nothing can be added to its end as it stands"
        return [*notes, f"{path}: {why}; it was left alone. {remedy}"]
    try:
        write_bytes_atomic(path, new)
    except OSError as error:
        why = error.strerror or str(error)
        return [*notes, f"{path} cannot be written to: {why}. {remedy}"]
    return notes


def _mass_kg(text: str) -> str | None:
    """Return a mass as TOML has it; None where it is out of range or no number."""
    try:
        mass_kg = parse_mass(f"{text}kg")
    except SessionError:
        return None
    return f"{mass_kg:g}" if mass_kg == float(f"{mass_kg:g}") else repr(mass_kg)


def _other_mass(document: dict[str, object], mass_kg: str | None) -> list[str]:
    vehicle = document.get("vehicle")
    stated = vehicle.get("mass_kg") if isinstance(vehicle, dict) else None
    if mass_kg is None or not isinstance(stated, int | float) or float(mass_kg) == stated:
        return []
    text = (
        f"this recording says {mass_kg} kg, session.toml {stated:g} kg. A session has one mass: "
        "correct it, or put the recording into a session of its own"
    )
    return [text]


def _is_listed(document: dict[str, object], name: str) -> bool:
    logs = document.get("log")
    if not isinstance(logs, list):
        return False
    for log in logs:
        if isinstance(log, dict):
            files = log.get("files")
            if log.get("file") == name or (isinstance(files, list) and name in files):
                return True
    return False


def _entry(raw: bytes, arrival: Arrival, note: str, mass_kg: str | None) -> bytes:
    """Return what is added, with the line ends that the file has."""
    file = f"file = {_quoted(arrival.file.name)}"
    if arrival.problem:
        lines = ["", f"# not used, it cannot be read: {arrival.problem[:300]}"]
        lines += ["#[[log]]", f"#{file}"]
    else:
        top = arrival.top_speed_mps
        speed = "no speed" if top is None else f"up to {3.6 * top:.0f} km/h"
        lines = ["", "[[log]]", f"{file}  # {arrival.duration_s:.0f} s, {speed}"]
        if mass_kg is not None:
            lines[-1] += f", {mass_kg} kg"
    if note:
        lines.append(f"{'#' if arrival.problem else ''}note = {_quoted(note)}")
    text = "\n".join([*lines, ""])
    if raw and not raw.endswith(b"\n"):
        text = "\n" + text
    return text.replace("\n", "\r\n" if b"\r\n" in raw else "\n").encode()


def _quoted(text: str) -> str:
    """Return a basic string of TOML; `text` holds no control characters."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
