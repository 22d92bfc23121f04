"""From a session's fit to the vehicles that it allows, and what they are expected to do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.model.covariance import root
from analysis.model.fit import SessionFit
from analysis.model.parameters import SPEED_SCALE_MPS
from analysis.physics.air import AirState
from analysis.physics.vehicle import effective_mass_kg
from analysis.physics.wltc import wltc_class_3b_kmh
from analysis.results.power import PowerCurve, PullFigures
from analysis.results.predictions import Change, Drive, GearPull, Prediction, predictions
from analysis.results.reference import (
    REFERENCE_TEMPERATURE_C,
    ROLLING_PER_K,
    ROLLING_PER_K_SD,
    TEMPERATURE_SD_K,
    reference_density_kg_m3,
)
from analysis.results.road_load import RoadLoad
from analysis.runs.run import Run
from analysis.signals.smoothing import SpeedCurve
from logger.session.session import Vehicle

__all__ = ["Expected", "expect", "launch_and_changes"]

_DRAWS, _SEED = 300, 20260302
#: From this speed on a road load may be carried on to the top of the WLTC, 131 km/h [m/s].
_WLTC_FROM_MPS = 100.0 / 3.6
_STANDSTILL_MPS = 1.0
#: How well the moment of a launch or the two ends of a gear change are known from the signals [s]; a
#: few bins of the accelerometer, measured on simulated pulls.
_EDGE_SD_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Predictions with the air they hold in: ``reference`` (20 C, 100 kPa) or ``as tested``."""

    air: str
    items: tuple[Prediction, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretch:
    """A launch or gear change on the mean of the pulls, with the sd of its mean duration [s]."""

    change: Change
    duration_sd_s: float

    def drawn(self, z: float) -> Change:
        duration_s = max(self.change.duration_s + self.duration_sd_s * z, 0.0)
        return replace(self.change, duration_s=duration_s)


def launch_and_changes(
    curves: Sequence[SpeedCurve], runs: Sequence[Run], pulls: Sequence[PullFigures], gears: int
) -> tuple[_Stretch | None, tuple[_Stretch, ...]]:
    """Return how the session's pulls were launched and changed gear, on their mean.

    Parameters
    ----------
    curves, runs, pulls : sequences
        Of the session.
    gears : int
        How many gears the fit has; pulls with another number of pieces do not count.

    Returns
    -------
    (launch, changes)
        No launch where pulls did not start from standstill; no changes where no pull shows all gears.
    """
    by_log = {curve.log: curve for curve in curves}
    seen: list[list[tuple[float, float, float]]] = []
    starts: list[tuple[float, float, float]] = []
    for run in runs:
        pull, curve = run.phase("pull"), by_log.get(run.log)
        if pull is None or not pull.used or curve is None or len(pull.gear_pieces_s) != gears:
            continue
        ends = np.array(pull.gear_pieces_s)
        good = np.isfinite(curve.speed_mps)
        v = np.interp(ends, curve.time_s[good], curve.speed_mps[good])
        seen.append(
            [
                (float(v[i, 1]), float(v[i + 1, 0]), float(ends[i + 1, 0] - ends[i, 1]))
                for i in range(gears - 1)
            ]
        )
        own = [one for one in pulls if one.log == run.log and one.start_s < pull.end_s]
        own = [one for one in own if one.end_s > pull.start_s]
        if own and pull.from_mps < _STANDSTILL_MPS and ends[0, 0] >= own[0].start_s:
            starts.append((0.0, float(v[0, 0]), float(ends[0, 0] - own[0].start_s)))
    changes = (
        tuple(_mean_stretch([pull[i] for pull in seen]) for i in range(gears - 1)) if seen else ()
    )
    return _mean_stretch(starts) if starts else None, changes


def _mean_stretch(seen: Sequence[tuple[float, float, float]]) -> _Stretch:
    table = np.array(seen)
    scatter = float(table[:, 2].std(ddof=1)) if len(table) > 1 else 0.5 * float(table[0, 2])
    from_mps, to_mps, duration_s = (float(value) for value in table.mean(axis=0))
    sd_s = math.hypot(scatter / math.sqrt(len(table)), _EDGE_SD_S)
    return _Stretch(
        change=Change(from_mps=from_mps, to_mps=to_mps, duration_s=duration_s), duration_sd_s=sd_s
    )


def expect(
    fit: SessionFit,
    curves: Sequence[SpeedCurve],
    runs: Sequence[Run],
    pulls: Sequence[PullFigures],
    vehicle: Vehicle,
    air: AirState,
    load: RoadLoad | None,
    power: PowerCurve | None,
) -> Expected | None:
    """Predict from a session's fit.

    Parameters
    ----------
    fit : SessionFit
        Traction and resistance per effective mass, with their joint covariance.
    curves, runs, pulls : sequences
        For how the session's pulls were launched and changed gear.
    vehicle : Vehicle
        Masses, which matter to cruising power and energy only.
    air : AirState
        With temperature and pressure the resistance is carried over to reference air. The engine's power
        stays that of the day.
    load, power : RoadLoad, PowerCurve or None
        The session's; their scatter factors widen the draws as they widen the curves.

    Returns
    -------
    Expected or None
        None without a road load.
    """
    if load is None:
        return None
    layout = fit.layout
    gears = range(len(layout.gear_knots_mps)) if power is not None else range(0)
    index = [np.arange(3)]
    for gear in gears:
        where = layout.gear(gear)
        index.append(np.arange(where.start, where.stop))
    used = np.concatenate(index)
    widen = np.full(used.size, 1.0 if power is None else power.scatter_factor)
    widen[:3] = load.scatter_factor
    covariance = fit.covariance[np.ix_(used, used)] * np.outer(widen, widen)
    rng = np.random.default_rng(_SEED)
    deviations = rng.standard_normal((_DRAWS, used.size)) @ root(covariance).T
    mass_kg, mass_sd_kg = effective_mass_kg(vehicle)
    launch, changes = launch_and_changes(curves, runs, pulls, len(gears))
    to_reference = air.temperature_c is not None and air.pressure_hpa is not None

    def drive(moved: np.ndarray[tuple[int], np.dtype[np.float64]], z: Sequence[float]) -> Drive:
        shared = fit.shared[used] + moved
        rolling = dense = 1.0
        if to_reference and air.temperature_c is not None:
            warmer_k = air.temperature_c + TEMPERATURE_SD_K * z[0] - REFERENCE_TEMPERATURE_C
            rolling = 1.0 + (ROLLING_PER_K + ROLLING_PER_K_SD * z[1]) * warmer_k
            dense = reference_density_kg_m3() / (air.density_kg_m3 + air.density_sd_kg_m3 * z[2])
        pulls, start = [], 3
        for gear in gears:
            knots = layout.gear_knots_mps[gear]
            pulls.append(GearPull(speed_mps=knots, accel_mps2=shared[start : start + knots.size]))
            start += knots.size
        return Drive(
            gears=tuple(pulls),
            resist=(
                float(shared[0]) * rolling,
                float(shared[1]) * rolling / SPEED_SCALE_MPS,
                float(shared[2]) * dense / SPEED_SCALE_MPS**2,
            ),
            mass_kg=mass_kg + mass_sd_kg * z[3],
            changes=tuple(one.drawn(z[5 + i]) for i, one in enumerate(changes)),
            launch=None if launch is None else launch.drawn(z[4]),
        )

    others = 5 + len(changes)
    best = drive(np.zeros(used.size), (0.0,) * others)
    draws = [
        drive(each, z.tolist())
        for each, z in zip(deviations, rng.standard_normal((_DRAWS, others)), strict=True)
    ]
    cycle = wltc_class_3b_kmh() if load.speed_range_mps[1] >= _WLTC_FROM_MPS else None
    items = predictions(best, draws, load.speed_range_mps, cycle)
    return Expected(air="reference" if to_reference else "as tested", items=items)
