"""What the records of published files share: limits of values, and filling a record from a result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Annotated, Any, Literal, TypeAlias, TypeVar

from analysis.runs.run import Phase, Run
from logger.findings import Finding, Severity

__all__ = [
    "AirRecord",
    "AtSpeed",
    "Count",
    "Direction",
    "FindingRecord",
    "ForcePoint",
    "Limits",
    "Part",
    "PhaseRecord",
    "Positive",
    "Range",
    "ReferenceAir",
    "Sd",
    "Share",
    "Text",
    "filled",
    "key_of",
    "rows",
    "written_fields",
]

_Record = TypeVar("_Record")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a value must keep: numbers their bounds, lists and texts a length, objects their keys."""

    above: float | None = None
    least: float | None = None
    most: float | None = None
    length: int | None = None
    keys: tuple[str, ...] = ()


Count: TypeAlias = Annotated[int, Limits(least=0)]
Part: TypeAlias = Annotated[float, Limits(least=0)]
Positive: TypeAlias = Annotated[float, Limits(above=0)]
#: One standard deviation.
Sd: TypeAlias = Annotated[float, Limits(above=0)]
#: A probability, or a share of all cases.
Share: TypeAlias = Annotated[float, Limits(least=0, most=1)]
Text: TypeAlias = Annotated[str, Limits(length=1)]
Range: TypeAlias = tuple[float, float]
Direction: TypeAlias = Literal[1, -1] | None


# A record may say of its class:
#   KEYS      published names of fields that have one of their own
#   MAY_LACK  fields that a file may lack, but never has as null: written only where they are not None
#   ALSO      what its schema says besides


def key_of(record: type, name: str) -> str:
    """Return the key that a record's field is published under."""
    keys: Mapping[str, str] = getattr(record, "KEYS", {})
    return keys.get(name, name)


def written_fields(record: Any) -> dict[str, Any]:
    """Return a record's values by their keys, in the order of the file."""
    kind = type(record)
    lacking: Sequence[str] = getattr(kind, "MAY_LACK", ())
    values = {field.name: getattr(record, field.name) for field in fields(kind)}
    return {
        key_of(kind, name): value
        for name, value in values.items()
        if value is not None or name not in lacking
    }


def filled(record: type[_Record], source: object, **others: Any) -> _Record:
    """Return a record whose fields are `others`, else what `source` calls by the same name.

    Published names have symbols of units in capitals (``peak_W``), attributes are in small letters.
    """
    for field in fields(record):  # type: ignore[arg-type]
        if field.name not in others:
            others[field.name] = getattr(source, field.name.lower())
    return record(**others)


def rows(record: type[_Record], **columns: Any) -> list[_Record]:
    """Return one record for each row of columns of one length."""
    plain = [column.tolist() for column in columns.values()]
    return [record(**dict(zip(columns, row, strict=True))) for row in zip(*plain, strict=True)]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingRecord:
    """One thing noticed, and what it means for the result."""

    kind: Text
    severity: Severity
    log: Count | None
    text: Text

    @classmethod
    def all_of(cls, findings: Sequence[Finding]) -> list[FindingRecord]:
        """Return the records of findings in their order."""
        return [filled(cls, finding) for finding in findings]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceAir:
    """Air that road loads are carried to, dry."""

    temperature_C: float
    pressure_kPa: Positive


@dataclass(frozen=True, slots=True, kw_only=True)
class AirRecord:
    """Air of the day."""

    density_kg_m3: Positive
    density_sd_kg_m3: Sd
    source: Literal["measured", "estimated", "assumed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ForcePoint:
    """Road load at one speed."""

    speed_mps: Part
    force_N: float
    sd_N: Sd


# no slots, so that a record can begin with another one's fields
@dataclass(frozen=True, kw_only=True)
class AtSpeed:
    """What holds at one speed."""

    speed_mps: Part


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseRecord:
    """Times, speeds and direction of one phase of a run."""

    start_s: float
    end_s: float
    from_mps: float
    to_mps: float
    direction: Direction

    @staticmethod
    def figures(phase: Phase, run: Run) -> dict[str, Any]:
        """Return the values of these fields."""
        return {
            "start_s": phase.start_s,
            "end_s": phase.end_s,
            "from_mps": phase.from_mps,
            "to_mps": phase.to_mps,
            "direction": run.direction,
        }
