"""The road load's records: coefficients, covariance and curve as every file has them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal, TypeAlias

from analysis.pipeline import Analysis
from analysis.report.records.record import ForcePoint, Limits, Part, ReferenceAir, filled, rows
from analysis.results.road_load import RoadLoad

__all__ = ["COEFFICIENTS", "RoadLoadFigures", "RoadLoadRecord", "budget_of"]

#: Order of the coefficients in `covariance`.
COEFFICIENTS = ("F0_N", "F1_N_per_mps", "F2_N_per_mps2")

_Three: TypeAlias = tuple[float, float, float]
_Covariance: TypeAlias = tuple[_Three, _Three, _Three]
_Order: TypeAlias = tuple[Literal["F0_N"], Literal["F1_N_per_mps"], Literal["F2_N_per_mps2"]]
_CAUSES = ("noise", "wind", "slope", "lag", "mount", "mass")


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadLoadFigures:
    """R(v) = F0 + F1 v + F2 v^2; coefficients null where they cannot be separated."""

    F0_N: float | None
    F1_N_per_mps: float | None
    F2_N_per_mps2: float | None
    covariance: _Covariance | None
    order: _Order
    why_not: Annotated[str | None, "why the coefficients are null; null when they are given"]
    speed_range_mps: tuple[Part, Part]
    curve: Annotated[
        list[ForcePoint],
        "at multiples of 0.5 m/s inside the speeds that used coast-downs covered",
    ]

    @staticmethod
    def figures(load: RoadLoad) -> dict[str, Any]:
        """Return the values of these fields."""
        known = load.separable
        speeds = load.curve_speeds_mps()
        forces, sds = load.force_n(speeds), load.force_sd_n(speeds)
        return {
            "F0_N": load.f0_n if known else None,
            "F1_N_per_mps": load.f1_n_per_mps if known else None,
            "F2_N_per_mps2": load.f2_n_per_mps2 if known else None,
            "covariance": load.covariance if known else None,
            "order": COEFFICIENTS,
            "why_not": load.why_not_separable,
            "speed_range_mps": load.speed_range_mps,
            "curve": rows(ForcePoint, speed_mps=speeds, force_N=forces, sd_N=sds),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceRecord(ReferenceAir):
    """The same carried over to reference air."""

    F0_N: float
    F1_N_per_mps: float
    F2_N_per_mps2: float
    covariance: Annotated[_Covariance | None, "of the three, the carrying over included"] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainRecord:
    """The integrated equation of motion fitted to the speeds of the coast-downs alone: no wind, no slope."""

    F0_N: float
    F1_N_per_mps: float
    F2_N_per_mps2: float
    covariance: Annotated[_Covariance, "of the three, by the residual alone"]
    residual_mps: Annotated[float, "what it leaves of the speeds"]
    difference_sd: Annotated[
        float, "most that it differs from the road load, in sd of what wind, slope and noise allow"
    ]

    @classmethod
    def of(cls, load: RoadLoad) -> PlainRecord | None:
        """Fill from a road load; None without a plain fit, or where three coefficients are not told apart."""
        plain = load.plain
        if plain is None or not load.separable:
            return None
        f0, f1, f2 = plain.coefficients
        forces = {"F0_N": f0, "F1_N_per_mps": f1, "F2_N_per_mps2": f2}
        return filled(cls, plain, **forces, difference_sd=plain.sigma)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadLoadRecord(RoadLoadFigures):
    """R(v) = F0 + F1 v + F2 v^2 as tested: neutral, level road, still air, air of the day."""

    ALSO: ClassVar = {
        "if": {"properties": {"F0_N": {"type": "null"}}},
        "then": {
            "properties": {
                "F1_N_per_mps": {"type": "null"},
                "F2_N_per_mps2": {"type": "null"},
                "covariance": {"type": "null"},
                "reference": {"type": "null"},
                "why_not": {"type": "string", "minLength": 1},
            }
        },
        "else": {
            "properties": {
                "F1_N_per_mps": {"type": "number"},
                "F2_N_per_mps2": {"type": "number"},
                "covariance": {"type": "array"},
                "why_not": {"type": "null"},
            }
        },
    }

    budget: Annotated[
        dict[str, Part | None],
        Limits(keys=_CAUSES),
        "standard deviations [N] of the force at 100 km/h or the nearest covered speed, by cause; "
        "they add in squares",
    ]
    reference: Annotated[ReferenceRecord | None, "null without the air of the day"]
    plain: Annotated[
        PlainRecord | None,
        "a plain least-squares fit of the same coast-downs; null where they give no three coefficients",
    ] = None

    @classmethod
    def of(cls, outcome: Analysis) -> RoadLoadRecord | None:
        """Fill from an analysis; None without a road load."""
        load, reference = outcome.road_load, outcome.extras.reference_road_load
        if load is None:
            return None
        shown = load.separable and reference is not None
        return cls(
            **cls.figures(load),
            budget=budget_of(load.budget_n, _CAUSES),
            reference=filled(ReferenceRecord, reference) if shown else None,
            plain=PlainRecord.of(load),
        )


def budget_of(known: Mapping[str, float], causes: Sequence[str]) -> dict[str, float | None]:
    """Return every cause of the contract, None when not stated, then any others."""
    return {**dict.fromkeys(causes), **known}
