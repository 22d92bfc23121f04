"""The text of a new session.toml: what is known as keys, what is not as comments."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from analysis.setup.folder import LogGroup
from analysis.setup.questions import QUESTIONS, Answer, Question

__all__ = ["draft_text", "toml_text"]

_HEAD = """\
# One outing: one vehicle, one road, one spell of weather. All uncertainties are one standard
# deviation. Units are part of the keys. What stands behind # is not read: take the # away to say it.
"""

#: What the keys mean, beside them.
_MEANING = {
    "kind": "car, van, truck, motorcycle, bicycle",
    "name": "free text",
    "state": "free text; sessions of one vehicle in one state belong together",
    "mass": "as driven, with people, fuel and load",
    "mass_uncertainty": "of the mass",
    "rotating_mass": "what turns with the wheels in neutral adds so much",
    "rotating_mass_uncertainty": "of the rotating mass",
    "drive": "naturally aspirated, turbocharged, diesel, electric, unknown",
    "tyre": "of the driven wheels",
    "temperature": "of the air",
    "pressure": "at the place, not reduced to sea level",
    "humidity": "relative",
    "altitude": "above the sea",
}

_NO_LOGS = """\
# MISSING: no log lies in this folder yet. Copy the phone's logs here, and name each recording:
# [[log]]
# file = "run1.csv"
"""

_MORE = """\
# Also known: [site] for road and wind, [correction] for a standard's air, [crosscheck] for times
# taken by hand, [display] for units, [log.columns] for columns that a header leaves open.
# logger/README.md has an example of each.
"""


def toml_text(text: str) -> str:
    r"""Write a text as a TOML basic string.

    >>> toml_text('a "b"'), toml_text("x\ty\x7f")
    ('"a \\"b\\""', '"x\\ty\\u007F"')
    """
    short = {"\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r"}
    out = []
    for sign in text:
        if sign in '"\\':
            out.append("\\" + sign)
        elif sign in short:
            out.append(short[sign])
        elif ord(sign) < 0x20 or ord(sign) == 0x7F:
            out.append(f"\\u{ord(sign):04X}")
        else:
            out.append(sign)
    return '"' + "".join(out) + '"'


def draft_text(
    answers: Mapping[str, Answer],
    groups: Sequence[LogGroup],
    *,
    power: str | None = None,
    speed: str | None = None,
    logs_follow: bool = False,
) -> str:
    """Return a session.toml.

    Parameters
    ----------
    answers : mapping
        By the name of the question; what is not in it stays open.
    groups : sequence of LogGroup
        Recordings that lie in the folder.
    power, speed : str, optional
        Display units.
    logs_follow : bool
        Whether somebody adds the logs behind it.

    Returns
    -------
    str
        With a comment behind each key, and a commented line for each open question; MISSING begins
        the comment of what a report cannot do without.
    """
    parts = [_HEAD, _section("vehicle", answers), _section("air", answers)]
    if power is not None or speed is not None:
        units = (("power", power), ("speed", speed))
        lines = [f"{key} = {toml_text(unit)}" for key, unit in units if unit is not None]
        parts.append("\n".join(["[display]", *lines]) + "\n")
    parts.append(_MORE)
    entries = [_entry(group) for group in groups]
    if not logs_follow and not any(group.readable for group in groups):
        entries.insert(0, _NO_LOGS)
    return "\n".join([*parts, *entries])


def _section(table: str, answers: Mapping[str, Answer]) -> str:
    questions = [question for question in QUESTIONS if question.table == table]
    known = any(question.name in answers for question in questions)
    mark = "" if known or table == "vehicle" else "# "
    rows = [_row(question, answers.get(question.name)) for question in questions]
    width = max(len(row) for row, _ in rows) + 2
    lines = [f"{row:<{width}}{comment}".rstrip() for row, comment in rows]
    return "\n".join([f"{mark}[{table}]", *lines]) + "\n"


def _row(question: Question, answer: Answer | None) -> tuple[str, str]:
    if answer is None:
        mark = "# MISSING: " if question.needed else "# "
        return f"{mark}{question.key} = {question.example}", f"# not said: {question.without}"
    value = answer.value
    text = toml_text(value) if isinstance(value, str) else repr(value).removesuffix(".0")
    return f"{answer.key} = {text}", f"# {_MEANING[question.name]}"


def _entry(group: LogGroup) -> str:
    names = [toml_text(log.name) for log in group.logs]
    keys = [f"file = {names[0]}" if len(names) == 1 else f"files = [{', '.join(names)}]"]
    if group.readable and not any(log.directed for log in group.logs):
        keys.append(
            '# direction = "up"  # or "down": no position or heading says which way it went'
        )
    lines = [_comment(f"{log.name}: {log.summary()}") for log in group.logs]
    if group.why:
        lines.append(_comment(f"taken for one recording {_because(group.why)}"))
    if not group.readable:
        lines.append("# LEFT OUT: " + _why_out(group))
        return "\n".join([*lines, "# [[log]]", *(_comment(key) for key in keys)]) + "\n"
    return "\n".join([*lines, "[[log]]", *keys]) + "\n"


def _because(why: str) -> str:
    return f"since {why}" if why.startswith("their") else why


def _why_out(group: LogGroup) -> str:
    if not all(log.nameable for log in group.logs):
        return "its name is no text; rename it"
    if any(log.recording is None for log in group.logs):
        return "take the # away once it can be read (`pullcoast look` says more)"
    return "it has no speed and no positions, and no file of fixes belongs to it for certain"


def _comment(text: str) -> str:
    """Return a text as a comment: no control character may stand in one."""
    return "# " + "".join(sign if sign.isprintable() else "?" for sign in text)
