"""Values of a JSON file taken into a record: each checked by its type and limits, refused by its key."""

from __future__ import annotations

import json
import math
from dataclasses import MISSING, fields, is_dataclass
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from analysis.report.records.record import Limits, key_of
from logger.errors import ReadError

__all__ = ["read_record"]

_Record = TypeVar("_Record")
#: So much of a value that does not fit is quoted.
_QUOTED = 40
_NAMES = {str: "a text", bool: "true or false", dict: "an object", list: "a list"}


def read_record(file: str, where: str, value: object, record: type[_Record]) -> _Record:
    """Return `value`, as JSON has it, as a record.

    Parameters
    ----------
    file : str
        Name of the file, for messages.
    where : str
        Key of the value in it.
    value : object
        Any JSON value; keys that the record does not know are left alone.
    record : type
        One of the records of published files.

    Raises
    ------
    ReadError
        A key is missing, or its value has another type or exceeds its limits; the text names the key,
        what was found and what was expected.
    """
    if not isinstance(value, dict):
        raise ReadError(file, f"{where} is not an object", "the object of a results.json")
    hints = _types(record)  # type: ignore[arg-type]
    found = {}
    for field in fields(record):  # type: ignore[arg-type]
        key = key_of(record, field.name)
        there = f"{where}.{key}"
        if key in value:
            found[field.name] = _checked(file, there, value[key], hints[field.name])
        elif field.default is MISSING:
            raise ReadError(file, f"{there} is missing", "the keys of a results.json")
    return record(**found)


@cache
def _types(record: type) -> dict[str, Any]:
    """Return the type of each field with its limits."""
    return get_type_hints(record, include_extras=True)


def _checked(file: str, where: str, value: object, kind: Any) -> Any:
    """Return a value of one type, with what it holds checked likewise."""
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Annotated:
        found = _checked(file, where, value, parts[0])
        for limits in parts[1:]:
            if isinstance(limits, Limits) and found is not None:
                _check_limits(file, where, found, limits)
        return found
    if origin in (Union, UnionType):
        if value is None and NoneType in parts:
            return None
        (other,) = (part for part in parts if part is not NoneType)
        return _checked(file, where, value, other)
    if origin is Literal:
        if not any(value == part and type(value) is type(part) for part in parts):
            raise _unfit(file, where, value, " or ".join(json.dumps(part) for part in parts))
        return value
    if origin in (list, tuple):
        return _checked_items(file, where, value, origin, parts)
    if origin is dict:
        return {
            name: _checked(file, f"{where}.{name}", item, parts[1])
            for name, item in _of_kind(file, where, value, dict).items()
        }
    if is_dataclass(kind):
        return read_record(file, where, value, kind)  # type: ignore[arg-type]
    if kind in (int, float):
        return _checked_number(file, where, value, kind)
    return value if kind is Any else _of_kind(file, where, value, kind)


def _checked_items(
    file: str, where: str, value: object, origin: type, parts: tuple[Any, ...]
) -> Any:
    """Return a list of any length, or a tuple of so many items as its type has."""
    each = parts
    if origin is list or parts[1:] == (...,):
        each = (parts[0],) * len(_of_kind(file, where, value, list))
    elif not isinstance(value, list) or len(value) != len(parts):
        noun = "rows" if get_origin(parts[0]) is tuple else "numbers"
        raise _unfit(file, where, value, f"{len(parts)} {noun}")
    found = [
        _checked(file, f"{where}[{at}]", item, part)
        for at, (item, part) in enumerate(zip(value, each, strict=True))  # type: ignore[call-overload]
    ]
    return origin(found)


def _checked_number(file: str, where: str, value: object, kind: type[int | float]) -> float:
    """Return a finite number; a whole one where the type is int."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if math.isfinite(number) and (kind is float or number.is_integer()):
            return kind(value)
    raise _unfit(file, where, value, "a finite number" if kind is float else "a whole number")


def _check_limits(file: str, where: str, value: Any, limits: Limits) -> None:
    """Raise `ReadError` where a value exceeds its limits."""
    if limits.above is not None and not value > limits.above:
        raise _unfit(file, where, value, f"above {limits.above:g}")
    if limits.least is not None and not value >= limits.least:
        raise _unfit(file, where, value, f"{limits.least:g} or more")
    if limits.most is not None and not value <= limits.most:
        raise _unfit(file, where, value, f"{limits.most:g} or less")
    if limits.length is not None and len(value) < limits.length:
        raise _unfit(file, where, value, f"a length of {limits.length} or more")
    missing = [key for key in limits.keys if key not in value]
    if missing:
        raise ReadError(file, f"{where}.{missing[0]} is missing", "the keys of a results.json")


def _of_kind(file: str, where: str, value: object, kind: type) -> Any:
    """Return a value of a type that is as JSON has it."""
    if not isinstance(value, kind):
        raise _unfit(file, where, value, _NAMES[kind])
    return value


def _unfit(file: str, where: str, value: object, expected: str) -> ReadError:
    shown = f"{value:g}" if isinstance(value, float) and math.isfinite(value) else json.dumps(value)
    return ReadError(file, f"{where} is {shown[:_QUOTED]}", expected)
