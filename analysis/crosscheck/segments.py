"""The customary sum of segment powers, step by step, what it is not, and the mean power that is right.

Common practice, no source: the kinetic mean power of a timed pull plus the mean resisting powers of
timed coast-down segments is quoted as the power of the vehicle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.crosscheck.gate_model import GateModel
from analysis.crosscheck.timed_runs import GateInterval, TimedRun, kinetic_mean_power_w
from analysis.model.covariance import Z95
from logger.arrays import Array

__all__ = [
    "SegmentSum",
    "arithmetic_steps",
    "explain_segment_sum",
    "pull_mean_power_w",
    "pull_profile",
    "resisting_mean_power_w",
    "segment_sum",
    "weighted_segments_w",
]


@dataclass(frozen=True, slots=True, kw_only=True)
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

    >>> gates = GateInterval(from_mps=20.0, to_mps=10.0, duration_s=10.0)
    >>> round(resisting_mean_power_w(1000.0, gates))
    15000
    """
    return -kinetic_mean_power_w(mass_kg, gates.from_mps, gates.to_mps, gates.duration_s)


def segment_sum(mass_kg: float, pull: GateInterval, coasts: Sequence[GateInterval]) -> SegmentSum:
    """Work out the customary figure of one timed pull and its coast-down segments [W]."""
    return SegmentSum(
        kinetic_mean_w=kinetic_mean_power_w(mass_kg, pull.from_mps, pull.to_mps, pull.duration_s),
        segments_w=tuple(resisting_mean_power_w(mass_kg, gates) for gates in coasts),
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
    """Explain in plain sentences why the customary sum is neither mean nor peak power.

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
    sentences = []
    if found.segments_w:
        sentences.append(
            f"The customary sum, {parts} = {text(found.total_w)}, is neither the mean nor the peak "
            "wheel power."
        )
        sentences.append(
            "Energies add, powers do not: each of its figures is a mean over its own time and its own "
            "speeds, and the sum lets the vehicle meet the drag of all segments at the same moment."
        )
    else:
        sentences.append(
            f"The kinetic mean power, {text(found.kinetic_mean_w)}, leaves out road load and rotating "
            "mass: it lies below the mean wheel power, and is no peak."
        )
    if weighted_w is not None and found.segments_w:
        sentences.append(
            "Weighted by the time that the pull spends at their speeds, the segments take "
            f"{text(weighted_w)}, not {text(sum(found.segments_w))}."
        )
    if mean_w is not None:
        plus = "" if mean_sd_w is None else f" ± {Z95 * mean_sd_w / unit_w:.1f}"
        sentences.append(
            f"The mean wheel power over the pull is {mean_w / unit_w:.1f}{plus} {unit}: the gain of "
            "kinetic energy with the rotating mass, plus the road load at the speeds of the pull, over "
            "the time of the pull."
        )
    if peak_w is not None:
        at = f" and lies at {peak_at}" if peak_at else ""
        sentences.append(
            f"The peak wheel power is {text(peak_w)}{at}; a mean between gates never shows it."
        )
    else:
        sentences.append(
            "The peak wheel power cannot be told from gates: it needs speed over time."
        )
    return tuple(sentences)


def arithmetic_steps(
    sums: SegmentSum,
    pull: TimedRun,
    coasts: Sequence[TimedRun],
    mass_kg: float,
    power_unit: tuple[str, float],
    speed_unit: tuple[str, float],
) -> tuple[str, ...]:
    """Return the customary arithmetic line by line, in the units that people read."""
    lines = []
    for run, power_w in zip((pull, *coasts), (sums.kinetic_mean_w, *sums.segments_w), strict=True):
        high, low = run.gates.to_mps, run.gates.from_mps
        name = "kinetic mean of the pull"
        if run.kind == "coast":
            high, low, name = low, high, "mean given up in the coast-down"
        shown = [v / speed_unit[1] for v in (run.gates.from_mps, run.gates.to_mps)]
        lines.append(
            f"{shown[0]:.4g} to {shown[1]:.4g} {speed_unit[0]}, {name}: {mass_kg:.0f} kg x "
            f"({high:.2f}^2 - {low:.2f}^2) / 2 / {run.gates.duration_s:.2f} s = "
            f"{power_w / power_unit[1]:.1f} {power_unit[0]}"
        )
    return tuple(lines)


def pull_profile(pull: TimedRun, model: GateModel | None) -> tuple[Array, Array]:
    """Return times [s] and speeds [m/s] of a timed pull: the session's shape, or constant power."""
    gates = pull.gates
    if model is not None and model.gear_speed_mps:
        speed, time, _ = model.pull_path(gates.to_mps)
        if speed[-1] >= gates.to_mps:
            inside = (speed > gates.from_mps) & (speed < gates.to_mps)
            v = np.concatenate([[gates.from_mps], speed[inside], [gates.to_mps]])
            t = np.interp(v, speed, time)
            return (t - t[0]) * gates.duration_s / (t[-1] - t[0]), v
    # constant power without losses: v^2 rises evenly in time
    t = np.linspace(0.0, 1.0, 200)
    square = gates.from_mps**2 + t * (gates.to_mps**2 - gates.from_mps**2)
    return t * gates.duration_s, np.sqrt(square)


def pull_mean_power_w(
    pull: TimedRun, model: GateModel, mass_kg: float, mass_share: float
) -> tuple[float, float]:
    """Return the mean wheel power of a timed pull and its sd [W].

    Gain of kinetic energy with the rotating mass, plus the road load along the speeds that the
    session's pulls run through, over the timed duration. `mass_share`: relative sd of the mass.
    """
    gates = pull.gates
    t, v = pull_profile(pull, model)
    # P = m_e (gained + integral r(v) v dt) / duration, r = r0 + r1 v + r2 v^2
    gained = 0.5 * (gates.to_mps**2 - gates.from_mps**2)
    resist = np.column_stack([v, v**2, v**3])
    lost = np.array([np.trapezoid(column, t) for column in resist.T])
    mean = mass_kg * (gained + float(lost @ model.resist)) / gates.duration_s
    parts = (
        mass_share * mean,  # mass
        mass_kg
        * float(np.sqrt(max(lost @ model.resist_covariance @ lost, 0.0)))
        / gates.duration_s,  # road load
        mass_kg * gained / gates.duration_s * pull.time_sd_s / gates.duration_s,  # time
        mass_kg * gates.to_mps * pull.speed_sd_mps / gates.duration_s,  # last gate
        mass_kg * gates.from_mps * pull.speed_sd_mps / gates.duration_s,  # first gate
    )
    return mean, float(np.sqrt(sum(part**2 for part in parts)))


def weighted_segments_w(
    sums: SegmentSum, pull: TimedRun, coasts: Sequence[TimedRun], model: GateModel | None
) -> float:
    """Return the segments' powers weighted by the share of the pull spent at their speeds [W]."""
    t, v = pull_profile(pull, model)
    total = 0.0
    for run, power_w in zip(coasts, sums.segments_w, strict=True):
        low, high = np.interp([run.gates.to_mps, run.gates.from_mps], v, t)
        total += power_w * float(high - low) / pull.gates.duration_s
    return total
