"""Recordings that arrive become logs of a session.toml: a draft where there is none, else added to."""

from __future__ import annotations

import contextlib
import re
import tomllib
from pathlib import Path

from analysis.setup.draft import draft_text, toml_text
from analysis.setup.questions import QUESTIONS, Answer, read_answer
from logger.capture.arrivals import Arrival
from logger.capture.naming import title_of
from logger.errors import SessionError
from logger.session.files import SESSION_FILE, load_toml
from logger.session.quantities import parse_mass
from logger.source import MAX_BYTES, read_regular
from logger.writing import write_bytes_atomic

__all__ = ["list_recording"]

#: Questions that a recording's comments answer: key, and the unit that it is in.
_TRAVELS = {
    "name": ("vehicle", ""),
    "state": ("state", ""),
    "temperature": ("temperature_c", "C"),
    "pressure": ("pressure_hpa", "hPa"),
}
#: How a draft leaves the mass open.
_OPEN_MASS = re.compile(rb"^# MISSING: mass_kg = [^\r\n]*", re.MULTILINE)


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
    remedy = f"Add a [[log]] with file = {toml_text(arrival.file.name)} by hand"
    if path.is_symlink():
        return [f"{path} is a link and was left alone. {remedy}"]
    stated = arrival.comments
    notes, mass_kg = [], None
    if "mass_kg" in stated:
        mass_kg = _mass_kg(stated["mass_kg"])
        if mass_kg is None:
            notes.append(f"the recording's mass, {stated['mass_kg'][:40]!r}, is none")
    try:
        if not path.exists():
            answers = _travelled(stated)
            if mass_kg is not None:
                answers["mass"] = Answer(key="mass_kg", value=mass_kg)
            text = draft_text(answers, [], logs_follow=True)
            raw, document = text.encode(), tomllib.loads(text)
        else:
            document = load_toml(path)
            raw = _with_mass(read_regular(path, MAX_BYTES) or b"", document, mass_kg)
    except SessionError as error:
        return [f"{error}. It was left alone. {remedy}"]
    if _is_listed(document, arrival.file.name):
        return notes
    notes += _other_mass(document, mass_kg)
    notes += _other_vehicle(document, stated)
    new = raw + _entry(raw, arrival, stated.get("note") or title_of(name), mass_kg)
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


def _travelled(stated: dict[str, str]) -> dict[str, Answer]:
    """Return what a recording states of vehicle and air, by question; what is out of range stays open."""
    answers = {}
    for question in QUESTIONS:
        key, unit = _TRAVELS.get(question.name, ("", ""))
        if key in stated:
            with contextlib.suppress(SessionError):
                answer = read_answer(question, stated[key] + unit, key)
                if answer is not None:
                    answers[question.name] = answer
    return answers


def _with_mass(raw: bytes, document: dict[str, object], mass_kg: float | None) -> bytes:
    """Return a draft whose mass was still missing with the mass of a later recording."""
    vehicle = document.get("vehicle")
    if mass_kg is None or (isinstance(vehicle, dict) and {"mass_kg", "mass_lb"} & set(vehicle)):
        return raw
    text = repr(mass_kg).removesuffix(".0")
    return _OPEN_MASS.sub(f"mass_kg = {text}  # as driven, from the phone".encode(), raw, count=1)


def _mass_kg(text: str) -> float | None:
    """Return a mass in kg; None where it is out of range or no number."""
    try:
        return parse_mass(f"{text}kg")
    except SessionError:
        return None


def _other_mass(document: dict[str, object], mass_kg: float | None) -> list[str]:
    vehicle = document.get("vehicle")
    stated = vehicle.get("mass_kg") if isinstance(vehicle, dict) else None
    if mass_kg is None or not isinstance(stated, int | float) or mass_kg == stated:
        return []
    text = (
        f"this recording says {mass_kg:g} kg, session.toml {stated:g} kg. A session has one mass: "
        "correct it, or put the recording into a session of its own"
    )
    return [text]


def _other_vehicle(document: dict[str, object], stated: dict[str, str]) -> list[str]:
    vehicle = document.get("vehicle")
    if not isinstance(vehicle, dict):
        return []
    return [
        f"this recording says {key} {stated[comment][:80]!r}, session.toml {vehicle[key]!r}. A session "
        "has one vehicle in one state: correct it, or put the recording into a session of its own"
        for key, comment in (("name", "vehicle"), ("state", "state"))
        if key in vehicle and comment in stated and stated[comment] != vehicle[key]
    ]


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


def _entry(raw: bytes, arrival: Arrival, note: str, mass_kg: float | None) -> bytes:
    """Return what is added, with the line ends that the file has."""
    file = f"file = {toml_text(arrival.file.name)}"
    if arrival.problem:
        lines = ["", f"# not used, it cannot be read: {arrival.problem[:300]}"]
        lines += ["#[[log]]", f"#{file}"]
    else:
        top = arrival.top_speed_mps
        speed = "no speed" if top is None else f"up to {3.6 * top:.0f} km/h"
        lines = ["", "[[log]]", f"{file}  # {arrival.duration_s:.0f} s, {speed}"]
        if mass_kg is not None:
            lines[-1] += f", {mass_kg:g} kg"
    if note:
        lines.append(f"{'#' if arrival.problem else ''}note = {toml_text(note)}")
    text = "\n".join([*lines, ""])
    if raw and not raw.endswith(b"\n"):
        text = "\n" + text
    return text.replace("\n", "\r\n" if b"\r\n" in raw else "\n").encode()
