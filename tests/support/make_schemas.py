"""Make the JSON Schemas of the published files from their records; run after a record has changed.

``python tests/support/make_schemas.py`` writes them beside the records. They stay open to keys that
they do not know, so that later versions may add some.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, get_args, get_type_hints

from mashumaro.jsonschema import DRAFT_2020_12, build_json_schema
from mashumaro.jsonschema.models import Context, JSONArraySchema, JSONSchema
from mashumaro.jsonschema.plugins import BasePlugin
from mashumaro.jsonschema.schema import Instance

from analysis.report.records.comparison import ComparisonsRecord
from analysis.report.records.plan import PlanRecord
from analysis.report.records.record import Limits, key_of
from analysis.report.records.results import ResultsRecord
from analysis.report.records.shared import SharedRecord

__all__ = ["RECORDS", "schema_of", "schema_path", "schema_text"]

_FOLDER = Path(__file__).resolve().parents[2] / "analysis" / "report" / "records"
#: The record of each published file; a schema is named after its file.
RECORDS: Mapping[str, type] = {
    "results": ResultsRecord,
    "compare": ComparisonsRecord,
    "shared": SharedRecord,
    "plan": PlanRecord,
}


class _Marks(BasePlugin):
    """Puts descriptions and limits of fields into the schema."""

    def get_schema(
        self, instance: Instance, ctx: Context, schema: JSONSchema | None = None
    ) -> JSONSchema | None:
        if schema is None:
            return None
        for mark in instance.annotations:
            if isinstance(mark, str):
                schema.description = mark
            elif isinstance(mark, Limits):
                _limit(schema, mark)
        return schema


def _limit(schema: Any, limits: Limits) -> None:
    """Put limits into the schema of a value, a list, a text or an object."""
    length = "minItems" if isinstance(schema, JSONArraySchema) else "minLength"
    names = {"above": "exclusiveMinimum", "least": "minimum", "most": "maximum", "length": length}
    for name, keyword in names.items():
        if getattr(limits, name) is not None:
            setattr(schema, keyword, getattr(limits, name))
    if limits.keys:
        schema.required = list(limits.keys)


def schema_of(record: type) -> dict[str, Any]:
    """Return the JSON Schema of a record."""
    found = build_json_schema(
        record, dialect=DRAFT_2020_12, all_refs=True, plugins=[_Marks()]
    ).to_dict()
    _complete(found, {one.__name__: one for one in _within(record)})
    name = get_args(get_type_hints(record)["format"])[0]
    return {
        "$schema": DRAFT_2020_12.uri,
        "$id": f"{name.replace('/', '-')}.schema.json",
        "title": name,
        **{key: value for key, value in found.items() if key != "$schema"},
    }


def _within(kind: Any) -> Iterator[type]:
    """Yield every record inside a type, itself included."""
    if is_dataclass(kind) and isinstance(kind, type):
        yield kind
        for part in get_type_hints(kind).values():
            yield from _within(part)
    for part in get_args(kind):
        yield from _within(part)


def _complete(schema: Any, records: Mapping[str, type]) -> None:
    """Open objects to unknown keys, and add what their records say besides."""
    if isinstance(schema, list):
        for item in schema:
            _complete(item, records)
    if not isinstance(schema, dict):
        return
    for item in schema.values():
        _complete(item, records)
    if schema.get("additionalProperties") is False:
        del schema["additionalProperties"]
    if schema.get("type") != "object" or schema.get("title") not in records:
        return
    record = records[schema.pop("title")]
    names = {field.name: key_of(record, field.name) for field in fields(record)}
    schema.setdefault("description", " ".join((record.__doc__ or "").split()))
    schema["properties"] = {names[n]: part for n, part in schema["properties"].items()}
    schema["required"] = [names[n] for n in schema["required"]]
    for name in getattr(record, "MAY_LACK", ()):
        part = schema["properties"][names[name]]
        part.pop("default")
        (other,) = (one for one in part.pop("anyOf") if one != {"type": "null"})
        part |= other
    schema |= getattr(record, "ALSO", {})


def schema_path(name: str) -> Path:
    """Return where the schema of a published file lies."""
    return _FOLDER / f"{name}.schema.json"


def schema_text(name: str) -> str:
    """Return the text of the schema of a published file."""
    return json.dumps(schema_of(RECORDS[name]), indent=1) + "\n"


if __name__ == "__main__":
    for one in RECORDS:
        schema_path(one).write_text(schema_text(one), encoding="utf-8")
