"""An `Analysis` as tables for other programs: curves.csv and speed_time.csv."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.pipeline import Analysis
from analysis.runs.run import Phase, Run
from analysis.signals.smoothing import SpeedCurve

__all__ = ["CURVES_HEADER", "SPEED_TIME_HEADER", "curves_csv", "speed_time_csv"]

CURVES_HEADER = "curve,gear,speed_mps,value,sd,unit"
SPEED_TIME_HEADER = (
    "log,run,phase,time_s,place_m,speed_mps,speed_sd_mps,accel_mps2,accel_sd_mps2,used"
)


def curves_csv(outcome: Analysis) -> str:
    """Return the text of curves.csv: road load [N] and wheel power [W] over speed [m/s].

    The values are those of `results_dict`; lines end in a line feed.
    """
    lines = [CURVES_HEADER]
    road_load = outcome.road_load
    if road_load is not None:
        speeds = road_load.curve_speeds_mps()
        lines += [
            f"road_load,,{speed:.7g},{force:.7g},{sd:.4g},N"
            for speed, force, sd in zip(
                speeds, road_load.force_n(speeds), road_load.force_sd_n(speeds), strict=True
            )
        ]
    for gear in outcome.power.gears if outcome.power is not None else ():
        number = "" if gear.gear is None else str(gear.gear)
        lines += [
            f"wheel_power,{number},{speed:.7g},{watts:.7g},{sd:.4g},W"
            for speed, watts, sd in zip(
                gear.speed_mps.tolist(), gear.power_w.tolist(), gear.sd_w.tolist(), strict=True
            )
        ]
    return "\n".join(lines) + "\n"


def speed_time_csv(curves: Iterable[SpeedCurve], runs: Sequence[Run]) -> str:
    """Return the text of speed_time.csv: every curve's samples with the run and phase they lie in.

    Parameters
    ----------
    curves : iterable of SpeedCurve
        One per recording.
    runs : sequence of Run
        Of all recordings; samples outside of every run have phase ``other`` and no run number.

    Returns
    -------
    str
        One line per sample; cells are empty inside holes.
    """
    parts = [SPEED_TIME_HEADER + "\n"]
    for curve in curves:
        columns = (
            curve.time_s,
            curve.place_m,
            curve.speed_mps,
            curve.speed_sd_mps,
            curve.accel_mps2,
            curve.accel_sd_mps2,
        )
        table = np.column_stack([np.asarray(column, dtype=np.float64) for column in columns])
        for first, last, run, phase in _stretches(curve, runs):
            if last > first:
                number = "" if run is None else str(run.number)
                kind = "other" if phase is None else phase.kind
                used = "true" if phase is not None and phase.used else "false"
                parts.append(_rows(f"{curve.log},{number},{kind}", used, table[first:last]))
    return "".join(parts)


def _stretches(
    curve: SpeedCurve, runs: Sequence[Run]
) -> Iterator[tuple[int, int, Run | None, Phase | None]]:
    """Sample ranges [first, last) of a curve, in order, each inside one phase or outside of all."""
    phases = sorted(
        ((phase, run) for run in runs if run.log == curve.log for phase in run.phases),
        key=lambda pair: pair[0].start_s,
    )
    done = 0
    for number, (phase, run) in enumerate(phases):
        first = max(done, int(np.searchsorted(curve.time_s, phase.start_s, "left")))
        touches = number + 1 < len(phases) and phases[number + 1][0].start_s <= phase.end_s
        side: Literal["left", "right"] = "left" if touches else "right"
        last = max(first, int(np.searchsorted(curve.time_s, phase.end_s, side)))
        yield done, first, None, None
        yield first, last, run, phase
        done = last
    yield done, curve.time_s.size, None, None


def _rows(start: str, end: str, table: NDArray[np.float64]) -> str:
    """One text for all rows of a stretch: a single formatting call is ten times a loop's speed."""
    line = f"{start},%.3f,%.2f,%.4f,%.3g,%.4f,%.3g,{end}\n"
    text = line * len(table) % tuple(table.ravel().tolist())
    if not np.isfinite(table).all():
        for word in (",nan", ",-nan", ",inf", ",-inf"):
            text = text.replace(word, ",")
    return text
