"""Records as JSON text: plain values, and nothing that must not be shown."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import is_dataclass
from typing import Any

import numpy as np

from analysis.report.records.record import FindingRecord, PhaseRecord, filled, written_fields
from analysis.runs.run import Phase, Run
from logger.errors import PullcoastError
from logger.findings import Finding

__all__ = [
    "ResultError",
    "finding_dict",
    "json_text",
    "phase_dict",
    "plain",
]

# JSON values: every leaf is a str, bool, int, finite float or None
_Json = Any


class ResultError(PullcoastError):
    """An `Analysis` that holds a number which must never be shown: nan, inf, or an sd of 0."""


def phase_dict(phase: Phase, run: Run) -> dict[str, _Json]:
    """Return the times, speeds and direction of one phase of `run` under results.json's keys."""
    return plain(PhaseRecord(**PhaseRecord.figures(phase, run)))


def finding_dict(finding: Finding) -> dict[str, _Json]:
    """Return one finding under results.json's keys."""
    return plain(filled(FindingRecord, finding))


def json_text(value: _Json) -> str:
    """Return `value` as indented JSON with a final newline; nan and inf are refused.

    Parameters
    ----------
    value : record or plain values
        What is published.

    Raises
    ------
    ResultError
        A number in it is not finite or a standard deviation not above 0; the text names the key.
    """
    return json.dumps(_plain(value, ""), indent=1, allow_nan=False) + "\n"


def plain(record: object) -> dict[str, _Json]:
    """Return a record as plain JSON values; `ResultError` for a number that must never be shown."""
    found: dict[str, _Json] = _plain(record, "")
    return found


def _plain(value: _Json, key: str) -> _Json:
    """Return plain JSON values of records, numpy values, tuples and paths."""
    if is_dataclass(value):
        value = written_fields(value)
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {
            str(name): _plain(item, f"{key}.{name}".lstrip(".")) for name, item in value.items()
        }
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(item, f"{key}[{index}]") for index, item in enumerate(value)]
    if value is None or isinstance(value, str | bool):
        return value
    if not isinstance(value, int | float):
        return str(value)
    if not math.isfinite(value):
        raise ResultError(_unfit(key, value, "a finite number"))
    # what the user states (the session's masses, settings) may have an sd of 0; no result may
    is_sd = "_sd_" in f"_{key.rsplit('.', 1)[-1]}_"
    if is_sd and value <= 0 and not key.startswith(("session.", "history")):
        raise ResultError(_unfit(key, value, "a standard deviation above 0"))
    return value


def _unfit(key: str, value: float, expected: str) -> str:
    """Return the message on a number that must never be shown."""
    return (
        f"the analysis gave {key} = {value}, expected {expected}; nothing was written. "
        "This is a fault of pullcoast, not of your logs: please report it with the session"
    )
