"""What is written as those who take it see it: a page's words and links, JSON held to its schema."""

from __future__ import annotations

import json
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import jsonschema

__all__ = ["SCHEMAS", "Page", "valid"]

_ROOT = Path(__file__).resolve().parents[2]
#: Schemas of today, and those that the files were first published with: both hold.
SCHEMAS = (_ROOT / "analysis" / "report" / "records", _ROOT / "tests" / "data" / "schemas")
_VOID = {"meta", "path", "rect", "br", "link", "img", "input"}


def valid(text: str) -> dict[str, Any]:
    """Return the content of a published JSON text, held to its schema of today and its first one."""
    found: dict[str, Any] = json.loads(text)
    for validator in _validators(found["format"]):
        validator.validate(found)
    return found


@cache
def _validators(format_: str) -> tuple[jsonschema.Draft202012Validator, ...]:
    name = format_.removeprefix("pullcoast-").removesuffix("/1")
    schemas = [
        json.loads((folder / f"{name}.schema.json").read_text(encoding="utf-8"))
        for folder in SCHEMAS
    ]
    for schema in schemas:
        jsonschema.Draft202012Validator.check_schema(schema)
    return tuple(jsonschema.Draft202012Validator(schema) for schema in schemas)


class Page(HTMLParser):
    """Collects what a reader of the page sees, and whether its elements are closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.sources: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.ids += [found["id"] or ""] if "id" in found else []
        self.sources += [found[k] or "" for k in ("src", "href", "xlink:href") if k in found]
        if tag not in _VOID and tag != "use":
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if self.open and self.open[-1] == tag and tag not in _VOID and tag != "use":
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        if tag in _VOID:
            return
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1] == tag, f"</{tag}> closes <{self.open[-1]}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())  # no-break spaces become plain ones
