"""A new session.toml: questions asked, options answered, the file written, what is still missing."""

from __future__ import annotations

import contextlib
import os
import shlex
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from analysis.physics.plausible import vehicle_findings
from analysis.setup.draft import draft_text
from analysis.setup.folder import LogGroup
from analysis.setup.questions import QUESTIONS, Answer, Question, hint, read_answer
from analysis.terminal.lines import fill, wrap
from analysis.terminal.output import OutputError
from logger.errors import PullcoastError, SessionError
from logger.session.files import SESSION_FILE
from logger.session.keys import VehicleKind
from logger.session.session import session_from_document
from logger.session.vehicle import vehicle_masses
from logger.writing import write_text_atomic

__all__ = [
    "InputEnded",
    "OpenPoints",
    "answers_of_options",
    "ask",
    "ask_all",
    "log_lines",
    "open_points",
    "print_open",
    "refuse_to_replace",
    "write_session",
]

_COLUMNS = 80


class InputEnded(PullcoastError):
    """The answers ended before the questions did."""


def refuse_to_replace(file: Path, *, replace: bool) -> None:
    """Refuse a place where a session.toml stands already, unless it may be replaced."""
    if not replace and (file.exists() or file.is_symlink()):
        raise SessionError(
            str(file),
            "",
            "there is one already; it is as it was",
            f"a folder without {SESSION_FILE}",
            "Edit it, or give --replace to have it written anew",
        )


def answers_of_options(options: Mapping[str, str | None]) -> dict[str, Answer]:
    """Return what options answer, by the name of the question; refuse the first that cannot be used."""
    answers: dict[str, Answer] = {}
    for question in QUESTIONS:
        text = options[question.name]
        if text is None:
            continue
        option = "--" + question.name.replace("_", "-")
        answer = read_answer(question, text, option, _mass_kg(answers))
        if answer is None:
            raise SessionError(option, "", "an empty text", f"such as {question.example}")
        answers[question.name] = answer
    return answers


def _mass_kg(answers: Mapping[str, Answer]) -> float | None:
    return answers["mass"].si if "mass" in answers else None


def ask_all(answers: Mapping[str, Answer], ask: Callable[[str], str]) -> dict[str, Answer]:
    """Ask every question that is not answered yet; a wrong answer is asked again with the reason.

    Parameters
    ----------
    answers : mapping
        By the name of the question.
    ask : callable
        Shows a prompt and returns a line.

    Returns
    -------
    dict of str to Answer
        With those of `answers`.
    """
    found = dict(answers)
    for question in QUESTIONS:
        if question.name in found or not _fits(question, found):
            continue
        kind = cast("VehicleKind", found["kind"].value if "kind" in found else "car")
        prompt = f"{question.ask}\n  ({hint(question, kind, _mass_kg(found))})\n> "
        warned = False
        while True:
            try:
                answer = read_answer(question, ask(prompt), "", _mass_kg(found))
            except SessionError as error:
                prompt = f"  {_reason(error)}\n> "
                continue
            if answer is None and question.needed and not warned:
                warned = True
                prompt = f"  Without it {question.without}. Empty again leaves it open.\n> "
                continue
            break
        if answer is not None:
            found[question.name] = answer
            if question.name == "mass":
                _doubt(kind, _mass_kg(found))
    return found


def _fits(question: Question, answers: Mapping[str, Answer]) -> bool:
    """Return whether a question makes sense after the answers so far."""
    if question.name == "mass_uncertainty":
        return "mass" in answers
    if question.name == "rotating_mass_uncertainty":
        return "rotating_mass" in answers
    return True


def _reason(error: SessionError) -> str:
    text = error.found
    if error.expected:
        text += f"; expected {error.expected}"
    return text + (f". {error.remedy}" if error.remedy else "") + "."


def _doubt(kind: VehicleKind, mass_kg: float | None) -> None:
    """Warn where a mass is unusual for its kind; it is taken all the same."""
    if mass_kg is None:
        return
    for finding in vehicle_findings(vehicle_masses(kind, mass_kg)):
        if finding.severity != "note":
            print(fill(finding.text, _COLUMNS, initial_indent="  ", subsequent_indent="  "))


def ask(prompt: str) -> str:
    """Show a prompt on the terminal and return the line typed."""
    try:
        return input(prompt)
    except EOFError as error:
        print()
        msg = "the answers ended before the questions did; nothing was written"
        raise InputEnded(msg) from error
    except KeyboardInterrupt:
        print()
        msg = "left by Ctrl-C; nothing was written"
        raise KeyboardInterrupt(msg) from None


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenPoints:
    """What a new session.toml does not hold yet.

    Parameters
    ----------
    missing : tuple of str
        Names of what a report cannot do without; "log" where there is none.
    needed : tuple of Question
        Questions among them.
    unanswered : tuple of Question
        Those left open.
    optional : tuple of Question
        Those left open that a report can do without and that make sense.
    """

    missing: tuple[str, ...]
    needed: tuple[Question, ...]
    unanswered: tuple[Question, ...]
    optional: tuple[Question, ...]


def open_points(answers: Mapping[str, Answer], groups: Sequence[LogGroup]) -> OpenPoints:
    """Return what is still missing, or left open."""
    unanswered = tuple(question for question in QUESTIONS if question.name not in answers)
    needed = tuple(question for question in unanswered if question.needed)
    missing = tuple(question.name for question in needed)
    if not any(group.readable for group in groups):
        missing += ("log",)
    optional = tuple(q for q in unanswered if not q.needed and _fits(q, answers))
    return OpenPoints(missing=missing, needed=needed, unanswered=unanswered, optional=optional)


def write_session(
    file: Path,
    answers: Mapping[str, Answer],
    groups: Sequence[LogGroup],
    points: OpenPoints,
    *,
    power: str | None,
    speed: str | None,
    replace: bool,
) -> None:
    """Write a session.toml at once and whole, checked as a report would where nothing is missing."""
    text = draft_text(answers, groups, power=power, speed=speed)
    if not points.missing:
        session_from_document(tomllib.loads(text), file.parent, str(file))
    made = not file.parent.exists()
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        refuse_to_replace(file, replace=replace)  # it may have come while questions were asked
        try:
            write_text_atomic(file, text)
        except OSError:
            if made:
                with contextlib.suppress(OSError):
                    os.rmdir(file.parent)
            raise
    except (OSError, UnicodeEncodeError) as error:
        why = getattr(error, "strerror", None) or error
        msg = f"{file}: cannot be written: {why}"
        raise OutputError(msg) from error


def print_open(points: OpenPoints, folder: Path) -> None:
    """Print what is missing or left open, and what comes next."""
    for question in points.needed:
        print(f"MISSING {question.key}: {question.without}.")
    if points.optional:
        print("Not said, and left as comments:")
        for question in points.optional:
            print(f"  {question.key:<28}{question.without}")
    if "log" in points.missing:
        print("MISSING [[log]]: copy the logs there, then name each recording in the file.")
    if not points.missing:
        print(f"Next: pullcoast report {shlex.quote(str(folder))}")


def log_lines(groups: Sequence[LogGroup], folder: Path) -> list[str]:
    """Return what lies in a folder for people: each log in a line or two."""
    if not groups:
        return [f"No logs lie in {folder} yet: copy them there, and name each in {SESSION_FILE}."]
    lines = [f"Logs in {folder}:"]
    for group in groups:
        for log in group.logs:
            text = f"{log.name}: {log.summary()}"
            lines += wrap(
                text,
                _COLUMNS,
                initial_indent="  ",
                subsequent_indent="    ",
            )
        if group.why:
            names = " and ".join(log.name for log in group.logs)
            lines.append(f"    {names} are taken for one recording ({group.why})")
    return lines
