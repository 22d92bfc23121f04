"""Make a drawing's SVG fit to stand inside a page beside others."""

from __future__ import annotations

import re
from collections.abc import Mapping
from html import escape

__all__ = ["inline_svg", "shortened"]

_ID = re.compile(r' id="([^"]*)"')
_REFERENCE = re.compile(r'(url\(#|href="#)([^")]*)')
_FAMILY = re.compile(r"font-family: [^;\"]*;? ?")
_STYLE_SHEET = re.compile(r"<style.*?</style>", re.DOTALL)
_VIEW_BOX = re.compile(r'viewBox="[^"]*"')
_DIGITS = re.compile(r"(\d\.\d\d)\d+")
_INDENT = re.compile(r"\n\s*")


def shortened(text: str) -> str:
    """Return SVG with coordinates to a hundredth of a point and no indentation: half the size."""
    return _INDENT.sub("\n", _DIGITS.sub(r"\1", text))


def inline_svg(
    text: str, name: str, title: str, words: str, colours: Mapping[str, str], axes: str = ""
) -> str:
    """Return a whole SVG document as an element for a page.

    Ids that nothing refers to go, the others get `name` in front so that figures do not clash; the
    drawing's own style sheet goes, since it would hold for the whole page; fonts are the page's;
    the size is the page's; colours become style variables.

    Parameters
    ----------
    text : str
        An SVG document.
    name : str
        Unique in the page, fit for an id.
    title, words : str
        What the figure is called and shows, for those who do not see it.
    colours : mapping
        Style variable (without ``--c-``) to the colour in `text` that it replaces.
    axes : str
        Attributes that say where the axes lie.

    Returns
    -------
    str
        An ``<svg>`` element with role, title and description.
    """
    text = _STYLE_SHEET.sub("", text[text.index("<svg") :], count=1)
    used = {match[2] for match in _REFERENCE.finditer(text)}
    text = _ID.sub(lambda match: f' id="{name}-{match[1]}"' if match[1] in used else "", text)
    text = _REFERENCE.sub(rf"\g<1>{name}-\g<2>", text)
    text = _FAMILY.sub("", text)
    for variable, colour in colours.items():
        text = text.replace(colour, f"var(--c-{variable})")
    box = _VIEW_BOX.search(text)
    head = (
        f'<svg role="img" aria-labelledby="{name}-title {name}-words" {box[0] if box else ""}{axes} '
        'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink">'
        f'<title id="{name}-title">{escape(title, quote=False)}</title>'
        f'<desc id="{name}-words">{escape(words, quote=False)}</desc>'
    )
    return head + text[text.index(">") + 1 :].strip()
