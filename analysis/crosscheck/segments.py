"""The customary sum of segment powers, step by step, and what it is not.

Common practice, no source: the kinetic mean power of a timed pull plus the mean resisting powers of
timed coast-down segments is quoted as the power of the vehicle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.crosscheck.gates import GateInterval, kinetic_mean_power_w

__all__ = ["SegmentSum", "explain_segment_sum", "resisting_mean_power_w", "segment_sum"]


@dataclass(frozen=True, slots=True)
class SegmentSum:
    """The customary figure: kinetic mean of a pull plus the mean power of each segment [W]."""

    kinetic_mean_w: float
    segments_w: tuple[float, ...]

    @property
    def total_w(self) -> float:
        """The sum, which is no power that the vehicle ever had [W]."""
        return self.kinetic_mean_w + sum(self.segments_w)


def resisting_mean_power_w(mass_kg: float, gates: GateInterval) -> float:
    """Return the mean power that a coast-down segment gives up.

    Parameters
    ----------
    mass_kg : float
        Mass as driven [kg].
    gates : GateInterval
        Falling speeds and their time.

    Returns
    -------
    float
        ``m (v1^2 - v2^2) / 2 / duration`` [W]: a mean over the segment's own time and speeds.

    >>> round(resisting_mean_power_w(1000.0, GateInterval(20.0, 10.0, 10.0)))
    15000
    """
    return -kinetic_mean_power_w(mass_kg, gates.from_mps, gates.to_mps, gates.duration_s)


def segment_sum(mass_kg: float, pull: GateInterval, coasts: Sequence[GateInterval]) -> SegmentSum:
    """Work out the customary figure of one timed pull and its coast-down segments [W]."""
    return SegmentSum(
        kinetic_mean_power_w(mass_kg, pull.from_mps, pull.to_mps, pull.duration_s),
        tuple(resisting_mean_power_w(mass_kg, gates) for gates in coasts),
    )


def explain_segment_sum(
    found: SegmentSum,
    *,
    unit: str = "kW",
    unit_w: float = 1000.0,
    weighted_w: float | None = None,
    mean_w: float | None = None,
    mean_sd_w: float | None = None,
    peak_w: float | None = None,
    peak_at: str = "",
) -> tuple[str, ...]:
    """Say in plain sentences why the customary sum is neither mean nor peak power.

    Parameters
    ----------
    found : SegmentSum
        The customary figure.
    unit, unit_w : str, float
        Unit of power for the sentences and its size [W].
    weighted_w : float or None
        The segments' powers weighted by the time that the pull spends at their speeds [W].
    mean_w, mean_sd_w : float or None
        Mean wheel power of the pull and its sd [W].
    peak_w, peak_at : float or None, str
        Peak wheel power [W] and the speed it lies at, in words.

    Returns
    -------
    tuple of str
        Sentences in order.
    """

    def text(power_w: float) -> str:
        return f"{power_w / unit_w:.1f} {unit}"

    parts = " + ".join(f"{w / unit_w:.1f}" for w in (found.kinetic_mean_w, *found.segments_w))
    said = []
    if found.segments_w:
        said.append(
            f"The customary sum, {parts} = {text(found.total_w)}, is neither the mean nor the peak "
            "wheel power."
        )
        said.append(
            "Energies add, powers do not: each of its figures is a mean over its own time and its own "
            "speeds, and the sum lets the vehicle meet the drag of all segments at the same moment."
        )
    else:
        said.append(
            f"The kinetic mean power, {text(found.kinetic_mean_w)}, leaves out road load and rotating "
            "mass: it lies below the mean wheel power, and is no peak."
        )
    if weighted_w is not None and found.segments_w:
        said.append(
            "Weighted by the time that the pull spends at their speeds, the segments take "
            f"{text(weighted_w)}, not {text(sum(found.segments_w))}."
        )
    if mean_w is not None:
        plus = "" if mean_sd_w is None else f" ± {mean_sd_w / unit_w:.1f}"
        said.append(
            f"The mean wheel power over the pull is {mean_w / unit_w:.1f}{plus} {unit}: the gain of "
            "kinetic energy with the rotating mass, plus the road load at the speeds of the pull, over "
            "the time of the pull."
        )
    if peak_w is not None:
        at = f" and lies at {peak_at}" if peak_at else ""
        said.append(
            f"The peak wheel power is {text(peak_w)}{at}; a mean between gates never shows it."
        )
    else:
        said.append("The peak wheel power cannot be told from gates: it needs speed over time.")
    return tuple(said)
