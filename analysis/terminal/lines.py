"""Lines of text filled to a width, no word broken."""

from __future__ import annotations

import re
import textwrap

__all__ = ["COLUMNS", "fill", "fitted", "wrap"]

#: As wide as results are printed, wherever they go.
COLUMNS = 80
#: What stands before the text of a line: blanks, or a name and two blanks or more.
_BEFORE = re.compile(r" *(?:\S.*?  +(?=\S))?")


def wrap(
    text: str, width: int = COLUMNS, *, initial_indent: str = "", subsequent_indent: str = ""
) -> list[str]:
    """Return a text in lines; a word longer than the width stands in a line of its own."""
    return textwrap.wrap(
        text,
        width,
        initial_indent=initial_indent,
        subsequent_indent=subsequent_indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def fill(
    text: str, width: int = COLUMNS, *, initial_indent: str = "", subsequent_indent: str = ""
) -> str:
    """Return what `wrap` does as one text."""
    lines = wrap(text, width, initial_indent=initial_indent, subsequent_indent=subsequent_indent)
    return "\n".join(lines)


def fitted(text: str, width: int) -> str:
    r"""Return a text with lines longer than the width filled, further lines below their first word.

    >>> print(fitted("pullcoast: one two three four", 20))
    pullcoast: one two
      three four
    >>> print(fitted("  --mass M   as driven with all", 26))
      --mass M   as driven
                 with all
    """
    if "\x1b" in text or "\r" in text or width < 20:
        return text
    return "\n".join(_line(line, width) for line in text.split("\n"))


def _line(line: str, width: int) -> str:
    if len(line) <= width:
        return line
    match = _BEFORE.match(line)
    before = match[0] if match else ""
    hang = (
        len(before)
        if 0 < len(before) <= width // 2 and before.strip()
        else len(line) - len(line.lstrip()) + 2
    )
    return "\n".join(
        wrap(line[len(before) :], width, initial_indent=before, subsequent_indent=" " * hang)
    )
