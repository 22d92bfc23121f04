"""Colour on a terminal: the words that matter stand out, and read the same without it."""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import TextIO

from analysis.terminal.lines import fitted

__all__ = ["Painted", "colour_wanted", "paint", "safe_streams"]

_BOLD, _RED, _GREEN, _YELLOW, _PLAIN = "\x1b[1m", "\x1b[1;31m", "\x1b[32m", "\x1b[33m", "\x1b[0m"
_LINES = re.MULTILINE
_OF_WORD = {
    "error": _RED,
    "failed": _RED,
    "warning": _YELLOW,
    "MISSING": _YELLOW,
    "good": _GREEN,
    "fair": _YELLOW,
    "rough": _RED,
    "doubtful": _RED,
}


def _word(match: re.Match[str]) -> str:
    return f"{match[1]}{_OF_WORD[match[2]]}{match[2]}{_PLAIN}"


def _bold(match: re.Match[str]) -> str:
    return f"{match[1]}{_BOLD}{match[2]}{_PLAIN}"


#: What stands out, line by line; the groups are what stands before it, and it.
_RULES: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], str]], ...] = (
    # a finding or a failure, also behind the name of what it is about
    (re.compile(r"^((?:pullcoast: )?(?:.*?: )??)(error|warning|failed)(?=[:,])", _LINES), _word),
    (re.compile(r"^()(MISSING)(?= )", _LINES), _word),
    (re.compile(r"^( *Trust +)(good|fair|rough|doubtful)(?=\.)", _LINES), _word),
    # the figures of the headline, without their intervals
    (re.compile(r"^( *(?:Peak wheel power|Road load) +)(\S.*?)(?=  \(|$)", _LINES), _bold),
    (re.compile(r"^()(pullcoast:)(?=\s)", _LINES), _bold),
)


def paint(text: str) -> str:
    r"""Return text for a terminal with colour: severities, trust, and the figures of a headline.

    >>> paint("warning: windy\n")
    '\x1b[33mwarning\x1b[0m: windy\n'
    >>> paint("nothing to see\n")
    'nothing to see\n'
    """
    for pattern, replaced in _RULES:
        text = pattern.sub(replaced, text)
    return text


def colour_wanted(stream: TextIO) -> bool:
    """Return whether a stream is a terminal that shows colour, and the user has nothing against it.

    ``NO_COLOR`` with any text in it means no (https://no-color.org); so does ``TERM=dumb``.
    """
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
        return False
    if os.name == "nt" and not os.environ.get("WT_SESSION"):
        return False
    return stream.isatty()


class Painted:
    """A stream to which text is written as `visible` shows it, painted if asked, no word broken at a terminal's edge."""

    def __init__(self, stream: TextIO, visible: Callable[[str], str], *, colour: bool) -> None:
        self.plain_stream = stream
        self._visible = visible
        self._colour = colour
        # a terminal breaks lines at its edge, in the middle of words
        self._columns = shutil.get_terminal_size().columns if stream.isatty() else 0

    def write(self, text: str) -> int:
        """Write text."""
        shown = self._visible(text)
        if self._columns:
            shown = fitted(shown, self._columns)
        self.plain_stream.write(paint(shown) if self._colour else shown)
        return len(text)

    def __getattr__(self, name: str) -> object:
        return getattr(self.plain_stream, name)


@contextmanager
def safe_streams(*, colour: bool) -> Iterator[None]:
    """Write stdout and stderr through `Painted` meanwhile, what is closed to nowhere."""
    try:
        from logger.visible import visible
    except ImportError:  # another package has the name `logger`: the command will say so
        yield
        return
    before = {name: getattr(sys, name) for name in ("stdout", "stderr")}
    with ExitStack() as opened:
        for name, stream in before.items():
            if stream is None:
                to = opened.enter_context(open(os.devnull, "w", encoding="utf-8"))
            else:
                to = stream
            setattr(sys, name, Painted(to, visible, colour=colour and colour_wanted(to)))
        try:
            yield
        finally:
            for name, stream in before.items():
                setattr(sys, name, stream)
