"""Text from files is data: what would act on a terminal, or turn a line around, is shown instead."""

from __future__ import annotations

import re

__all__ = ["visible"]

#: Control characters but tab and line end (ECMA-48's C0 and C1), marks of direction and isolates
#: (Unicode UAX 9), joiners of no width, line separators, half characters, and tags.
_ACTING = re.compile(
    "[\x00-\x08\x0b-\x0c\x0e-\x1f\x7f-\x9f\xad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e"
    "\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff\U000e0000-\U000e007f]"
    "|\r(?!\n)"
)


def visible(text: str) -> str:
    r"""Return a text in which characters that act are shown as escapes; every writer's last step.

    Parameters
    ----------
    text : str
        Anything that may hold words of a file: a header, a key, a name, a mark, a path.

    Returns
    -------
    str
        The same where nothing acts; line ends and tabs stay.

    >>> visible("two \x1b[31mpeople\u202e\n")
    'two \\x1b[31mpeople\\u202e\n'
    """
    return _ACTING.sub(_escape, text)


def _escape(match: re.Match[str]) -> str:
    code = ord(match[0])
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
