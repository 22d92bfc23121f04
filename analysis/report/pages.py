"""What all pages share: their templates, and how text and data are put into them safely."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path
from urllib.parse import quote

import jinja2
from markupsafe import Markup

__all__ = ["TEMPLATES", "as_link", "css_text", "page_environment", "page_script", "typeset"]

#: Folder of the pages' templates, beside this file.
TEMPLATES = Path(__file__).with_name("templates")

_HYPHEN = re.compile(r"(?<![\w)])-(?=\d)")
_SQUARE = re.compile(r"(?<=[\d)])\^2\b|(?<= m/s)2\b")
_PERCENT = re.compile(r"(\d) %")
#: A longer name than this [characters] would not fit at the foot of a sheet.
_LONGEST_FOOT = 60


def page_environment() -> jinja2.Environment:
    """Return the environment of every page: what is put in is escaped, what is missing an error."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["typeset"] = typeset
    environment.filters["as_link"] = as_link
    environment.filters["css_text"] = css_text
    return environment


def page_script(name: str) -> tuple[Markup, str]:
    """Return a script of the templates' folder, and the source by which a page's policy allows it.

    The source is the script's hash (W3C, Content Security Policy Level 3, 2.3.1), so that nothing else
    can run.
    """
    script = (TEMPLATES / name).read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return Markup(script), f"sha256-{digest}"


def typeset(text: str) -> str:
    r"""Give figures a true minus sign and raised powers, and keep percent signs with them.

    >>> typeset("from -2 to 3 %, 1.2 m/s2, 4^2")
    'from −2 to 3\xa0%, 1.2 m/s², 4²'
    """
    raised = _SQUARE.sub("\u00b2", text)
    return _PERCENT.sub("\\1\u00a0%", _HYPHEN.sub("\u2212", raised))


def css_text(text: str) -> Markup:
    r"""Return text for between the quotes of a style sheet: all but letters and figures as escapes.

    >>> str(css_text('a"}</style>'))
    'a\\22 \\7d \\3c \\2f style\\3e '
    """
    short = text if len(text) <= _LONGEST_FOOT else f"{text[:_LONGEST_FOOT]}..."
    return Markup("".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):x} " for c in short))


def as_link(csv: str) -> str:
    r"""Return a table as the address of a link that holds all of it (RFC 2397).

    >>> as_link("speed [km/h],n\n1,2\n")
    'data:text/csv;charset=utf-8,speed%20[km/h],n%0A1,2%0A'
    """
    return "data:text/csv;charset=utf-8," + quote(
        csv, safe=",./()[]:;*+", errors="backslashreplace"
    )
