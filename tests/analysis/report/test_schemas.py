"""The schemas in the package: made from the records, open to new keys, no laxer than the first ones."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from make_analysis import make_analysis, with_comparisons
from make_schemas import RECORDS, schema_path, schema_text
from make_written import SCHEMAS, valid

from analysis.report.json_text import json_text
from analysis.report.read_results import read_results_road_load, side_of_results
from analysis.report.results_json import results_dict
from logger.errors import ReadError

#: What the keys of a results.json may hold in a damaged or hostile file.
_HOSTILE: tuple[Any, ...] = (
    None,
    True,
    -1,
    0,
    10**400,
    -1e308,
    float("nan"),
    "",
    "x",
    [],
    [[]],
    {},
    {"": 0},
)
#: Keys that came after the first files were written.
_LATER = (
    ("session", "vehicle"),
    ("session", "kind"),
    ("session", "state"),
    ("road_load", "reference", "covariance"),
    ("wheel_power", "lower_bound_below_mps"),
    ("wheel_power", "scatter_factor"),
    ("resistance",),
    ("regulation",),
    ("engine",),
    ("predictions",),
)


def _results() -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(json_text(results_dict(with_comparisons(make_analysis()))))
    return loaded


@pytest.mark.parametrize("name", RECORDS)
def test_schemas_in_the_package_are_those_of_the_records(name: str) -> None:
    """After a change of a record: ``python tests/support/make_schemas.py``."""
    assert schema_path(name).read_text(encoding="utf-8") == schema_text(name)


@pytest.mark.parametrize("name", RECORDS)
def test_schemas_require_and_bound_what_the_first_ones_did(name: str) -> None:
    """A key, bound or word that the first schema had and today's has not would widen the contract."""
    today, first = (_flat(json.loads((f / f"{name}.schema.json").read_text())) for f in SCHEMAS)
    for place, rules in first.items():
        assert rules <= today.get(place, set()), place


def _flat(root: dict[str, Any]) -> dict[str, set[str]]:
    """Return the rules of a schema by the place in a file that they are about."""
    found: dict[str, set[str]] = {}

    def walk(schema: dict[str, Any], place: str) -> None:
        if "$ref" in schema:
            walk(root["$defs"][schema["$ref"].rpartition("/")[2]], place)
        rules = found.setdefault(place, set())
        kinds = schema.get("type", [])
        rules.update(f"type {kind}" for kind in ([kinds] if isinstance(kinds, str) else kinds))
        for word in ("minimum", "exclusiveMinimum", "maximum", "minItems", "maxItems", "minLength"):
            if word in schema:
                rules.add(f"{word} {schema[word]:g}")
        rules.update(f"required {key}" for key in schema.get("required", ()))
        words = schema.get("enum", [schema["const"]] if "const" in schema else [])
        for word in words:
            if isinstance(word, list):
                for item in word:
                    found.setdefault(f"{place}[]", set()).add(f"one of {item}")
                rules |= {"type array", f"minItems {len(word)}", f"maxItems {len(word)}"}
            else:
                rules.add("type null" if word is None else f"one of {word}")
        for part in (*schema.get("anyOf", ()), *schema.get("oneOf", ())):
            walk(part, place)
        for key, part in schema.get("properties", {}).items():
            walk(part, f"{place}.{key}")
        if isinstance(schema.get("additionalProperties"), dict):
            walk(schema["additionalProperties"], f"{place}.*")
        for part in (schema.get("items"), *schema.get("prefixItems", ())):
            if part:
                walk(part, f"{place}[]")

    walk(root, "")
    return found


def test_files_of_the_first_days_and_of_later_ones_fit() -> None:
    results = _results()
    results["road_load"]["reference"] = {
        "temperature_C": 20.0,
        "pressure_kPa": 100.0,
        "F0_N": 147.0,
        "F1_N_per_mps": 1.18,
        "F2_N_per_mps2": 0.41,
        "covariance": None,
    }
    assert valid(json.dumps(results)) == results
    for *way, key in _LATER:
        holder = results
        for word in way:
            holder = holder[word]
        del holder[key]
    valid(json.dumps(results))
    results["unheard_of"] = results["session"]["unheard_of"] = results["pulls"][0]["new"] = [1]
    valid(json.dumps(results))


def test_a_record_holds_what_its_file_has_in_its_order() -> None:
    """The keys of a written file are the fields of its record, in their order, at every depth."""

    def check(schema: dict[str, Any], value: Any) -> None:
        if "$ref" in schema:
            schema = root["$defs"][schema["$ref"].rpartition("/")[2]]
        if isinstance(value, list):
            for item in value:
                check(schema.get("items", {}), item)
        known = schema.get("properties")
        if isinstance(value, dict) and known:
            assert list(value) == [key for key in known if key in value]
            for key, item in value.items():
                check(known[key], item)
        for part in schema.get("anyOf", ()):
            if part.get("type") != "null" and value is not None:
                check(part, value)

    root = json.loads(schema_path("results").read_text(encoding="utf-8"))
    check(root, _results())


def _leaves(value: Any, way: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the way to every value inside a JSON value, holders included."""
    if way:
        yield way
    items = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value[:3])
        if isinstance(value, list)
        else ()
    )
    for key, item in items:
        yield from _leaves(item, (*way, key))


_RESULTS = _results()
_WAYS = [
    way
    for way in _leaves(_RESULTS)
    if way[0] in ("session", "air", "site", "road_load", "wheel_power", "findings")
]


@given(way=st.sampled_from(_WAYS), value=st.sampled_from((*_HOSTILE, "delete")))
def test_a_hostile_file_is_read_or_refused_in_words(
    tmp_path_factory: pytest.TempPathFactory, way: tuple[Any, ...], value: object
) -> None:
    results = json.loads(json.dumps(_RESULTS))
    holder = results
    for key in way[:-1]:
        holder = holder[key]
    if value == "delete":
        del holder[way[-1]]
    else:
        holder[way[-1]] = value
    file = tmp_path_factory.getbasetemp() / "hostile.json"
    file.write_text(json.dumps(results), encoding="utf-8")
    refusals = []
    for read in (read_results_road_load, lambda path: side_of_results("early", path)):
        try:
            read(file)
        except ReadError as error:
            refusals.append(str(error))
    assert all(str(file) in refusal for refusal in refusals)
