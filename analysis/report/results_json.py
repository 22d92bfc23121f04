"""An analysis and a cross-check as plain values: every key of the contract."""

from __future__ import annotations

from typing import Any

from analysis.crosscheck.checked import CrossCheck
from analysis.pipeline import Analysis
from analysis.report.json_text import plain
from analysis.report.records.crosscheck import CrossCheckRecord
from analysis.report.records.results import ResultsRecord

__all__ = ["crosscheck_dict", "results_dict"]


def results_dict(outcome: Analysis, crosscheck: CrossCheck | None = None) -> dict[str, Any]:
    """Return what results.json holds, with every key and null for what is unknown.

    Parameters
    ----------
    outcome : Analysis
        Of one session.
    crosscheck : CrossCheck or None
        Its timed runs.

    Returns
    -------
    dict
        Plain values only, in the order of the file.

    Raises
    ------
    ResultError
        A number is not finite or a standard deviation is not above 0; the text names the key.
    """
    return plain(ResultsRecord.of(outcome, crosscheck))


def crosscheck_dict(found: CrossCheck) -> dict[str, Any]:
    """Return a cross-check as plain values for programs, null for what is unknown."""
    return plain(CrossCheckRecord.of(found))
