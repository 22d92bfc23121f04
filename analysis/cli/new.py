"""The command `pullcoast new`: the session.toml of an outing, from answers and from its logs."""

from __future__ import annotations

import argparse
import contextlib
import html
import os
import re
import shlex
import sys
import textwrap
import tomllib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.setup.draft import draft_text
from analysis.setup.folder import LogGroup, find_logs, group_logs
from analysis.setup.questions import QUESTIONS, Answer, Question, hint, read_answer
from analysis.terminal.errors import EXIT_OK, complain
from analysis.terminal.output import OutputError, check_writable
from analysis.terminal.progress import Progress
from logger.errors import PullcoastError, SessionError
from logger.findings import counted
from logger.session.files import SESSION_FILE
from logger.session.session import session_from_document
from logger.session.vehicle import vehicle_masses
from logger.writing import write_text_atomic

if TYPE_CHECKING:
    from logger.session.keys import VehicleKind

__all__ = ["InputEnded", "ask_all", "cautions", "new"]

_COLUMNS = 80
Ask = Callable[[str], str]


class InputEnded(PullcoastError):
    """The answers ended before the questions did."""


def new(arguments: argparse.Namespace) -> int:
    """Run ``pullcoast new`` and return the exit status.

    The file is written at the end and at once: whoever leaves before leaves nothing behind.

    Raises
    ------
    SessionError
        An option that cannot be used; a session.toml that may not be replaced.
    InputEnded
        No more answers.
    """
    folder = Path(arguments.folder)
    file = folder / SESSION_FILE
    _refuse_to_replace(file, replace=arguments.replace)
    check_writable(folder)
    answers = _from_options(arguments)
    silent = arguments.json or arguments.quiet or arguments.no_questions
    talk = not silent and _on_terminal()
    if not arguments.json:
        print("\n".join(["Before you drive:", *_bullets(cautions()), ""]))
    with Progress(quiet=arguments.quiet) as progress:
        found = find_logs(folder, lambda name: progress.say(f"reading {name}"))
    groups = group_logs(found)
    if not arguments.json:
        print("\n".join([*_log_lines(groups, folder), ""]))
    if talk:
        print("An empty answer leaves a question open. Ctrl-C leaves, and nothing is written.\n")
        answers = ask_all(answers, _ask)
    text = draft_text(answers, groups, power=arguments.power, speed=arguments.speed_unit)
    missing = _missing(answers, groups)
    if not missing:
        session_from_document(tomllib.loads(text), folder, str(file))
    _write(file, text, replace=arguments.replace)
    _tell(arguments, file, text, answers, groups, missing)
    return EXIT_OK


def _refuse_to_replace(file: Path, *, replace: bool) -> None:
    if not replace and (file.exists() or file.is_symlink()):
        raise SessionError(
            str(file),
            "",
            "there is one already; it is as it was",
            f"a folder without {SESSION_FILE}",
            "Edit it, or give --replace to have it written anew",
        )


def _on_terminal() -> bool:
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout))


def cautions() -> tuple[str, ...]:
    """Return the cautions of every report as plain sentences."""
    page = Path(__file__).parent.parent / "report" / "templates" / "cautions.html"
    items = re.findall(r"<li>(.*?)</li>", page.read_text(encoding="utf-8"), re.DOTALL)
    return tuple(" ".join(html.unescape(item).split()) for item in items)


def _bullets(texts: Sequence[str]) -> list[str]:
    return [
        line
        for text in texts
        for line in textwrap.wrap(text, _COLUMNS, initial_indent="  - ", subsequent_indent="    ")
    ]


def _log_lines(groups: Sequence[LogGroup], folder: Path) -> list[str]:
    if not groups:
        return [f"No logs lie in {folder} yet: copy them there, and name each in {SESSION_FILE}."]
    lines = [f"Logs in {folder}:"]
    for group in groups:
        for log in group.logs:
            text = f"{log.name}: {log.told()}"
            lines += textwrap.wrap(
                text,
                _COLUMNS,
                initial_indent="  ",
                subsequent_indent="    ",
                break_on_hyphens=False,
                break_long_words=False,
            )
        if group.why:
            names = " and ".join(log.name for log in group.logs)
            lines.append(f"    {names} are taken for one recording ({group.why})")
    return lines


def _from_options(arguments: argparse.Namespace) -> dict[str, Answer]:
    """Return what the options answer; the first that cannot be used ends the command."""
    answers: dict[str, Answer] = {}
    for question in QUESTIONS:
        text = getattr(arguments, question.name)
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


def ask_all(answers: Mapping[str, Answer], ask: Ask) -> dict[str, Answer]:
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
        kind: VehicleKind = found["kind"].value if "kind" in found else "car"  # type: ignore[assignment]
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
    """Say whether a question makes sense after the answers so far."""
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
    """Say it where a mass is unusual for its kind; it is taken all the same."""
    from analysis.physics.plausible import vehicle_findings

    if mass_kg is None:
        return
    for finding in vehicle_findings(vehicle_masses(kind, mass_kg)):
        if finding.severity != "note":
            print(
                textwrap.fill(finding.text, _COLUMNS, initial_indent="  ", subsequent_indent="  ")
            )


def _ask(prompt: str) -> str:
    try:
        return input(prompt)
    except EOFError as error:
        print()
        msg = "the answers ended before the questions did; nothing was written"
        raise InputEnded(msg) from error
    except KeyboardInterrupt:
        print()
        complain("left by Ctrl-C; nothing was written")
        raise


def _missing(answers: Mapping[str, Answer], groups: Sequence[LogGroup]) -> list[str]:
    """Return what a report needs and the file does not say."""
    missing = [question.name for question in QUESTIONS if question.needed]
    missing = [name for name in missing if name not in answers]
    return missing + ([] if any(group.readable for group in groups) else ["log"])


def _write(file: Path, text: str, *, replace: bool) -> None:
    made = not file.parent.exists()
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        _refuse_to_replace(file, replace=replace)  # it may have come while questions were asked
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


def _tell(
    arguments: argparse.Namespace,
    file: Path,
    text: str,
    answers: Mapping[str, Answer],
    groups: Sequence[LogGroup],
    missing: Sequence[str],
) -> None:
    usable = [group for group in groups if group.readable]
    if arguments.json:
        from analysis.report.json_text import json_text

        out = [log for group in groups if not group.readable for log in group.logs]
        print(
            json_text(
                {
                    "file": str(file),
                    "missing": list(missing),
                    "open": [q.name for q in QUESTIONS if q.name not in answers],
                    "logs": [[log.name for log in group.logs] for group in usable],
                    "left_out": [{"file": log.name, "why": log.told()} for log in out],
                }
            ),
            end="",
        )
        return
    print(f"Written: {file}, with {counted(len(usable), 'recording')}.")
    left_out = [log.name for group in groups if not group.readable for log in group.logs]
    if left_out:
        print(f"Left out, as comments that say why: {', '.join(left_out)}.")
    for question in QUESTIONS:
        if question.name in missing:
            print(f"MISSING {question.key}: {question.without}.")
    still = [q for q in QUESTIONS if q.name not in answers and not q.needed and _fits(q, answers)]
    if still:
        print("Not said, and left as comments:")
        for question in still:
            print(f"  {question.key:<28}{question.without}")
    if "log" in missing:
        print("MISSING [[log]]: copy the logs there, then name each recording in the file.")
    if not missing:
        print(f"Next: pullcoast report {shlex.quote(str(file.parent))}")
