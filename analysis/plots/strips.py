"""Runs as strips above one another: thinned to what a figure can show, sorted by phase."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.results.site_and_sensors import RunResiduals
from analysis.runs.run import Run
from analysis.signals.smoothing import SpeedCurve

__all__ = [
    "Strip",
    "curve_strip",
    "joined_by_kind",
    "residual_strip",
    "run_label",
    "run_strips",
    "thinned",
]

#: A strip is some 280 points wide; more samples than this only make the file larger.
_MOST_POINTS = 135


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One run of a figure: label, times from its start [s], values, and the phase of each.

    A phase is what `Phase.kind` says, or ``left out`` for a pull or coast-down that is not used.
    """

    label: str
    time_s: NDArray[np.float64]
    values: NDArray[np.float64]
    kinds: tuple[str, ...]


def run_label(number: int, direction: int | None) -> str:
    """Return what a run is called in figures and tables, counted from 1: ``3 up``."""
    way = {1: " up", -1: " down"}.get(direction or 0, "")
    return f"{number + 1}{way}"


def run_strips(curves: Sequence[SpeedCurve], runs: Sequence[Run]) -> list[Strip]:
    """Return one strip of speeds [m/s] per run that has a curve."""
    by_log = {curve.log: curve for curve in curves}
    strips = []
    for run in runs:
        curve = by_log.get(run.log)
        if curve is None or not run.phases:
            continue
        first = int(np.searchsorted(curve.time_s, run.phases[0].start_s))
        last = int(np.searchsorted(curve.time_s, run.phases[-1].end_s, "right"))
        if last - first > 1:
            strips.append(
                curve_strip(curve, [run], run_label(run.number, run.direction), first, last)
            )
    return strips


def curve_strip(
    curve: SpeedCurve, runs: Sequence[Run], label: str, first: int = 0, last: int | None = None
) -> Strip:
    """Return the samples [first, last) of a curve with the phases of `runs` that they lie in."""
    last = curve.time_s.size if last is None else last
    kept = first + thinned(last - first, _MOST_POINTS)
    time = curve.time_s[kept]
    kinds = ["other"] * time.size
    for run in runs:
        for phase in run.phases if run.log == curve.log else ():
            begin = int(np.searchsorted(time, phase.start_s))
            end = int(np.searchsorted(time, phase.end_s, "right"))
            kept_out = phase.kind in ("pull", "coast") and not phase.used
            kinds[begin:end] = ["left out" if kept_out else phase.kind] * (end - begin)
    return Strip(
        label=label,
        time_s=time - (time[0] if time.size else 0.0),
        values=curve.speed_mps[kept],
        kinds=tuple(kinds),
    )


def residual_strip(residual: RunResiduals, half_mps: float) -> Strip:
    """Return residuals as 0 to 1, with 0.5 for none and `half_mps` [m/s] to either side."""
    kept = thinned(residual.time_s.size, _MOST_POINTS)
    return Strip(
        label=run_label(residual.run, residual.direction),
        time_s=residual.time_s[kept] - residual.time_s[0],
        values=np.clip(residual.residual_mps[kept] / half_mps, -1, 1) / 2 + 0.5,
        kinds=tuple(residual.phase[index] for index in kept),
    )


def joined_by_kind(
    strips: Sequence[Strip], bases: Sequence[float]
) -> Iterator[tuple[str, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]]:
    """Join what is of one phase in all strips into one line with gaps, for speed of drawing.

    Parameters
    ----------
    strips : sequence of Strip
        With values from 0 to 1.
    bases : sequence of float
        Height at which each strip starts.

    Yields
    ------
    (kind, time, base, height)
        Arrays of one length with nan between the pieces.
    """
    pieces: dict[str, list[NDArray[np.float64]]] = {}
    for strip, base in zip(strips, bases, strict=True):
        for first, last, kind in _blocks(strip.kinds):
            piece = np.full((3, last - first + 2), np.nan)
            piece[0, :-1] = strip.time_s[first : last + 1]
            piece[1, :-1] = base
            piece[2, :-1] = base + strip.values[first : last + 1]
            pieces.setdefault(kind, []).append(piece)
    for kind, found in pieces.items():
        time, low, high = np.concatenate(found, axis=1)
        yield kind, time, low, high


def _blocks(kinds: Sequence[str]) -> Iterator[tuple[int, int, str]]:
    """Yield stretches of equal words as (first, last, word), each up to the next one's first."""
    first = 0
    for index in range(1, len(kinds) + 1):
        if index == len(kinds) or kinds[index] != kinds[first]:
            yield first, min(index, len(kinds) - 1), kinds[first]
            first = index


def thinned(count: int, most: int) -> NDArray[np.intp]:
    """Return indices of at most `most` of `count` samples, both ends among them."""
    if count <= most:
        return np.arange(count)
    return np.unique(np.linspace(0, count - 1, most).round().astype(np.intp))
