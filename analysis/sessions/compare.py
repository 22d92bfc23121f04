"""Two sessions set against each other: what differs, how sure that is, and what could have been seen.

`compare` is the whole story. The two estimates err each by itself, but for what they have in common,
which is taken out of the difference only where the sessions themselves say that it is
(`common.py`). Each session may also be off for the day, as in `carry.py`: that stays in
every interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.sessions.common import in_common
from analysis.sessions.compare_notes import Cause, comparison_findings
from analysis.sessions.difference import Difference
from analysis.sessions.differences import (
    CurveDifference,
    LoadDifference,
    curve_differences,
    peak_difference,
    road_load_difference,
)
from analysis.sessions.recorded_twice import drive_in_both
from analysis.sessions.side import Side, same_road
from analysis.signals.copies import Trace
from logger.errors import SessionError
from logger.findings import Finding

__all__ = ["Comparison", "compare", "compare_all"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Everything that a page on two sessions may show.

    Parameters
    ----------
    first, other : Side
        The two sessions.
    peak_w : Difference or None
        Peak wheel power as tested [W]; None where one of them has none.
    power : tuple of CurveDifference
        One per gear that both drove.
    road_load : LoadDifference or None
        None where one has none, or their speeds do not meet.
    why_no_road_load : str or None
        The reason then.
    causes : tuple of Cause
        What was cancelled and what not.
    findings : tuple of Finding
        What makes the comparison weak.
    """

    first: Side
    other: Side
    peak_w: Difference | None
    power: tuple[CurveDifference, ...]
    road_load: LoadDifference | None
    why_no_road_load: str | None
    causes: tuple[Cause, ...]
    findings: tuple[Finding, ...]


def compare_all(sides: Sequence[Side]) -> tuple[Comparison, ...]:
    """Compare each session with the first.

    Parameters
    ----------
    sides : sequence of Side
        At least two.

    Raises
    ------
    SessionError
        Two of them hold the same drive.
    """
    earlier: list[tuple[str, tuple[Trace, ...]]] = []
    for side in sides:
        again = drive_in_both(earlier, side.traces)
        if again is not None:
            found = (
                f"log {again.log + 1} holds the same drive as log {again.other_log + 1} of "
                f"{again.other}, {again.copy.why}"
            )
            raise SessionError(side.name, "", found, "two sessions, each with its own runs")
        earlier.append((side.name, side.traces))
    return tuple(compare(sides[0], other) for other in sides[1:])


def compare(first: Side, other: Side) -> Comparison:
    """Set one session against another.

    Parameters
    ----------
    first, other : Side
        Before and after, or two vehicles.

    Returns
    -------
    Comparison
        Differences are other less first.
    """
    road = same_road(first.road, other.road)
    common, causes = in_common(first, other, road)
    peak = None
    curves: tuple[CurveDifference, ...] = ()
    if first.power is not None and other.power is not None:
        peak = peak_difference(first, other, common)
        curves = curve_differences(first, other, common)
    load, why = road_load_difference(first, other, common)
    return Comparison(
        first=first,
        other=other,
        peak_w=peak,
        power=curves,
        road_load=load,
        why_no_road_load=why,
        causes=causes,
        findings=comparison_findings(first, other, road),
    )
